/* Saturating arithmetic at and beside every edge. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/sat.h"
#include "base/text.h"
#include "check.h"

static void test_sat__unsigned_stops_at_the_ends(void **state)
{
    static const struct {
        const char *label;
        uint64_t a, b, sum, difference;
    } row[] = {
        { "zeros", 0, 0, 0, 0 },
        { "plain", 7, 5, 12, 2 },
        { "one below", UINT64_MAX - 2, 1, UINT64_MAX - 1, UINT64_MAX - 3 },
        { "at the top", UINT64_MAX - 1, 1, UINT64_MAX, UINT64_MAX - 2 },
        { "one above", UINT64_MAX, 1, UINT64_MAX, UINT64_MAX - 1 },
        { "far above", UINT64_MAX, UINT64_MAX, UINT64_MAX, 0 },
        { "one below zero", 0, 1, 1, 0 },
        { "far below zero", 0, UINT64_MAX, UINT64_MAX, 0 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        HG_CHECK_EQ_U64(row[i].label, hg_sat_add_u64(row[i].a, row[i].b),
                        row[i].sum);
        HG_CHECK_EQ_U64(row[i].label, hg_sat_sub_u64(row[i].a, row[i].b),
                        row[i].difference);
    }
}

static void test_sat__signed_stops_at_the_ends(void **state)
{
    static const struct {
        const char *label;
        int64_t a, b, sum, difference;
    } row[] = {
        { "zeros", 0, 0, 0, 0 },
        { "signs", -7, 5, -2, -12 },
        { "one below the top", INT64_MAX - 2, 1, INT64_MAX - 1, INT64_MAX - 3 },
        { "at the top", INT64_MAX - 1, 1, INT64_MAX, INT64_MAX - 2 },
        { "over the top", INT64_MAX, 1, INT64_MAX, INT64_MAX - 1 },
        { "over by subtraction", INT64_MAX, -1, INT64_MAX - 1, INT64_MAX },
        { "at the bottom", INT64_MIN + 1, -1, INT64_MIN, INT64_MIN + 2 },
        { "under the bottom", INT64_MIN, -1, INT64_MIN, INT64_MIN + 1 },
        { "under by subtraction", INT64_MIN, 1, INT64_MIN + 1, INT64_MIN },
        { "least from zero", 0, INT64_MIN, INT64_MIN, INT64_MAX },
        { "least from minus one", -1, INT64_MIN, INT64_MIN, INT64_MAX },
        { "greatest from minus two", -2, INT64_MAX, INT64_MAX - 2, INT64_MIN },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        HG_CHECK_EQ(row[i].label, hg_sat_add_i64(row[i].a, row[i].b),
                    row[i].sum);
        HG_CHECK_EQ(row[i].label, hg_sat_sub_i64(row[i].a, row[i].b),
                    row[i].difference);
    }
}

static void test_sat__boot_time_never_wraps(void **state)
{
    const struct hg_mono early = { 1000 }, late = { 1500 };
    const struct hg_mono last = { UINT64_MAX };

    (void)state;
    HG_CHECK_EQ_U64("add", hg_mono_add(early, 500).ms, 1500);
    HG_CHECK_EQ_U64("add past the end", hg_mono_add(last, 1).ms, UINT64_MAX);
    HG_CHECK_EQ_U64("since", hg_mono_since(late, early), 500);
    HG_CHECK_EQ_U64("since itself", hg_mono_since(late, late), 0);
    HG_CHECK_EQ_U64("clock ran back", hg_mono_since(early, late), 0);
    HG_CHECK_FALSE("before", hg_mono_reached(early, late));
    HG_CHECK_TRUE("at", hg_mono_reached(late, late));
    HG_CHECK_TRUE("after", hg_mono_reached(last, late));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sat__unsigned_stops_at_the_ends),
        cmocka_unit_test(test_sat__signed_stops_at_the_ends),
        cmocka_unit_test(test_sat__boot_time_never_wraps),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
