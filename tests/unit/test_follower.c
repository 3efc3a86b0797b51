/*
 * The permit rule for firmware: contract sections 1 ("Permit") and 7. The
 * rule is taken from follower_c99.c, which is compiled as strict C99 for a
 * freestanding machine: what is tested here is what firmware gets.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "follower_c99.h"

#define SERIAL ((uint64_t)7 << 24)
#define TTL_MS 30000
#define NOW_MS UINT64_C(5000000)

/* A follower that has just heard a good permit. */
static struct hg_follower heated(void)
{
    struct hg_follower f;

    follower_c99_init(&f);
    HG_CHECK_EQ("first permit",
                follower_c99_hear(&f, SERIAL, 1, TTL_MS, 80000, NOW_MS), 1);
    return f;
}

static void test_follower__starts_cold(void **state)
{
    struct hg_follower f;

    (void)state;
    memset(&f, 0x5a, sizeof(f));
    follower_c99_init(&f);

    HG_CHECK_EQ("at 0", follower_c99_may_heat(&f, 0), 0);
    HG_CHECK_EQ("later", follower_c99_may_heat(&f, NOW_MS), 0);
    HG_CHECK_EQ_U64("serial", f.serial, 0);
}

static void test_follower__zeroed_memory_is_cold(void **state)
{
    struct hg_follower f;

    (void)state;
    memset(&f, 0, sizeof(f));

    HG_CHECK_EQ("zeroed", follower_c99_may_heat(&f, NOW_MS), 0);
}

static void test_follower__heats_until_the_ttl_is_over(void **state)
{
    static const struct {
        const char *label;
        uint64_t age_ms;
        int want;
    } row[] = {
        { "at once", 0, 1 },
        { "one below", TTL_MS - 1, 1 },
        { "at", TTL_MS, 0 },
        { "one above", TTL_MS + 1, 0 },
        { "for ever", UINT64_MAX - NOW_MS, 0 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_follower f = heated();

        HG_CHECK_EQ(row[i].label,
                    follower_c99_may_heat(&f, NOW_MS + row[i].age_ms),
                    row[i].want);
    }
}

static void test_follower__takes_only_a_higher_serial(void **state)
{
    static const struct {
        const char *label;
        uint64_t serial;
        int want;
    } row[] = {
        { "0", 0, 0 },
        { "an older epoch", SERIAL - 1, 0 },
        { "the same", SERIAL, 0 },
        { "one higher", SERIAL + 1, 1 },
        { "one below the limit", HG_FOLLOWER_SERIAL_LIMIT - 1, 1 },
        { "at the limit", HG_FOLLOWER_SERIAL_LIMIT, 0 },
        { "above the limit", HG_FOLLOWER_SERIAL_LIMIT + 1, 0 },
        { "largest", UINT64_MAX, 0 },
    };

    (void)state;
    HG_CHECK_EQ_U64("limit", HG_FOLLOWER_SERIAL_LIMIT, UINT64_C(1) << 52);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_follower f = heated();
        const struct hg_follower before = f;

        HG_CHECK_EQ(row[i].label,
                    follower_c99_hear(&f, row[i].serial, 0, 0, 0, NOW_MS + 1),
                    row[i].want);
        if (row[i].want == 0)
            HG_CHECK_BYTES(row[i].label, &f, &before, sizeof(f));
        HG_CHECK_EQ(row[i].label, follower_c99_may_heat(&f, NOW_MS + 2),
                    row[i].want == 0);
    }
}

static void test_follower__a_repeated_permit_extends_nothing(void **state)
{
    struct hg_follower f = heated();

    (void)state;
    HG_CHECK_EQ("repeated",
                follower_c99_hear(&f, SERIAL, 1, TTL_MS, 80000, NOW_MS + 20000),
                0);

    HG_CHECK_EQ("one below", follower_c99_may_heat(&f, NOW_MS + TTL_MS - 1), 1);
    HG_CHECK_EQ("at", follower_c99_may_heat(&f, NOW_MS + TTL_MS), 0);
}

static void test_follower__a_renewal_extends(void **state)
{
    struct hg_follower f = heated();

    (void)state;
    HG_CHECK_EQ(
        "renewed",
        follower_c99_hear(&f, SERIAL + 1, 1, TTL_MS, 75000, NOW_MS + 10000), 1);

    HG_CHECK_EQ("target", f.target_mc, 75000);
    HG_CHECK_EQ("one below",
                follower_c99_may_heat(&f, NOW_MS + 10000 + TTL_MS - 1), 1);
    HG_CHECK_EQ("at", follower_c99_may_heat(&f, NOW_MS + 10000 + TTL_MS), 0);
}

static void test_follower__nothing_late_revives_revoked_heat(void **state)
{
    struct hg_follower f = heated();

    (void)state;
    HG_CHECK_EQ("revoke",
                follower_c99_hear(&f, SERIAL + 2, 0, TTL_MS, 80000, NOW_MS + 1),
                1);
    HG_CHECK_EQ("cold", follower_c99_may_heat(&f, NOW_MS + 1), 0);
    HG_CHECK_EQ("overtaken renewal",
                follower_c99_hear(&f, SERIAL + 1, 1, TTL_MS, 80000, NOW_MS + 2),
                0);

    HG_CHECK_EQ("still cold", follower_c99_may_heat(&f, NOW_MS + 3), 0);
    HG_CHECK_EQ("target forgotten", f.target_mc, 0);
}

static void test_follower__only_1_is_heat(void **state)
{
    static const int heat[] = { 0, 2, -1, INT32_MAX };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(heat); i++) {
        struct hg_follower f = heated();

        HG_CHECK_EQ(
            "taken",
            follower_c99_hear(&f, SERIAL + 1, heat[i], TTL_MS, 80000, NOW_MS),
            1);
        HG_CHECK_EQ("no heat", follower_c99_may_heat(&f, NOW_MS), 0);
    }
}

static void test_follower__cuts_the_ttl(void **state)
{
    static const struct {
        const char *label;
        uint64_t ttl_ms;
        uint32_t want_ms;
    } row[] = {
        { "none", 0, 0 },
        { "one", 1, 1 },
        { "one below", 119999, 119999 },
        { "at", 120000, 120000 },
        { "one above", 120001, 120000 },
        { "wraps in 32 bits", (UINT64_C(1) << 32) + 5, 120000 },
        { "largest", UINT64_MAX, 120000 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_follower f;

        follower_c99_init(&f);
        HG_CHECK_EQ(
            row[i].label,
            follower_c99_hear(&f, SERIAL, 1, row[i].ttl_ms, 80000, NOW_MS), 1);
        HG_CHECK_EQ(row[i].label, f.ttl_ms, row[i].want_ms);
        HG_CHECK_EQ(row[i].label, follower_c99_may_heat(&f, NOW_MS),
                    row[i].want_ms > 0);
    }
}

static void test_follower__a_clock_that_runs_back_ends_heat(void **state)
{
    struct hg_follower f = heated();

    (void)state;
    HG_CHECK_EQ("on", follower_c99_may_heat(&f, NOW_MS + 10000), 1);
    HG_CHECK_EQ("same time", follower_c99_may_heat(&f, NOW_MS + 10000), 1);
    HG_CHECK_EQ("one back", follower_c99_may_heat(&f, NOW_MS + 9999), 0);
    HG_CHECK_EQ("for good", follower_c99_may_heat(&f, NOW_MS + 10001), 0);
    HG_CHECK_EQ(
        "until a newer permit",
        follower_c99_hear(&f, SERIAL + 1, 1, TTL_MS, 80000, NOW_MS + 10002), 1);
    HG_CHECK_EQ("again", follower_c99_may_heat(&f, NOW_MS + 10002), 1);
}

static void test_follower__a_clock_set_back_before_the_receipt(void **state)
{
    struct hg_follower f = heated();

    (void)state;
    HG_CHECK_EQ("before the receipt", follower_c99_may_heat(&f, NOW_MS - 1), 0);
    HG_CHECK_EQ("for good", follower_c99_may_heat(&f, NOW_MS + 1), 0);
}

static void test_follower__an_expired_permit_stays_expired(void **state)
{
    struct hg_follower f = heated();

    (void)state;
    HG_CHECK_EQ("over", follower_c99_may_heat(&f, NOW_MS + TTL_MS), 0);
    HG_CHECK_EQ("and back in time", follower_c99_may_heat(&f, NOW_MS), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_follower__starts_cold),
        cmocka_unit_test(test_follower__zeroed_memory_is_cold),
        cmocka_unit_test(test_follower__heats_until_the_ttl_is_over),
        cmocka_unit_test(test_follower__takes_only_a_higher_serial),
        cmocka_unit_test(test_follower__a_repeated_permit_extends_nothing),
        cmocka_unit_test(test_follower__a_renewal_extends),
        cmocka_unit_test(test_follower__nothing_late_revives_revoked_heat),
        cmocka_unit_test(test_follower__only_1_is_heat),
        cmocka_unit_test(test_follower__cuts_the_ttl),
        cmocka_unit_test(test_follower__a_clock_that_runs_back_ends_heat),
        cmocka_unit_test(test_follower__a_clock_set_back_before_the_receipt),
        cmocka_unit_test(test_follower__an_expired_permit_stays_expired),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
