#ifndef HG_FORECAST_THERMAL_H
#define HG_FORECAST_THERMAL_H

/*
 * The physics of a hot room as a chain of nodes: the air (with what follows
 * it quickly), the lining (panels, benches, stones), the core behind it. The
 * heater warms the air after a lag; the core loses heat to the outside.
 *
 *   lag_s       dq/dt  = power - q
 *   air_j_k     dTa/dt = q + lining_w_k (Tl - Ta)
 *   lining_j_k  dTl/dt = lining_w_k (Ta - Tl) + core_w_k (Tc - Tl)
 *   core_j_k    dTc/dt = core_w_k (Tl - Tc) - outside_w_k (Tc - outside)
 *
 * Lumped capacities and first-order lags: any heat transfer textbook, for
 * example Incropera and DeWitt, "Fundamentals of Heat and Mass Transfer",
 * chapter 5. All pure; units are in the names (J/K, W/K, s, W, degrees C).
 */
#include <stdbool.h>

struct hg_thermal {
    double air_j_k, lining_j_k, core_j_k;
    double lining_w_k, core_w_k, outside_w_k;
    double lag_s;
};

struct hg_thermal_state {
    double heat_w; /* q: what arrives in the air now */
    double air_c, lining_c, core_c;
};

/* What acts from outside during a step. */
struct hg_thermal_input {
    double power_w;
    double outside_c;
};

/*
 * Let dt_s > 0 seconds pass. Backward Euler: stable for every step length;
 * its error is of first order in dt_s over the shortest time constant.
 */
void hg_thermal_step(const struct hg_thermal *thermal,
                     struct hg_thermal_state *state,
                     const struct hg_thermal_input *input, double dt_s);

/* The same, with the air held at its present value (a measured one). */
void hg_thermal_step_held(const struct hg_thermal *thermal,
                          struct hg_thermal_state *state,
                          const struct hg_thermal_input *input, double dt_s);

/* The air temperature that this input would lead to after a long time. */
double hg_thermal_equilibrium(const struct hg_thermal *thermal,
                              const struct hg_thermal_input *input);

/*
 * Seconds until the air reaches target_c from state under a constant input:
 * 0 when it is there already. False, ret_seconds untouched, when it never
 * gets there or takes longer than HG_THERMAL_HORIZON_S.
 */
#define HG_THERMAL_HORIZON_S 43200.0
bool hg_thermal_time_to(const struct hg_thermal *thermal,
                        const struct hg_thermal_state *state,
                        const struct hg_thermal_input *input, double target_c,
                        double *ret_seconds);

#endif
