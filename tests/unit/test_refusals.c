/*
 * How often refusals are recorded: once a second for each actor and room,
 * none of them lost from the counts, one summary after a journal failure.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/refusals.h"
#include <stdio.h>

#define DOOR  HG_WHY_BIT(HG_WHY_DOOR_OPEN)
#define CHECK HG_WHY_BIT(HG_WHY_CHECK_MISSING)

static struct hg_mono at(uint64_t ms)
{
    return (struct hg_mono) { ms };
}

static struct hg_refusal by(const char *id, const char *room,
                            hg_why_set reasons)
{
    struct hg_refusal asked;

    memset(&asked, 0, sizeof(asked));
    asked.actor.role = HG_ROLE_GUEST;
    asked.kind = HG_RECORD_HEAT_REFUSED;
    asked.reasons = reasons;
    assert_int_equal(hg_text_copy(asked.actor.id, sizeof(asked.actor.id), id),
                     0);
    assert_int_equal(hg_text_copy(asked.room, sizeof(asked.room), room), 0);
    return asked;
}

static void test_refusals__records_the_first_at_once(void **state)
{
    struct hg_refusals table;
    struct hg_refusal asked = by("g-1", "heron", DOOR);
    struct hg_refusal record;

    (void)state;
    hg_refusals_init(&table);
    assert_true(hg_refusals_note(&table, at(0), &asked, &record));

    assert_int_equal(record.scope, HG_REFUSAL_ONE);
    assert_int_equal(record.count, 1);
    assert_int_equal(record.kind, HG_RECORD_HEAT_REFUSED);
    assert_int_equal(record.reasons, DOOR);
    assert_string_equal(record.actor.id, "g-1");
    assert_string_equal(record.room, "heron");
    assert_false(hg_refusals_due(&table, at(5000), &record));
}

static void test_refusals__counts_within_a_second(void **state)
{
    struct hg_refusals table;
    struct hg_refusal door = by("g-1", "heron", DOOR);
    struct hg_refusal check = by("g-1", "heron", CHECK);
    struct hg_refusal record;

    (void)state;
    hg_refusals_init(&table);
    check.kind = HG_RECORD_CHECK_REFUSED;
    assert_true(hg_refusals_note(&table, at(100), &door, &record));
    record.count = 77;
    assert_false(hg_refusals_note(&table, at(101), &door, &record));
    assert_false(hg_refusals_note(&table, at(1099), &check, &record));
    assert_int_equal(record.count, 77);
    assert_false(hg_refusals_due(&table, at(1099), &record));

    assert_true(hg_refusals_due(&table, at(1100), &record));
    assert_int_equal(record.count, 2);
    assert_int_equal(record.reasons, DOOR | CHECK);
    assert_int_equal(record.kind, HG_RECORD_CHECK_REFUSED);
    assert_int_equal(record.first_at.ms, 101);
    assert_int_equal(record.last_at.ms, 1099);
    assert_false(hg_refusals_due(&table, at(1100), &record));
    /* that record opens the next second */
    assert_false(hg_refusals_note(&table, at(2099), &door, &record));
    /* and one that comes first carries what waited */
    assert_true(hg_refusals_note(&table, at(2100), &door, &record));
    assert_int_equal(record.count, 2);
    assert_int_equal(record.reasons, DOOR);
}

static void test_refusals__tells_actors_and_rooms_apart(void **state)
{
    struct hg_refusals table;
    struct hg_refusal one = by("g-1", "heron", DOOR);
    struct hg_refusal room = by("g-1", "otter", DOOR);
    struct hg_refusal actor = by("g-2", "heron", DOOR);
    struct hg_refusal role = by("g-1", "heron", DOOR);
    struct hg_refusal record;

    (void)state;
    hg_refusals_init(&table);
    role.actor.role = HG_ROLE_MANAGER;
    assert_true(hg_refusals_note(&table, at(0), &one, &record));
    assert_true(hg_refusals_note(&table, at(0), &room, &record));
    assert_true(hg_refusals_note(&table, at(0), &actor, &record));
    assert_true(hg_refusals_note(&table, at(0), &role, &record));
    assert_false(hg_refusals_note(&table, at(0), &one, &record));
}

/* at most one record a second each, and every refusal is in a count */
static void test_refusals__loses_none_and_keeps_the_pace(void **state)
{
    struct hg_refusals table;
    struct hg_refusal record;
    uint64_t noted = 0, counted = 0, records = 0;
    char id[HG_ID_BYTES];

    (void)state;
    hg_refusals_init(&table);
    for (uint64_t ms = 0; ms < 10000; ms++) {
        for (unsigned i = 0; i < 3; i++) {
            struct hg_refusal asked;

            (void)snprintf(id, sizeof(id), "g-%u", i);
            asked = by(id, "heron", DOOR);
            noted++;
            if (hg_refusals_note(&table, at(ms), &asked, &record)) {
                counted += record.count;
                records++;
            }
        }
        while (hg_refusals_due(&table, at(ms), &record)) {
            counted += record.count;
            records++;
        }
    }
    while (hg_refusals_due(&table, at(11000), &record)) {
        counted += record.count;
        records++;
    }
    assert_int_equal(noted, 30000);
    assert_int_equal(counted, noted);
    assert_int_equal(records, 3 * 11);
}

static void test_refusals__shares_one_entry_when_full(void **state)
{
    struct hg_refusals table;
    struct hg_refusal record, asked;
    uint64_t counted = 0, named = 0;
    char id[HG_ID_BYTES];

    (void)state;
    hg_refusals_init(&table);
    for (unsigned i = 0; i < HG_REFUSALS_MAX + 50; i++) {
        (void)snprintf(id, sizeof(id), "g-%u", i);
        asked = by(id, "heron", DOOR);
        if (hg_refusals_note(&table, at(0), &asked, &record)) {
            counted += record.count;
            named += record.scope == HG_REFUSAL_ONE;
            HG_CHECK_EQ("nameless", record.actor.id[0] == '\0',
                        record.scope == HG_REFUSAL_MANY);
        }
    }
    assert_int_equal(named, HG_REFUSALS_MAX);
    assert_int_equal(counted, HG_REFUSALS_MAX + 1);
    assert_true(hg_refusals_due(&table, at(1000), &record));
    assert_int_equal(record.scope, HG_REFUSAL_MANY);
    assert_int_equal(record.count, 49);
    assert_int_equal(record.kind, 0);
    assert_string_equal(record.room, "");
    /* a second later there is place again */
    asked = by("g-new", "heron", DOOR);
    assert_true(hg_refusals_note(&table, at(1000), &asked, &record));
    assert_int_equal(record.scope, HG_REFUSAL_ONE);
}

static void test_refusals__makes_one_summary_of_a_journal_failure(void **state)
{
    struct hg_refusals table;
    struct hg_refusal one = by("g-1", "heron", DOOR);
    struct hg_refusal two = by("g-2", "otter", CHECK);
    struct hg_refusal record;

    (void)state;
    hg_refusals_init(&table);
    assert_true(hg_refusals_note(&table, at(0), &one, &record));
    assert_false(hg_refusals_note(&table, at(10), &one, &record)); /* waits */
    hg_refusals_journal(&table, false);
    hg_refusals_return(&table, &record); /* its append failed */
    for (uint64_t ms = 20; ms < 9000; ms += 10) {
        assert_false(hg_refusals_note(&table, at(ms), &two, &record));
        assert_false(hg_refusals_due(&table, at(ms), &record));
    }
    hg_refusals_journal(&table, true);

    assert_true(hg_refusals_due(&table, at(9000), &record));
    assert_int_equal(record.scope, HG_REFUSAL_SUMMARY);
    assert_int_equal(record.count, 1 + 1 + 898);
    assert_int_equal(record.reasons, DOOR | CHECK);
    assert_int_equal(record.first_at.ms, 0);
    assert_int_equal(record.last_at.ms, 8990);
    assert_string_equal(record.actor.id, "");
    assert_string_equal(record.room, "");
    assert_false(hg_refusals_due(&table, at(20000), &record));
}

static void test_refusals__bears_a_clock_that_runs_backwards(void **state)
{
    struct hg_refusals table;
    struct hg_refusal asked = by("g-1", "heron", DOOR);
    struct hg_refusal record;

    (void)state;
    hg_refusals_init(&table);
    assert_true(hg_refusals_note(&table, at(5000), &asked, &record));
    assert_false(hg_refusals_note(&table, at(0), &asked, &record));
    assert_true(hg_refusals_due(&table, at(6000), &record));
    assert_int_equal(record.count, 1);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_refusals__records_the_first_at_once),
        cmocka_unit_test(test_refusals__counts_within_a_second),
        cmocka_unit_test(test_refusals__tells_actors_and_rooms_apart),
        cmocka_unit_test(test_refusals__loses_none_and_keeps_the_pace),
        cmocka_unit_test(test_refusals__shares_one_entry_when_full),
        cmocka_unit_test(test_refusals__makes_one_summary_of_a_journal_failure),
        cmocka_unit_test(test_refusals__bears_a_clock_that_runs_backwards),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
