/* Heats of the journal added up by room, stay and month. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "base/text.h"
#include "service/ledger.h"
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* December 2026 in Helsinki begins at 22:00 UTC (EET, from memory) */
#define FROM  INT64_C(1795000000000)
#define UNTIL INT64_C(1797000000000)
#define DEC   INT64_C(1796076000000)

static struct hg_ledger *new_ledger(void)
{
    struct hg_ledger *ledger = malloc(sizeof(*ledger));
    struct hg_ledger_ask ask = { .room = "heron",
                                 .from_ms = FROM,
                                 .until_ms = UNTIL,
                                 .has_price = true,
                                 .price_per_kwh = 0.3,
                                 .currency = "EUR",
                                 .running_id = "h-run",
                                 .running_wh = 700 };

    assert_non_null(ledger);
    hg_ledger_init(&ask, ledger);
    return ledger;
}

static void take(struct hg_ledger *ledger, int64_t at_ms, const char *rest)
{
    char at[HG_WALL_TEXT_BYTES], line[512];

    hg_text_from_wall(at_ms, at);
    snprintf(line, sizeof(line), "{\"n\":1,\"at\":\"%s\",\"prev\":\"00\",%s}",
             at, rest);
    assert_int_equal(hg_ledger_take(ledger, line, strlen(line)), 0);
}

static void grant(struct hg_ledger *ledger, int64_t at_ms, const char *id,
                  const char *by)
{
    char rest[256];

    snprintf(rest, sizeof(rest),
             "\"kind\":\"heat-granted\",\"room\":\"heron\",\"actor\":\"%s\","
             "\"heat_id\":\"%s\",\"target_c\":80.0,\"duration_min\":60",
             by, id);
    take(ledger, at_ms, rest);
}

static void end(struct hg_ledger *ledger, int64_t at_ms, const char *id, int wh)
{
    char rest[256];

    snprintf(rest, sizeof(rest),
             "\"kind\":\"heat-ended\",\"room\":\"heron\",\"actor\":\"gateway\","
             "\"why\":\"time-up\",\"heat_id\":\"%s\",\"energy_wh\":%d",
             id, wh);
    take(ledger, at_ms, rest);
}

static const json_t *at(const json_t *json, const char *list, size_t i)
{
    return json_array_get(json_object_get(json, list), i);
}

static json_int_t whole(const json_t *json, const char *name)
{
    return json_integer_value(json_object_get(json, name));
}

static double real(const json_t *json, const char *name)
{
    return json_real_value(json_object_get(json, name));
}

static const char *word(const json_t *json, const char *name)
{
    const char *text = json_string_value(json_object_get(json, name));

    return text == NULL ? "" : text;
}

static void test_ledger__adds_up_stays_and_months(void **state)
{
    struct hg_ledger *ledger = new_ledger();
    json_t *json;

    (void)state;
    grant(ledger, DEC - 7200000, "h-1", "guest:g-1");
    take(ledger, DEC - 5000000,
         "\"kind\":\"heat-held\",\"room\":\"heron\",\"actor\":\"gateway\"");
    end(ledger, DEC - 3600000, "h-1", 6000);
    grant(ledger, DEC - 1000, "h-2", "guest:g-1"); /* 23:59:59, ends in Dec */
    end(ledger, DEC + 3600000, "h-2", 3000);
    grant(ledger, DEC, "h-3", "owner:uid=0");
    end(ledger, DEC + 3600000, "h-3", 1500);
    grant(ledger, DEC + 7200000, "h-run", "guest:g-2");
    json = hg_ledger_json(ledger);
    assert_int_equal(json_array_size(json_object_get(json, "heats")), 4);
    assert_string_equal(word(at(json, "heats", 0), "end"), "time-up");
    assert_float_equal(real(at(json, "heats", 0), "cost"), 1.8, 1e-9);
    assert_true(
        json_is_null(json_object_get(at(json, "heats", 3), "ended_at")));
    assert_int_equal(whole(at(json, "heats", 3), "energy_wh"), 700);
    assert_int_equal(whole(json_object_get(json, "total"), "heats"), 4);
    assert_int_equal(whole(json_object_get(json, "total"), "energy_wh"), 11200);
    assert_float_equal(real(json_object_get(json, "total"), "cost"), 3.36,
                       1e-9);
    assert_string_equal(word(at(json, "by", 0), "by"), "guest:g-1");
    assert_int_equal(whole(at(json, "by", 0), "energy_wh"), 9000);
    assert_int_equal(json_array_size(json_object_get(json, "by")), 3);
    assert_string_equal(word(at(json, "months", 0), "month"), "2026-11");
    assert_int_equal(whole(at(json, "months", 0), "energy_wh"), 9000);
    assert_string_equal(word(at(json, "months", 1), "month"), "2026-12");
    assert_int_equal(whole(at(json, "months", 1), "energy_wh"), 2200);
    assert_true(json_is_null(json_object_get(json, "next")));
    json_decref(json);
    free(ledger);
}

static void test_ledger__leaves_out_what_is_not_of_it(void **state)
{
    struct hg_ledger *ledger = new_ledger();
    json_t *json;

    (void)state;
    grant(ledger, FROM - 1000, "h-before", "guest:g-1");
    end(ledger, FROM + 1000, "h-before", 1);
    take(ledger, FROM,
         "\"kind\":\"heat-granted\",\"room\":\"otter\",\"actor\":\"x\","
         "\"heat_id\":\"h-other\"");
    /* granted, and never in effect: its record could not be written */
    grant(ledger, FROM + 2000, "h-void", "guest:g-1");
    take(ledger, FROM + 3000,
         "\"kind\":\"heat-ended\",\"room\":\"heron\",\"actor\":\"gateway\","
         "\"heat_id\":\"h-void\"");
    grant(ledger, FROM + 4000, "h-in", "guest:g-1");
    end(ledger, FROM + 5000, "h-in", 10);
    grant(ledger, UNTIL, "h-after", "guest:g-1");
    end(ledger, UNTIL + 1, "h-after", 1);
    json = hg_ledger_json(ledger);
    assert_int_equal(json_array_size(json_object_get(json, "heats")), 1);
    assert_string_equal(word(at(json, "heats", 0), "heat_id"), "h-in");
    json_decref(json);
    free(ledger);
}

static void test_ledger__a_lost_end_is_told_as_unknown(void **state)
{
    struct hg_ledger *ledger = new_ledger();
    json_t *json;

    (void)state;
    grant(ledger, FROM, "h-1", "guest:g-1");
    grant(ledger, FROM + 1000, "h-2", "guest:g-1");
    end(ledger, FROM + 2000, "h-2", 10);
    json = hg_ledger_json(ledger);
    assert_int_equal(json_array_size(json_object_get(json, "heats")), 2);
    assert_true(
        json_is_null(json_object_get(at(json, "heats", 0), "energy_wh")));
    assert_true(json_is_null(json_object_get(at(json, "heats", 0), "cost")));
    json_decref(json);
    free(ledger);
}

static void test_ledger__rows_are_bounded_and_sums_are_not(void **state)
{
    struct hg_ledger *ledger = new_ledger();
    char id[16], by[24];
    json_t *json;

    (void)state;
    for (int i = 0; i < HG_LEDGER_ROWS + 5; i++) {
        snprintf(id, sizeof(id), "h-%d", i);
        snprintf(by, sizeof(by), "guest:g-%d", i);
        grant(ledger, FROM + i * 1000, id, by);
        end(ledger, FROM + i * 1000 + 500, id, 2);
    }
    json = hg_ledger_json(ledger);
    assert_int_equal(json_array_size(json_object_get(json, "heats")),
                     HG_LEDGER_ROWS);
    assert_string_equal(word(json, "next"), "2026-11-18T11:13:20Z");
    assert_int_equal(whole(json_object_get(json, "total"), "heats"),
                     HG_LEDGER_ROWS + 5);
    assert_int_equal(json_array_size(json_object_get(json, "by")),
                     HG_LEDGER_SUMS);
    assert_string_equal(word(at(json, "by", HG_LEDGER_SUMS - 1), "by"),
                        "others");
    assert_int_equal(whole(at(json, "by", HG_LEDGER_SUMS - 1), "energy_wh"),
                     12);
    json_decref(json);
    free(ledger);
}

static void test_ledger__a_broken_record_is_an_error(void **state)
{
    static const char *const line[] = {
        "{\"n\":1,\"kind\":\"heat-granted\"",
        "{\"n\":1,\"at\":\"yesterday\",\"kind\":\"heat-granted\","
        "\"room\":\"heron\"}",
    };
    struct hg_ledger *ledger = new_ledger();

    (void)state;
    for (size_t i = 0; i < HG_COUNT(line); i++)
        HG_CHECK_EQ(line[i], hg_ledger_take(ledger, line[i], strlen(line[i])),
                    HG_ERR_CORRUPT);
    free(ledger);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ledger__adds_up_stays_and_months),
        cmocka_unit_test(test_ledger__leaves_out_what_is_not_of_it),
        cmocka_unit_test(test_ledger__a_lost_end_is_told_as_unknown),
        cmocka_unit_test(test_ledger__rows_are_bounded_and_sums_are_not),
        cmocka_unit_test(test_ledger__a_broken_record_is_an_error),
    };

    if (setenv("TZ", "Europe/Helsinki", 1) != 0)
        return 1;
    tzset();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
