/*
 * Times as people type them. Expected values: GNU date -u for the zone
 * Europe/Berlin, whose clocks went forward on 2026-03-29 at 02:00 and go back
 * on 2026-10-25 at 03:00 (IANA time zone database).
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "cli/stay.h"
#include "cli/when.h"
#include <stdlib.h>
#include <time.h>

#define SENTINEL INT64_C(-42)

static int64_t wall(const char *text)
{
    int64_t ms;

    assert_int_equal(hg_text_to_wall(text, &ms), 0);
    return ms;
}

static int in_berlin(void **state)
{
    (void)state;
    if (setenv("TZ", "Europe/Berlin", 1) != 0)
        return -1;
    tzset();
    return 0;
}

static void test_cli_when__reads_the_next_time_of_day(void **state)
{
    static const struct {
        const char *label, *text, *now;
        int err;
        const char *want;
    } row[] = {
        { "later today", "17:30", "2026-01-09T12:00:00Z", 0,
          "2026-01-09T16:30:00Z" },
        { "now is not next", "13:00", "2026-01-09T12:00:00Z", 0,
          "2026-01-10T12:00:00Z" },
        { "a minute ahead", "13:01", "2026-01-09T12:00:00Z", 0,
          "2026-01-09T12:01:00Z" },
        { "tomorrow, over a month", "00:10", "2026-01-31T20:00:00Z", 0,
          "2026-01-31T23:10:00Z" },
        { "tomorrow in summer time", "09:00", "2026-03-28T20:00:00Z", 0,
          "2026-03-29T07:00:00Z" },
        { "does not exist", "02:30", "2026-03-28T20:00:00Z", HG_ERR_RANGE,
          NULL },
        { "twice: the earlier", "02:30", "2026-10-24T20:00:00Z", 0,
          "2026-10-25T00:30:00Z" },
        { "RFC 3339", "2026-01-09T17:30:00+01:00", "2026-01-09T12:00:00Z", 0,
          "2026-01-09T16:30:00Z" },
        { "hour 24", "24:00", "2026-01-09T12:00:00Z", HG_ERR_INPUT, NULL },
        { "minute 60", "12:60", "2026-01-09T12:00:00Z", HG_ERR_INPUT, NULL },
        { "no colon", "12.30", "2026-01-09T12:00:00Z", HG_ERR_INPUT, NULL },
        { "one digit", "9:30", "2026-01-09T12:00:00Z", HG_ERR_INPUT, NULL },
        { "empty", "", "2026-01-09T12:00:00Z", HG_ERR_INPUT, NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        int64_t ms = SENTINEL;
        int err = hg_cli_time(row[i].text, wall(row[i].now), &ms);

        HG_CHECK_EQ(row[i].label, err, row[i].err);
        HG_CHECK_EQ(row[i].label, ms,
                    row[i].want == NULL ? SENTINEL : wall(row[i].want));
    }
}

static void test_cli_when__reads_dates_with_and_without_offset(void **state)
{
    static const struct {
        const char *text;
        int err;
        bool is_local;
        const char *want;
    } row[] = {
        { "2026-12-04T15:00", 0, true, "2026-12-04T14:00:00Z" },
        { "2026-07-04T15:00:30", 0, true, "2026-07-04T13:00:30Z" },
        { "2026-12-04T15:00Z", 0, false, "2026-12-04T15:00:00Z" },
        { "2026-12-04T15:00+02:00", 0, false, "2026-12-04T13:00:00Z" },
        { "2026-12-04T15:00-05:00", 0, false, "2026-12-04T20:00:00Z" },
        { "2026-12-04T15:00:30-05:00", 0, false, "2026-12-04T20:00:30Z" },
        { "2026-12-04T15:00:30.000Z", 0, false, "2026-12-04T15:00:30Z" },
        { "2026-10-25T02:30", 0, true, "2026-10-25T00:30:00Z" },
        { "2026-03-29T02:30", HG_ERR_RANGE, false, NULL },
        { "2026-02-29T02:30", HG_ERR_RANGE, false, NULL },
        { "2026-12-04T15:00.5Z", HG_ERR_INPUT, false, NULL },
        { "2026-12-04", HG_ERR_INPUT, false, NULL },
        { "2026-12-04T15", HG_ERR_INPUT, false, NULL },
        { "2026-12-04T15:00x", HG_ERR_INPUT, false, NULL },
        { "2026-12-04T15:00+2", HG_ERR_INPUT, false, NULL },
        { "04.12.2026 15:00", HG_ERR_INPUT, false, NULL },
        { "", HG_ERR_INPUT, false, NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        bool is_local = false;
        int64_t ms = SENTINEL;

        HG_CHECK_EQ(row[i].text, hg_cli_date_time(row[i].text, &is_local, &ms),
                    row[i].err);
        HG_CHECK_EQ(row[i].text, is_local, row[i].is_local);
        HG_CHECK_EQ(row[i].text, ms,
                    row[i].want == NULL ? SENTINEL : wall(row[i].want));
    }
}

static void test_cli_when__splits_an_interval(void **state)
{
    static const struct {
        const char *text;
        int err;
        const char *from, *until;
    } row[] = {
        { "2026-12-04T15:00/2026-12-07T11:00", 0, "2026-12-04T15:00",
          "2026-12-07T11:00" },
        { "a/b", 0, "a", "b" },
        { "a/b/c", HG_ERR_INPUT, "-", "-" },
        { "/b", HG_ERR_INPUT, "-", "-" },
        { "a/", HG_ERR_INPUT, "-", "-" },
        { "a", HG_ERR_INPUT, "-", "-" },
        { "", HG_ERR_INPUT, "-", "-" },
        { "0123456789012345678901234567890123456789012345678901234567890123/b",
          HG_ERR_RANGE, "-", "-" },
        { "b/0123456789012345678901234567890123456789012345678901234567890123",
          HG_ERR_RANGE, "-", "-" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char from[HG_CLI_STAY_BYTES] = "-";
        char until[HG_CLI_STAY_BYTES] = "-";

        HG_CHECK_EQ(row[i].text, hg_cli_stay_split(row[i].text, from, until),
                    row[i].err);
        HG_CHECK_STR(row[i].text, from, row[i].from);
        HG_CHECK_STR(row[i].text, until, row[i].until);
    }
}

static void test_cli_when__prints_the_day_only_when_it_is_another(void **state)
{
    int64_t now = wall("2026-01-09T12:00:00Z");
    char out[HG_CLI_WHEN_BYTES];

    (void)state;
    hg_cli_when(wall("2026-01-09T16:52:00Z"), now, out);
    assert_string_equal(out, "17:52");
    hg_cli_when(wall("2026-01-09T23:10:00Z"), now, out);
    assert_string_equal(out, "2026-01-10 00:10");
    hg_cli_when(wall("2025-01-09T12:00:00Z"), now, out);
    assert_string_equal(out, "2025-01-09 13:00");
    hg_cli_when_full(wall("2026-07-04T13:00:00Z"), out);
    assert_string_equal(out, "2026-07-04 15:00 +0200");
    hg_cli_when_text("", now, out);
    assert_string_equal(out, "-");
    hg_cli_when_text("2026-01-09T12:00:00Z", now, out);
    assert_string_equal(out, "13:00");
}

static void test_cli_when__prints_spans(void **state)
{
    static const struct {
        int64_t ms;
        const char *want;
    } row[] = {
        { -1, "under 1m" },        { 29999, "under 1m" },
        { 30000, "1m" },           { 59 * 60000, "59m" },
        { 60 * 60000, "1h00m" },   { 85 * 60000, "1h25m" },
        { 725 * 60000, "12h05m" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char out[HG_CLI_WHEN_BYTES];

        hg_cli_span(row[i].ms, out);
        HG_CHECK_STR(row[i].want, out, row[i].want);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cli_when__reads_the_next_time_of_day),
        cmocka_unit_test(test_cli_when__reads_dates_with_and_without_offset),
        cmocka_unit_test(test_cli_when__splits_an_interval),
        cmocka_unit_test(test_cli_when__prints_the_day_only_when_it_is_another),
        cmocka_unit_test(test_cli_when__prints_spans),
    };

    return cmocka_run_group_tests(tests, in_berlin, NULL);
}
