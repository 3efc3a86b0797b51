/*
 * What the journal's tail makes of the memory of a room: always the safe
 * side. Each row is one sudden end: what rooms.json held, which records came
 * after it, and what the room has to be at the next start.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "journal/journal.h"
#include "service/replay.h"
#include "service/rooms.h"
#include "service/service.h"
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RECORDS 3

struct row {
    const char *label;
    enum hg_check_state kept;
    const char *record[RECORDS]; /* members after "room" */
    enum hg_check_state check;
    hg_why_set lockouts;
    enum hg_why end; /* of the heat that ended last */
    uint64_t rest_ms;
    bool has_cut; /* an end was recorded at the start */
};

static const struct row ROWS[] = {
    { "nothing after the save",
      HG_CHECK_VALID,
      { NULL },
      HG_CHECK_VALID,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "a grant uses the check up",
      HG_CHECK_VALID,
      { "\"kind\":\"heat-granted\",\"heat_id\":\"h-1\"" },
      HG_CHECK_USED,
      0,
      HG_WHY_GATEWAY_RESTART,
      0,
      true },
    { "a grant that ended in order",
      HG_CHECK_VALID,
      { "\"kind\":\"heat-granted\",\"heat_id\":\"h-1\"",
        "\"kind\":\"heat-ended\",\"heat_id\":\"h-1\",\"why\":\"stopped\"" },
      HG_CHECK_USED,
      0,
      HG_WHY_STOPPED,
      0,
      false },
    { "a grant that never took effect",
      HG_CHECK_VALID,
      { "\"kind\":\"heat-granted\",\"heat_id\":\"h-1\"",
        "\"kind\":\"heat-ended\",\"heat_id\":\"h-1\"" },
      HG_CHECK_USED,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "a voided check stays void",
      HG_CHECK_VALID,
      { "\"kind\":\"check-voided\",\"why\":\"door-open\"" },
      HG_CHECK_VOID,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "an expired check",
      HG_CHECK_VALID,
      { "\"kind\":\"check-expired\"" },
      HG_CHECK_EXPIRED,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "a check signed since is carried over by the door counter",
      HG_CHECK_NONE,
      { "\"actor\":\"caretaker:c-1\",\"kind\":\"check-signed\","
        "\"boot\":\"b1\",\"door_count\":4" },
      HG_CHECK_VALID,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "a check signed since and voided stays void",
      HG_CHECK_NONE,
      { "\"actor\":\"caretaker:c-1\",\"kind\":\"check-signed\","
        "\"boot\":\"b1\",\"door_count\":4",
        "\"kind\":\"check-voided\",\"why\":\"door-open\"" },
      HG_CHECK_VOID,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "a check signed since without a door counter proves nothing",
      HG_CHECK_NONE,
      { "\"actor\":\"caretaker:c-1\",\"kind\":\"check-signed\","
        "\"boot\":\"b1\"" },
      HG_CHECK_VOID,
      0,
      HG_WHY_NONE,
      0,
      false },
    { "a used check is not renewed by a void one",
      HG_CHECK_VALID,
      { "\"kind\":\"check-voided\"",
        "\"kind\":\"heat-granted\",\"heat_id\":\"h-2\"" },
      HG_CHECK_USED,
      0,
      HG_WHY_GATEWAY_RESTART,
      0,
      true },
    { "a lockout is not forgotten",
      HG_CHECK_VALID,
      { "\"kind\":\"lockout-set\",\"why\":\"no-rise\"" },
      HG_CHECK_VOID,
      HG_WHY_BIT(HG_WHY_NO_RISE),
      HG_WHY_NONE,
      0,
      false },
    { "a cleared lockout stays cleared",
      HG_CHECK_NONE,
      { "\"kind\":\"lockout-set\",\"why\":\"no-rise\"",
        "\"kind\":\"lockout-set\",\"why\":\"locked-out\"",
        "\"kind\":\"lockout-cleared\",\"why\":\"no-rise\"" },
      HG_CHECK_NONE,
      HG_WHY_BIT(HG_WHY_LOCKED_OUT),
      HG_WHY_NONE,
      0,
      false },
    { "the rest after the cap goes on",
      HG_CHECK_NONE,
      { "\"kind\":\"heat-granted\",\"heat_id\":\"h-1\"",
        "\"kind\":\"heat-ended\",\"heat_id\":\"h-1\",\"why\":"
        "\"cap-reached\"" },
      HG_CHECK_USED,
      0,
      HG_WHY_CAP_REACHED,
      3540000,
      false },
};

static const struct hg_gate_memory NOTHING;

static char dir[] = "/tmp/heatgate-replay-XXXXXX";

/* One service with a journal of its own. The first room knows nothing of it,
 * so that all of it is read. */
struct site {
    struct hg_service service;
    struct hg_config_room config[2];
    struct hg_room room[2];
    struct hg_room *by_name[2];
    struct hg_mac *mac[2];
    struct hg_journal *journal;
};

static struct site *begin(size_t index)
{
    struct site *site = calloc(1, sizeof(*site));
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_options options;
    struct hg_journal_opened opened;
    char path[64];

    assert_non_null(site);
    snprintf(path, sizeof(path), "%s/%zu", dir, index);
    memset(&options, 0, sizeof(options));
    options.dir = path;
    assert_int_equal(
        hg_journal_open(&options, problem, &opened, &site->journal), 0);
    memcpy(site->config[0].name, "heron", 6);
    memcpy(site->config[1].name, "otter", 6);
    for (size_t i = 0; i < 2; i++) {
        site->config[i].policy.lease_ms = 30000;
        site->config[i].policy.check_valid_ms = 600000;
        site->config[i].policy.rest_after_cap_ms = 3600000;
        site->room[i].config = &site->config[i];
        site->room[i].index = i;
    }
    site->service.room = site->room;
    site->service.room_count = 2;
    site->service.by_name = site->by_name;
    hg_rooms_index(&site->service);
    site->service.mac = site->mac;
    site->service.journal = site->journal;
    site->service.epoch = 5;
    /* the records below are of 2026-01-09T17:21:31Z, a minute ago */
    site->service.now.mono.ms = 1000000;
    site->service.now.wall.ms = INT64_C(1767979291000) + 60000;
    site->service.now.wall.is_trusted = true;
    return site;
}

static void append(struct site *site, const char *members)
{
    char text[256];
    uint64_t n;
    int len = snprintf(text, sizeof(text),
                       "\"room\":\"otter\",\"actor\":\"gateway\",%s", members);

    assert_int_equal(hg_journal_append(site->journal, INT64_C(1767979291000),
                                       text, (size_t)len, &n),
                     0);
}

static void end(struct site *site)
{
    hg_journal_free(site->journal);
    free(site);
}

static void check_row(const struct row *row, size_t index)
{
    struct site *site = begin(index);
    struct hg_gate_state *gate = &site->room[1].gate;
    struct hg_gate_memory memory;
    uint64_t before_n;

    memset(&memory, 0, sizeof(memory));
    memory.check.state = row->kept;
    memory.check.has_door_count = true;
    memory.check_left_ms = 600000;
    /* what rooms.json knows already must not be taken twice */
    append(site, "\"kind\":\"lockout-set\",\"why\":\"sensor-fault\"");
    for (size_t i = 0; i < RECORDS && row->record[i] != NULL; i++)
        append(site, row->record[i]);
    assert_int_equal(hg_journal_flush(site->journal, 10000), 0);
    before_n = hg_journal_last(site->journal).n;
    assert_int_equal(hg_replay_new(&site->service), 0);
    hg_replay_begin(&site->service, &site->room[0], &NOTHING, 0, NULL);
    hg_replay_begin(&site->service, &site->room[1], &memory, 1, NULL);

    assert_int_equal(hg_replay_finish(&site->service), 0);

    if (gate->check.state != row->check)
        fail_msg("%s: check %d", row->label, (int)gate->check.state);
    if (gate->check.state == HG_CHECK_VALID && !gate->check.is_suspended)
        fail_msg("%s: the check was not suspended", row->label);
    if (gate->lockouts != row->lockouts)
        fail_msg("%s: lockouts %llx", row->label,
                 (unsigned long long)gate->lockouts);
    if (gate->last.end != row->end)
        fail_msg("%s: last end %d", row->label, (int)gate->last.end);
    if ((row->rest_ms != 0) != gate->is_resting ||
        (gate->is_resting &&
         gate->rest_until.ms != site->service.now.mono.ms + row->rest_ms))
        fail_msg("%s: rest until %llu", row->label,
                 (unsigned long long)gate->rest_until.ms);
    if ((hg_journal_last(site->journal).n != before_n) != row->has_cut ||
        (site->room[1].restart_heat_id[0] != '\0') != row->has_cut)
        fail_msg("%s: the end of a cut heat", row->label);
    assert_false(gate->session.is_active);
    end(site);
}

static void test_replay__takes_the_safe_side_of_the_journal(void **unused)
{
    (void)unused;
    for (size_t i = 0; i < sizeof(ROWS) / sizeof(ROWS[0]); i++)
        check_row(&ROWS[i], i);
}

static void test_replay__ends_a_heat_that_only_rooms_json_knows(void **unused)
{
    struct site *site = begin(100);
    struct hg_gate_memory memory;
    json_t *energy =
        json_pack("{s:s, s:i}", "heat_id", "h-9", "energy_wh", 3120);

    (void)unused;
    memset(&memory, 0, sizeof(memory));
    memory.check.state = HG_CHECK_USED;
    assert_int_equal(hg_replay_new(&site->service), 0);
    hg_replay_begin(&site->service, &site->room[0], &NOTHING, 0, NULL);
    hg_replay_begin(&site->service, &site->room[1], &memory, 0, energy);

    assert_int_equal(hg_replay_finish(&site->service), 0);

    assert_string_equal(site->room[1].restart_heat_id, "h-9");
    assert_int_equal(site->room[1].gate.last.end, HG_WHY_GATEWAY_RESTART);
    assert_int_equal(hg_journal_last(site->journal).n, 1);
    json_decref(energy);
    end(site);
}

static int make_dir(void **unused)
{
    (void)unused;
    return mkdtemp(dir) == NULL ? -1 : 0;
}

static int remove_one(const char *path, const struct stat *what, int kind,
                      struct FTW *where)
{
    (void)what;
    (void)kind;
    (void)where;
    return remove(path);
}

static int remove_dir(void **unused)
{
    (void)unused;
    return nftw(dir, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_replay__takes_the_safe_side_of_the_journal),
        cmocka_unit_test(test_replay__ends_a_heat_that_only_rooms_json_knows),
    };

    return cmocka_run_group_tests_name("replay", tests, make_dir, remove_dir);
}
