/*
 * The forecast: its physics against closed forms, its learning against the
 * simulator's rooms, which are built otherwise (a stones node, radiation,
 * vents, a lagging sensor). Closed forms: Incropera and DeWitt, "Fundamentals
 * of Heat and Mass Transfer", chapter 5, lumped capacitance.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "forecast/thermal.h"
#include "forecast/warmup.h"
#include <stdlib.h>

/* -- physics -- */

/*
 * All heat in the air, which loses it through nearly nothing but
 * outside_w_k: one node, time constant 1000 s.
 */
static const struct hg_thermal ONE_NODE = {
    .air_j_k = 1e5,
    .lining_j_k = 1e-3,
    .core_j_k = 1e-3,
    .lining_w_k = 1e9,
    .core_w_k = 1e9,
    .outside_w_k = 100,
    .lag_s = 1e-9,
};

static struct hg_thermal_state all_at(double c)
{
    struct hg_thermal_state state = { 0, c, c, c };

    return state;
}

static void pass(const struct hg_thermal *thermal,
                 struct hg_thermal_state *state,
                 const struct hg_thermal_input *input, double seconds,
                 double dt_s)
{
    for (double t = 0; t < seconds - dt_s / 2; t += dt_s)
        hg_thermal_step(thermal, state, input, dt_s);
}

static void test_forecast__cools_by_newtons_law(void **state)
{
    static const double AT_S[] = { 10, 100, 1000, 3000 };
    const struct hg_thermal_input off = { 0, 5 };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(AT_S); i++) {
        struct hg_thermal_state room = all_at(85);

        pass(&ONE_NODE, &room, &off, AT_S[i], 1);

        /* backward Euler errs by dt / 2 tau of the slope, below 0.03 K here */
        HG_CHECK_NEAR("T", room.air_c, 5 + 80 * exp(-AT_S[i] / 1000), 0.03);
    }
}

static void test_forecast__answers_a_step_of_power(void **state)
{
    static const double AT_S[] = { 10, 100, 1000, 3000 };
    const struct hg_thermal_input on = { 6000, 5 };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(AT_S); i++) {
        struct hg_thermal_state room = all_at(5);

        pass(&ONE_NODE, &room, &on, AT_S[i], 1);

        HG_CHECK_NEAR("T", room.air_c, 5 + 60 * (1 - exp(-AT_S[i] / 1000)),
                      0.03);
    }
}

static void test_forecast__halves_its_error_with_its_step(void **state)
{
    const struct hg_thermal_input off = { 0, 5 };
    const double exact_c = 5 + 80 * exp(-1);
    struct hg_thermal_state coarse = all_at(85), fine = all_at(85);

    (void)state;
    pass(&ONE_NODE, &coarse, &off, 1000, 10);
    pass(&ONE_NODE, &fine, &off, 1000, 5);

    HG_CHECK_NEAR("order one",
                  (coarse.air_c - exact_c) / (fine.air_c - exact_c), 2, 0.02);
}

static void test_forecast__the_heater_lags(void **state)
{
    struct hg_thermal slow = ONE_NODE;
    struct hg_thermal_state room = all_at(5);
    const struct hg_thermal_input on = { 6000, 5 };

    (void)state;
    slow.lag_s = 600;
    pass(&slow, &room, &on, 600, 1);

    HG_CHECK_NEAR("1 - 1/e after one lag", room.heat_w, 6000 * (1 - exp(-1)),
                  6000 * 0.0005);
}

static const struct hg_thermal USUAL = {
    .air_j_k = 2e4,
    .lining_j_k = 3e5,
    .core_j_k = 2e5,
    .lining_w_k = 200,
    .core_w_k = 120,
    .outside_w_k = 30,
    .lag_s = 600,
};

static void test_forecast__keeps_the_books_of_heat(void **state)
{
    struct hg_thermal shut = USUAL;
    struct hg_thermal_state room = { 0, 10, 15, 20 };
    const struct hg_thermal_input on = { 6000, -10 };
    double before_j = 2e4 * 10 + 3e5 * 15 + 2e5 * 20;
    double sent_j = 0, after_j;

    (void)state;
    shut.outside_w_k = 0;
    for (int i = 0; i < 1000; i++) {
        hg_thermal_step(&shut, &room, &on, 3);
        sent_j += 3 * room.heat_w;
    }
    after_j = 2e4 * room.air_c + 3e5 * room.lining_c + 2e5 * room.core_c;

    HG_CHECK_NEAR("stored = sent", (after_j - before_j) / sent_j, 1, 1e-9);
}

static void test_forecast__settles_at_its_equilibrium(void **state)
{
    const struct hg_thermal_input on = { 3000, 5 };
    struct hg_thermal_state room = all_at(5);

    (void)state;
    pass(&USUAL, &room, &on, 2e6, 100);

    /* resistances in a row: 5 + 3000 (1/200 + 1/120 + 1/30) */
    HG_CHECK_NEAR("by hand", hg_thermal_equilibrium(&USUAL, &on), 145, 1e-9);
    HG_CHECK_NEAR("by waiting", room.air_c, 145, 0.01);
}

static void test_forecast__held_air_is_not_moved(void **state)
{
    struct hg_thermal_state room = { 0, 70, 20, 10 };
    const struct hg_thermal_input on = { 6000, 10 };

    (void)state;
    for (int i = 0; i < 100; i++)
        hg_thermal_step_held(&USUAL, &room, &on, 1000);

    /* chain from 70 to 10 over 1/200, 1/120, 1/30 K/W: 1285.7 W */
    HG_CHECK_NEAR("air", room.air_c, 70, 0);
    HG_CHECK_NEAR("lining", room.lining_c, 70 - 1285.714 / 200, 0.01);
    HG_CHECK_NEAR("core", room.core_c, 10 + 1285.714 / 30, 0.01);
}

static void test_forecast__time_to_a_target(void **state)
{
    static const struct {
        const char *label;
        double target_c;
        bool is_reached;
    } row[] = {
        { "below the start", 4, true },
        { "at the start", 5, true },
        { "near", 6, true },
        { "half way", 35, true },
        { "far", 60, true },
        { "just below the end", 64.9, true },
        { "a hair above the end", 65.001, false },
        { "above the end", 66, false },
        { "far above the end", 1e4, false },
    };
    const struct hg_thermal_input on = { 6000, 5 };
    const struct hg_thermal_state cold = all_at(5);

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        double rise_c = fmax(row[i].target_c - 5, 0);
        double seconds = -1;

        HG_CHECK_EQ(row[i].label,
                    hg_thermal_time_to(&ONE_NODE, &cold, &on, row[i].target_c,
                                       &seconds),
                    row[i].is_reached);
        /* t = -tau ln(1 - rise G / P); steps of 10 s: half a percent */
        HG_CHECK_NEAR(row[i].label, seconds,
                      row[i].is_reached ? -1000 * log(1 - rise_c / 60) : -1,
                      row[i].is_reached ? 0.5 + rise_c : 0);
    }
}

/* -- a model without history -- */

static const struct hg_fit_room CABIN = { .heater_w = 6000, .volume_m3 = 8.5 };

static struct hg_warmup_estimate ask(const struct hg_warmup_model *model,
                                     double air_c, double target_c)
{
    struct hg_warmup_estimate estimate;

    memset(&estimate, 0x5a, sizeof(estimate));
    hg_warmup_estimate(model, (int32_t)lround(air_c * 1000),
                       (int32_t)lround(target_c * 1000), &estimate);
    return estimate;
}

static void test_forecast__a_new_room_gets_a_sane_guess(void **state)
{
    struct hg_warmup_model model;
    struct hg_warmup_estimate guess;

    (void)state;
    hg_warmup_model_init(&model, &CABIN);
    guess = ask(&model, 8, 80);

    /* common practice, from memory: 30 to 90 min for 0.7 kW a cubic metre */
    HG_CHECK_TRUE("reachable", guess.is_reachable);
    HG_CHECK_TRUE("not too short", guess.seconds > 1800);
    HG_CHECK_TRUE("not too long", guess.seconds < 5400);
    HG_CHECK_TRUE("wide below", guess.low_s < 0.8 * guess.seconds);
    HG_CHECK_TRUE("wide above", guess.high_s > 1.25 * guess.seconds);
}

static void test_forecast__more_work_takes_longer(void **state)
{
    static const struct {
        const char *label;
        double heater_w;
        double volume_m3, air_c, target_c;
        bool is_longer; /* than 6 kW, 8.5 m3, from 8 to 80 */
    } row[] = {
        { "weaker heater", 5000, 8.5, 8, 80, true },
        { "stronger heater", 9000, 8.5, 8, 80, false },
        { "larger room", 6000, 12, 8, 80, true },
        { "smaller room", 6000, 6, 8, 80, false },
        { "colder start", 6000, 8.5, -5, 80, true },
        { "warmer start", 6000, 8.5, 30, 80, false },
        { "higher target", 6000, 8.5, 8, 85, true },
        { "lower target", 6000, 8.5, 8, 60, false },
    };
    struct hg_warmup_model usual;
    double usual_s;

    (void)state;
    hg_warmup_model_init(&usual, &CABIN);
    usual_s = ask(&usual, 8, 80).seconds;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_warmup_model model;
        struct hg_warmup_estimate guess;

        hg_warmup_model_init(
            &model, &(struct hg_fit_room) { .heater_w = row[i].heater_w,
                                            .volume_m3 = row[i].volume_m3 });
        guess = ask(&model, row[i].air_c, row[i].target_c);

        HG_CHECK_TRUE(row[i].label, guess.is_reachable);
        HG_CHECK_EQ(row[i].label, guess.seconds > usual_s, row[i].is_longer);
    }
}

static void test_forecast__heavier_rooms_take_longer(void **state)
{
    static const struct {
        const char *label;
        double stones_kg, wood_mm;
        bool is_same; /* as the one above, else it is more */
    } row[] = {
        { "bare", 1, 9, false },
        { "stones", 24, 9, false },
        { "a tower", 150, 9, false },
        { "thick panels", 150, 16, false },
        { "planks", 150, 28, false },
        { "logs", 150, 40, false },
        { "thick logs: heat comes no deeper", 150, 200, true },
    };
    double before_s = 0;

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_fit_room room = CABIN;
        struct hg_warmup_model model;
        double seconds;

        room.stones_kg = row[i].stones_kg;
        room.wood_mm = row[i].wood_mm;
        hg_warmup_model_init(&model, &room);
        seconds = ask(&model, 8, 80).seconds;

        if (row[i].is_same)
            HG_CHECK_NEAR(row[i].label, seconds, before_s, 1e-6);
        else
            HG_CHECK_TRUE(row[i].label, seconds > before_s);
        before_s = seconds;
    }
}

static void test_forecast__what_is_known_narrows_the_interval(void **state)
{
    struct hg_fit_room room = CABIN;
    struct hg_warmup_model model;
    struct hg_warmup_estimate unknown, known;

    (void)state;
    hg_warmup_model_init(&model, &room);
    unknown = ask(&model, 8, 80);
    room.stones_kg = 34; /* what 6 kW are taken to have */
    room.wood_mm = 13.7; /* and what rooms are taken to be lined with */
    hg_warmup_model_init(&model, &room);
    known = ask(&model, 8, 80);

    HG_CHECK_NEAR("the usual room", known.seconds / unknown.seconds, 1, 0.05);
    HG_CHECK_TRUE("narrower",
                  known.high_s / known.low_s < unknown.high_s / unknown.low_s);
}

static void test_forecast__says_when_there_is_nothing_to_wait_for(void **state)
{
    struct hg_warmup_model model;
    struct hg_warmup_estimate guess;

    (void)state;
    hg_warmup_model_init(&model, &CABIN);
    guess = ask(&model, 80, 80);
    HG_CHECK_TRUE("warm already", guess.is_reachable);
    HG_CHECK_NEAR("at once", guess.seconds, 0, 0);
    HG_CHECK_NEAR("at once", guess.high_s, 0, 0);

    hg_warmup_model_init(
        &model, &(struct hg_fit_room) { .heater_w = 500, .volume_m3 = 300 });
    guess = ask(&model, 8, 80);
    HG_CHECK_FALSE("too weak", guess.is_reachable);
    HG_CHECK_NEAR("no time", guess.seconds, 0, 0);
}

static void test_forecast__bears_absurd_settings(void **state)
{
    static const struct {
        double heater_w, volume_m3;
    } row[] = { { 0, 0 }, { UINT32_MAX, 0.1 }, { 1, 1e9 }, { 500, -5 } };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        static const int32_t mc[] = { INT32_MIN, 0, INT32_MAX };
        struct hg_warmup_model model;

        hg_warmup_model_init(
            &model, &(struct hg_fit_room) { .heater_w = row[i].heater_w,
                                            .volume_m3 = row[i].volume_m3 });
        for (size_t k = 0; k < HG_COUNT(mc) * HG_COUNT(mc); k++) {
            struct hg_warmup_estimate guess;

            hg_warmup_estimate(&model, mc[k % 3], mc[k / 3], &guess);
            HG_CHECK_TRUE("finite", isfinite(guess.seconds));
            HG_CHECK_TRUE("ordered", guess.low_s <= guess.seconds &&
                                         guess.seconds <= guess.high_s);
        }
    }
}

/* -- following and learning, on rooms of the model's own kind -- */

/* A room, its telemetry, and the model that listens. */
struct rig {
    struct hg_thermal thermal;
    struct hg_thermal_state room;
    struct hg_warmup_model model;
    struct hg_warmup_sample sample;
    int learned; /* how often the model said so */
};

static void rig_start(struct rig *rig, double scale)
{
    struct hg_fit_belief prior;

    memset(rig, 0, sizeof(*rig));
    hg_warmup_model_init(&rig->model, &CABIN);
    hg_fit_prior(&CABIN, &prior);
    hg_fit_thermal(prior.mean, &rig->thermal);
    rig->thermal.lining_j_k *= scale;
    rig->room = all_at(10);
    rig->sample.has_air = true;
    rig->sample.is_door_closed = true;
}

static void rig_run(struct rig *rig, double power_w, double seconds)
{
    struct hg_thermal_input input = { power_w, 10 };

    for (double t = 0; t < seconds; t += 2) {
        hg_thermal_step(&rig->thermal, &rig->room, &input, 2);
        rig->sample.at.ms += 2000;
        rig->sample.is_heater_on = power_w > 0;
        rig->sample.air_mc = (int32_t)lround(rig->room.air_c * 1000);
        rig->learned += hg_warmup_feed(&rig->model, &rig->sample);
    }
}

/* Heat to the target; how long it took. */
static double rig_heat(struct rig *rig, double target_c)
{
    double seconds = 0;

    for (; rig->room.air_c < target_c && seconds < 20000; seconds += 2)
        rig_run(rig, 6000, 2);
    return seconds;
}

static void test_forecast__learns_a_room_of_its_own_kind(void **state)
{
    static const double SCALE[] = { 0.6, 1.0, 1.6 };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(SCALE); i++) {
        struct rig rig;
        double guess_s, took_s;

        rig_start(&rig, SCALE[i]);
        rig_run(&rig, 0, 1000);
        (void)rig_heat(&rig, 80);
        rig_run(&rig, 0, 12 * 3600);
        guess_s = ask(&rig.model, rig.room.air_c, 80).seconds;
        took_s = rig_heat(&rig, 80);

        HG_CHECK_EQ("learned once", rig.learned, 1);
        HG_CHECK_EQ("counted", rig.model.warmups, 1);
        HG_CHECK_NEAR("error", guess_s / took_s, 1, 0.05);
    }
}

static void test_forecast__counts_down_while_it_heats(void **state)
{
    struct rig rig;
    double took_s, half_s, guess_s;

    (void)state;
    rig_start(&rig, 1.5);
    rig_run(&rig, 0, 1000);
    took_s = rig_heat(&rig, 80);
    rig_start(&rig, 1.5);
    rig_run(&rig, 0, 1000);
    half_s = 2 * floor(took_s / 4);
    rig_run(&rig, 6000, half_s);
    guess_s = ask(&rig.model, rig.room.air_c, 80).seconds;

    HG_CHECK_NEAR("first warm-up, half-way", guess_s / (took_s - half_s), 1,
                  0.10);
}

static void test_forecast__what_teaches_and_what_does_not(void **state)
{
    static const struct {
        const char *label;
        double on_s, off_s;
        int want;
    } row[] = {
        { "not over yet", 2400, 298, 0 },
        { "over", 2400, 304, 1 },
        { "too short to rise", 240, 400, 0 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct rig rig;

        rig_start(&rig, 1);
        rig_run(&rig, 0, 600);
        rig_run(&rig, 6000, row[i].on_s);
        rig_run(&rig, 0, row[i].off_s);

        HG_CHECK_EQ(row[i].label, rig.learned, row[i].want);
        HG_CHECK_EQ(row[i].label, rig.model.warmups, row[i].want);
    }
}

static void test_forecast__drops_a_warm_up_with_a_gap(void **state)
{
    static const struct {
        const char *label;
        uint64_t gap_ms;
        int want;
    } row[] = { { "at", 60000, 1 }, { "above", 60001, 0 } };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct rig rig;

        rig_start(&rig, 1);
        rig_run(&rig, 0, 600);
        rig_run(&rig, 6000, 1200);
        rig.sample.at.ms += row[i].gap_ms - 2000;
        rig_run(&rig, 6000, 1200);
        rig_run(&rig, 0, 400);

        HG_CHECK_EQ(row[i].label, rig.learned, row[i].want);
    }
}

static void test_forecast__ignores_time_that_does_not_pass(void **state)
{
    struct rig rig;
    struct hg_warmup_model before;

    (void)state;
    rig_start(&rig, 1);
    rig_run(&rig, 0, 600);
    before = rig.model;
    rig.sample.air_mc = 90000;
    HG_CHECK_FALSE("same", hg_warmup_feed(&rig.model, &rig.sample));
    rig.sample.at.ms -= 1000;
    HG_CHECK_FALSE("back", hg_warmup_feed(&rig.model, &rig.sample));

    HG_CHECK_BYTES("unchanged", &rig.model, &before, sizeof(before));
}

static void test_forecast__bears_a_dead_sensor(void **state)
{
    struct rig rig;
    double guess_s;

    (void)state;
    rig_start(&rig, 1);
    rig_run(&rig, 0, 600);
    rig_run(&rig, 6000, 900);
    rig.sample.has_air = false;
    rig_run(&rig, 6000, 300);
    rig.sample.has_air = true;
    rig_run(&rig, 6000, 300);
    guess_s = ask(&rig.model, rig.room.air_c, 80).seconds;

    HG_CHECK_NEAR("still right", guess_s / rig_heat(&rig, 80), 1, 0.10);

    memset(&rig.sample, 0, sizeof(rig.sample));
    hg_warmup_model_init(&rig.model, &CABIN);
    HG_CHECK_FALSE("never had one", hg_warmup_feed(&rig.model, &rig.sample));
    HG_CHECK_TRUE("guesses", ask(&rig.model, 10, 80).is_reachable);
}

static void test_forecast__bears_an_open_door(void **state)
{
    struct rig rig;
    double before_s, open_s;

    (void)state;
    rig_start(&rig, 1);
    rig_run(&rig, 0, 600);
    rig_run(&rig, 6000, 1500);
    before_s = ask(&rig.model, rig.room.air_c, 80).seconds;
    rig.sample.is_door_closed = false;
    rig.room.air_c -= 20;
    rig_run(&rig, 6000, 10);
    open_s = ask(&rig.model, rig.room.air_c, 80).seconds;

    /* the air is quick to come back: walls and stones are still warm */
    HG_CHECK_TRUE("longer", open_s > before_s);
    HG_CHECK_TRUE("not as from cold", open_s < before_s + 600);
}

/* -- numbers over a restart -- */

static void test_forecast__remembers_what_it_learned(void **state)
{
    struct rig rig;
    struct hg_warmup_model again;
    struct hg_warmup_memory memory, memory_again;

    (void)state;
    rig_start(&rig, 1.6);
    HG_CHECK_TRUE("nothing yet", !hg_warmup_has_learned(&rig.model));
    rig_run(&rig, 0, 600);
    HG_CHECK_TRUE("nothing from cold", !hg_warmup_has_learned(&rig.model));
    (void)rig_heat(&rig, 80);
    rig_run(&rig, 0, 400);
    HG_CHECK_TRUE("learned", hg_warmup_has_learned(&rig.model));
    hg_warmup_remember(&rig.model, &memory);
    hg_warmup_model_init(&again, &CABIN);
    HG_CHECK_EQ("recall", hg_warmup_recall(&again, &memory), HG_OK);
    hg_warmup_remember(&again, &memory_again);

    HG_CHECK_TRUE("and again", hg_warmup_has_learned(&again));
    HG_CHECK_EQ("warm-ups", again.warmups, 1);
    HG_CHECK_BYTES("numbers", &memory_again, &memory, sizeof(memory));
    for (size_t i = 0; i < HG_WARMUP_NUMBERS; i++)
        HG_CHECK_TRUE("finite", isfinite(memory.number[i]));
    HG_CHECK_TRUE("slower than a new guess",
                  ask(&again, 10, 80).seconds > 1.2 * 1800);
}

static void test_forecast__refuses_numbers_that_are_none(void **state)
{
    static const double BAD[] = { (double)NAN, (double)INFINITY,
                                  -(double)INFINITY, 1e300, -1e300 };
    struct hg_warmup_model model, before;
    struct hg_warmup_memory good, bad;

    (void)state;
    hg_warmup_model_init(&model, &CABIN);
    hg_warmup_remember(&model, &good);
    before = model;
    for (size_t i = 0; i < 8 + 7 + 28; i++) {
        for (size_t k = 0; k < HG_COUNT(BAD); k++) {
            bad = good;
            bad.number[i] = BAD[k];
            HG_CHECK_TRUE("refused", hg_warmup_recall(&model, &bad) < 0);
            HG_CHECK_BYTES("untouched", &model, &before, sizeof(model));
        }
    }
    memset(&bad, 0, sizeof(bad));
    HG_CHECK_EQ("zeros", hg_warmup_recall(&model, &bad), HG_ERR_CORRUPT);
    HG_CHECK_EQ("good", hg_warmup_recall(&model, &good), HG_OK);
}

static void test_forecast__numbers_belong_to_a_heater_and_a_room(void **state)
{
    static const struct {
        const char *label;
        double heater_w, volume_m3;
        int want;
    } row[] = {
        { "the same", 6000, 8.5, HG_OK },
        { "another heater", 6001, 8.5, HG_ERR_RANGE },
        { "another room", 6000, 8.6, HG_ERR_RANGE },
    };
    struct hg_warmup_model model;
    struct hg_warmup_memory memory;

    (void)state;
    hg_warmup_model_init(&model, &CABIN);
    hg_warmup_remember(&model, &memory);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        hg_warmup_model_init(
            &model, &(struct hg_fit_room) { .heater_w = row[i].heater_w,
                                            .volume_m3 = row[i].volume_m3 });
        HG_CHECK_EQ(row[i].label, hg_warmup_recall(&model, &memory),
                    row[i].want);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_forecast__cools_by_newtons_law),
        cmocka_unit_test(test_forecast__answers_a_step_of_power),
        cmocka_unit_test(test_forecast__halves_its_error_with_its_step),
        cmocka_unit_test(test_forecast__the_heater_lags),
        cmocka_unit_test(test_forecast__keeps_the_books_of_heat),
        cmocka_unit_test(test_forecast__settles_at_its_equilibrium),
        cmocka_unit_test(test_forecast__held_air_is_not_moved),
        cmocka_unit_test(test_forecast__time_to_a_target),
        cmocka_unit_test(test_forecast__a_new_room_gets_a_sane_guess),
        cmocka_unit_test(test_forecast__more_work_takes_longer),
        cmocka_unit_test(test_forecast__heavier_rooms_take_longer),
        cmocka_unit_test(test_forecast__what_is_known_narrows_the_interval),
        cmocka_unit_test(test_forecast__says_when_there_is_nothing_to_wait_for),
        cmocka_unit_test(test_forecast__bears_absurd_settings),
        cmocka_unit_test(test_forecast__learns_a_room_of_its_own_kind),
        cmocka_unit_test(test_forecast__counts_down_while_it_heats),
        cmocka_unit_test(test_forecast__what_teaches_and_what_does_not),
        cmocka_unit_test(test_forecast__drops_a_warm_up_with_a_gap),
        cmocka_unit_test(test_forecast__ignores_time_that_does_not_pass),
        cmocka_unit_test(test_forecast__bears_a_dead_sensor),
        cmocka_unit_test(test_forecast__bears_an_open_door),
        cmocka_unit_test(test_forecast__remembers_what_it_learned),
        cmocka_unit_test(test_forecast__refuses_numbers_that_are_none),
        cmocka_unit_test(test_forecast__numbers_belong_to_a_heater_and_a_room),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
