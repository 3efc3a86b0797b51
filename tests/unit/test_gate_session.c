/*
 * Sessions in detail: what is told at each turn of a heat, changes, stays,
 * grants that are given up, and the rare orders of events.
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

static void start(struct room *room, struct hg_asker asker,
                  uint64_t duration_ms)
{
    struct hg_event event = room_heat(room, asker, duration_ms);

    room_step(room, &event);
}

static struct hg_event change(struct room *room, uint64_t duration_ms)
{
    struct hg_event event = room_heat(room, room_owner(), duration_ms);

    event.kind = HG_EVENT_CHANGE;
    return event;
}

static void test_gate_session__start_is_told(void **unused)
{
    struct room room;
    const struct hg_effect *record, *answer;

    (void)unused;
    room_ready(&room);
    start(&room, room_owner(), 60 * MIN_MS);
    CHECK_STORY("granted", &room, "heat-granted@owner# *");
    record = room_record(&room, HG_RECORD_HEAT_GRANTED);
    assert_int_equal(record->target_mc, 80000);
    assert_int_equal(record->duration_ms, 60 * MIN_MS);
    assert_string_equal(record->heat_id, room.state.pending.heat_id);
    room_commit(&room);
    CHECK_STORY("durable", &room, "+30000 =granted *");
    answer = room_effect(&room, HG_EFFECT_ANSWER);
    assert_int_equal(answer->target_mc, 80000);
    assert_int_equal(answer->duration_ms, 60 * MIN_MS);
    assert_string_equal(answer->heat_id, room.state.session.heat_id);
    assert_int_equal(answer->request, room.next_request);
    assert_string_equal(room_effect(&room, HG_EFFECT_PERMIT)->heat_id,
                        answer->heat_id);
    assert_int_equal(room.state.pending.kind, HG_PENDING_NONE);
    room_commit(&room);
    CHECK_STORY("once", &room, "");
}

static void test_gate_session__refusal_is_recorded(void **unused)
{
    struct room room;
    const struct hg_effect *record;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    start(&room, room_owner(), 60 * MIN_MS);

    CHECK_STORY("refused", &room,
                "heat-refused@owner{check-missing} =refused{check-missing}");
    record = room_record(&room, HG_RECORD_HEAT_REFUSED);
    assert_int_equal(record->target_mc, 80000);
    assert_int_equal(record->duration_ms, 60 * MIN_MS);
}

static void test_gate_session__second_start_while_one_waits(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    start(&room, room_owner(), 60 * MIN_MS);
    start(&room, room_owner(), 60 * MIN_MS);
    assert_int_equal(room_reasons(&room),
                     W(CHECK_MISSING) | W(ALREADY_HEATING));
    room_commit(&room);
    assert_true(room.state.session.is_active);
}

static void test_gate_session__hold_and_resume_are_told(void **unused)
{
    struct room room;
    const struct hg_effect *record;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_pass(&room, 5000);
    room_door(&room, HG_DOOR_OPEN);
    CHECK_STORY("held", &room,
                "-door-open heat-held/door-open !info:heat-held/door-open *");
    record = room_record(&room, HG_RECORD_HEAT_HELD);
    assert_int_equal(record->duration_ms, 5000);
    assert_int_equal(record->target_mc, 80000);
    assert_int_equal(record->serial, room.state.permit.serial);
    assert_string_equal(record->heat_id, room.state.session.heat_id);
    room_pass(&room, 1000);
    room_door(&room, HG_DOOR_CLOSED);
    CHECK_STORY("resumed", &room, "* +30000 heat-resumed !info:heat-resumed");
}

static void test_gate_session__ends_are_told_by_their_weight(void **unused)
{
    static const struct {
        const char *label, *want;
        uint64_t duration_ms;
        enum hg_event_kind kind;
        uint64_t pass_ms;
    } row[] = {
        { "stopped",
          "-stopped heat-ended/stopped@owner !info:heat-ended/stopped * "
          "=granted",
          60 * MIN_MS, HG_EVENT_STOP, 0 },
        { "time up", "-time-up heat-ended/time-up !info:heat-ended/time-up *",
          10000, HG_EVENT_TICK, 10000 },
        { "cap",
          "-cap-reached heat-ended/cap-reached "
          "!info:heat-ended/cap-reached *",
          5 * MIN_MS, HG_EVENT_TICK, 5 * MIN_MS },
        { "link",
          "-broker-down telemetry-lost/broker-down * heat-ended/broker-down "
          "!warning:heat-ended/broker-down",
          60 * MIN_MS, HG_EVENT_LINK_DOWN, 0 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_ready(&room);
        room.policy.stale_after_ms = 600000;
        if (row[i].pass_ms == row[i].duration_ms && i == 2)
            room.policy.session_cap_ms = row[i].duration_ms;
        start(&room, room_owner(), row[i].duration_ms);
        room_commit(&room);
        room.state.permit.until.ms += 600000; /* not told of on its own */
        room_pass(&room, row[i].pass_ms);
        room_do(&room, row[i].kind);
        CHECK_STORY(row[i].label, &room, row[i].want);
        HG_CHECK_EQ(row[i].label, room.state.last.has_one, true);
        HG_CHECK_EQ(row[i].label, room.state.last.ended_at_ms,
                    room.now.wall.ms);
        HG_CHECK_EQ(row[i].label,
                    room_record(&room, HG_RECORD_HEAT_ENDED)->duration_ms,
                    row[i].pass_ms);
        HG_CHECK_EQ(row[i].label, room.state.is_resting, false);
    }
}

static void test_gate_session__ended_heat_is_remembered_by_name(void **unused)
{
    struct room room;
    char heat_id[HG_ID_BYTES];

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    memcpy(heat_id, room.state.session.heat_id, HG_ID_BYTES);
    room_do(&room, HG_EVENT_STOP);

    assert_string_equal(room.state.last.heat_id, heat_id);
    assert_string_equal(room_record(&room, HG_RECORD_HEAT_ENDED)->heat_id,
                        heat_id);
    room_do(&room, HG_EVENT_STOP);
    CHECK_STORY("nothing to stop", &room, "-stopped stop-asked@owner =granted");
}

static void test_gate_session__end_is_named_after_the_worst(void **unused)
{
    static const struct {
        const char *label;
        hg_why_set lockouts;
        bool is_journal_lost, is_door_null, is_module_hot, is_untrusted;
        enum hg_why want;
    } row[] = {
        { "over all", W(OVER_TEMPERATURE) | W(NO_RISE), 1, 1, 1, 1,
          HG_WHY_OVER_TEMPERATURE },
        { "unbidden", W(HEATER_UNBIDDEN) | W(RIVAL_GATEWAY), 1, 1, 1, 1,
          HG_WHY_HEATER_UNBIDDEN },
        { "rival", W(RIVAL_GATEWAY) | W(SENSOR_FAULT), 1, 1, 1, 1,
          HG_WHY_RIVAL_GATEWAY },
        { "sensor", W(SENSOR_FAULT) | W(NO_RISE), 1, 1, 1, 1,
          HG_WHY_SENSOR_FAULT },
        { "no rise", W(NO_RISE) | W(LOCKED_OUT), 1, 1, 1, 1, HG_WHY_NO_RISE },
        { "locked", W(LOCKED_OUT), 1, 1, 1, 1, HG_WHY_LOCKED_OUT },
        { "journal", 0, 1, 1, 1, 1, HG_WHY_JOURNAL_UNAVAILABLE },
        { "door", 0, 0, 1, 1, 1, HG_WHY_DOOR_UNKNOWN },
        { "module", 0, 0, 0, 1, 1, HG_WHY_MODULE_CLIMATE },
        { "clock", 0, 0, 0, 0, 1, HG_WHY_CLOCK_UNTRUSTED },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_heating(&room, 60 * MIN_MS);
        room.state.lockouts = row[i].lockouts;
        room.state.is_journal_ok = !row[i].is_journal_lost;
        if (row[i].is_door_null)
            room.state.stream.door = HG_DOOR_UNKNOWN;
        room.state.stream.reading.has_module_c = row[i].is_module_hot;
        room.state.stream.reading.module_mc = 50000;
        room.policy.is_commissioning_waived = false;
        room.state.is_commissioned = true;
        room.state.proof_at_ms = room.now.wall.ms;
        room.now.wall.is_trusted = !row[i].is_untrusted;
        memset(&event, 0, sizeof(event));
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.last.end, row[i].want);
    }
}

static void
test_gate_session__ends_that_no_step_but_its_own_brings(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.policy.is_commissioning_waived = false;
    room_do(&room, HG_EVENT_TICK);
    assert_int_equal(room.state.last.end, HG_WHY_NOT_COMMISSIONED);
    room_heating(&room, 60 * MIN_MS);
    room.policy.is_commissioning_waived = false;
    room.state.is_commissioned = true;
    room.state.proof_at_ms =
        room.now.wall.ms - (int64_t)room.policy.door_proof_ms;
    room_do(&room, HG_EVENT_TICK);
    assert_int_equal(room.state.last.end, HG_WHY_PROOF_OVERDUE);
    room_heating(&room, 60 * MIN_MS);
    room.state.session.by.is_allowed = false;
    room_do(&room, HG_EVENT_TICK);
    assert_int_equal(room.state.last.end, HG_WHY_ACCESS_ENDED);
}

static void
test_gate_session__proof_from_the_future_is_not_overdue(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room.policy.is_commissioning_waived = false;
    room.state.is_commissioned = true;
    room.state.proof_at_ms = room.now.wall.ms + 1000;
    event = room_heat(&room, room_owner(), MIN_MS);
    event.at = room.now;

    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event), 0);
}

static void test_gate_session__waiting_grant_is_given_up(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    start(&room, room_owner(), 60 * MIN_MS);
    room_do(&room, HG_EVENT_LINK_DOWN);

    CHECK_STORY("link", &room,
                "telemetry-lost/broker-down * "
                "heat-ended{door-unknown,telemetry-stale,controller-offline,"
                "broker-down} =refused{door-unknown,telemetry-stale,"
                "controller-offline,broker-down}");
    assert_int_equal(room.state.pending.kind, HG_PENDING_NONE);
    assert_int_equal(room.state.check.state, HG_CHECK_USED);
}

static void
test_gate_session__record_of_a_grant_given_up_has_its_name(void **unused)
{
    struct room room;
    char heat_id[HG_ID_BYTES];

    (void)unused;
    room_ready(&room);
    start(&room, room_owner(), 60 * MIN_MS);
    memcpy(heat_id, room.state.pending.heat_id, HG_ID_BYTES);
    room_do(&room, HG_EVENT_STOP);

    CHECK_STORY("stopped", &room,
                "-stopped heat-ended{stopped} =refused{stopped} * "
                "stop-asked@owner =granted");
    assert_string_equal(room_record(&room, HG_RECORD_HEAT_ENDED)->heat_id,
                        heat_id);
}

static void test_gate_session__door_that_opens_on_a_waiting_grant(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    start(&room, room_owner(), 60 * MIN_MS);
    room_door(&room, HG_DOOR_OPEN);
    CHECK_STORY("given up", &room,
                "heat-ended{door-open} =refused{door-open} *");
}

static void test_gate_session__change_is_told(void **unused)
{
    struct room room;
    struct hg_event event;
    const struct hg_effect *answer;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_pass(&room, 1000);
    event = change(&room, 120 * MIN_MS);
    event.heat.target_mc = 70000;
    room_step(&room, &event);
    CHECK_STORY("asked", &room, "heat-changed@owner#");
    assert_int_equal(room.effects.effect[0].target_mc, 70000);
    assert_int_equal(room.effects.effect[0].duration_ms, 120 * MIN_MS);
    assert_string_equal(room.effects.effect[0].heat_id,
                        room.state.session.heat_id);
    assert_int_equal(room.state.session.target_mc, 80000);
    room_commit(&room);
    CHECK_STORY("durable", &room, "=granted * +30000");
    answer = room_effect(&room, HG_EFFECT_ANSWER);
    assert_int_equal(answer->target_mc, 70000);
    assert_int_equal(answer->duration_ms, 120 * MIN_MS);
    assert_int_equal(answer->ends_at.ms,
                     room.now.mono.ms - 1000 + 120 * MIN_MS);
    assert_string_equal(answer->heat_id, room.state.session.heat_id);
    assert_int_equal(room_effect(&room, HG_EFFECT_PERMIT)->target_mc, 70000);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("not sent twice", &room, "");
}

static void test_gate_session__change_of_one_keeps_the_other(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    event = change(&room, 1);
    event.heat.target_mc = 70000;
    event.heat.has_duration = false;
    room_step(&room, &event);
    room_commit(&room);
    assert_int_equal(room.state.session.target_mc, 70000);
    assert_int_equal(room.state.session.duration_ms, 60 * MIN_MS);
    event = change(&room, 30 * MIN_MS);
    event.heat.target_mc = 1;
    event.heat.has_target = false;
    room_step(&room, &event);
    room_commit(&room);
    assert_int_equal(room.state.session.target_mc, 70000);
    assert_int_equal(room.state.session.duration_ms, 30 * MIN_MS);
}

static void test_gate_session__change_that_is_not_taken(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = change(&room, 30 * MIN_MS);
    room_step(&room, &event);
    CHECK_STORY("nothing heats", &room, "=unknown");
    room_heating(&room, 60 * MIN_MS);
    event = change(&room, 30 * MIN_MS);
    event.asker.is_allowed = false;
    room_step(&room, &event);
    CHECK_STORY("forbidden", &room, "=not-allowed");
    event = change(&room, 0);
    event.heat.target_mc = 39999;
    room_step(&room, &event);
    CHECK_STORY("out of range", &room,
                "heat-refused@owner{target-out-of-range,duration-over-cap} "
                "=refused{target-out-of-range,duration-over-cap}");
    assert_int_equal(room.effects.effect[0].target_mc, 39999);
    assert_int_equal(room.effects.effect[0].duration_ms, 0);
    event = change(&room, 30 * MIN_MS);
    event.asker.has_stay = true; /* it is over */
    room_step(&room, &event);
    assert_int_equal(room_reasons(&room), W(OUTSIDE_STAY));
    assert_int_equal(room.state.pending.kind, HG_PENDING_NONE);
}

static void test_gate_session__end_gives_up_a_waiting_change(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    event = change(&room, 30 * MIN_MS);
    room_step(&room, &event);
    room_do(&room, HG_EVENT_LOCKOUT_SET); /* without a note: nothing */
    assert_int_equal(room.state.pending.kind, HG_PENDING_CHANGE);
    room_presence(&room, false);
    CHECK_STORY("ended", &room,
                "-controller-offline * telemetry-lost/controller-offline "
                "heat-ended/controller-offline "
                "!warning:heat-ended/controller-offline "
                "=refused{controller-offline}");
    room_commit(&room);
    CHECK_STORY("its record comes too late", &room, "");
}

static struct hg_asker guest_until(const struct room *room, int64_t in_ms)
{
    struct hg_asker guest = room_asker(HG_ROLE_GUEST, "g-1");

    guest.has_stay = true;
    guest.stay_from_ms = room->now.wall.ms - 1000;
    guest.stay_until_ms = room->now.wall.ms + in_ms;
    return guest;
}

static void test_gate_session__stay_cuts_only_what_is_longer(void **unused)
{
    static const struct {
        const char *label;
        int64_t stay_ms;
        uint64_t want_ms;
        enum hg_why why;
    } row[] = {
        { "shorter", 59999, 59999, HG_WHY_ACCESS_ENDED },
        { "as long", 60000, 60000, HG_WHY_TIME_UP },
        { "longer", 60001, 60000, HG_WHY_TIME_UP },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_ready(&room);
        start(&room, guest_until(&room, row[i].stay_ms), 60000);
        room_commit(&room);
        HG_CHECK_EQ(row[i].label, room.state.session.ends_at.ms,
                    room.now.mono.ms + row[i].want_ms);
        HG_CHECK_EQ(row[i].label, room.state.session.ends_why, row[i].why);
    }
}

static void test_gate_session__end_of_the_stay_ends_the_heat(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    start(&room, guest_until(&room, 10000), 60000);
    room_commit(&room);
    assert_int_equal(room_effect(&room, HG_EFFECT_PERMIT)->ttl_ms, 10000);
    room_pass(&room, 10000);
    room_do(&room, HG_EVENT_TICK);

    assert_int_equal(room.state.last.end, HG_WHY_ACCESS_ENDED);
}

static void
test_gate_session__permit_is_resent_after_a_late_spell(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.policy.stale_after_ms = 60000;
    room.controller_start_ms += 6000;
    room_pass(&room, 6000);
    room_hear(&room);
    room_pass(&room, 23999);
    room_do(&room, HG_EVENT_TICK);
    assert_true(room.state.permit.is_live);
    room_pass(&room, 1);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("ran out", &room, "*");
    assert_false(room.state.permit.is_live);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("told once", &room, "");
    room.controller_start_ms -= 6000;
    room_hear(&room);
    CHECK_STORY("in time again", &room, "+30000 *");
}

static void
test_gate_session__revoke_in_the_closing_step_keeps_the_hold(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.policy.stale_after_ms = 60000;
    room_door(&room, HG_DOOR_OPEN);
    room.state.silent_until.ms = 0; /* any permit long over */
    room.heater = HG_HEATER_ON;
    room_pass(&room, 2000);
    room_hear(&room);
    assert_true(room.state.is_unbidden);
    room_pass(&room, 28000);
    room_door(&room, HG_DOOR_CLOSED);
    CHECK_STORY("revoked and closed", &room, "-heater-unbidden *");
    assert_true(room.state.session.is_held);
    room_door(&room, HG_DOOR_OPEN);
    CHECK_STORY("still held", &room, "*");
    assert_true(room.state.session.is_held);
    room.state.revoked_at.ms = 0; /* the repeat is due once more */
    room_door(&room, HG_DOOR_CLOSED);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("resumed in the next step", &room,
                "+30000 heat-resumed !info:heat-resumed *");
}

static void test_gate_session__no_repeated_revoke_while_it_heats(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_run(&room, 40000);
    room.heater = HG_HEATER_ON;
    room_run(&room, 2000);
    start(&room, room_owner(), 60 * MIN_MS);
    room_commit(&room);
    assert_true(room.state.is_unbidden);
    room.state.revoked_at.ms = 0;
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("while it heats", &room, "");
    room_do(&room, HG_EVENT_STOP);
    room.state.revoked_at.ms = 0;
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("afterwards", &room, "-heater-unbidden");
}

static void
test_gate_session__opened_again_before_it_was_seen_shut(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_door(&room, HG_DOOR_OPEN);
    room.door_count++;
    room_door(&room, HG_DOOR_CLOSED);

    assert_int_equal(room.state.stream.door, HG_DOOR_CLOSED);
    assert_true(room.state.look.has_cycle);
}

static void test_gate_session__last_serial_is_never_lent(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), MIN_MS);
    event.at = room.now;
    room.state.epoch = HG_EPOCH_MAX;
    room.state.serial = HG_SERIAL_LIMIT - 2;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event), 0);
    room.state.serial = HG_SERIAL_LIMIT - 1;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event),
                     W(RIVAL_GATEWAY));
}

static void
test_gate_session__refused_change_is_recorded_as_asked(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    event = change(&room, 361 * MIN_MS);
    room_step(&room, &event);

    assert_int_equal(room.effects.effect[0].record, HG_RECORD_HEAT_REFUSED);
    assert_int_equal(room.effects.effect[0].duration_ms, 361 * MIN_MS);
}

static void test_gate_session__time_up_goes_before_what_is_unmet(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 15000);
    room_pass(&room, 15000); /* stale at the same moment */
    room_do(&room, HG_EVENT_TICK);

    assert_int_equal(room.state.last.end, HG_WHY_TIME_UP);
}

static void test_gate_session__renewal_is_told(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_pass(&room, 10000);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("renewed", &room, "+30000 *");
}

static void test_gate_session__shortest_rest_is_a_rest(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.policy.session_cap_ms = 10000;
    room.policy.rest_after_cap_ms = 1;
    start(&room, room_owner(), 10000);
    room_commit(&room);
    room_pass(&room, 10000);
    room_do(&room, HG_EVENT_TICK);
    assert_true(room.state.is_resting);
    assert_int_equal(room.state.rest_until.ms, room.now.mono.ms + 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_session__start_is_told),
        cmocka_unit_test(test_gate_session__refusal_is_recorded),
        cmocka_unit_test(test_gate_session__second_start_while_one_waits),
        cmocka_unit_test(test_gate_session__hold_and_resume_are_told),
        cmocka_unit_test(test_gate_session__ends_are_told_by_their_weight),
        cmocka_unit_test(test_gate_session__ended_heat_is_remembered_by_name),
        cmocka_unit_test(test_gate_session__end_is_named_after_the_worst),
        cmocka_unit_test(
            test_gate_session__ends_that_no_step_but_its_own_brings),
        cmocka_unit_test(
            test_gate_session__proof_from_the_future_is_not_overdue),
        cmocka_unit_test(test_gate_session__waiting_grant_is_given_up),
        cmocka_unit_test(
            test_gate_session__record_of_a_grant_given_up_has_its_name),
        cmocka_unit_test(test_gate_session__door_that_opens_on_a_waiting_grant),
        cmocka_unit_test(test_gate_session__change_is_told),
        cmocka_unit_test(test_gate_session__change_of_one_keeps_the_other),
        cmocka_unit_test(test_gate_session__change_that_is_not_taken),
        cmocka_unit_test(test_gate_session__end_gives_up_a_waiting_change),
        cmocka_unit_test(test_gate_session__stay_cuts_only_what_is_longer),
        cmocka_unit_test(test_gate_session__end_of_the_stay_ends_the_heat),
        cmocka_unit_test(
            test_gate_session__permit_is_resent_after_a_late_spell),
        cmocka_unit_test(
            test_gate_session__revoke_in_the_closing_step_keeps_the_hold),
        cmocka_unit_test(test_gate_session__no_repeated_revoke_while_it_heats),
        cmocka_unit_test(
            test_gate_session__opened_again_before_it_was_seen_shut),
        cmocka_unit_test(test_gate_session__last_serial_is_never_lent),
        cmocka_unit_test(
            test_gate_session__refused_change_is_recorded_as_asked),
        cmocka_unit_test(test_gate_session__time_up_goes_before_what_is_unmet),
        cmocka_unit_test(test_gate_session__renewal_is_told),
        cmocka_unit_test(test_gate_session__shortest_rest_is_a_rest),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
