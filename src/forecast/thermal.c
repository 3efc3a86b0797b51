/* One step of the three-node room and what follows from many of them. */
#include "forecast/thermal.h"

#define STEP_S    10.0
#define STEPS_MAX ((int)(HG_THERMAL_HORIZON_S / STEP_S))

/* First-order lag of the heater: elements and stones come first. */
static void step_heat(const struct hg_thermal *thermal,
                      struct hg_thermal_state *state, double power_w,
                      double dt_s)
{
    state->heat_w += dt_s / (thermal->lag_s + dt_s) * (power_w - state->heat_w);
}

/*
 * The end of the chain, seen from the lining: after a step the core will be
 * base_c + share * lining_c.
 */
struct tail {
    double base_c, share;
};

static struct tail tail_of(const struct hg_thermal *thermal, double core_c,
                           double outside_c, double dt_s)
{
    double core = thermal->core_j_k / dt_s;
    double sum = core + thermal->core_w_k + thermal->outside_w_k;
    struct tail tail = {
        .base_c = (core * core_c + thermal->outside_w_k * outside_c) / sum,
        .share = thermal->core_w_k / sum
    };

    return tail;
}

void hg_thermal_step(const struct hg_thermal *thermal,
                     struct hg_thermal_state *state,
                     const struct hg_thermal_input *input, double dt_s)
{
    struct tail tail = tail_of(thermal, state->core_c, input->outside_c, dt_s);
    double air = thermal->air_j_k / dt_s;
    double lining = thermal->lining_j_k / dt_s;
    double couple = thermal->lining_w_k;
    double air_sum = air + couple;
    double lining_sum = lining + couple + thermal->core_w_k * (1 - tail.share);
    double air_in, lining_in, determinant;

    step_heat(thermal, state, input->power_w, dt_s);
    air_in = air * state->air_c + state->heat_w;
    lining_in = lining * state->lining_c + thermal->core_w_k * tail.base_c;
    determinant = air_sum * lining_sum - couple * couple;
    state->air_c = (air_in * lining_sum + couple * lining_in) / determinant;
    state->lining_c = (lining_in * air_sum + couple * air_in) / determinant;
    state->core_c = tail.base_c + tail.share * state->lining_c;
}

void hg_thermal_step_held(const struct hg_thermal *thermal,
                          struct hg_thermal_state *state,
                          const struct hg_thermal_input *input, double dt_s)
{
    struct tail tail = tail_of(thermal, state->core_c, input->outside_c, dt_s);
    double lining = thermal->lining_j_k / dt_s;
    double couple = thermal->lining_w_k;

    step_heat(thermal, state, input->power_w, dt_s);
    state->lining_c = (lining * state->lining_c + couple * state->air_c +
                       thermal->core_w_k * tail.base_c) /
                      (lining + couple + thermal->core_w_k * (1 - tail.share));
    state->core_c = tail.base_c + tail.share * state->lining_c;
}

double hg_thermal_equilibrium(const struct hg_thermal *thermal,
                              const struct hg_thermal_input *input)
{
    /* all power crosses every resistance, one after the other */
    return input->outside_c +
           input->power_w * (1 / thermal->lining_w_k + 1 / thermal->core_w_k +
                             1 / thermal->outside_w_k);
}

bool hg_thermal_time_to(const struct hg_thermal *thermal,
                        const struct hg_thermal_state *state,
                        const struct hg_thermal_input *input, double target_c,
                        double *ret_seconds)
{
    struct hg_thermal_state now = *state;

    if (now.air_c >= target_c) {
        *ret_seconds = 0;
        return true;
    }
    for (int i = 0; i < STEPS_MAX; i++) {
        double before_c = now.air_c;

        hg_thermal_step(thermal, &now, input, STEP_S);
        if (now.air_c >= target_c) {
            *ret_seconds =
                STEP_S * (i + (target_c - before_c) / (now.air_c - before_c));
            return true;
        }
    }
    return false;
}
