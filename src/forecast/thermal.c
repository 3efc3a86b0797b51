/* One step of the two-node room and what follows from many of them. */
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

void hg_thermal_step(const struct hg_thermal *thermal,
                     struct hg_thermal_state *state,
                     const struct hg_thermal_input *input, double dt_s)
{
    double air = thermal->air_j_k / dt_s;
    double wall = thermal->wall_j_k / dt_s;
    double couple = thermal->couple_w_k;
    double air_sum = air + couple;
    double wall_sum = wall + couple + thermal->loss_w_k;
    double air_in, wall_in, determinant;

    step_heat(thermal, state, input->power_w, dt_s);
    air_in = air * state->air_c + state->heat_w;
    wall_in = wall * state->wall_c + thermal->loss_w_k * input->outside_c;
    determinant = air_sum * wall_sum - couple * couple;
    state->air_c = (air_in * wall_sum + couple * wall_in) / determinant;
    state->wall_c = (wall_in * air_sum + couple * air_in) / determinant;
}

void hg_thermal_step_held(const struct hg_thermal *thermal,
                          struct hg_thermal_state *state,
                          const struct hg_thermal_input *input, double dt_s)
{
    double wall = thermal->wall_j_k / dt_s;
    double couple = thermal->couple_w_k;
    double loss = thermal->loss_w_k;

    step_heat(thermal, state, input->power_w, dt_s);
    state->wall_c = (wall * state->wall_c + couple * state->air_c +
                     loss * input->outside_c) /
                    (wall + couple + loss);
}

double hg_thermal_equilibrium(const struct hg_thermal *thermal,
                              const struct hg_thermal_input *input)
{
    /* all power crosses both resistances, one after the other */
    return input->outside_c +
           input->power_w * (1 / thermal->couple_w_k + 1 / thermal->loss_w_k);
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
