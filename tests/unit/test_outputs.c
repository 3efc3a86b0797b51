/* What is wanted of light and fan, with time as a value. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "service/outputs.h"

#define BOTH_10MIN                                                             \
    {                                                                          \
        true, true, 600000                                                     \
    }

static const struct hg_outputs_setting both = BOTH_10MIN;

static struct hg_mono at(uint64_t ms)
{
    return (struct hg_mono) { ms };
}

static bool light(const struct hg_outputs *outputs, uint64_t ms)
{
    return hg_outputs_want(outputs, &both, at(ms)).is_on[HG_OUTPUT_LIGHT];
}

static bool fan(const struct hg_outputs *outputs, uint64_t ms)
{
    return hg_outputs_want(outputs, &both, at(ms)).is_on[HG_OUTPUT_FAN];
}

/* A heat with a live permit from ms on. */
static struct hg_outputs heated(uint64_t ms)
{
    struct hg_outputs outputs = { 0 };

    hg_outputs_see(&outputs, &both, true, true, at(ms));
    return outputs;
}

static void test_outputs__begin_off(void **state)
{
    struct hg_outputs outputs = { 0 };

    (void)state;
    assert_false(light(&outputs, 0));
    assert_false(fan(&outputs, 0));
    /* without any permit so far there is nothing to run on after */
    hg_outputs_see(&outputs, &both, false, false, at(1));
    assert_false(fan(&outputs, 1));
}

static void test_outputs__fan_runs_on_after_the_permit(void **state)
{
    static const struct {
        const char *label;
        uint64_t run_on_ms, since_ms;
        bool is_on;
    } row[] = {
        { "at once", 600000, 0, true },
        { "one below", 600000, 599999, true },
        { "at the end", 600000, 600000, false },
        { "one above", 600000, 600001, false },
        { "none: at once", 0, 0, false },
        { "none: later", 0, 1, false },
        { "the longest", 7200000, 7199999, true },
        { "the longest, over", 7200000, 7200000, false },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct hg_outputs_setting setting = { false, true, row[i].run_on_ms };
        struct hg_outputs outputs = { 0 };

        hg_outputs_see(&outputs, &setting, true, true, at(1000));
        HG_CHECK_TRUE(row[i].label,
                      hg_outputs_want(&outputs, &setting, at(9000000))
                          .is_on[HG_OUTPUT_FAN]);
        hg_outputs_see(&outputs, &setting, false, false, at(5000));
        /* later looks do not move the end */
        hg_outputs_see(&outputs, &setting, false, false,
                       at(5000 + row[i].since_ms));
        HG_CHECK_EQ(
            row[i].label,
            hg_outputs_want(&outputs, &setting, at(5000 + row[i].since_ms))
                .is_on[HG_OUTPUT_FAN],
            row[i].is_on);
    }
}

static void test_outputs__a_second_permit_runs_on_anew(void **state)
{
    struct hg_outputs outputs = heated(1000);

    (void)state;
    hg_outputs_see(&outputs, &both, true, false, at(2000)); /* held */
    assert_true(fan(&outputs, 2000));
    hg_outputs_see(&outputs, &both, true, true, at(3000));
    hg_outputs_see(&outputs, &both, false, false, at(400000));
    assert_true(fan(&outputs, 400000 + 599999));
    assert_false(fan(&outputs, 400000 + 600000));
}

static void test_outputs__off_holds_until_the_next_heat(void **state)
{
    struct hg_outputs outputs = heated(1000);

    (void)state;
    hg_outputs_say(&outputs, HG_OUTPUT_FAN, false);
    assert_false(fan(&outputs, 1000));
    /* a door that holds the heat begins no other one */
    hg_outputs_see(&outputs, &both, true, false, at(2000));
    hg_outputs_see(&outputs, &both, true, true, at(3000));
    assert_false(fan(&outputs, 3000));
    hg_outputs_see(&outputs, &both, false, false, at(4000));
    assert_false(fan(&outputs, 4000)); /* and no run-on */
    hg_outputs_see(&outputs, &both, true, false, at(5000));
    hg_outputs_see(&outputs, &both, true, true, at(6000));
    assert_true(fan(&outputs, 6000));
}

static void test_outputs__on_holds_until_told_off(void **state)
{
    struct hg_outputs outputs = { 0 };

    (void)state;
    hg_outputs_say(&outputs, HG_OUTPUT_FAN, true);
    hg_outputs_say(&outputs, HG_OUTPUT_LIGHT, true);
    assert_true(fan(&outputs, 1));
    assert_true(light(&outputs, 1));
    hg_outputs_see(&outputs, &both, true, true, at(1000));
    hg_outputs_see(&outputs, &both, false, false, at(2000));
    assert_true(fan(&outputs, 2000 + 600000));
    assert_true(light(&outputs, 2000 + 600000));
    hg_outputs_say(&outputs, HG_OUTPUT_FAN, false);
    hg_outputs_say(&outputs, HG_OUTPUT_LIGHT, false);
    assert_false(fan(&outputs, 2000));
    assert_false(light(&outputs, 2000));
    /* no heat switches a light */
    hg_outputs_see(&outputs, &both, true, true, at(9000000));
    assert_false(light(&outputs, 9000000));
    assert_true(fan(&outputs, 9000000));
}

static void test_outputs__what_is_not_there_is_off_and_forgotten(void **state)
{
    static const struct hg_outputs_setting neither = { 0 };
    struct hg_outputs outputs = heated(1000);
    struct hg_outputs_wanted wanted;

    (void)state;
    hg_outputs_say(&outputs, HG_OUTPUT_LIGHT, true);
    hg_outputs_say(&outputs, HG_OUTPUT_FAN, true);
    wanted = hg_outputs_want(&outputs, &neither, at(1000));
    assert_false(wanted.is_on[HG_OUTPUT_LIGHT]);
    assert_false(wanted.is_on[HG_OUTPUT_FAN]);
    hg_outputs_see(&outputs, &neither, false, false, at(2000));
    assert_false(light(&outputs, 2000));
    assert_false(fan(&outputs, 9000000));
    assert_true(hg_outputs_has_any(&both));
    assert_false(hg_outputs_has_any(&neither));
}

static void test_outputs__a_clock_that_runs_back_breaks_nothing(void **state)
{
    struct hg_outputs outputs = heated(5000);

    (void)state;
    hg_outputs_see(&outputs, &both, false, false, at(6000));
    assert_true(fan(&outputs, 1000));
    assert_false(fan(&outputs, UINT64_MAX));
}

static void test_outputs__have_words(void **state)
{
    enum hg_output output = HG_OUTPUT_COUNT;

    (void)state;
    assert_int_equal(hg_output_find("heater", &output), HG_ERR_NOT_FOUND);
    assert_int_equal(output, HG_OUTPUT_COUNT);
    assert_int_equal(hg_output_find("fan", &output), 0);
    assert_int_equal(output, HG_OUTPUT_FAN);
    assert_string_equal(hg_output_text(HG_OUTPUT_LIGHT), "light");
    assert_string_equal(hg_output_text(HG_OUTPUT_COUNT), "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_outputs__begin_off),
        cmocka_unit_test(test_outputs__fan_runs_on_after_the_permit),
        cmocka_unit_test(test_outputs__a_second_permit_runs_on_anew),
        cmocka_unit_test(test_outputs__off_holds_until_the_next_heat),
        cmocka_unit_test(test_outputs__on_holds_until_told_off),
        cmocka_unit_test(test_outputs__what_is_not_there_is_off_and_forgotten),
        cmocka_unit_test(test_outputs__a_clock_that_runs_back_breaks_nothing),
        cmocka_unit_test(test_outputs__have_words),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
