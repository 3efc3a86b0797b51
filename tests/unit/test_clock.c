/*
 * The judgement of the wall clock as a table (contract sections 6 and 7),
 * and the reader against the running system.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/clock.h"
#include <time.h>

#define BUILD  INT64_C(1000000)
#define NEWEST INT64_C(2000000)
#define BASE   INT64_C(1990000) /* wall - boot time */

#define SYNC   HG_CLOCK_KERNEL_SYNCHRONISED
#define UNSYNC HG_CLOCK_KERNEL_UNSYNCHRONISED
#define SILENT HG_CLOCK_KERNEL_SILENT
#define FULL   HG_CLOCK_SYNCHRONISED
#define LOOSE  HG_CLOCK_TRUSTED

static void test_clock__judges_the_wall_clock(void **state)
{
    static const struct {
        const char *label;
        enum hg_clock_mode mode;
        enum hg_clock_kernel kernel;
        int64_t wall_ms, newest_ms, moved_ms; /* off the base */
        enum hg_clock_doubt doubt;
        bool has_stepped;
    } row[] = {
        { "good", FULL, SYNC, NEWEST + 1, NEWEST, 0, 0, false },
        { "at the record", FULL, SYNC, NEWEST, NEWEST, 0, 0, false },
        { "before the record", FULL, SYNC, NEWEST - 1, NEWEST, 0,
          HG_CLOCK_DOUBT_JOURNAL, false },
        { "before the record, trusted", LOOSE, SYNC, NEWEST - 1, NEWEST, 0,
          HG_CLOCK_DOUBT_JOURNAL, false },
        { "no record, at the build", FULL, SYNC, BUILD, 0, 0, 0, false },
        { "before the build", FULL, SYNC, BUILD - 1, 0, 0, HG_CLOCK_DOUBT_BUILD,
          false },
        { "before the build, trusted", LOOSE, SYNC, BUILD - 1, 0, 0,
          HG_CLOCK_DOUBT_BUILD, false },
        { "1970", FULL, SYNC, 0, NEWEST, 0, HG_CLOCK_DOUBT_BUILD, false },
        { "before 1970", FULL, SYNC, -5, NEWEST, 0, HG_CLOCK_DOUBT_BUILD,
          false },
        { "not synchronised", FULL, UNSYNC, NEWEST, NEWEST, 0,
          HG_CLOCK_DOUBT_KERNEL, false },
        { "not to be asked", FULL, SILENT, NEWEST, NEWEST, 0,
          HG_CLOCK_DOUBT_SILENT, false },
        { "not synchronised, trusted", LOOSE, UNSYNC, NEWEST, NEWEST, 0, 0,
          false },
        { "not to be asked, trusted", LOOSE, SILENT, NEWEST, NEWEST, 0, 0,
          false },
        { "moved below a step", FULL, SYNC, NEWEST, NEWEST, 1999, 0, false },
        { "moved by the limit", FULL, SYNC, NEWEST, NEWEST, 2000, 0, false },
        { "stepped on", FULL, SYNC, NEWEST, NEWEST, 2001, 0, true },
        { "moved back by the limit", FULL, SYNC, NEWEST, NEWEST, -2000, 0,
          false },
        { "stepped back", FULL, SYNC, NEWEST, NEWEST, -2001, 0, true },
        { "stepped, nobody vouches", FULL, UNSYNC, NEWEST, NEWEST, 2001,
          HG_CLOCK_DOUBT_KERNEL, true },
        { "stepped, trusted", LOOSE, UNSYNC, NEWEST, NEWEST, 2001, 0, true },
        { "stepped before the record", LOOSE, UNSYNC, NEWEST - 1, NEWEST, -2001,
          HG_CLOCK_DOUBT_JOURNAL, true },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        const int64_t mono_ms = 10000000; /* large: wall may be below 0 */
        const int64_t offset = row[i].wall_ms - mono_ms;
        const struct hg_clock_inputs inputs = {
            .mode = row[i].mode,
            .kernel = row[i].kernel,
            .mono = { (uint64_t)mono_ms },
            .wall_ms = row[i].wall_ms,
            .build_ms = BUILD,
            .newest_ms = row[i].newest_ms,
            .base_ms = offset - row[i].moved_ms,
        };
        struct hg_clock_verdict verdict;

        memset(&verdict, 0xa5, sizeof(verdict));
        hg_clock_judge(&inputs, &verdict);

        HG_CHECK_EQ(row[i].label, verdict.doubt, row[i].doubt);
        HG_CHECK_EQ(row[i].label, verdict.is_trusted,
                    row[i].doubt == HG_CLOCK_DOUBT_NONE);
        HG_CHECK_EQ(row[i].label, verdict.has_stepped, row[i].has_stepped);
        HG_CHECK_EQ(row[i].label, verdict.base_ms,
                    row[i].has_stepped ? offset : offset - row[i].moved_ms);
    }
}

static void test_clock__tells_a_step_once_and_adds_small_ones_up(void **state)
{
    static const struct {
        const char *label;
        int64_t moved_ms; /* off the first base */
        bool has_stepped;
    } row[] = {
        { "start", 0, false },           { "1.5 s", 1500, false },
        { "another 1.5 s", 3000, true }, { "still there", 3000, false },
        { "2 s more", 5000, false },     { "and back", 2500, false },
        { "to the start", 0, true },     { "stays", 0, false },
    };
    struct hg_clock_inputs inputs = { .base_ms = BASE };
    struct hg_clock_verdict verdict;

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        inputs.mono.ms = 1000 * (i + 1);
        inputs.wall_ms = BASE + (int64_t)inputs.mono.ms + row[i].moved_ms;

        hg_clock_judge(&inputs, &verdict);

        HG_CHECK_EQ(row[i].label, verdict.has_stepped, row[i].has_stepped);
        inputs.base_ms = verdict.base_ms;
    }
}

static void test_clock__is_total_at_the_ends_of_its_range(void **state)
{
    static const int64_t end[] = { INT64_MIN, -1, 0, 1, INT64_MAX };
    struct hg_clock_inputs inputs = { .kernel = SYNC };
    struct hg_clock_verdict verdict;

    (void)state;
    for (size_t i = 0; i < HG_COUNT(end); i++) {
        for (size_t j = 0; j < HG_COUNT(end); j++) {
            inputs.wall_ms = end[i];
            inputs.base_ms = end[j];
            inputs.mono.ms = UINT64_MAX - (uint64_t)j;

            hg_clock_judge(&inputs, &verdict);

            HG_CHECK_EQ("before 1970", verdict.is_trusted, end[i] >= 0);
        }
    }
}

static void test_clock__reads_both_clocks(void **state)
{
    struct hg_clock clock;
    struct hg_clock_reading first, second;
    struct timespec boot, wall;

    (void)state;
    hg_clock_init(&clock, HG_CLOCK_TRUSTED, 0);
    assert_int_equal(hg_clock_read(&clock, &first), 0);
    assert_int_equal(clock_gettime(CLOCK_BOOTTIME, &boot), 0);
    assert_int_equal(clock_gettime(CLOCK_REALTIME, &wall), 0);
    assert_int_equal(hg_clock_read(&clock, &second), 0);

    assert_true(first.tick.mono.ms / 1000 <= (uint64_t)boot.tv_sec);
    assert_true((uint64_t)boot.tv_sec <= second.tick.mono.ms / 1000);
    assert_true(first.tick.wall.ms / 1000 <= wall.tv_sec);
    assert_false(first.has_stepped);
    assert_false(first.has_trust_changed);
    assert_int_equal(first.tick.wall.is_trusted,
                     wall.tv_sec * INT64_C(1000) >= hg_clock_build_ms());
}

static void test_clock__tells_when_its_trust_changes(void **state)
{
    struct hg_clock clock;
    struct hg_clock_reading reading;

    (void)state;
    hg_clock_init(&clock, HG_CLOCK_TRUSTED, 0);
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_false(reading.has_trust_changed);
    if (!reading.tick.wall.is_trusted) {
        print_message("the clock of this machine is before the build date\n");
        return;
    }
    /* a record from tomorrow: the clock must have been set back since */
    hg_clock_note_record(&clock, reading.tick.wall.ms + 86400000);
    hg_clock_note_record(&clock, 5); /* an older one changes nothing */
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_true(reading.has_trust_changed);
    assert_false(reading.tick.wall.is_trusted);
    assert_int_equal(reading.doubt, HG_CLOCK_DOUBT_JOURNAL);
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_false(reading.has_trust_changed);
    /* a base an hour off: the wall clock has stepped since */
    clock.base_ms += 3600000;
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_true(reading.has_stepped);
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_false(reading.has_stepped);
}

static void test_clock__asks_the_kernel_once_a_second(void **state)
{
    struct hg_clock clock;
    struct hg_clock_reading reading;
    enum hg_clock_kernel truth, other;

    (void)state;
    hg_clock_init(&clock, HG_CLOCK_SYNCHRONISED, 0);
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    truth = clock.kernel;
    other = truth == HG_CLOCK_KERNEL_SYNCHRONISED
                ? HG_CLOCK_KERNEL_UNSYNCHRONISED
                : HG_CLOCK_KERNEL_SYNCHRONISED;

    /* an answer of this very second stays */
    clock.kernel = other;
    clock.asked_at = reading.tick.mono;
    while (hg_clock_read(&clock, &reading) == 0 &&
           reading.tick.mono.ms == clock.asked_at.ms)
        continue;
    if (reading.tick.mono.ms - clock.asked_at.ms < 1000)
        assert_int_equal(clock.kernel, other);

    clock.asked_at.ms = reading.tick.mono.ms - 1000;
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_int_equal(clock.kernel, truth);

    /* a step is judged with a fresh answer */
    clock.kernel = other;
    clock.base_ms += 3600000;
    assert_int_equal(hg_clock_read(&clock, &reading), 0);
    assert_true(reading.has_stepped);
    assert_int_equal(clock.kernel, truth);
}

static void test_clock__reads_the_boot_id(void **state)
{
    char one[HG_BOOT_ID_BYTES], two[HG_BOOT_ID_BYTES];

    (void)state;
    assert_int_equal(hg_clock_boot_id(one), 0);
    assert_int_equal(hg_clock_boot_id(two), 0);
    assert_string_equal(one, two);
    assert_int_equal(strlen(one), 36);
    assert_int_equal(one[8], '-'); /* a UUID: RFC 9562 section 4 */
}

static void test_clock__has_a_text_for_every_doubt(void **state)
{
    (void)state;
    for (int doubt = 0; doubt <= HG_CLOCK_DOUBT_SILENT + 1; doubt++) {
        const char *text = hg_clock_doubt_text((enum hg_clock_doubt)doubt);

        assert_non_null(text);
        for (int other = 0; other < doubt; other++)
            assert_string_not_equal(
                text, hg_clock_doubt_text((enum hg_clock_doubt)other));
    }
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clock__judges_the_wall_clock),
        cmocka_unit_test(test_clock__tells_a_step_once_and_adds_small_ones_up),
        cmocka_unit_test(test_clock__is_total_at_the_ends_of_its_range),
        cmocka_unit_test(test_clock__reads_both_clocks),
        cmocka_unit_test(test_clock__tells_when_its_trust_changes),
        cmocka_unit_test(test_clock__asks_the_kernel_once_a_second),
        cmocka_unit_test(test_clock__reads_the_boot_id),
        cmocka_unit_test(test_clock__has_a_text_for_every_doubt),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
