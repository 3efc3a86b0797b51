/* The reasons: codes as in the contract, nothing empty, nothing twice. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "base/why.h"
#include "check.h"

/* contract 3.1 and 7, in the contract's order */
static const char *const CONTRACT[] = {
    "not-commissioned",
    "proof-overdue",
    "door-open",
    "door-unknown",
    "check-missing",
    "check-void",
    "check-expired",
    "telemetry-stale",
    "telemetry-late",
    "controller-offline",
    "broker-down",
    "sensor-fault",
    "over-temperature",
    "no-rise",
    "heater-unbidden",
    "module-climate",
    "rival-gateway",
    "resting",
    "already-heating",
    "target-out-of-range",
    "duration-over-cap",
    "outside-stay",
    "not-allowed",
    "locked-out",
    "journal-unavailable",
    "clock-untrusted",
    "permit-not-followed",
    "stopped",
    "time-up",
    "cap-reached",
    "door-held-too-long",
    "access-ended",
    "gateway-restart",
    "controller-restarted",
};

static void test_why__codes_are_the_contracts(void **state)
{
    (void)state;
    HG_CHECK_EQ("count", HG_WHY_COUNT - 1, HG_COUNT(CONTRACT));
    for (size_t i = 0; i < HG_COUNT(CONTRACT); i++) {
        enum hg_why why = hg_why_find(CONTRACT[i]);

        HG_CHECK_TRUE(CONTRACT[i], why != HG_WHY_NONE);
        HG_CHECK_STR(CONTRACT[i], hg_why_code(why), CONTRACT[i]);
    }
}

static void test_why__each_name_has_the_code_it_reads_like(void **state)
{
    static const struct {
        enum hg_why why;
        const char *code;
    } row[] = {
        { HG_WHY_NOT_COMMISSIONED, "not-commissioned" },
        { HG_WHY_DOOR_OPEN, "door-open" },
        { HG_WHY_OVER_TEMPERATURE, "over-temperature" },
        { HG_WHY_CONTROLLER_RESTARTED, "controller-restarted" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        HG_CHECK_STR(row[i].code, hg_why_code(row[i].why), row[i].code);
        HG_CHECK_EQ(row[i].code, hg_why_find(row[i].code), row[i].why);
    }
}

static void test_why__each_has_a_text_and_a_remedy(void **state)
{
    (void)state;
    for (int i = 1; i < HG_WHY_COUNT; i++) {
        const char *code = hg_why_code((enum hg_why)i);

        HG_CHECK_TRUE(code, strlen(hg_why_text((enum hg_why)i)) > 10);
        HG_CHECK_TRUE(code, strlen(hg_why_remedy((enum hg_why)i)) > 10);
        for (int k = 1; k < i; k++) {
            HG_CHECK_TRUE(code, strcmp(code, hg_why_code((enum hg_why)k)) != 0);
            HG_CHECK_TRUE(code, strcmp(hg_why_text((enum hg_why)i),
                                       hg_why_text((enum hg_why)k)) != 0);
        }
    }
}

static void test_why__outside_the_list_is_none(void **state)
{
    static const int outside[] = { HG_WHY_NONE, HG_WHY_COUNT, HG_WHY_COUNT + 1,
                                   -1, INT32_MAX };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(outside); i++) {
        enum hg_why why = (enum hg_why)outside[i];

        HG_CHECK_STR("code", hg_why_code(why), "none");
        HG_CHECK_STR("text", hg_why_text(why), "");
        HG_CHECK_STR("remedy", hg_why_remedy(why), "");
    }
    HG_CHECK_EQ("none is no reason", hg_why_find("none"), HG_WHY_NONE);
    HG_CHECK_EQ("empty", hg_why_find(""), HG_WHY_NONE);
    HG_CHECK_EQ("longer", hg_why_find("door-opened"), HG_WHY_NONE);
    HG_CHECK_EQ("shorter", hg_why_find("door-ope"), HG_WHY_NONE);
    HG_CHECK_EQ("upper case", hg_why_find("Door-open"), HG_WHY_NONE);
}

static void test_why__first_is_the_lowest_of_a_set(void **state)
{
    const enum hg_why last = (enum hg_why)(HG_WHY_COUNT - 1);

    (void)state;
    HG_CHECK_EQ("empty", hg_why_first(0), HG_WHY_NONE);
    HG_CHECK_EQ("bit 0 is never a reason", hg_why_first(1), HG_WHY_NONE);
    HG_CHECK_EQ("bits past the list",
                hg_why_first(~UINT64_C(0) << HG_WHY_COUNT), HG_WHY_NONE);
    HG_CHECK_EQ("last", hg_why_first(HG_WHY_BIT(last)), last);
    HG_CHECK_EQ("all", hg_why_first(~UINT64_C(0)), 1);
    HG_CHECK_EQ(
        "two",
        hg_why_first(HG_WHY_BIT(HG_WHY_NO_RISE) | HG_WHY_BIT(HG_WHY_DOOR_OPEN)),
        HG_WHY_DOOR_OPEN);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_why__codes_are_the_contracts),
        cmocka_unit_test(test_why__each_name_has_the_code_it_reads_like),
        cmocka_unit_test(test_why__each_has_a_text_and_a_remedy),
        cmocka_unit_test(test_why__outside_the_list_is_none),
        cmocka_unit_test(test_why__first_is_the_lowest_of_a_set),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
