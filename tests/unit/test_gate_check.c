/*
 * The room check: who signs, on what evidence, what voids it, and how a door
 * counter carries it over a gap.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "gate_room.h"
#include "gate_story.h"

#define W(name) HG_WHY_BIT(HG_WHY_##name)

static struct hg_event check_event(struct room *room, enum hg_event_kind kind,
                                   struct hg_asker asker, uint64_t id)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = kind;
    event.asker = asker;
    event.asker.request = ++room->next_request;
    event.check.id = id;
    event.check.agreed = HG_STATEMENT_ALL;
    return event;
}

static enum hg_verdict open_check(struct room *room, struct hg_asker asker,
                                  uint64_t id)
{
    struct hg_event event = check_event(room, HG_EVENT_CHECK_OPEN, asker, id);

    room_step(room, &event);
    return room_effect(room, HG_EFFECT_ANSWER)->verdict;
}

static enum hg_verdict sign_check(struct room *room, struct hg_asker asker,
                                  uint64_t id)
{
    struct hg_event event = check_event(room, HG_EVENT_CHECK_SIGN, asker, id);

    room_step(room, &event);
    return room_effect(room, HG_EFFECT_ANSWER)->verdict;
}

static void test_gate_check__is_signed_and_told(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_look_in(&room);
    assert_int_equal(open_check(&room, room_owner(), 5), HG_VERDICT_GRANTED);
    CHECK_STORY("opened", &room, "=granted");
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->ends_at.ms,
                     room.now.mono.ms + 10 * MIN_MS);

    assert_int_equal(sign_check(&room, room_owner(), 5), HG_VERDICT_GRANTED);
    CHECK_STORY("signed", &room,
                "check-signed@owner !info:check-signed * =granted");
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->ends_at.ms,
                     room.now.mono.ms + 720 * MIN_MS);
    assert_string_equal(room.state.check.signer.id, "uid=0");
    assert_int_equal(sign_check(&room, room_owner(), 5), HG_VERDICT_UNKNOWN);
    CHECK_STORY("once", &room, "=unknown");
}

static void test_gate_check__who_may_sign(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        bool is_forbidden;
        int64_t stay_from_ms, stay_until_ms; /* around now; 0, 0: none */
        enum hg_verdict want;
        hg_why_set reasons;
    } row[] = {
        { "guest", HG_ROLE_GUEST, 0, 0, 0, HG_VERDICT_GRANTED, 0 },
        { "caretaker", HG_ROLE_CARETAKER, 0, 0, 0, HG_VERDICT_GRANTED, 0 },
        { "manager", HG_ROLE_MANAGER, 0, 0, 0, HG_VERDICT_GRANTED, 0 },
        { "owner", HG_ROLE_OWNER, 0, 0, 0, HG_VERDICT_GRANTED, 0 },
        { "integrator", HG_ROLE_INTEGRATOR, 0, 0, 0, HG_VERDICT_NOT_ALLOWED,
          W(NOT_ALLOWED) },
        { "nobody", HG_ROLE_NONE, 0, 0, 0, HG_VERDICT_NOT_ALLOWED,
          W(NOT_ALLOWED) },
        { "controller", HG_ROLE_CONTROLLER, 0, 0, 0, HG_VERDICT_NOT_ALLOWED,
          W(NOT_ALLOWED) },
        { "gateway", HG_ROLE_GATEWAY, 0, 0, 0, HG_VERDICT_NOT_ALLOWED,
          W(NOT_ALLOWED) },
        { "forbidden", HG_ROLE_OWNER, 1, 0, 0, HG_VERDICT_NOT_ALLOWED,
          W(NOT_ALLOWED) },
        { "in the stay", HG_ROLE_GUEST, 0, 0, 1, HG_VERDICT_GRANTED, 0 },
        { "before the stay", HG_ROLE_GUEST, 0, 1, 2, HG_VERDICT_REFUSED,
          W(OUTSIDE_STAY) },
        { "both", HG_ROLE_INTEGRATOR, 0, 1, 2, HG_VERDICT_NOT_ALLOWED,
          W(NOT_ALLOWED) | W(OUTSIDE_STAY) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_asker asker = room_asker(row[i].role, "x-1");

        room_init(&room);
        room_connect(&room);
        room_look_in(&room);
        asker.is_allowed = !row[i].is_forbidden;
        asker.has_stay = row[i].stay_until_ms != 0;
        asker.stay_from_ms = room.now.wall.ms + row[i].stay_from_ms;
        asker.stay_until_ms = room.now.wall.ms + row[i].stay_until_ms;
        HG_CHECK_EQ(row[i].label, open_check(&room, asker, 5), row[i].want);
        HG_CHECK_EQ_U64(row[i].label, room_reasons(&room), row[i].reasons);
        HG_CHECK_EQ(row[i].label, room.effects.count, 1);
        HG_CHECK_EQ(row[i].label, sign_check(&room, asker, 5),
                    row[i].want == HG_VERDICT_GRANTED ? HG_VERDICT_GRANTED
                                                      : HG_VERDICT_UNKNOWN);
    }
}

static void test_gate_check__evidence_by_kind_and_window(void **unused)
{
    static const struct {
        const char *label;
        enum hg_evidence evidence;
        bool has_look, has_panel, is_code_right;
        uint64_t age_ms; /* of the opening, or of the button */
        bool want;
    } row[] = {
        { "door", HG_EVIDENCE_DOOR_CYCLE, 1, 0, 0, 10 * MIN_MS - 1, true },
        { "door, too old", HG_EVIDENCE_DOOR_CYCLE, 1, 0, 0, 10 * MIN_MS,
          false },
        { "door, none", HG_EVIDENCE_DOOR_CYCLE, 0, 1, 1, 2000, false },
        { "panel", HG_EVIDENCE_PANEL, 0, 1, 0, 10 * MIN_MS - 1, true },
        { "panel, too old", HG_EVIDENCE_PANEL, 0, 1, 0, 10 * MIN_MS, false },
        { "panel, none", HG_EVIDENCE_PANEL, 1, 0, 1, 2000, false },
        { "code", HG_EVIDENCE_PLACE_CODE, 0, 0, 1, 2000, true },
        { "code, wrong", HG_EVIDENCE_PLACE_CODE, 1, 1, 0, 2000, false },
        { "none satisfies none", HG_EVIDENCE_NONE, 1, 1, 1, 2000, false },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_init(&room);
        room.policy.evidence = row[i].evidence;
        room_connect(&room);
        if (row[i].has_look)
            room_look_in(&room); /* takes 1 s after the opening */
        if (row[i].has_panel)
            room_local(&room, HG_LOCAL_ROOM_CHECK);
        room_run(&room, row[i].age_ms - (row[i].has_look ? 1000 : 0));
        open_check(&room, room_owner(), 5);
        event = check_event(&room, HG_EVENT_CHECK_SIGN, room_owner(), 5);
        event.check.is_place_code_right = row[i].is_code_right;
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.check.state == HG_CHECK_VALID,
                    row[i].want);
        if (!row[i].want)
            CHECK_STORY(row[i].label, &room,
                        "check-refused@owner{check-missing} "
                        "=refused{check-missing}");
    }
}

static void test_gate_check__one_look_serves_one_signature(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_sign_as(&room, room_owner());
    assert_int_equal(room_reasons(&room), W(CHECK_MISSING));
    /* the one signed before is not touched by that */
    assert_int_equal(room.state.check.state, HG_CHECK_VALID);
}

static void test_gate_check__an_opening_nobody_saw_is_no_look(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_pass(&room, 1000);
    room.door_count++;
    room_hear(&room);
    room_sign_as(&room, room_owner());

    assert_int_equal(room_reasons(&room), W(CHECK_MISSING));
}

static void test_gate_check__needs_every_statement(void **unused)
{
    (void)unused;
    for (uint32_t agreed = 0; agreed < 32; agreed++) {
        struct room room;
        struct hg_event event;

        room_init(&room);
        room_connect(&room);
        room_look_in(&room);
        open_check(&room, room_owner(), 5);
        event = check_event(&room, HG_EVENT_CHECK_SIGN, room_owner(), 5);
        event.check.agreed = agreed;
        room_step(&room, &event);
        HG_CHECK_EQ("agreed", room.state.check.state == HG_CHECK_VALID,
                    agreed == HG_STATEMENT_ALL);
    }
}

static void late(struct room *room)
{
    room->controller_start_ms += 8000;
    room_hear(room);
}
static void open_door(struct room *room)
{
    room_door(room, HG_DOOR_OPEN);
}
static void lose_data(struct room *room)
{
    room_pass(room, 15000);
}
static void lose_link(struct room *room)
{
    room_do(room, HG_EVENT_LINK_DOWN);
}
static void lose_presence(struct room *room)
{
    room_presence(room, false);
    room_hear(room);
    room->state.look.has_cycle = true;
    room->state.look.open_at = room->now.mono;
}
static void lose_journal(struct room *room)
{
    room_do(room, HG_EVENT_JOURNAL_FAILED);
}
static void lock(struct room *room)
{
    room_lockout(room, HG_EVENT_LOCKOUT_SET, room_owner(), HG_WHY_LOCKED_OUT);
}
static void heat_locally(struct room *room)
{
    room_local(room, HG_LOCAL_START);
}
static void not_commissioned(struct room *room)
{
    room->policy.is_commissioning_waived = false;
}

static void test_gate_check__what_keeps_a_room_from_being_signed(void **unused)
{
    static const struct {
        const char *label;
        void (*change)(struct room *room);
        const char *want;
    } row[] = {
        { "late", late,
          "check-refused@owner{telemetry-late} =refused{telemetry-late}" },
        { "open", open_door,
          "check-refused@owner{door-open,check-missing} "
          "=refused{door-open,check-missing}" },
        { "stale", lose_data, "telemetry-lost/telemetry-stale * =unknown" },
        { "link", lose_link,
          "check-refused@owner{door-unknown,check-missing,telemetry-stale,"
          "controller-offline,broker-down} =refused{door-unknown,"
          "check-missing,telemetry-stale,controller-offline,broker-down}" },
        { "presence", lose_presence,
          "check-refused@owner{controller-offline} "
          "=refused{controller-offline}" },
        { "journal", lose_journal,
          "check-refused@owner{journal-unavailable} "
          "=refused{journal-unavailable}" },
        { "locked", lock,
          "check-refused@owner{locked-out} "
          "=refused{locked-out}" },
        { "local heat", heat_locally,
          "check-refused@owner{already-heating} =refused{already-heating}" },
        { "no matter: commissioning", not_commissioned,
          "check-signed@owner !info:check-signed * =granted" },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room_connect(&room);
        room_look_in(&room);
        room.policy.look_in_window_ms = 15000 - (row[i].change != lose_data);
        open_check(&room, room_owner(), 5);
        row[i].change(&room);
        sign_check(&room, room_owner(), 5);
        CHECK_STORY(row[i].label, &room, row[i].want);
    }
}

static void test_gate_check__not_while_a_grant_waits_or_heats(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room.policy.evidence = HG_EVIDENCE_PLACE_CODE;
    open_check(&room, room_owner(), 5);
    event = room_heat(&room, room_owner(), MIN_MS);
    room_step(&room, &event);
    event = check_event(&room, HG_EVENT_CHECK_SIGN, room_owner(), 5);
    event.check.is_place_code_right = true;
    room_step(&room, &event);
    assert_int_equal(room_reasons(&room), W(ALREADY_HEATING));
    room_commit(&room);
    event.asker.request = ++room.next_request;
    room_step(&room, &event);

    assert_int_equal(room_reasons(&room), W(ALREADY_HEATING));
    assert_int_equal(room.state.check.state, HG_CHECK_USED);
}

static void test_gate_check__is_signed_by_who_opened_it_in_time(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        const char *id;
        uint64_t check, age_ms;
        enum hg_verdict want;
    } row[] = {
        { "in time", HG_ROLE_GUEST, "g-1", 5, 10 * MIN_MS - 2000,
          HG_VERDICT_GRANTED },
        { "too late", HG_ROLE_GUEST, "g-1", 5, 10 * MIN_MS,
          HG_VERDICT_UNKNOWN },
        { "another id", HG_ROLE_GUEST, "g-1", 6, 2000, HG_VERDICT_UNKNOWN },
        { "no id", HG_ROLE_GUEST, "g-1", 0, 2000, HG_VERDICT_UNKNOWN },
        { "another guest", HG_ROLE_GUEST, "g-2", 5, 2000, HG_VERDICT_UNKNOWN },
        { "another role", HG_ROLE_OWNER, "g-1", 5, 2000, HG_VERDICT_UNKNOWN },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room_connect(&room);
        room_look_in(&room);
        open_check(&room, room_asker(HG_ROLE_GUEST, "g-1"), 5);
        room.state.look.open_at.ms += 10 * MIN_MS; /* evidence is no matter */
        room_run(&room, row[i].age_ms);
        room.state.look.open_at = room.now.mono;
        HG_CHECK_EQ(
            row[i].label,
            sign_check(&room, room_asker(row[i].role, row[i].id), row[i].check),
            row[i].want);
    }
}

static void test_gate_check__nothing_in_the_future_counts(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_look_in(&room);
    open_check(&room, room_owner(), 5);
    room.state.open_check[0].opened_at.ms = room.now.mono.ms + 1;
    assert_int_equal(sign_check(&room, room_owner(), 5), HG_VERDICT_UNKNOWN);
    room.state.open_check[0].opened_at.ms = room.now.mono.ms;
    room.state.look.open_at.ms = room.now.mono.ms + 1;
    assert_int_equal(sign_check(&room, room_owner(), 5), HG_VERDICT_REFUSED);
    room.state.look.open_at.ms = room.now.mono.ms;
    assert_int_equal(sign_check(&room, room_owner(), 5), HG_VERDICT_GRANTED);
}

/* Ids of the open checks as a number of one digit each. */
static uint64_t slots(const struct room *room)
{
    uint64_t all = 0;

    for (int i = 0; i < HG_CHECKS_OPEN; i++)
        all = all * 10 + room->state.open_check[i].id;
    return all;
}

static void test_gate_check__slots_make_way_fairly(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    for (uint64_t id = 1; id <= 4; id++) {
        char name[8];

        snprintf(name, sizeof(name), "g-%d", (int)id);
        open_check(&room, room_asker(HG_ROLE_GUEST, name), id);
        room_run(&room, 1000);
    }
    assert_int_equal(slots(&room), 1234);
    /* full: whoever has one keeps it */
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-3"), 5);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->check, 3);
    assert_int_equal(slots(&room), 1234);
    /* full, none of its own: the oldest makes way */
    room_run(&room, 1000);
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-9"), 6);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->check, 6);
    assert_int_equal(slots(&room), 6234);
    room_run(&room, 1000);
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-8"), 7);
    assert_int_equal(slots(&room), 6734);
    /* one that is too old is free, even for somebody who has another */
    room.state.open_check[2].opened_at.ms -= 10 * MIN_MS;
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-3"), 8);
    assert_int_equal(slots(&room), 6784);
    assert_int_equal(room.state.open_check[2].opened_at.ms, room.now.mono.ms);
    assert_string_equal(room.state.open_check[2].actor.id, "g-3");
}

static void test_gate_check__first_free_slot_is_taken(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    for (uint64_t id = 1; id <= 4; id++) {
        char name[8];

        snprintf(name, sizeof(name), "g-%d", (int)id);
        open_check(&room, room_asker(HG_ROLE_GUEST, name), id);
    }
    /* all as old: the first makes way; then the one that is free */
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-5"), 5);
    assert_int_equal(slots(&room), 5234);
    memset(&room.state.open_check[1], 0, sizeof(room.state.open_check[1]));
    memset(&room.state.open_check[3], 0, sizeof(room.state.open_check[3]));
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-6"), 6);
    assert_int_equal(slots(&room), 5630);
}

static void test_gate_check__gap_is_bridged_by_the_door_counter(void **unused)
{
    static const struct {
        const char *label;
        bool has_count_before, has_count_after, is_opened, is_new_boot;
        bool is_door_null; /* in the first reading after the gap */
        enum hg_check_state want;
    } row[] = {
        { "unbroken", 1, 1, 0, 0, 0, HG_CHECK_VALID },
        { "opened", 1, 1, 1, 0, 0, HG_CHECK_VOID },
        { "no counter at all", 0, 0, 0, 0, 0, HG_CHECK_VOID },
        { "no counter any more", 1, 0, 0, 0, 0, HG_CHECK_VOID },
        { "another boot", 1, 1, 0, 1, 0, HG_CHECK_VOID },
        { "unbroken, door null first", 1, 1, 0, 0, 1, HG_CHECK_VALID },
        { "opened, door null first", 1, 1, 1, 0, 1, HG_CHECK_VOID },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room.has_door_count = row[i].has_count_before;
        room_connect(&room);
        room_look_in(&room);
        room_sign_as(&room, room_owner());
        room_pass(&room, 60000);
        room_do(&room, HG_EVENT_TICK);
        HG_CHECK_EQ(row[i].label, room.state.check.is_suspended,
                    row[i].has_count_before);
        room.has_door_count = row[i].has_count_after;
        room.door_count += row[i].is_opened;
        if (row[i].is_new_boot) {
            uint64_t count = room.door_count;

            room_new_boot(&room, "b2");
            room.door_count = count;
        }
        if (row[i].is_door_null) {
            room_door(&room, HG_DOOR_UNKNOWN);
            HG_CHECK_EQ(row[i].label, room.state.check.is_suspended, true);
        }
        room_door(&room, HG_DOOR_CLOSED);
        HG_CHECK_EQ(row[i].label, room.state.check.state, row[i].want);
        HG_CHECK_EQ(row[i].label, room.state.check.is_suspended, false);
        HG_CHECK_EQ(row[i].label, room.state.check.why == HG_WHY_NONE,
                    row[i].want == HG_CHECK_VALID);
    }
}

static void test_gate_check__suspension_is_told(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_pass(&room, 15000);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("suspended", &room, "* telemetry-lost/telemetry-stale");
    assert_int_equal(room.state.check.why, HG_WHY_TELEMETRY_STALE);
    room_do(&room, HG_EVENT_LINK_DOWN);
    CHECK_STORY("the first cause stays", &room, "*");
    assert_int_equal(room.state.check.why, HG_WHY_TELEMETRY_STALE);
    room_do(&room, HG_EVENT_LINK_UP);
    room_presence(&room, true);
    room_hear(&room);
    CHECK_STORY("resumed", &room, "telemetry-back *");
    room_pass(&room, 15000);
    room_do(&room, HG_EVENT_TICK);
    room.door_count++;
    room_hear(&room);
    CHECK_STORY("opened meanwhile", &room,
                "telemetry-back * check-voided/door-open "
                "!warning:check-voided/door-open");
    assert_int_equal(room.state.check.why, HG_WHY_DOOR_OPEN);
}

static void test_gate_check__gap_over_a_gateway_restart(void **unused)
{
    static const struct {
        const char *label;
        bool has_count, is_opened, is_new_boot, is_locked;
        enum hg_check_state at_once, in_the_end;
    } row[] = {
        { "unbroken", 1, 0, 0, 0, HG_CHECK_VALID, HG_CHECK_VALID },
        { "opened", 1, 1, 0, 0, HG_CHECK_VALID, HG_CHECK_VOID },
        { "no counter", 0, 0, 0, 0, HG_CHECK_VOID, HG_CHECK_VOID },
        { "another boot", 1, 0, 1, 0, HG_CHECK_VALID, HG_CHECK_VOID },
        { "a lockout", 1, 0, 0, 1, HG_CHECK_VOID, HG_CHECK_VOID },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_gate_memory memory;

        room_ready(&room);
        hg_gate_remember(&room.state, &memory);
        memory.check.has_door_count = row[i].has_count;
        memory.lockouts = row[i].is_locked ? W(LOCKED_OUT) : 0;
        room_pass(&room, 60000);
        memory.check_left_ms -= 60000;
        hg_gate_init(&room.policy, &memory, room.now, 8, &room.state);
        HG_CHECK_EQ(row[i].label, room.state.check.state, row[i].at_once);
        HG_CHECK_EQ(row[i].label, room.state.check.why, HG_WHY_GATEWAY_RESTART);
        HG_CHECK_EQ(row[i].label, room.state.check.is_suspended,
                    row[i].has_count);
        room.door_count += row[i].is_opened;
        if (row[i].is_new_boot)
            room_new_boot(&room, "b2");
        room_connect(&room);
        HG_CHECK_EQ(row[i].label, room.state.check.state, row[i].in_the_end);
        if (row[i].in_the_end != HG_CHECK_VALID)
            continue;
        HG_CHECK_EQ(row[i].label, room.state.check.expires_at.ms,
                    room.now.mono.ms + 720 * MIN_MS - 60000);
    }
}

static void test_gate_check__expires_by_time_even_suspended(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_pass(&room, 720 * MIN_MS - 1);
    room_do(&room, HG_EVENT_TICK);
    assert_int_equal(room.state.check.state, HG_CHECK_VALID);
    assert_true(room.state.check.is_suspended);
    room_pass(&room, 1);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("expired", &room, "check-expired *");
    assert_int_equal(room.state.check.state, HG_CHECK_EXPIRED);
    assert_false(room.state.check.is_suspended);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("once", &room, "");
}

static void test_gate_check__backward_boot_clock_voids_it(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.now.mono.ms -= 1;
    room_do(&room, HG_EVENT_TICK);

    CHECK_STORY("back", &room,
                "* telemetry-lost/telemetry-stale "
                "check-voided/telemetry-stale "
                "!warning:check-voided/telemetry-stale");
    assert_int_equal(room.state.check.state, HG_CHECK_VOID);
    assert_false(room.state.check.is_suspended);
}

static void test_gate_check__is_worth_what_its_signer_is(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    open_check(&room, room_owner(), 5);
    open_check(&room, room_asker(HG_ROLE_GUEST, "g-1"), 6);
    room_do(&room, HG_EVENT_ACCESS_ENDED); /* the owner's own */

    CHECK_STORY("void", &room,
                "check-voided/access-ended "
                "!warning:check-voided/access-ended *");
    assert_int_equal(slots(&room), 600);
    assert_int_equal(sign_check(&room, room_owner(), 5), HG_VERDICT_UNKNOWN);
    room_ready(&room);
    room.state.check.signer = room_asker(HG_ROLE_GUEST, "g-1").actor;
    room_do(&room, HG_EVENT_ACCESS_ENDED);
    CHECK_STORY("somebody else", &room, "");
}

static void
test_gate_check__asker_is_judged_again_at_the_signature(void **unused)
{
    struct room room;
    struct hg_asker guest = room_asker(HG_ROLE_GUEST, "g-1");

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_look_in(&room);
    guest.has_stay = true;
    guest.stay_from_ms = room.now.wall.ms;
    guest.stay_until_ms = room.now.wall.ms + 1000;
    assert_int_equal(open_check(&room, guest, 5), HG_VERDICT_GRANTED);
    room_run(&room, 1000);
    sign_check(&room, guest, 5);
    CHECK_STORY("stay is over", &room,
                "check-refused@guest{outside-stay} =refused{outside-stay}");
    guest.has_stay = false;
    guest.is_allowed = false;
    sign_check(&room, guest, 5);
    CHECK_STORY("forbidden", &room,
                "check-refused@guest{not-allowed} =refused{not-allowed}");
}

static void test_gate_check__new_one_has_nothing_of_the_old(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_look_in(&room); /* voids it */
    assert_int_equal(room.state.check.why, HG_WHY_DOOR_OPEN);
    room.state.check.is_suspended = true;
    room_sign_as(&room, room_owner());

    assert_int_equal(room.state.check.state, HG_CHECK_VALID);
    assert_int_equal(room.state.check.why, HG_WHY_NONE);
    assert_false(room.state.check.is_suspended);
}

static void test_gate_check__null_door_suspends_it_by_name(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_door(&room, HG_DOOR_UNKNOWN);

    assert_true(room.state.check.is_suspended);
    assert_int_equal(room.state.check.why, HG_WHY_DOOR_UNKNOWN);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_check__is_signed_and_told),
        cmocka_unit_test(test_gate_check__who_may_sign),
        cmocka_unit_test(test_gate_check__evidence_by_kind_and_window),
        cmocka_unit_test(test_gate_check__one_look_serves_one_signature),
        cmocka_unit_test(test_gate_check__an_opening_nobody_saw_is_no_look),
        cmocka_unit_test(test_gate_check__needs_every_statement),
        cmocka_unit_test(test_gate_check__what_keeps_a_room_from_being_signed),
        cmocka_unit_test(test_gate_check__not_while_a_grant_waits_or_heats),
        cmocka_unit_test(test_gate_check__is_signed_by_who_opened_it_in_time),
        cmocka_unit_test(test_gate_check__nothing_in_the_future_counts),
        cmocka_unit_test(test_gate_check__slots_make_way_fairly),
        cmocka_unit_test(test_gate_check__first_free_slot_is_taken),
        cmocka_unit_test(test_gate_check__gap_is_bridged_by_the_door_counter),
        cmocka_unit_test(test_gate_check__suspension_is_told),
        cmocka_unit_test(test_gate_check__gap_over_a_gateway_restart),
        cmocka_unit_test(test_gate_check__expires_by_time_even_suspended),
        cmocka_unit_test(test_gate_check__backward_boot_clock_voids_it),
        cmocka_unit_test(test_gate_check__is_worth_what_its_signer_is),
        cmocka_unit_test(
            test_gate_check__asker_is_judged_again_at_the_signature),
        cmocka_unit_test(test_gate_check__new_one_has_nothing_of_the_old),
        cmocka_unit_test(test_gate_check__null_door_suspends_it_by_name),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
