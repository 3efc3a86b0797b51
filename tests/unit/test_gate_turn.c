/*
 * Guards that no order of events reaches through hg_gate_step today: each
 * is called by itself, so that it holds when the order around it changes.
 * And values outside their enums, as a damaged file could bring them.
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
#include "gate/turn.h"

#define W(name) HG_WHY_BIT(HG_WHY_##name)

static struct hg_turn turn_of(struct room *room, const struct hg_event *event)
{
    struct hg_turn turn = { &room->policy,  &room->state, event,
                            &room->effects, room->now,    false };

    room->effects.count = 0;
    room->effects.is_overfull = false;
    return turn;
}

static void test_gate_turn__more_effects_than_fit_are_told(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    memset(&event, 0, sizeof(event));
    room_init(&room);
    turn = turn_of(&room, &event);
    for (int i = 0; i < HG_EFFECTS_MAX; i++)
        hg_turn_put(&turn, HG_EFFECT_NOTICE);
    assert_int_equal(room.effects.count, HG_EFFECTS_MAX);
    assert_false(room.effects.is_overfull);
    hg_turn_put(&turn, HG_EFFECT_RECORD);
    assert_true(room.effects.is_overfull);
    assert_int_equal(room.effects.count, HG_EFFECTS_MAX);
    assert_int_equal(room.effects.effect[HG_EFFECTS_MAX - 1].kind,
                     HG_EFFECT_RECORD);
    /* and a revoke still comes first */
    hg_turn_revoke(&turn, HG_WHY_STOPPED);
    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room.effects.effect[1].kind, HG_EFFECT_NOTICE);
    assert_int_equal(room.effects.count, HG_EFFECTS_MAX);
}

static void test_gate_turn__one_revoke_a_turn(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    memset(&event, 0, sizeof(event));
    room_init(&room);
    turn = turn_of(&room, &event);
    hg_turn_revoke(&turn, HG_WHY_STOPPED);
    hg_turn_revoke(&turn, HG_WHY_DOOR_OPEN);
    CHECK_STORY("the first cause", &room, "-stopped");
    assert_true(turn.has_revoked);
    assert_int_equal(room.state.revoked_at.ms, room.now.mono.ms);
}

static void test_gate_turn__revoke_knows_how_long_heat_may_live(void **unused)
{
    static const struct {
        const char *label;
        bool is_live;
        int64_t later_ms, want_ms; /* than what is known already */
    } row[] = {
        { "longer", true, 1, 1 },
        { "as long", true, 0, 0 },
        { "shorter", true, -1, 0 },
        { "over", false, 1, 0 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;
        struct hg_turn turn;
        uint64_t silent_ms;

        memset(&event, 0, sizeof(event));
        room_init(&room);
        silent_ms = room.state.silent_until.ms;
        room.state.permit.is_live = row[i].is_live;
        room.state.permit.until.ms = silent_ms + (uint64_t)row[i].later_ms;
        turn = turn_of(&room, &event);
        hg_turn_revoke(&turn, HG_WHY_STOPPED);
        HG_CHECK_EQ(row[i].label, room.state.silent_until.ms,
                    silent_ms + (uint64_t)row[i].want_ms);
        HG_CHECK_EQ(row[i].label, room.state.permit.is_live, false);
    }
}

static void test_gate_turn__answer_without_a_request_is_kept(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    memset(&event, 0, sizeof(event));
    room_init(&room);
    turn = turn_of(&room, &event);
    assert_int_equal(
        hg_turn_answer(&turn, 9, HG_VERDICT_BUSY, W(STOPPED))->request, 9);
    CHECK_STORY("answer", &room, "=busy{stopped}");
}

static void test_gate_turn__grant_is_checked_again_when_durable(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMITTED;
    event.ticket = room.state.last_ticket;
    room.state.is_link_up = false;
    turn = turn_of(&room, &event);
    hg_session_commit(&turn);

    CHECK_STORY("given up", &room,
                "heat-ended{broker-down} =refused{broker-down} *");
    assert_false(room.state.session.is_active);
}

static void test_gate_turn__stay_that_is_over_leaves_nothing(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;
    struct hg_asker guest = room_asker(HG_ROLE_GUEST, "g-1");

    (void)unused;
    room_ready(&room);
    guest.has_stay = true;
    guest.stay_until_ms = room.now.wall.ms + 10000;
    event = room_heat(&room, guest, 60 * MIN_MS);
    room_step(&room, &event);
    room_commit(&room);
    event.kind = HG_EVENT_CHANGE;
    room_step(&room, &event);
    memset(&event, 0, sizeof(event));
    event.ticket = room.state.last_ticket;
    room.now.wall.ms += 10001; /* the stay is over by a millisecond */
    turn = turn_of(&room, &event);
    hg_session_commit(&turn);

    assert_int_equal(room.state.session.ends_at.ms, room.now.mono.ms);
    assert_int_equal(room.state.session.ends_why, HG_WHY_ACCESS_ENDED);
}

static void test_gate_turn__change_needs_the_journal(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    event = room_heat(&room, room_owner(), 0);
    room.state.is_journal_ok = false;
    turn = turn_of(&room, &event);
    hg_session_change(&turn);

    assert_int_equal(room_reasons(&room),
                     W(JOURNAL_UNAVAILABLE) | W(DURATION_OVER_CAP));
    assert_int_equal(room.state.pending.kind, HG_PENDING_NONE);
}

static void test_gate_turn__rise_is_not_measured_over_a_gap(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.heater = HG_HEATER_ON;
    room_run(&room, 4000);
    assert_int_equal(room.state.session.rise_on_ms, 2000);
    event = room_reading(&room);
    turn = turn_of(&room, &event);
    hg_watch_reading(&turn, &event.reading, NULL, 2000);

    assert_int_equal(room.state.session.rise_on_ms, 2000);
}

static void test_gate_turn__check_of_a_boot_nobody_remembers(void **unused)
{
    struct room room;
    struct hg_gate_memory memory;

    (void)unused;
    room_ready(&room);
    hg_gate_remember(&room.state, &memory);
    memory.boot_count = 0; /* a memory that lost its boots */
    memset(memory.boot, 0, sizeof(memory.boot));
    hg_gate_init(&room.policy, &memory, room.now, 8, &room.state);
    {
        uint64_t count = room.door_count;

        room_new_boot(&room, "b2");
        room.door_count = count; /* the same by chance */
    }
    room_connect(&room);

    assert_int_equal(room.state.check.state, HG_CHECK_VOID);
    assert_int_equal(room.state.check.why, HG_WHY_GATEWAY_RESTART);
}

static void
test_gate_turn__values_outside_their_enums_prove_nothing(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room.state.check.state = (enum hg_check_state)99;
    event = room_heat(&room, room_owner(), MIN_MS);
    room_step(&room, &event);
    assert_int_equal(room_reasons(&room), W(CHECK_MISSING));
    room.policy.evidence = (enum hg_evidence)99;
    room_sign_as(&room, room_owner());
    assert_int_equal(room_reasons(&room), W(CHECK_MISSING));
    room_local(&room, (enum hg_local)99);
    CHECK_STORY("event", &room, "");
    room_door(&room, (enum hg_door)99);
    assert_int_equal(room.state.stream.door, HG_DOOR_UNKNOWN);
}

static void test_gate_turn__revoke_carries_nothing_else(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;
    struct hg_effect want;

    (void)unused;
    memset(&event, 0, sizeof(event));
    room_init(&room);
    turn = turn_of(&room, &event);
    hg_turn_revoke(&turn, HG_WHY_STOPPED);
    memset(&want, 0, sizeof(want));
    want.kind = HG_EFFECT_REVOKE;
    want.why = HG_WHY_STOPPED;
    want.serial = (UINT64_C(7) << HG_EPOCH_SHIFT) + 1;
    assert_memory_equal(&room.effects.effect[0], &want, sizeof(want));
}

static void test_gate_turn__old_effects_say_nothing(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_turn turn;

    (void)unused;
    memset(&event, 0, sizeof(event));
    room_init(&room);
    turn = turn_of(&room, &event);
    for (int i = 0; i < HG_EFFECTS_MAX; i++)
        room.effects.effect[i].kind = HG_EFFECT_STATE;
    hg_turn_changed(&turn);
    CHECK_STORY("told", &room, "*");
}

static void test_gate_turn__cap_holds_whatever_was_granted(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room.state.pending.duration_ms = 400 * MIN_MS;
    room_commit(&room);

    assert_int_equal(room.state.session.ends_at.ms,
                     room.now.mono.ms + 360 * MIN_MS);
    assert_int_equal(room.state.session.ends_why, HG_WHY_CAP_REACHED);
}

static void
test_gate_turn__new_boot_heard_by_an_event_forgets_all(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.controller_start_ms += 8000;
    room_hear(&room);
    assert_true(room.state.stream.is_late);
    room_new_boot(&room, "b2");
    room_local(&room, HG_LOCAL_ROOM_CHECK);
    assert_int_equal(room.state.check.state, HG_CHECK_VOID);
    assert_false(room.state.stream.is_late);
    /* its last reading was of the boot before */
    room.state.lockouts = W(OVER_TEMPERATURE);
    room_lockout(&room, HG_EVENT_LOCKOUT_CLEAR, room_owner(),
                 HG_WHY_OVER_TEMPERATURE);
    assert_int_equal(room_reasons(&room),
                     W(OVER_TEMPERATURE) | W(TELEMETRY_STALE));
}

static void test_gate_turn__late_opening_was_seen(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room.controller_start_ms += 8000;
    room_door(&room, HG_DOOR_OPEN);
    assert_int_equal(room.state.stream.counts.late, 1);
    room.controller_start_ms -= 8000;
    room_door(&room, HG_DOOR_CLOSED);

    assert_true(room.state.look.has_cycle);
}

static void test_gate_turn__retained_telemetry_is_counted(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_init(&room);
    event = room_reading(&room);
    event.reading.is_retained = true;
    room_step(&room, &event);

    assert_int_equal(room.state.stream.counts.retained, 1);
    assert_int_equal(room.state.stream.boot_count, 0);
}

static void
test_gate_turn__base_of_lateness_is_taken_anew_when_met(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_pass(&room, 1500);
    room.controller_start_ms += 2; /* as slow as the base has risen */
    room_hear(&room);
    room_pass(&room, 500); /* no whole second since then */
    room.controller_start_ms += 5000;
    room_hear(&room);

    assert_true(room.state.stream.is_late);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_turn__more_effects_than_fit_are_told),
        cmocka_unit_test(test_gate_turn__one_revoke_a_turn),
        cmocka_unit_test(test_gate_turn__revoke_knows_how_long_heat_may_live),
        cmocka_unit_test(test_gate_turn__answer_without_a_request_is_kept),
        cmocka_unit_test(test_gate_turn__grant_is_checked_again_when_durable),
        cmocka_unit_test(test_gate_turn__stay_that_is_over_leaves_nothing),
        cmocka_unit_test(test_gate_turn__change_needs_the_journal),
        cmocka_unit_test(test_gate_turn__rise_is_not_measured_over_a_gap),
        cmocka_unit_test(test_gate_turn__check_of_a_boot_nobody_remembers),
        cmocka_unit_test(
            test_gate_turn__values_outside_their_enums_prove_nothing),
        cmocka_unit_test(test_gate_turn__revoke_carries_nothing_else),
        cmocka_unit_test(test_gate_turn__old_effects_say_nothing),
        cmocka_unit_test(test_gate_turn__cap_holds_whatever_was_granted),
        cmocka_unit_test(
            test_gate_turn__new_boot_heard_by_an_event_forgets_all),
        cmocka_unit_test(test_gate_turn__late_opening_was_seen),
        cmocka_unit_test(test_gate_turn__retained_telemetry_is_counted),
        cmocka_unit_test(
            test_gate_turn__base_of_lateness_is_taken_anew_when_met),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
