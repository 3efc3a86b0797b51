/* Slow-down of guessing; the numbers are those of the contract, section 6. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/slowdown.h"
#include "base/sat.h"
#include "base/text.h"
#include <string.h>

static const struct hg_mono START = { 7000000 };

static int setup(void **state)
{
    static struct hg_slowdown table;

    memset(&table, 0, sizeof(table));
    *state = &table;
    return 0;
}

static void fail_times(struct hg_slowdown *table, struct hg_slowdown_key key,
                       size_t times, struct hg_mono at)
{
    for (size_t i = 0; i < times; i++)
        hg_slowdown_fail(table, key, at);
}

static void test_slowdown__doubles_from_1_s_to_5_min(void **state)
{
    static const uint64_t WANT_MS[] = {
        0,    0,     0,     0,     0,      1000,   2000,   4000,
        8000, 16000, 32000, 64000, 128000, 256000, 300000, 300000,
    };
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key key = hg_slowdown_key_credential(7);

    for (size_t fails = 0; fails < HG_COUNT(WANT_MS); fails++) {
        assert_int_equal(hg_slowdown_wait_ms(table, key, START),
                         WANT_MS[fails]);
        hg_slowdown_fail(table, key, START);
    }
}

static void test_slowdown__wait_runs_out(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key key = hg_slowdown_key_credential(7);

    fail_times(table, key, 6, START);

    assert_int_equal(hg_slowdown_wait_ms(table, key, hg_mono_add(START, 1999)),
                     1);
    assert_int_equal(hg_slowdown_tries(table, key, hg_mono_add(START, 1999)),
                     0);
    assert_int_equal(hg_slowdown_wait_ms(table, key, hg_mono_add(START, 2000)),
                     0);
    assert_int_equal(hg_slowdown_tries(table, key, hg_mono_add(START, 2000)),
                     1);
}

static void test_slowdown__tries_are_what_is_left(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key key = hg_slowdown_key_credential(7);

    for (uint32_t fails = 0; fails < 5; fails++) {
        assert_int_equal(hg_slowdown_tries(table, key, START), 5 - fails);
        hg_slowdown_fail(table, key, START);
    }
    assert_int_equal(hg_slowdown_tries(table, key, START), 0);
}

static void test_slowdown__forgets_after_a_quiet_hour(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key key = hg_slowdown_key_credential(7);
    struct hg_mono almost = hg_mono_add(START, 3599999);
    struct hg_mono hour = hg_mono_add(START, 3600000);

    fail_times(table, key, 20, START);

    assert_int_equal(hg_slowdown_tries(table, key, almost), 1);
    assert_int_equal(hg_slowdown_tries(table, key, hour), 5);
    hg_slowdown_fail(table, key, hour);
    assert_int_equal(hg_slowdown_tries(table, key, hour), 4);
}

static void test_slowdown__a_wrong_code_keeps_the_hour_going(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key key = hg_slowdown_key_credential(7);
    struct hg_mono later = hg_mono_add(START, 3599999);

    fail_times(table, key, 20, START);
    hg_slowdown_fail(table, key, later);

    assert_int_equal(hg_slowdown_wait_ms(table, key, later), 300000);
}

static void test_slowdown__success_forgets_one_key_only(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key mine = hg_slowdown_key_credential(7);
    struct hg_slowdown_key other = hg_slowdown_key_credential(8);

    fail_times(table, mine, 9, START);
    fail_times(table, other, 9, START);
    hg_slowdown_forget(table, mine);

    assert_int_equal(hg_slowdown_wait_ms(table, mine, START), 0);
    assert_int_equal(hg_slowdown_wait_ms(table, other, START), 16000);
}

static void test_slowdown__keys_of_addresses(void **state)
{
    static const struct {
        const char *label;
        const char *a, *b;
        bool is_same;
    } ROWS[] = {
        { "one IPv4 address", "192.0.2.1", "192.0.2.1", true },
        { "two IPv4 addresses", "192.0.2.1", "192.0.2.2", false },
        { "one /64", "2001:db8:1:2::1", "2001:db8:1:2:ffff:1:2:3", true },
        { "two /64", "2001:db8:1:2::1", "2001:db8:1:3::1", false },
        { "mapped IPv4", "::ffff:192.0.2.1", "192.0.2.1", true },
        { "two mapped", "::ffff:192.0.2.1", "::ffff:192.0.2.2", false },
        { "a zone", "fe80::1%eth0", "fe80::1%wlan0", true },
        { "unreadable ones share", "nonsense", "", true },
        { "unreadable and missing", "nonsense", NULL, true },
        { "unreadable and IPv4", "nonsense", "0.0.0.0", false },
        { "IPv4 and IPv6 zeros", "0.0.0.0", "::", false },
        { "overlong",
          "2001:0db8:0000:0000:0000:0000:0000:0000:0000:0000:0000:0001", "x",
          true },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct hg_slowdown_key a = hg_slowdown_key_address(ROWS[i].a);
        struct hg_slowdown_key b = hg_slowdown_key_address(ROWS[i].b);
        bool is_same = a.kind == b.kind && a.value == b.value;

        if (is_same != ROWS[i].is_same)
            fail_msg("%s", ROWS[i].label);
    }
}

static void test_slowdown__a_number_is_not_an_address(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key address = hg_slowdown_key_address("0.0.0.7");

    fail_times(table, hg_slowdown_key_credential(7), 9, START);

    assert_int_equal(hg_slowdown_wait_ms(table, address, START), 0);
}

/* Ten tables' worth of fresh keys do not push out one that is blocked. */
static void test_slowdown__a_flood_does_not_free_a_blocked_key(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key blocked = hg_slowdown_key_address("192.0.2.1");
    struct hg_mono at = START;

    fail_times(table, blocked, 10, START);
    for (uint32_t i = 0; i < 10 * HG_SLOWDOWN_KEYS; i++) {
        at = hg_mono_add(START, i);
        hg_slowdown_fail(table, hg_slowdown_key_credential(i), at);
        hg_slowdown_fail(table, hg_slowdown_key_credential(i), at);
    }

    assert_int_equal(hg_slowdown_wait_ms(table, blocked, at),
                     32000 - (at.ms - START.ms));
}

static void test_slowdown__a_full_table_still_counts_new_keys(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key fresh = hg_slowdown_key_address("192.0.2.1");

    for (uint32_t i = 0; i < HG_SLOWDOWN_KEYS; i++)
        fail_times(table, hg_slowdown_key_credential(i), 3, START);
    fail_times(table, fresh, 5, START);

    assert_int_equal(hg_slowdown_wait_ms(table, fresh, START), 1000);
}

static void test_slowdown__makes_way_with_what_is_forgotten(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key quiet = hg_slowdown_key_address("192.0.2.1");
    struct hg_slowdown_key early = hg_slowdown_key_credential(1);
    struct hg_mono hour = hg_mono_add(START, 3600000);

    fail_times(table, quiet, 30, START);
    for (uint32_t i = 1; i < HG_SLOWDOWN_KEYS; i++)
        hg_slowdown_fail(table, hg_slowdown_key_credential(i), hour);
    hg_slowdown_fail(table, hg_slowdown_key_credential(999999), hour);

    assert_int_equal(hg_slowdown_tries(table, early, hour), 4);
}

static void test_slowdown__survives_a_clock_that_runs_backwards(void **state)
{
    struct hg_slowdown *table = *state;
    struct hg_slowdown_key key = hg_slowdown_key_credential(7);
    struct hg_mono before = { 0 };

    fail_times(table, key, 5, START);

    assert_int_equal(hg_slowdown_wait_ms(table, key, before), 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(test_slowdown__doubles_from_1_s_to_5_min, setup),
        cmocka_unit_test_setup(test_slowdown__wait_runs_out, setup),
        cmocka_unit_test_setup(test_slowdown__tries_are_what_is_left, setup),
        cmocka_unit_test_setup(test_slowdown__forgets_after_a_quiet_hour,
                               setup),
        cmocka_unit_test_setup(test_slowdown__a_wrong_code_keeps_the_hour_going,
                               setup),
        cmocka_unit_test_setup(test_slowdown__success_forgets_one_key_only,
                               setup),
        cmocka_unit_test_setup(test_slowdown__keys_of_addresses, setup),
        cmocka_unit_test_setup(test_slowdown__a_number_is_not_an_address,
                               setup),
        cmocka_unit_test_setup(
            test_slowdown__a_flood_does_not_free_a_blocked_key, setup),
        cmocka_unit_test_setup(
            test_slowdown__a_full_table_still_counts_new_keys, setup),
        cmocka_unit_test_setup(test_slowdown__makes_way_with_what_is_forgotten,
                               setup),
        cmocka_unit_test_setup(
            test_slowdown__survives_a_clock_that_runs_backwards, setup),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
