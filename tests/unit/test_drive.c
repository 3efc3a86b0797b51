/* Permits into on and off: leases, repeats, the band around the target. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "controllers/drive.h"

#define LEASE_MS  30000u
#define TARGET_MC 80000

static struct hg_reading report(enum hg_heater heater, int32_t air_mc)
{
    struct hg_reading reading;

    memset(&reading, 0, sizeof(reading));
    reading.heater = heater;
    reading.has_air = true;
    reading.air_mc = air_mc;
    return reading;
}

/* connected at 1000, the controller reported off at 1100 and 20 C */
static struct hg_drive connected(bool is_regulating)
{
    struct hg_drive drive;
    struct hg_reading off = report(HG_HEATER_OFF, 20000);

    assert_int_equal(hg_drive_reset(&drive, is_regulating, 1000),
                     HG_COMMAND_OFF);
    assert_int_equal(hg_drive_report(&drive, &off, 1100), HG_COMMAND_NONE);
    return drive;
}

static void test_drive__renewals_say_on_again_and_a_revoke_off(void **state)
{
    struct hg_drive drive = connected(false);

    (void)state;
    assert_int_equal(hg_drive_hear(&drive, 5, LEASE_MS, TARGET_MC, 2000),
                     HG_COMMAND_ON);
    assert_int_equal(hg_drive_tick(&drive, 2500), HG_COMMAND_NONE);
    assert_int_equal(hg_drive_hear(&drive, 6, LEASE_MS, TARGET_MC, 12000),
                     HG_COMMAND_ON);
    assert_int_equal(hg_drive_hear(&drive, 7, 0, 0, 12100), HG_COMMAND_OFF);
    /* an older permit revives nothing (I7) */
    assert_int_equal(hg_drive_hear(&drive, 6, LEASE_MS, TARGET_MC, 12200),
                     HG_COMMAND_OFF);
    assert_false(hg_drive_may_heat(&drive, 12200));
}

static void test_drive__the_lease_ends_by_itself(void **state)
{
    struct hg_drive drive = connected(false);

    (void)state;
    (void)hg_drive_hear(&drive, 5, LEASE_MS, TARGET_MC, 2000);
    assert_int_equal(hg_drive_tick(&drive, 2000 + LEASE_MS - 1),
                     HG_COMMAND_NONE);
    assert_int_equal(hg_drive_tick(&drive, 2000 + LEASE_MS), HG_COMMAND_OFF);
    /* a clock that runs back is no new time */
    (void)hg_drive_hear(&drive, 6, LEASE_MS, TARGET_MC, 50000);
    assert_int_equal(hg_drive_tick(&drive, 49999), HG_COMMAND_OFF);
}

static void test_drive__off_is_repeated_until_it_is_reported(void **state)
{
    struct hg_drive drive = connected(false);
    struct hg_reading on = report(HG_HEATER_ON, 60000);
    struct hg_reading off = report(HG_HEATER_OFF, 60000);
    uint64_t last = 3000, gap = HG_DRIVE_REPEAT_MIN_MS;
    unsigned sent = 0;

    (void)state;
    (void)hg_drive_hear(&drive, 5, LEASE_MS, TARGET_MC, 2000);
    assert_int_equal(hg_drive_hear(&drive, 6, 0, 0, 3000), HG_COMMAND_OFF);
    for (uint64_t now = 3001; now < 60000; now++) {
        if (hg_drive_report(&drive, &on, now) != HG_COMMAND_OFF)
            continue;
        HG_CHECK_EQ("the pause doubles", now - last, gap);
        last = now;
        gap =
            gap * 2 < HG_DRIVE_REPEAT_MAX_MS ? gap * 2 : HG_DRIVE_REPEAT_MAX_MS;
        sent++;
    }
    assert_true(sent >= 7);
    assert_int_equal(hg_drive_report(&drive, &off, 60000), HG_COMMAND_NONE);
    assert_int_equal(hg_drive_tick(&drive, 600000), HG_COMMAND_NONE);
}

static void test_drive__keeps_the_air_at_the_target(void **state)
{
    static const struct {
        int32_t air_mc;
        enum hg_command want;
    } row[] = {
        { 80000, HG_COMMAND_NONE },
        { TARGET_MC + HG_DRIVE_BAND_MC - 1, HG_COMMAND_NONE },
        { TARGET_MC + HG_DRIVE_BAND_MC, HG_COMMAND_OFF },
        { TARGET_MC, HG_COMMAND_NONE },
        { TARGET_MC - HG_DRIVE_BAND_MC + 1, HG_COMMAND_NONE },
        { TARGET_MC - HG_DRIVE_BAND_MC, HG_COMMAND_ON },
        { TARGET_MC, HG_COMMAND_NONE },
    };
    struct hg_drive drive = connected(true);
    uint64_t serial = 5;

    (void)state;
    assert_int_equal(hg_drive_hear(&drive, serial, LEASE_MS, TARGET_MC, 2000),
                     HG_COMMAND_ON);
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        /* the report is of the state before: nothing is repeated */
        struct hg_reading reading = report(HG_HEATER_UNKNOWN, row[i].air_mc);

        HG_CHECK_EQ("row", hg_drive_report(&drive, &reading, 2100 + i),
                    row[i].want);
    }
    /* a renewal while it is warm does not heat */
    (void)hg_drive_report(
        &drive, &(struct hg_reading) { .has_air = true, .air_mc = 81000 },
        2200);
    assert_int_equal(hg_drive_hear(&drive, ++serial, LEASE_MS, TARGET_MC, 2300),
                     HG_COMMAND_NONE);
    /* without a reading of the air there is no heat */
    assert_int_equal(hg_drive_hear(&drive, ++serial, LEASE_MS, 100000, 2400),
                     HG_COMMAND_ON);
    assert_int_equal(hg_drive_report(&drive,
                                     &(struct hg_reading) { .has_air = false },
                                     2500),
                     HG_COMMAND_OFF);
    assert_false(drive.is_on);
}

static void test_drive__a_new_connection_begins_with_off(void **state)
{
    struct hg_drive drive = connected(false);

    (void)state;
    (void)hg_drive_hear(&drive, 5, LEASE_MS, TARGET_MC, 2000);
    assert_int_equal(hg_drive_reset(&drive, false, 2100), HG_COMMAND_OFF);
    assert_false(hg_drive_may_heat(&drive, 2100));
    assert_int_equal(hg_drive_tick(&drive, 2200), HG_COMMAND_NONE);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_drive__renewals_say_on_again_and_a_revoke_off),
        cmocka_unit_test(test_drive__the_lease_ends_by_itself),
        cmocka_unit_test(test_drive__off_is_repeated_until_it_is_reported),
        cmocka_unit_test(test_drive__keeps_the_air_at_the_target),
        cmocka_unit_test(test_drive__a_new_connection_begins_with_off),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
