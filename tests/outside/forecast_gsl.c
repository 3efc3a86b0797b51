/*
 * The forecast's room beside the GNU Scientific Library: its equations
 * integrated by somebody else's Runge-Kutta (Prince-Dormand, adaptive), and
 * the first-order step response fitted by somebody else's least squares.
 * Exits non-zero and says so when they differ by more than the bounds below.
 */
#include "forecast/thermal.h"
#include <gsl/gsl_errno.h>
#include <gsl/gsl_math.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <gsl/gsl_odeiv2.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#define ROOMS  60
#define HOUR_S 3600.0

static int faults;

static void check(const char *what, double got, double want, double bound)
{
    if (fabs(got - want) <= bound) /* false for NaN */
        return;
    printf("%s: got %.6f, GSL says %.6f (bound %g)\n", what, got, want, bound);
    faults++;
}

static double between(uint64_t *seed, double low, double high)
{
    *seed = *seed * UINT64_C(6364136223846793005) + 1442695040888963407u;
    return low + (high - low) * (double)(*seed >> 11) * 0x1p-53;
}

/* -- the room as a system of four equations, thermal.h's own words ----------*/

struct room {
    struct hg_thermal thermal;
    struct hg_thermal_input input;
};

static int slopes(double t, const double y[], double dydt[], void *context)
{
    const struct room *room = context;
    const struct hg_thermal *at = &room->thermal;

    (void)t;
    dydt[0] = (room->input.power_w - y[0]) / at->lag_s;
    dydt[1] = (y[0] + at->lining_w_k * (y[2] - y[1])) / at->air_j_k;
    dydt[2] = (at->lining_w_k * (y[1] - y[2]) + at->core_w_k * (y[3] - y[2])) /
              at->lining_j_k;
    dydt[3] = (at->core_w_k * (y[2] - y[3]) -
               at->outside_w_k * (y[3] - room->input.outside_c)) /
              at->core_j_k;
    return GSL_SUCCESS;
}

/* What hg_fit_prior() is about, widely varied; 4.5 to 12 kW. */
static void build(uint64_t *seed, struct room *room, double start[4])
{
    double volume_m3 = between(seed, 5, 25);
    double surface_m2 = 6 * pow(volume_m3, 2.0 / 3);

    room->thermal.air_j_k = between(seed, 1, 3) * 1200 * volume_m3;
    room->thermal.lining_j_k = between(seed, 6000, 20000) * surface_m2;
    room->thermal.core_j_k = between(seed, 3000, 30000) * surface_m2;
    room->thermal.lining_w_k = between(seed, 5, 15) * surface_m2;
    room->thermal.core_w_k = between(seed, 2, 10) * surface_m2;
    room->thermal.outside_w_k = between(seed, 0.5, 3) * surface_m2;
    room->thermal.lag_s = between(seed, 300, 1800);
    room->input.power_w = between(seed, 4500, 12000);
    room->input.outside_c = between(seed, -10, 20);
    start[0] = 0;
    start[1] = start[2] = between(seed, -5, 40);
    start[3] = between(seed, -5, 30);
}

static gsl_odeiv2_driver *drive(gsl_odeiv2_system *system)
{
    return gsl_odeiv2_driver_alloc_y_new(system, gsl_odeiv2_step_rk8pd, 1.0,
                                         1e-9, 1e-9);
}

/* Four hours in steps of ten seconds against an adaptive integration. */
static void compare_course(uint64_t *seed)
{
    struct room room;
    double y[4], t = 0;
    gsl_odeiv2_system system = { slopes, NULL, 4, &room };
    gsl_odeiv2_driver *driver = drive(&system);
    struct hg_thermal_state state;

    build(seed, &room, y);
    state.heat_w = y[0];
    state.air_c = y[1];
    state.lining_c = y[2];
    state.core_c = y[3];
    for (int quarter = 1; quarter <= 16; quarter++) {
        for (int i = 0; i < 90; i++)
            hg_thermal_step(&room.thermal, &state, &room.input, 10);
        if (gsl_odeiv2_driver_apply(driver, &t, quarter * HOUR_S / 4, y) !=
            GSL_SUCCESS)
            faults++;
        check("heat (W)", state.heat_w, y[0], 0.005 * room.input.power_w);
        check("air (C)", state.air_c, y[1], 0.4);
        check("lining (C)", state.lining_c, y[2], 0.4);
        check("core (C)", state.core_c, y[3], 0.4);
    }
    gsl_odeiv2_driver_free(driver);
}

/* When the air first reaches a target half-way to where it is after 2 h. */
static void compare_time_to(uint64_t *seed)
{
    struct room room;
    double y[4], t = 0, before_c, target_c;
    gsl_odeiv2_system system = { slopes, NULL, 4, &room };
    gsl_odeiv2_driver *driver = drive(&system);
    struct hg_thermal_state state;
    double seconds = -1;

    build(seed, &room, y);
    state.heat_w = y[0];
    state.air_c = y[1];
    state.lining_c = y[2];
    state.core_c = y[3];
    target_c = state.air_c + between(seed, 20, 35);
    if (!hg_thermal_time_to(&room.thermal, &state, &room.input, target_c,
                            &seconds)) {
        /* then it is out of reach for GSL too, within the same day */
        if (gsl_odeiv2_driver_apply(driver, &t, HG_THERMAL_HORIZON_S, y) !=
            GSL_SUCCESS)
            faults++;
        check("out of reach (C)", fmax(y[1], target_c), target_c, 0.4);
        gsl_odeiv2_driver_free(driver);
        return;
    }
    do {
        before_c = y[1];
        if (gsl_odeiv2_driver_apply(driver, &t, t + 1, y) != GSL_SUCCESS)
            faults++;
    } while (y[1] < target_c && t < HG_THERMAL_HORIZON_S);
    t -= (y[1] - target_c) / (y[1] - before_c);
    check("time to target (s)", seconds, t, fmax(10, 0.01 * t));
    gsl_odeiv2_driver_free(driver);
}

/* -- the step response of first order ---------------------------------------*/

#define POINTS 200

struct curve {
    double t[POINTS], y[POINTS];
};

/* y = base + rise (1 - exp(-t / tau)) */
static int residuals(const gsl_vector *x, void *data, gsl_vector *f)
{
    const struct curve *curve = data;

    for (size_t i = 0; i < POINTS; i++)
        gsl_vector_set(f, i,
                       gsl_vector_get(x, 0) +
                           gsl_vector_get(x, 1) *
                               (1 - exp(-curve->t[i] / gsl_vector_get(x, 2))) -
                           curve->y[i]);
    return GSL_SUCCESS;
}

/*
 * A room whose core is all its capacity and whose air and lining follow at
 * once is of first order: after a step of power P its air rises by P / G with
 * the time constant C / G (Incropera and DeWitt, chapter 5, lumped capacity).
 */
static void fit_step(uint64_t *seed)
{
    double core_j_k = between(seed, 2e5, 2e6);
    double outside_w_k = between(seed, 30, 200);
    double power_w = between(seed, 4500, 12000);
    struct hg_thermal thermal = { 1, 1, core_j_k, 1e7, 1e7, outside_w_k, 1e-3 };
    struct hg_thermal_input input = { power_w, 10 };
    struct hg_thermal_state state = { power_w, 10, 10, 10 };
    double tau_s = core_j_k / outside_w_k;
    double guess[3] = { 0 };
    struct curve curve;
    gsl_multifit_nlinear_parameters how =
        gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_fdf system = {
        .f = residuals, .n = POINTS, .p = 3, .params = &curve
    };
    gsl_multifit_nlinear_workspace *work =
        gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, POINTS, 3);
    gsl_vector_view start = gsl_vector_view_array(guess, 3);
    int info;

    for (size_t i = 0; i < POINTS; i++) {
        for (int k = 0; k < 20; k++)
            hg_thermal_step(&thermal, &state, &input, tau_s / 1000);
        curve.t[i] = (double)(i + 1) * tau_s / 50;
        curve.y[i] = state.air_c;
    }
    guess[0] = curve.y[0];
    guess[1] = curve.y[POINTS - 1] - curve.y[0];
    guess[2] = curve.t[POINTS / 8];
    gsl_multifit_nlinear_init(&start.vector, &system, work);
    if (gsl_multifit_nlinear_driver(200, 1e-10, 1e-10, 1e-10, NULL, NULL, &info,
                                    work) != GSL_SUCCESS)
        faults++;
    check("base (C)", 10, gsl_vector_get(work->x, 0), 0.05);
    check("rise (C)", power_w / outside_w_k, gsl_vector_get(work->x, 1),
          0.005 * power_w / outside_w_k);
    check("time constant (s)", tau_s, gsl_vector_get(work->x, 2),
          0.005 * tau_s);
    gsl_multifit_nlinear_free(work);
}

int main(void)
{
    uint64_t seed = 20260109;

    gsl_set_error_handler_off(); /* failures are counted, not aborted on */
    for (int i = 0; i < ROOMS; i++) {
        compare_course(&seed);
        compare_time_to(&seed);
        fit_step(&seed);
    }
    printf("%d rooms, %d differences\n", ROOMS, faults);
    return faults == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
