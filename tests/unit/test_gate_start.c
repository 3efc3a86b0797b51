/*
 * Starting: what a grant needs, that it is durable before the permit, that
 * each check opens the gate once, that a refusal names everything.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "gate_room.h"

static void test_gate__zeroed_room_refuses(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    memset(&room, 0, sizeof(room));
    room.policy = room_policy();
    room.now.mono.ms = 5;

    event = room_heat(&room, room_owner(), MIN_MS);
    room_step(&room, &event);

    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                     HG_VERDICT_REFUSED);
    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
}

static void test_gate__grant_is_durable_before_the_permit(void **unused)
{
    struct room room;
    struct hg_event event;
    const struct hg_effect *permit;

    (void)unused;
    room_ready(&room);

    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_null(room_effect(&room, HG_EFFECT_ANSWER));
    assert_int_not_equal(room_record(&room, HG_RECORD_HEAT_GRANTED)->ticket, 0);
    room_commit(&room);

    permit = room_effect(&room, HG_EFFECT_PERMIT);
    assert_non_null(permit);
    assert_int_equal(permit->ttl_ms, 30000);
    assert_int_equal(permit->target_mc, 80000);
    assert_true(permit->serial > UINT64_C(7) << HG_EPOCH_SHIFT);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                     HG_VERDICT_GRANTED);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->ends_at.ms,
                     room.now.mono.ms + 60 * MIN_MS);
}

static void test_gate__wrong_ticket_lends_nothing(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMITTED;
    event.ticket = room.state.last_ticket + 1;
    room_step(&room, &event);

    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
}

/* One change each to a room that is ready; the set names that, and only it */
static void break_nothing(struct room *room)
{
    (void)room;
}
static void break_link(struct room *room)
{
    room_do(room, HG_EVENT_LINK_DOWN);
}
static void break_presence(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PRESENCE;
    room_step(room, &event);
    room_hear(room);
}
static void break_fresh(struct room *room)
{
    room_pass(room, 15000);
}
static void almost_break_fresh(struct room *room)
{
    room_pass(room, 14999);
}
static void break_late(struct room *room)
{
    room->controller_start_ms += 5000;
    room_pass(room, 100);
    room_hear(room);
}
static void almost_break_late(struct room *room)
{
    room->controller_start_ms += 4999;
    room_hear(room);
}
static void break_door(struct room *room)
{
    room_door(room, HG_DOOR_OPEN);
}
static void break_door_null(struct room *room)
{
    room_door(room, HG_DOOR_UNKNOWN);
}
static void break_journal(struct room *room)
{
    room_do(room, HG_EVENT_JOURNAL_FAILED);
}
static void break_module_c(struct room *room)
{
    struct hg_event event = room_reading(room);

    event.reading.has_module_c = true;
    event.reading.module_mc = 50000;
    room_step(room, &event);
}
static void break_module_rh(struct room *room)
{
    struct hg_event event = room_reading(room);

    event.reading.has_module_rh = true;
    event.reading.module_rh = 95;
    room_step(room, &event);
}
static void almost_break_module(struct room *room)
{
    struct hg_event event = room_reading(room);

    event.reading.has_module_c = true;
    event.reading.module_mc = 49999;
    event.reading.has_module_rh = true;
    event.reading.module_rh = 94;
    room_step(room, &event);
}
static void break_over_temperature(struct room *room)
{
    room->policy.over_temp_mc = 95000;
    room->state.stream.reading.air_mc = 94000;
    room->air_mc = 95000;
    room_hear(room);
}
static void break_sensor(struct room *room)
{
    struct hg_event event = room_reading(room);

    event.reading.has_air = false;
    room_step(room, &event);
}
static void break_commissioning(struct room *room)
{
    room->policy.is_commissioning_waived = false;
}
static void commission(struct room *room, int64_t age_ms)
{
    struct hg_event event;

    room->policy.is_commissioning_waived = false;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMISSIONED;
    event.asker = room_owner();
    event.proof_at_ms = room->now.wall.ms - age_ms;
    room_step(room, &event);
}
static void break_proof(struct room *room)
{
    commission(room, INT64_C(180) * 86400000);
}
static void almost_break_proof(struct room *room)
{
    commission(room, INT64_C(180) * 86400000 - 1);
}
static void break_clock_for_proof(struct room *room)
{
    commission(room, 0);
    room->now.wall.is_trusted = false;
}
static void break_clock_without_need(struct room *room)
{
    room->now.wall.is_trusted = false;
}
static void break_lockout(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCKOUT_SET;
    event.asker = room_owner();
    event.lockout.what = HG_WHY_LOCKED_OUT;
    event.lockout.has_note = true;
    room_step(room, &event);
}
static void break_check_age(struct room *room)
{
    room_run(room, 720 * MIN_MS);
}
static void almost_break_check_age(struct room *room)
{
    room_run(room, 720 * MIN_MS - 1);
}
static void break_local(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    memcpy(event.local.boot, room->boot, HG_BOOT_BYTES);
    event.local.seq = ++room->event_seq;
    event.local.what = HG_LOCAL_START;
    room_step(room, &event);
}

static void test_gate__names_every_unmet_condition(void **unused)
{
#define W(name) HG_WHY_BIT(HG_WHY_##name)
    static const struct {
        const char *label;
        void (*change)(struct room *room);
        hg_why_set want;
    } row[] = {
        { "ready", break_nothing, 0 },
        { "link down", break_link,
          W(BROKER_DOWN) | W(CONTROLLER_OFFLINE) | W(TELEMETRY_STALE) |
              W(DOOR_UNKNOWN) | W(CHECK_VOID) },
        { "offline, data going on", break_presence, W(CONTROLLER_OFFLINE) },
        { "at the age limit", break_fresh,
          W(TELEMETRY_STALE) | W(DOOR_UNKNOWN) | W(CHECK_VOID) },
        { "below the age limit", almost_break_fresh, 0 },
        { "late", break_late, W(TELEMETRY_LATE) },
        { "nearly late", almost_break_late, 0 },
        { "door open", break_door, W(DOOR_OPEN) | W(CHECK_VOID) },
        { "door null", break_door_null, W(DOOR_UNKNOWN) | W(CHECK_VOID) },
        { "journal", break_journal, W(JOURNAL_UNAVAILABLE) },
        { "module at 50 C", break_module_c, W(MODULE_CLIMATE) },
        { "module at 95 %", break_module_rh, W(MODULE_CLIMATE) },
        { "module below both", almost_break_module, 0 },
        { "over temperature", break_over_temperature,
          W(OVER_TEMPERATURE) | W(CHECK_VOID) },
        { "sensor", break_sensor, W(SENSOR_FAULT) | W(CHECK_VOID) },
        { "commissioning", break_commissioning, W(NOT_COMMISSIONED) },
        { "proof at its age", break_proof, W(PROOF_OVERDUE) },
        { "proof below its age", almost_break_proof, 0 },
        { "clock, proof needed", break_clock_for_proof, W(CLOCK_UNTRUSTED) },
        { "clock, not needed", break_clock_without_need, 0 },
        { "locked by a person", break_lockout, W(LOCKED_OUT) | W(CHECK_VOID) },
        { "check at its age", break_check_age, W(CHECK_EXPIRED) },
        { "check below its age", almost_break_check_age, 0 },
        { "local heat", break_local, W(ALREADY_HEATING) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_ready(&room);
        row[i].change(&room);
        event = room_heat(&room, room_owner(), 60 * MIN_MS);
        HG_CHECK_EQ(row[i].label,
                    hg_gate_preview(&room.policy, &room.state,
                                    (event.at = room.now, &event)),
                    row[i].want);
        room_step(&room, &event);

        if (row[i].want == 0) {
            HG_CHECK_EQ(row[i].label,
                        room_record(&room, HG_RECORD_HEAT_GRANTED) != NULL, 1);
        } else {
            HG_CHECK_EQ(row[i].label, room_reasons(&room), row[i].want);
            HG_CHECK_EQ(row[i].label,
                        room_record(&room, HG_RECORD_HEAT_REFUSED)->reasons,
                        row[i].want);
        }
    }
}

static void test_gate__limits_of_target_and_duration(void **unused)
{
    static const struct {
        const char *label;
        int32_t target_mc;
        uint64_t duration_ms;
        hg_why_set want;
    } row[] = {
        { "below the range", 39999, MIN_MS, W(TARGET_OUT_OF_RANGE) },
        { "at the bottom", 40000, MIN_MS, 0 },
        { "at the top", 90000, MIN_MS, 0 },
        { "above the range", 90001, MIN_MS, W(TARGET_OUT_OF_RANGE) },
        { "no duration", 80000, 0, W(DURATION_OVER_CAP) },
        { "at the cap", 80000, 360 * MIN_MS, 0 },
        { "over the cap", 80000, 360 * MIN_MS + 1, W(DURATION_OVER_CAP) },
        { "both", 200000, UINT64_MAX,
          W(TARGET_OUT_OF_RANGE) | W(DURATION_OVER_CAP) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_ready(&room);
        event = room_heat(&room, room_owner(), row[i].duration_ms);
        event.heat.target_mc = row[i].target_mc;
        event.at = room.now;
        HG_CHECK_EQ(row[i].label,
                    hg_gate_preview(&room.policy, &room.state, &event),
                    row[i].want);
    }
}

static void test_gate__one_check_opens_the_gate_once(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_do(&room, HG_EVENT_STOP);

    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);

    assert_int_equal(room_reasons(&room), W(CHECK_MISSING));
}

static void
test_gate__door_that_opens_while_the_record_is_written(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);

    room_door(&room, HG_DOOR_OPEN);
    assert_int_equal(room_reasons(&room), W(DOOR_OPEN));
    room_door(&room, HG_DOOR_CLOSED);
    room_commit(&room);

    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_int_equal(room.state.check.state, HG_CHECK_USED);
}

static void test_gate__stay_cuts_the_heat(void **unused)
{
    struct room room;
    struct hg_event event;
    struct hg_asker guest = room_asker(HG_ROLE_GUEST, "g-1");

    (void)unused;
    room_ready(&room);
    guest.has_stay = true;
    guest.stay_from_ms = room.now.wall.ms;
    guest.stay_until_ms = room.now.wall.ms + 30 * (int64_t)MIN_MS;

    event = room_heat(&room, guest, 60 * MIN_MS);
    room_step(&room, &event);
    room_commit(&room);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->ends_at.ms,
                     room.now.mono.ms + 30 * MIN_MS);
    /* a wall clock set back does not stretch the stay */
    room.now.wall.ms -= 3600000;
    room.heater = HG_HEATER_ON;
    for (int i = 0; i < 15; i++) {
        room.air_mc += 2000;
        room_run(&room, 2 * MIN_MS);
    }

    assert_false(room.state.session.is_active);
    assert_int_equal(room.state.last.end, HG_WHY_ACCESS_ENDED);
}

static void test_gate__stay_is_judged_at_its_edges(void **unused)
{
    static const struct {
        const char *label;
        int64_t from_ms, until_ms;
        bool is_trusted;
        hg_why_set want;
    } row[] = {
        { "before", 1, 1000, true, W(OUTSIDE_STAY) },
        { "at the start", 0, 1000, true, 0 },
        { "last moment", -1000, 1, true, 0 },
        { "at the end", -1000, 0, true, W(OUTSIDE_STAY) },
        { "clock", -1000, 1000, false, W(CLOCK_UNTRUSTED) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;
        struct hg_asker guest = room_asker(HG_ROLE_GUEST, "g-1");

        room_ready(&room);
        guest.has_stay = true;
        guest.stay_from_ms = room.now.wall.ms + row[i].from_ms;
        guest.stay_until_ms = room.now.wall.ms + row[i].until_ms;
        room.now.wall.is_trusted = row[i].is_trusted;
        event = room_heat(&room, guest, MIN_MS);
        event.at = room.now;
        HG_CHECK_EQ(row[i].label,
                    hg_gate_preview(&room.policy, &room.state, &event),
                    row[i].want);
    }
}

static void test_gate__asking_again_keeps_the_open_check(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CHECK_OPEN;
    event.asker = room_asker(HG_ROLE_CARETAKER, "c-1");
    event.check.id = 501;
    room_step(&room, &event);
    room_pass(&room, 9 * MIN_MS);
    event.check.id = 502;
    room_step(&room, &event);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->check, 501);

    room_pass(&room, MIN_MS); /* the look-in window of the first is over */
    event.check.id = 503;
    room_step(&room, &event);

    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->check, 503);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate__zeroed_room_refuses),
        cmocka_unit_test(test_gate__grant_is_durable_before_the_permit),
        cmocka_unit_test(test_gate__wrong_ticket_lends_nothing),
        cmocka_unit_test(test_gate__names_every_unmet_condition),
        cmocka_unit_test(test_gate__limits_of_target_and_duration),
        cmocka_unit_test(test_gate__one_check_opens_the_gate_once),
        cmocka_unit_test(
            test_gate__door_that_opens_while_the_record_is_written),
        cmocka_unit_test(test_gate__stay_cuts_the_heat),
        cmocka_unit_test(test_gate__stay_is_judged_at_its_edges),
        cmocka_unit_test(test_gate__asking_again_keeps_the_open_check),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
