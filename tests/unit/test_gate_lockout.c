/*
 * Lockouts in the hands of people: who sets and clears them, with a note, and
 * not before the cause is known to be gone (I11).
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

static void test_gate_lockout__is_set_and_cleared_by_a_person(void **unused)
{
    struct room room;
    struct hg_asker manager = room_asker(HG_ROLE_MANAGER, "m-1");

    (void)unused;
    room_ready(&room);
    room_lockout(&room, HG_EVENT_LOCKOUT_SET, manager, HG_WHY_LOCKED_OUT);
    CHECK_STORY("set", &room,
                "lockout-set/locked-out@manager !alarm:lockout-set/locked-out "
                "check-voided/locked-out !warning:check-voided/locked-out * "
                "=granted");
    room_lockout(&room, HG_EVENT_LOCKOUT_SET, manager, HG_WHY_LOCKED_OUT);
    CHECK_STORY("set again", &room, "=granted");
    room_lockout(&room, HG_EVENT_LOCKOUT_CLEAR, manager, HG_WHY_LOCKED_OUT);
    CHECK_STORY("cleared", &room,
                "lockout-cleared/locked-out@manager "
                "!info:lockout-cleared/locked-out * =granted");
    room_lockout(&room, HG_EVENT_LOCKOUT_CLEAR, manager, HG_WHY_LOCKED_OUT);
    CHECK_STORY("not there", &room, "=unknown");
}

static void test_gate_lockout__who_may_set_and_clear(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        const char *id;
        bool is_allowed, has_note;
        enum hg_why what;
        enum hg_verdict want;
    } row[] = {
        { "owner", HG_ROLE_OWNER, "uid=0", 1, 1, HG_WHY_LOCKED_OUT,
          HG_VERDICT_GRANTED },
        { "manager", HG_ROLE_MANAGER, "m-1", 1, 1, HG_WHY_LOCKED_OUT,
          HG_VERDICT_GRANTED },
        { "caretaker", HG_ROLE_CARETAKER, "c-1", 1, 1, HG_WHY_LOCKED_OUT,
          HG_VERDICT_NOT_ALLOWED },
        { "guest", HG_ROLE_GUEST, "g-1", 1, 1, HG_WHY_LOCKED_OUT,
          HG_VERDICT_NOT_ALLOWED },
        { "nameless", HG_ROLE_OWNER, "", 1, 1, HG_WHY_LOCKED_OUT,
          HG_VERDICT_NOT_ALLOWED },
        { "forbidden", HG_ROLE_OWNER, "uid=0", 0, 1, HG_WHY_LOCKED_OUT,
          HG_VERDICT_NOT_ALLOWED },
        { "no note", HG_ROLE_OWNER, "uid=0", 1, 0, HG_WHY_LOCKED_OUT,
          HG_VERDICT_NOT_ALLOWED },
        { "no lockout", HG_ROLE_OWNER, "uid=0", 1, 1, HG_WHY_DOOR_OPEN,
          HG_VERDICT_UNKNOWN },
        { "none", HG_ROLE_OWNER, "uid=0", 1, 1, HG_WHY_NONE,
          HG_VERDICT_UNKNOWN },
        { "outside the list", HG_ROLE_OWNER, "uid=0", 1, 1,
          (enum hg_why)(HG_WHY_LOCKED_OUT + 64), HG_VERDICT_UNKNOWN },
        { "the first outside", HG_ROLE_OWNER, "uid=0", 1, 1, HG_WHY_COUNT,
          HG_VERDICT_UNKNOWN },
        { "below the list", HG_ROLE_OWNER, "uid=0", 1, 1,
          (enum hg_why)(HG_WHY_LOCKED_OUT - 64), HG_VERDICT_UNKNOWN },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        bool is_granted = row[i].want == HG_VERDICT_GRANTED;

        for (int is_set = 0; is_set < 2; is_set++) {
            struct room room;
            struct hg_event event;

            room_ready(&room);
            room.state.lockouts = is_set ? 0 : W(LOCKED_OUT);
            memset(&event, 0, sizeof(event));
            event.kind = is_set ? HG_EVENT_LOCKOUT_SET : HG_EVENT_LOCKOUT_CLEAR;
            event.asker = room_asker(row[i].role, row[i].id);
            event.asker.is_allowed = row[i].is_allowed;
            event.lockout.what = row[i].what;
            event.lockout.has_note = row[i].has_note;
            room_step(&room, &event);
            HG_CHECK_EQ(row[i].label,
                        room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                        row[i].want);
            HG_CHECK_EQ_U64(row[i].label, room_reasons(&room), 0);
            HG_CHECK_EQ_U64(row[i].label, room.state.lockouts,
                            is_set == is_granted ? W(LOCKED_OUT) : 0);
        }
    }
}

static void test_gate_lockout__each_can_be_set_by_a_person(void **unused)
{
    static const enum hg_why what[] = {
        HG_WHY_OVER_TEMPERATURE, HG_WHY_NO_RISE,      HG_WHY_HEATER_UNBIDDEN,
        HG_WHY_RIVAL_GATEWAY,    HG_WHY_SENSOR_FAULT, HG_WHY_LOCKED_OUT,
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(what); i++) {
        struct room room;

        room_heating(&room, 60 * MIN_MS);
        room_lockout(&room, HG_EVENT_LOCKOUT_SET, room_owner(), what[i]);
        HG_CHECK_EQ_U64(hg_why_code(what[i]), room.state.lockouts,
                        HG_WHY_BIT(what[i]));
        HG_CHECK_EQ(hg_why_code(what[i]), room.state.last.end, what[i]);
    }
}

/* A room whose last reading is as given. */
struct cause {
    const char *label;
    enum hg_why what;
    int32_t air_mc;
    bool is_air_null, is_on, is_stale, is_frozen;
    uint64_t rival_age_ms;
    hg_why_set want;
};

static void check_cause(const struct cause *row)
{
    const struct hg_effect *record;
    struct room room;
    struct hg_event event;

    room_ready(&room);
    room.state.lockouts = HG_WHY_BIT(row->what);
    room.state.stream.has_reading = false; /* no step to compare with */
    room.state.stream.is_fresh = false;
    room_pass(&room, 100000);
    room.air_mc = row->air_mc;
    room.heater = row->is_on ? HG_HEATER_ON : HG_HEATER_OFF;
    event = room_reading(&room);
    event.reading.has_air = !row->is_air_null;
    room_step(&room, &event);
    room.state.stream.same_air_on_ms =
        row->is_frozen ? HG_FROZEN_MS : HG_FROZEN_MS - 1;
    room.state.rival_at.ms = room.now.mono.ms - row->rival_age_ms;
    room.state.lockouts = HG_WHY_BIT(row->what);
    if (row->is_stale)
        room_do(&room, HG_EVENT_LINK_DOWN);
    room_lockout(&room, HG_EVENT_LOCKOUT_CLEAR, room_owner(), row->what);

    HG_CHECK_EQ_U64(row->label, room_reasons(&room), row->want);
    HG_CHECK_EQ(row->label, room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                row->want == 0 ? HG_VERDICT_GRANTED : HG_VERDICT_REFUSED);
    HG_CHECK_EQ_U64(row->label, room.state.lockouts,
                    row->want == 0 ? 0 : HG_WHY_BIT(row->what));
    record = room_record(&room, row->want == 0 ? HG_RECORD_LOCKOUT_CLEARED
                                               : HG_RECORD_LOCKOUT_KEPT);
    assert_non_null(record);
    HG_CHECK_EQ_U64(row->label, record->reasons, row->want);
    HG_CHECK_EQ(row->label, record->actor.role, HG_ROLE_OWNER);
    HG_CHECK_EQ(row->label, room_effect(&room, HG_EFFECT_NOTICE) != NULL,
                row->want == 0);
}

#define OVER   HG_WHY_OVER_TEMPERATURE
#define SENSOR HG_WHY_SENSOR_FAULT
#define HEATER HG_WHY_HEATER_UNBIDDEN
#define RIVAL  HG_WHY_RIVAL_GATEWAY

static void test_gate_lockout__is_kept_while_its_cause_is_there(void **unused)
{
    static const struct cause row[] = {
        { "cooled", OVER, 119999, 0, 0, 0, 0, 0, 0 },
        { "still hot", OVER, 120000, 0, 0, 0, 0, 0, W(OVER_TEMPERATURE) },
        { "no air reading", OVER, 20000, 1, 0, 0, 0, 0, W(OVER_TEMPERATURE) },
        { "cooled, stale", OVER, 20000, 0, 0, 1, 0, 0, W(TELEMETRY_STALE) },
        { "hot and stale", OVER, 130000, 0, 0, 1, 0, 0,
          W(OVER_TEMPERATURE) | W(TELEMETRY_STALE) },
        { "sensor back", SENSOR, 20000, 0, 0, 0, 0, 0, 0 },
        { "null", SENSOR, 20000, 1, 0, 0, 0, 0, W(SENSOR_FAULT) },
        { "too cold", SENSOR, -40001, 0, 0, 0, 0, 0, W(SENSOR_FAULT) },
        { "frozen", SENSOR, 20000, 0, 0, 0, 1, 0, W(SENSOR_FAULT) },
        { "sensor stale", SENSOR, 20000, 0, 0, 1, 0, 0, W(TELEMETRY_STALE) },
        { "off", HEATER, 20000, 0, 0, 0, 0, 0, 0 },
        { "on", HEATER, 20000, 0, 1, 0, 0, 0, W(HEATER_UNBIDDEN) },
        { "off, stale", HEATER, 20000, 0, 0, 1, 0, 0, W(TELEMETRY_STALE) },
        { "gone", RIVAL, 20000, 0, 0, 0, 0, 60000, 0 },
        { "gone, stale", RIVAL, 20000, 0, 0, 1, 0, 60000, 0 },
        { "just heard", RIVAL, 20000, 0, 0, 0, 0, 59999, W(RIVAL_GATEWAY) },
        { "nothing to measure", HG_WHY_NO_RISE, 20000, 0, 1, 1, 1, 0, 0 },
        { "by a person", HG_WHY_LOCKED_OUT, 20000, 1, 1, 1, 1, 0, 0 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        check_cause(&row[i]);
}

static void test_gate_lockout__one_of_two_is_cleared(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.state.lockouts = W(LOCKED_OUT) | W(NO_RISE);
    room_lockout(&room, HG_EVENT_LOCKOUT_CLEAR, room_owner(), HG_WHY_NO_RISE);

    assert_int_equal(room.state.lockouts, W(LOCKED_OUT));
}

static void test_gate_lockout__outlives_the_service(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_lockout(&room, HG_EVENT_LOCKOUT_SET, room_owner(), HG_WHY_LOCKED_OUT);
    room_restart(&room);

    assert_int_equal(room.state.lockouts, W(LOCKED_OUT));
}

static void test_gate_lockout__rival_is_told(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = room.state.serial;
    room_step(&room, &event);

    CHECK_STORY("at ours", &room,
                "-rival-gateway ^8 lockout-set/rival-gateway "
                "!alarm:lockout-set/rival-gateway check-voided/rival-gateway "
                "!warning:check-voided/rival-gateway *");
    assert_int_equal(room.state.rival_at.ms, room.now.mono.ms);
    assert_int_equal(room.effects.effect[0].serial,
                     (UINT64_C(8) << HG_EPOCH_SHIFT) + 1);
    event.heard.serial = room.state.serial - 1;
    room_step(&room, &event);
    CHECK_STORY("below ours", &room, "");
    event.heard.serial = HG_SERIAL_LIMIT;
    room_step(&room, &event);
    CHECK_STORY("out of range", &room, "");
    assert_int_equal(room.state.stream.counts.foreign, 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_lockout__is_set_and_cleared_by_a_person),
        cmocka_unit_test(test_gate_lockout__who_may_set_and_clear),
        cmocka_unit_test(test_gate_lockout__each_can_be_set_by_a_person),
        cmocka_unit_test(test_gate_lockout__is_kept_while_its_cause_is_there),
        cmocka_unit_test(test_gate_lockout__one_of_two_is_cleared),
        cmocka_unit_test(test_gate_lockout__outlives_the_service),
        cmocka_unit_test(test_gate_lockout__rival_is_told),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
