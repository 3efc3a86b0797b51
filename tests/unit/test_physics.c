/*
 * The physics of the simulator against closed-form answers. The formulas are
 * those of any heat transfer textbook (lumped capacity: Incropera and DeWitt,
 * Fundamentals of Heat and Mass Transfer, chapter 5; from memory).
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>
#include "base/text.h"
#include "check.h"
#include "sim/physics.h"
#include <math.h>

/* nothing but air that loses to ambient */
static struct hg_physics_spec bare_air(void)
{
    return (struct hg_physics_spec) { .stones_j_per_k = 1e4,
                                      .air_j_per_k = 9000,
                                      .lining_j_per_k = 1e5,
                                      .vent_w_per_k = 10,
                                      .ambient_c = 5 };
}

static struct hg_physics_spec usual(double kw, double m3)
{
    struct hg_physics_build build = { .heater_kw = kw,
                                      .volume_m3 = m3,
                                      .ambient_c = 8 };
    struct hg_physics_spec spec;

    assert_int_equal(hg_physics_spec_of(&build, &spec), HG_OK);
    return spec;
}

static void test_physics__one_node_cools_as_newton_says(void **state)
{
    struct hg_physics_spec spec = bare_air();
    struct hg_physics_room room;

    (void)state;
    assert_int_equal(hg_physics_spec_check(&spec), HG_OK);
    hg_physics_init(85, 1, &room);
    for (int minute = 1; minute <= 60; minute++) {
        double want = 5 + 80 * exp(-60.0 * minute * 10 / 9000);

        hg_physics_step(&spec, 0, false, 60, &room);

        HG_CHECK_NEAR("air", room.air_c, want, 1e-6);
        HG_CHECK_NEAR("stones touch nothing", room.stones_c, 85, 1e-12);
    }
}

static void test_physics__step_size_does_not_change_the_outcome(void **state)
{
    struct hg_physics_spec spec = usual(6, 8.5);
    struct hg_physics_room coarse, fine;

    (void)state;
    hg_physics_init(8, 1, &coarse);
    hg_physics_init(8, 1, &fine);
    hg_physics_step(&spec, 6000, false, 1800, &coarse);
    for (int i = 0; i < 18000; i++)
        hg_physics_step(&spec, 6000, false, 0.1, &fine);

    HG_CHECK_NEAR("air", coarse.air_c, fine.air_c, 1e-4);
    HG_CHECK_NEAR("stones", coarse.stones_c, fine.stones_c, 1e-4);
}

static void test_physics__heated_node_follows_the_step_response(void **state)
{
    struct hg_physics_spec spec = bare_air();
    struct hg_physics_room room;

    (void)state;
    /* stones alone against an air held at ambient by a huge exchange */
    spec.air_j_per_k = 1e9;
    spec.vent_w_per_k = 0;
    spec.stones_air_w_per_k = 20;
    hg_physics_init(5, 1, &room);
    for (int minute = 1; minute <= 60; minute++) {
        double t_s = 60.0 * minute;
        double want = 5 + 2000.0 / 20 * (1 - exp(-t_s * 20 / 1e4));

        hg_physics_step(&spec, 2000, false, 60, &room);

        /* the air takes a little: 7.2 MJ into 1 GJ/K */
        HG_CHECK_NEAR("stones", room.stones_c, want, 0.01);
    }
}

static void test_physics__steady_state_is_power_over_conductance(void **state)
{
    struct hg_physics_spec spec = usual(6, 8.5);
    struct hg_physics_room room;
    double area_wise, rise;

    (void)state;
    hg_physics_init(8, 1, &room);
    for (int day = 0; day < 20; day++)
        hg_physics_step(&spec, 1000, false, 86400, &room);
    rise = room.air_c - spec.ambient_c;
    area_wise = spec.vent_w_per_k * rise +
                spec.shell_w_per_k * (room.lining_c - spec.ambient_c);

    HG_CHECK_NEAR("what goes in comes out", area_wise, 1000, 1e-3);

    /* one path only: air to ambient; then it is P / UA exactly */
    spec.shell_w_per_k = 0;
    for (int day = 0; day < 20; day++)
        hg_physics_step(&spec, 1000, false, 86400, &room);
    HG_CHECK_NEAR("P / UA", room.air_c - spec.ambient_c,
                  1000 / spec.vent_w_per_k, 1e-3);
}

static void test_physics__energy_is_conserved(void **state)
{
    struct hg_physics_build build = { .heater_kw = 9,
                                      .volume_m3 = 12,
                                      .stones_kg = 80,
                                      .core_mm = 60,
                                      .glass_m2 = 1.5,
                                      .ambient_c = -12 };
    struct hg_physics_spec spec;
    struct hg_physics_room room;
    uint64_t seed = 20260109;
    double before;

    (void)state;
    assert_int_equal(hg_physics_spec_of(&build, &spec), HG_OK);
    hg_physics_init(-5, 1, &room);
    before = hg_physics_stored_j(&spec, &room);
    for (int i = 0; i < 2000; i++) {
        uint64_t dice = hg_physics_next_u64(&seed);
        double stored;

        if (dice % 50 == 0)
            hg_physics_set_air(&spec, (double)(dice >> 8 & 127), &room);
        if (dice % 7 == 0 && hg_physics_pour(0.2, &room) == HG_OK)
            assert_true(room.water_j > 0);
        hg_physics_step(&spec, dice & 1 ? 9000 : 0, dice % 5 == 0,
                        (double)(dice >> 16 & 63), &room);

        stored = hg_physics_stored_j(&spec, &room);
        HG_CHECK_NEAR("seed 20260109: books", stored - before,
                      room.input_j + room.set_j - room.lost_j,
                      1e-9 * (room.input_j + 1e6));
    }
    assert_true(room.input_j > 1e7);
    assert_true(room.lost_j > 1e6);
}

/* minutes until the sensor reads 80 C at full power from 8 C */
static double minutes_to_80(const struct hg_physics_build *build)
{
    struct hg_physics_spec spec;
    struct hg_physics_room room;
    int s = 0;

    assert_int_equal(hg_physics_spec_of(build, &spec), HG_OK);
    hg_physics_init(build->ambient_c, 1, &room);
    while (room.sensor_c < 80 && s < 6 * 3600) {
        hg_physics_step(&spec, spec.heater_w, false, 1, &room);
        s++;
    }
    return s / 60.0;
}

static void test_physics__rooms_warm_up_as_rooms_do(void **state)
{
    static const struct {
        const char *label;
        struct hg_physics_build build;
        double low, high; /* minutes; common practice, from memory */
    } row[] = {
        { "6 kW, 8.5 m3",
          { .heater_kw = 6, .volume_m3 = 8.5, .ambient_c = 8 },
          45,
          70 },
        { "4.5 kW, 5 m3",
          { .heater_kw = 4.5, .volume_m3 = 5, .ambient_c = 8 },
          35,
          70 },
        { "12 kW, 18 m3",
          { .heater_kw = 12, .volume_m3 = 18, .ambient_c = 8 },
          35,
          70 },
        { "many stones",
          { .heater_kw = 6, .volume_m3 = 8.5, .stones_kg = 80, .ambient_c = 8 },
          65,
          120 },
        { "log walls",
          { .heater_kw = 6, .volume_m3 = 8.5, .core_mm = 60, .ambient_c = 8 },
          60,
          150 },
        { "hopeless",
          { .heater_kw = 1, .volume_m3 = 30, .ambient_c = 8 },
          360,
          360 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        HG_CHECK_NEAR(row[i].label, minutes_to_80(&row[i].build),
                      (row[i].low + row[i].high) / 2,
                      (row[i].high - row[i].low) / 2);
}

static void test_physics__open_door_cools_fast_but_within_belief(void **state)
{
    struct hg_physics_spec spec = usual(6, 8.5), near = spec;
    struct hg_physics_room bench, door;
    double steepest_c = 0;

    (void)state;
    near.sensor_door_share = 0.6;
    hg_physics_init(8, 1, &bench);
    hg_physics_set_air(&spec, 80, &bench);
    door = bench;
    for (int i = 0; i < 11; i++) {
        double before_c = door.sensor_c;

        hg_physics_step(&spec, 0, true, 2, &bench);
        hg_physics_step(&near, 0, true, 2, &door);
        steepest_c = fmax(steepest_c, before_c - door.sensor_c);
        HG_CHECK_TRUE("a dip by the door", door.sensor_c < bench.sensor_c - 2);
    }

    HG_CHECK_NEAR("the same air", door.air_c, bench.air_c, 1e-9);
    HG_CHECK_TRUE("cooled", bench.air_c < 65);
    /* gate.h: a sound sensor changes by 20 C + 3 C/s at the most */
    HG_CHECK_TRUE("within belief", steepest_c < 20 + 3 * 2);
    HG_CHECK_TRUE("but steep", steepest_c > 3);
}

static void test_physics__sensor_lags_by_its_time_constant(void **state)
{
    struct hg_physics_spec spec = bare_air();
    struct hg_physics_room room;

    (void)state;
    spec.vent_w_per_k = 0;
    spec.sensor_lag_s = 15;
    hg_physics_init(20, 1, &room);
    room.air_c = 80; /* a step that only the sensor has to follow */
    hg_physics_step(&spec, 0, false, 15, &room);

    HG_CHECK_NEAR("63 %", room.sensor_c, 80 - 60 * exp(-1), 1e-4);
}

static void test_physics__ladle_gives_a_quick_rise(void **state)
{
    struct hg_physics_spec spec = usual(6, 8.5);
    struct hg_physics_room room, dry;

    (void)state;
    hg_physics_init(8, 1, &room);
    assert_int_equal(hg_physics_pour(0.2, &room), HG_ERR_BUSY);
    HG_CHECK_NEAR("cold stones keep dry", room.water_j, 0, 0);
    hg_physics_step(&spec, 6000, false, 3600, &room);
    assert_int_equal(hg_physics_pour(5, &room), HG_ERR_RANGE);
    assert_int_equal(hg_physics_pour((double)NAN, &room), HG_ERR_RANGE);
    dry = room;
    assert_int_equal(hg_physics_pour(0.2, &room), HG_OK);
    hg_physics_step(&spec, 6000, false, 15, &room);
    hg_physics_step(&spec, 6000, false, 15, &dry);

    assert_true(room.air_c - dry.air_c > 4);
    assert_true(room.air_c - dry.air_c < 20);
    assert_true(room.stones_c < dry.stones_c);
}

static void test_physics__reading_is_rounded_noisy_and_repeatable(void **state)
{
    struct hg_physics_spec spec = bare_air();
    struct hg_physics_room a, b;
    double sum = 0, squares = 0;
    int differs = 0;

    (void)state;
    spec.sensor_noise_c = 1;
    hg_physics_init(50, 7, &a);
    hg_physics_init(50, 7, &b);
    for (int i = 0; i < 4000; i++) {
        int32_t mc = hg_physics_read_mc(&spec, &a);

        assert_int_equal(mc % 100, 0);
        assert_int_equal(mc, hg_physics_read_mc(&spec, &b));
        differs += mc != 50000;
        sum += mc / 1000.0 - 50;
        squares += (mc / 1000.0 - 50) * (mc / 1000.0 - 50);
    }
    /* seed 7; 4000 draws: the mean within 5 standard errors */
    HG_CHECK_NEAR("mean", sum / 4000, 0, 0.08);
    HG_CHECK_NEAR("variance", squares / 4000, 1, 0.1);
    assert_true(differs > 3000);
}

static void test_physics__senseless_measures_are_refused(void **state)
{
    static const struct {
        const char *label;
        struct hg_physics_build build;
    } row[] = {
        { "no heater", { .volume_m3 = 8 } },
        { "no room", { .heater_kw = 6 } },
        { "too hot outside",
          { .heater_kw = 6, .volume_m3 = 8, .ambient_c = 51 } },
        { "negative stones",
          { .heater_kw = 6, .volume_m3 = 8, .stones_kg = -1 } },
        { "too stiff: a closet as large as a hall",
          { .heater_kw = 60, .volume_m3 = 1, .lining_m2 = 900 } },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_physics_spec spec = { .heater_w = -77 };

        if (hg_physics_spec_of(&row[i].build, &spec) != HG_ERR_RANGE)
            fail_msg("%s was accepted", row[i].label);
        HG_CHECK_NEAR(row[i].label, spec.heater_w, -77, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_physics__one_node_cools_as_newton_says),
        cmocka_unit_test(test_physics__step_size_does_not_change_the_outcome),
        cmocka_unit_test(test_physics__heated_node_follows_the_step_response),
        cmocka_unit_test(test_physics__steady_state_is_power_over_conductance),
        cmocka_unit_test(test_physics__energy_is_conserved),
        cmocka_unit_test(test_physics__rooms_warm_up_as_rooms_do),
        cmocka_unit_test(test_physics__open_door_cools_fast_but_within_belief),
        cmocka_unit_test(test_physics__sensor_lags_by_its_time_constant),
        cmocka_unit_test(test_physics__ladle_gives_a_quick_rise),
        cmocka_unit_test(test_physics__reading_is_rounded_noisy_and_repeatable),
        cmocka_unit_test(test_physics__senseless_measures_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
