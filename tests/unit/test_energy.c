/* Energy of a heat: meter, power, rated power, and what lies between. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "forecast/energy.h"

#define HEATER_W    6000
#define STALE_MS    15000
#define SAMPLES_MAX 5

enum { ON = 1, POWER = 2, METER = 4, BOOT = 8 };

struct brief { /* a sample in short */
    uint64_t at_ms;
    int what;
    uint32_t power_w;
    uint64_t energy_wh;
};

static void feed(struct hg_energy *energy, const struct brief *brief)
{
    struct hg_energy_sample sample = {
        .at = { brief->at_ms },
        .is_new_boot = (brief->what & BOOT) != 0,
        .is_heater_on = (brief->what & ON) != 0,
        .has_power = (brief->what & POWER) != 0,
        .has_energy = (brief->what & METER) != 0,
        .power_w = brief->power_w,
        .energy_wh = brief->energy_wh,
    };

    hg_energy_feed(energy, &sample);
}

static const struct {
    const char *label;
    size_t count;
    struct brief sample[SAMPLES_MAX];
    uint64_t want_wh, want_on_ms;
} STRETCH[] = {
    { "one sample is no stretch", 1, { { 1000, ON, 0, 0 } }, 0, 0 },
    { "rated: 6 kW for 6 s are 10 Wh",
      2,
      { { 0, ON, 0, 0 }, { 6000, ON, 0, 0 } },
      10,
      6000 },
    { "rated: the state before counts",
      3,
      { { 0, 0, 0, 0 }, { 6000, ON, 0, 0 }, { 12000, 0, 0, 0 } },
      10,
      6000 },
    { "rated: one ms less is less",
      2,
      { { 0, ON, 0, 0 }, { 5999, ON, 0, 0 } },
      9,
      5999 },
    { "power: trapezoid of 0 and 6 kW",
      2,
      { { 0, POWER, 0, 0 }, { 12000, ON | POWER, 6000, 0 } },
      10,
      0 },
    { "power: less than rated",
      2,
      { { 0, ON | POWER, 3000, 0 }, { 12000, ON | POWER, 3000, 0 } },
      10,
      12000 },
    { "power at one end only: rated",
      2,
      { { 0, ON | POWER, 3000, 0 }, { 6000, ON, 0, 0 } },
      10,
      6000 },
    { "power: nonsense is cut at four times rated",
      2,
      { { 0, ON | POWER, UINT32_MAX, 0 }, { 6000, ON | POWER, UINT32_MAX, 0 } },
      40,
      6000 },
    { "meter: the difference, whatever else is said",
      2,
      { { 0, ON | POWER | METER, 6000, 500 },
        { 6000, ON | POWER | METER, 6000, 507 } },
      7,
      6000 },
    { "meter: also while off",
      2,
      { { 0, METER, 0, 500 }, { 6000, METER, 0, 501 } },
      1,
      0 },
    { "meter at one end only: power",
      2,
      { { 0, ON | POWER, 6000, 0 }, { 6000, ON | POWER | METER, 6000, 9 } },
      10,
      6000 },
    { "gap at the limit",
      2,
      { { 0, ON, 0, 0 }, { 15000, ON, 0, 0 } },
      25,
      15000 },
    { "gap one above", 2, { { 0, ON, 0, 0 }, { 15001, ON, 0, 0 } }, 0, 0 },
    { "gap: power is not believed either",
      2,
      { { 0, ON | POWER, 6000, 0 }, { 15001, ON | POWER, 6000, 0 } },
      0,
      0 },
    { "gap: the meter is",
      2,
      { { 0, ON | METER, 0, 100 }, { 600000, ON | METER, 0, 900 } },
      800,
      0 },
    { "time that stands still or runs back is ignored",
      4,
      { { 6000, ON, 0, 0 },
        { 6000, 0, 0, 0 },
        { 3000, 0, 0, 0 },
        { 12000, ON, 0, 0 } },
      10,
      6000 },
    { "boot: the meter began again at 0",
      3,
      { { 0, ON | METER, 0, 900 },
        { 6000, ON | METER, 0, 910 },
        { 12000, ON | METER | BOOT, 0, 4 } },
      14,
      12000 },
    { "boot: it counted past the old reading",
      2,
      { { 0, ON | METER, 0, 3 }, { 6000, ON | METER | BOOT, 0, 5 } },
      5,
      6000 },
    { "boot: a meter that outlived it",
      2,
      { { 0, ON | METER, 0, 900000 }, { 6000, ON | METER | BOOT, 0, 900008 } },
      8,
      6000 },
    { "meter went back without a boot",
      2,
      { { 0, ON | METER, 0, 900 }, { 6000, ON | METER, 0, 6 } },
      6,
      6000 },
    { "meter: believable at four times rated and 1 kWh",
      2,
      { { 0, ON | METER, 0, 0 }, { 6000, ON | METER, 0, 1040 } },
      1040,
      6000 },
    { "meter: one above is not, and rated counts",
      2,
      { { 0, ON | METER, 0, 0 }, { 6000, ON | METER, 0, 1041 } },
      10,
      6000 },
    { "meter: wrapped at 2^53 is not",
      2,
      { { 0, ON | METER, 0, 5 }, { 6000, ON | METER, 0, UINT64_C(1) << 53 } },
      10,
      6000 },
    { "a mix",
      5,
      { { 0, ON | METER, 0, 100 },
        { 6000, ON | METER, 0, 109 },
        { 12000, ON | POWER, 6000, 0 },
        { 18000, ON | POWER, 3000, 0 },
        { 24000, 0, 0, 0 } },
      9 + 10 + 7 + 10, /* 7.5: halves are kept, not shown */
      24000 },
};

static void test_energy__counts_each_stretch_by_the_best_there_is(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(STRETCH); i++) {
        struct hg_energy energy;

        hg_energy_init(&energy, HEATER_W, STALE_MS);
        for (size_t k = 0; k < STRETCH[i].count; k++)
            feed(&energy, &STRETCH[i].sample[k]);

        HG_CHECK_EQ_U64(STRETCH[i].label, hg_energy_wh(&energy),
                        STRETCH[i].want_wh);
        HG_CHECK_EQ_U64(STRETCH[i].label, hg_energy_on_ms(&energy),
                        STRETCH[i].want_on_ms);
    }
}

static void test_energy__small_stretches_lose_nothing(void **state)
{
    struct hg_energy energy;

    (void)state;
    hg_energy_init(&energy, HEATER_W, STALE_MS);
    for (uint64_t ms = 0; ms <= 3600000; ms += 7) {
        struct brief sample = { ms, ON | POWER, 5999, 0 };

        feed(&energy, &sample);
    }
    /* 514285 stretches of 7 ms: 3599.995 s at 5999 W */
    HG_CHECK_EQ_U64("an hour", hg_energy_wh(&energy), 5998);
    HG_CHECK_EQ_U64("on", hg_energy_on_ms(&energy), 3599995);
}

static void test_energy__never_falls(void **state)
{
    struct hg_energy energy;
    uint64_t seed = 1, at_ms = 0, last_wh = 0;

    (void)state;
    hg_energy_init(&energy, HEATER_W, STALE_MS);
    for (int i = 0; i < 20000; i++) {
        struct brief sample;

        /* Knuth, MMIX: a linear congruence is random enough; seed 1 */
        seed = seed * UINT64_C(6364136223846793005) +
               UINT64_C(1442695040888963407);
        at_ms += seed >> 50;
        sample = (struct brief) { at_ms, (int)(seed >> 40 & 15),
                                  (uint32_t)(seed >> 20), seed >> 44 };
        feed(&energy, &sample);
        HG_CHECK_TRUE("never falls", hg_energy_wh(&energy) >= last_wh);
        last_wh = hg_energy_wh(&energy);
    }
    HG_CHECK_TRUE("something was counted", last_wh > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_energy__counts_each_stretch_by_the_best_there_is),
        cmocka_unit_test(test_energy__small_stretches_lose_nothing),
        cmocka_unit_test(test_energy__never_falls),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
