/*
 * How good is the forecast? Rooms of the simulator, which differ from the
 * model (stones that radiate, vents, glass, log walls, a lagging sensor with
 * 0.5 C of noise), with mains that vary, doors that open and thermostats
 * that cycle. The limits are the project's own: after three warm-ups a median
 * error of 5 % and nine of ten within 12 % of the remaining time, at the
 * start and half-way; 85 to 95 % of the truth inside the 90 % interval. Also
 * without history, for each of what the owner may have said of the room.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "forecast/warmup.h"
#include "sim/physics.h"
#include <stdio.h>
#include <stdlib.h>

#define SEED    20260109
#define ROOMS   120
#define WARMUPS 6
#define TICK_S  2.0
#define DAY_S   86400.0

/* what the owner knows, beside power and volume */
enum known { NOTHING, STONES, WOOD, BOTH, KNOWN_COUNT };

struct room {
    uint64_t seed;
    struct hg_physics_build build;
    struct hg_physics_spec spec;
    struct hg_physics_room air;
    struct hg_warmup_model model;
    struct hg_warmup_sample sample;
    double climate_c, target_c, mains_w;
    bool has_power;
};

/* What was said at some time of a warm-up, and what came of it. */
struct saying {
    double at_s;
    struct hg_warmup_estimate estimate;
};

struct errors {
    double relative[ROOMS * WARMUPS];
    size_t count, inside, unreachable;
};

static double between(struct room *room, double low, double high)
{
    double unit = (double)(hg_physics_next_u64(&room->seed) >> 11) * 0x1p-53;

    return low + (high - low) * unit;
}

/* Nearly normal: Irwin and Hall, twelve uniform numbers. */
static double normal(struct room *room)
{
    double sum = -6;

    for (int i = 0; i < 12; i++)
        sum += between(room, 0, 1);
    return sum;
}

static void init_model(struct room *room, enum known known)
{
    const struct hg_physics_build *build = &room->build;
    struct hg_fit_room fact = { .heater_w = floor(build->heater_kw * 1000),
                                .volume_m3 = build->volume_m3 };

    if (known == STONES || known == BOTH)
        fact.stones_kg = build->stones_kg;
    if (known == WOOD || known == BOTH)
        fact.wood_mm = build->lining_mm + build->core_mm;
    hg_warmup_model_init(&room->model, &fact);
}

static void build_room(struct room *room, uint64_t seed)
{
    struct hg_physics_build *build = &room->build;
    bool is_log, has_glass;

    memset(room, 0, sizeof(*room));
    room->seed = seed;
    build->volume_m3 = between(room, 4, 25);
    build->heater_kw = build->volume_m3 * between(room, 0.65, 1.1);
    build->stones_kg = build->heater_kw * between(room, 2, 9);
    build->lining_mm = between(room, 9, 18);
    is_log = between(room, 0, 1) < 0.3;
    build->core_mm = is_log ? between(room, 20, 80) : 0;
    has_glass = between(room, 0, 1) < 0.4;
    build->glass_m2 = has_glass ? between(room, 0.5, 3) : 0;
    build->air_changes_per_h = between(room, 2, 8);
    build->ambient_c = 10;
    HG_CHECK_EQ("spec", hg_physics_spec_of(build, &room->spec), HG_OK);
    room->spec.air_lining_w_per_k *= between(room, 0.75, 1.4);
    room->spec.shell_w_per_k *= between(room, 0.6, 2);
    room->spec.stones_air_w_per_k *= between(room, 0.7, 1.3);
    room->spec.sensor_lag_s = between(room, 5, 40);
    room->spec.sensor_noise_c = 0.5;
    HG_CHECK_EQ("spec", hg_physics_spec_check(&room->spec), HG_OK);
    room->has_power = between(room, 0, 1) < 0.5;
    room->climate_c = between(room, -5, 20);
    room->target_c = between(room, 65, 90);
}

static void tell(struct room *room, double power_w, bool is_door_open,
                 double dt_s)
{
    struct hg_warmup_sample *sample = &room->sample;

    hg_physics_step(&room->spec, power_w, is_door_open, dt_s, &room->air);
    sample->at.ms += (uint64_t)(dt_s * 1000);
    sample->has_air = true;
    sample->air_mc = hg_physics_read_mc(&room->spec, &room->air);
    sample->is_heater_on = power_w > 0;
    sample->is_door_closed = !is_door_open;
    sample->has_power = room->has_power;
    sample->power_w = (uint32_t)power_w;
    (void)hg_warmup_feed(&room->model, sample);
}

/* A week later, or a second heat on the same evening. */
static void stay_off(struct room *room, bool is_first)
{
    double off_s = 3600;

    room->spec.ambient_c = room->climate_c + 3 * normal(room);
    room->mains_w = room->build.heater_kw * 1000 * (1 + 0.02 * normal(room));
    if (is_first || between(room, 0, 1) < 0.7) {
        /* nobody listened meanwhile: cold to the core */
        room->sample.at.ms += (uint64_t)(DAY_S * 1000);
        hg_physics_init(room->spec.ambient_c, room->seed, &room->air);
    } else {
        off_s = between(room, 3600, 3 * 3600);
    }
    for (double s = 0; s < off_s; s += 10)
        tell(room, 0, s > 600 && s < 1200, 10);
}

/* Heat until half an hour after the target; when it was reached. */
static double warm_up(struct room *room, struct saying *saying, size_t cap,
                      size_t *ret_count)
{
    bool is_on = true;
    double reached_s = -1;
    double door_s =
        between(room, 0, 1) < 0.5 ? between(room, 300, 2400) : DAY_S;
    double open_s = between(room, 15, 60);

    *ret_count = 0;
    for (double s = 0; s < 4 * 3600; s += TICK_S) {
        if (reached_s >= 0 && s > reached_s + 1800)
            break;
        if (room->air.sensor_c >= room->target_c + 0.5)
            is_on = false;
        else if (room->air.sensor_c < room->target_c - 1.5)
            is_on = true;
        tell(room, is_on ? room->mains_w : 0,
             s >= door_s && s < door_s + open_s, TICK_S);
        if (reached_s < 0 && fmod(s, 60) == 0 && *ret_count < cap) {
            saying[*ret_count].at_s = s + TICK_S;
            hg_warmup_estimate(&room->model, room->sample.air_mc,
                               (int32_t)(room->target_c * 1000),
                               &saying[*ret_count].estimate);
            ++*ret_count;
        }
        if (reached_s < 0 && room->air.sensor_c >= room->target_c)
            reached_s = s + TICK_S;
    }
    for (double s = 0; s < 400; s += TICK_S)
        tell(room, 0, false, TICK_S);
    return reached_s;
}

/* Compare the saying at this time with what came. */
static void judge(const struct saying *saying, size_t count, double at_s,
                  double reached_s, struct errors *errors)
{
    size_t i = 0;
    double left_s;

    while (i + 1 < count && saying[i].at_s < at_s)
        i++;
    left_s = reached_s - saying[i].at_s;
    if (!saying[i].estimate.is_reachable) {
        errors->unreachable++;
        return;
    }
    errors->relative[errors->count++] =
        fabs(saying[i].estimate.seconds / left_s - 1);
    if (saying[i].estimate.low_s <= left_s &&
        left_s <= saying[i].estimate.high_s)
        errors->inside++;
}

static int by_size(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;

    return (left > right) - (left < right);
}

static double share_below(struct errors *errors, double share)
{
    size_t at = (size_t)((double)errors->count * share);

    qsort(errors->relative, errors->count, sizeof(errors->relative[0]),
          by_size);
    return errors->relative[at < errors->count ? at : errors->count - 1];
}

static void report(const char *label, struct errors *errors)
{
    size_t wild = 0;

    for (size_t i = 0; i < errors->count; i++)
        wild += errors->relative[i] > 0.40;
    print_message("%s: %zu forecasts, median error %.1f %%, 9 of 10 within "
                  "%.1f %%, worst %.1f %%, %zu beyond 40 %%, %.0f %% inside "
                  "the interval\n",
                  label, errors->count, 100 * share_below(errors, 0.5),
                  100 * share_below(errors, 0.9), 100 * share_below(errors, 1),
                  wild, 100.0 * (double)errors->inside / (double)errors->count);
}

/* start and half-way, before anything was learned and after three */
static struct errors first[KNOWN_COUNT][2], later[KNOWN_COUNT][2];

static void run_room(uint64_t seed, enum known known, int warmups)
{
    static struct saying saying[256];
    static struct room room;

    build_room(&room, seed);
    init_model(&room, known);
    for (int k = 0; k < warmups; k++) {
        struct errors *errors = k == 0 ? first[known] : later[known];
        size_t count;
        double reached_s;

        stay_off(&room, k == 0);
        reached_s = warm_up(&room, saying, HG_COUNT(saying), &count);
        if (reached_s < 600 || (k > 0 && k < 3))
            continue;
        judge(saying, count, 0, reached_s, &errors[0]);
        judge(saying, count, reached_s / 2, reached_s, &errors[1]);
    }
}

static int run_rooms(void **state)
{
    static const char *const LABEL[KNOWN_COUNT] = { "", ", stones known",
                                                    ", wood known",
                                                    ", stones and wood known" };

    (void)state;
    print_message("seed %d\n", SEED);
    for (enum known known = NOTHING; known < KNOWN_COUNT; known++) {
        bool is_learning = known == NOTHING || known == BOTH;
        char label[64];

        for (uint64_t i = 0; i < ROOMS; i++)
            run_room(SEED + 7919 * i, known, is_learning ? WARMUPS : 1);
        for (int half = 0; half < 2; half++) {
            (void)snprintf(label, sizeof(label), "new room%s, %s", LABEL[known],
                           half ? "half-way" : "start");
            report(label, &first[known][half]);
        }
        for (int half = 0; half < 2 && is_learning; half++) {
            (void)snprintf(label, sizeof(label), "after three%s, %s",
                           LABEL[known], half ? "half-way" : "start");
            report(label, &later[known][half]);
        }
    }
    return 0;
}

static void test_forecast__rooms_were_judged(void **state)
{
    (void)state;
    for (int known = 0; known < KNOWN_COUNT; known++) {
        bool is_learning = known == NOTHING || known == BOTH;

        for (int half = 0; half < 2; half++) {
            const struct errors *new = &first[known][half];
            const struct errors *old = &later[known][half];

            HG_CHECK_TRUE("new", new->count >= ROOMS - 4);
            HG_CHECK_EQ("all reach it", new->unreachable, 0);
            HG_CHECK_EQ("learned", old->count >= 3 * ROOMS - 12, is_learning);
            HG_CHECK_EQ("all reach it", old->unreachable, 0);
        }
    }
}

static void check_learned(enum known known)
{
    for (int half = 0; half < 2; half++) {
        struct errors *errors = &later[known][half];
        const char *label = half ? "half-way" : "start";
        double share = (double)errors->inside / (double)errors->count;

        HG_CHECK_TRUE(label, share_below(errors, 0.5) <= 0.05);
        HG_CHECK_TRUE(label, share_below(errors, 0.9) <= 0.12);
        HG_CHECK_TRUE(label, share >= 0.85);
        HG_CHECK_TRUE(label, share <= 0.95);
    }
}

static void test_forecast__errs_little_after_three_warm_ups(void **state)
{
    (void)state;
    check_learned(NOTHING);
    check_learned(BOTH);
}

static void
test_forecast__guesses_most_new_rooms_within_40_percent(void **state)
{
    /*
     * Stones and panels weigh what they weigh, and nobody told: the truth of
     * these rooms varies by 25 % for the same power and volume, so no
     * other guess would do: the errors spread by more than 40 % both ways.
     */
    (void)state;
    for (int half = 0; half < 2; half++) {
        const char *label = half ? "half-way" : "start";

        HG_CHECK_TRUE(label, share_below(&first[NOTHING][half], 0.5) <= 0.20);
        HG_CHECK_TRUE(label, share_below(&first[NOTHING][half], 0.85) <= 0.40);
    }
}

static void test_forecast__stones_and_wood_make_the_guess_better(void **state)
{
    /* insulation, draughts and glass are still unknown */
    (void)state;
    HG_CHECK_TRUE("stones", share_below(&first[STONES][0], 0.95) <= 0.40);
    HG_CHECK_TRUE("wood", share_below(&first[WOOD][0], 0.92) <= 0.40);
    HG_CHECK_TRUE("both", share_below(&first[BOTH][0], 0.5) <= 0.15);
    HG_CHECK_TRUE("both", share_below(&first[BOTH][0], 0.9) <= 0.30);
    HG_CHECK_TRUE("both", share_below(&first[BOTH][0], 0.98) <= 0.40);
    HG_CHECK_TRUE("both, half-way", share_below(&first[BOTH][1], 1) <= 0.40);
    for (int known = STONES; known < KNOWN_COUNT; known++) {
        for (int half = 0; half < 2; half++) {
            const struct errors *errors = &first[known][half];

            HG_CHECK_TRUE("few outside",
                          errors->inside * 100 >= errors->count * 85);
            HG_CHECK_TRUE("not too wide",
                          errors->inside * 100 <= errors->count * 96);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_forecast__rooms_were_judged),
        cmocka_unit_test(test_forecast__errs_little_after_three_warm_ups),
        cmocka_unit_test(
            test_forecast__guesses_most_new_rooms_within_40_percent),
        cmocka_unit_test(test_forecast__stones_and_wood_make_the_guess_better),
    };

    return cmocka_run_group_tests(tests, run_rooms, NULL);
}
