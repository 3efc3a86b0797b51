/*
 * "Ready by" plans: who may make one, what is told about it, and that it is
 * started only when everything holds at that moment.
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

static void test_gate_plan__is_accepted_in_order(void **unused)
{
    struct room room;
    const struct hg_effect *record;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 600000);

    CHECK_STORY("accepted", &room, "plan-accepted@owner * =granted");
    record = room_record(&room, HG_RECORD_PLAN_ACCEPTED);
    assert_int_equal(record->target_mc, 80000);
    assert_int_equal(record->duration_ms, 60 * MIN_MS);
    assert_string_equal(record->heat_id, "p-4");
    assert_string_equal(room.state.plan.heat_id, "p-4");
    assert_int_equal(room.state.plan.ready_at_ms,
                     room.now.wall.ms + 600000 + 30 * (int64_t)MIN_MS);
    assert_int_equal(room.state.plan.by.request, 0);
}

static void test_gate_plan__is_accepted_at_risk(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_plan(&room, room_owner(), 600000);

    CHECK_STORY("no check yet", &room,
                "plan-accepted@owner{check-missing} "
                "!warning:plan-at-risk{check-missing} * "
                "=granted{check-missing}");
    assert_int_equal(room.state.plan.at_risk, W(CHECK_MISSING));
}

static void test_gate_plan__what_no_waiting_mends_is_refused(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        bool is_forbidden, is_untrusted, is_unwritable;
        int32_t target_mc;
        int64_t from_ms, until_ms; /* stay around now; 0, 0: none */
        hg_why_set want;
    } row[] = {
        { "owner", HG_ROLE_OWNER, 0, 0, 0, 80000, 0, 0, 0 },
        { "manager", HG_ROLE_MANAGER, 0, 0, 0, 80000, 0, 0, 0 },
        { "integrator", HG_ROLE_INTEGRATOR, 0, 0, 0, 80000, 0, 0, 0 },
        { "guest", HG_ROLE_GUEST, 0, 0, 0, 80000, 0, 0, 0 },
        { "caretaker", HG_ROLE_CARETAKER, 0, 0, 0, 80000, 0, 0,
          W(NOT_ALLOWED) },
        { "forbidden", HG_ROLE_OWNER, 1, 0, 0, 80000, 0, 0, W(NOT_ALLOWED) },
        { "clock", HG_ROLE_OWNER, 0, 1, 0, 80000, 0, 0, W(CLOCK_UNTRUSTED) },
        { "journal", HG_ROLE_OWNER, 0, 0, 1, 80000, 0, 0,
          W(JOURNAL_UNAVAILABLE) },
        { "target", HG_ROLE_OWNER, 0, 0, 0, 90001, 0, 0,
          W(TARGET_OUT_OF_RANGE) },
        { "stay begins in time", HG_ROLE_GUEST, 0, 0, 0, 80000, 600000, 900000,
          0 },
        { "stay begins too late", HG_ROLE_GUEST, 0, 0, 0, 80000, 600001, 900000,
          W(OUTSIDE_STAY) },
        { "stay is over by then", HG_ROLE_GUEST, 0, 0, 0, 80000, -1, 600000,
          W(OUTSIDE_STAY) },
        { "clock and target", HG_ROLE_OWNER, 0, 1, 0, 1, 0, 0,
          W(CLOCK_UNTRUSTED) | W(TARGET_OUT_OF_RANGE) },
        { "three at once", HG_ROLE_CARETAKER, 0, 0, 1, 1, 0, 0,
          W(NOT_ALLOWED) | W(TARGET_OUT_OF_RANGE) | W(JOURNAL_UNAVAILABLE) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_ready(&room);
        room.state.is_journal_ok = !row[i].is_unwritable;
        room.now.wall.is_trusted = !row[i].is_untrusted;
        event = room_heat(&room, room_asker(row[i].role, "x-1"), 60 * MIN_MS);
        event.kind = HG_EVENT_PLAN;
        event.asker.is_allowed = !row[i].is_forbidden;
        event.asker.has_stay = row[i].until_ms != 0;
        event.asker.stay_from_ms = room.now.wall.ms + row[i].from_ms;
        event.asker.stay_until_ms = room.now.wall.ms + row[i].until_ms;
        event.heat.target_mc = row[i].target_mc;
        event.heat.starts_at_ms = room.now.wall.ms + 600000;
        room_step(&room, &event);

        HG_CHECK_EQ(row[i].label, room.state.plan.is_active, row[i].want == 0);
        if (row[i].want == 0)
            continue;
        HG_CHECK_EQ_U64(row[i].label, room_reasons(&room), row[i].want);
        HG_CHECK_EQ(row[i].label, room.effects.count, 2);
        HG_CHECK_EQ(row[i].label, room.effects.effect[0].record,
                    HG_RECORD_PLAN_REFUSED);
        HG_CHECK_EQ_U64(row[i].label, room.effects.effect[0].reasons,
                        row[i].want);
        HG_CHECK_EQ(row[i].label, room.effects.effect[0].actor.role,
                    row[i].role);
        HG_CHECK_EQ(row[i].label, room.effects.effect[0].target_mc,
                    row[i].target_mc);
        HG_CHECK_EQ(row[i].label, room.effects.effect[0].duration_ms,
                    60 * MIN_MS);
    }
}

static void test_gate_plan__stay_is_judged_no_earlier_than_now(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_asker(HG_ROLE_GUEST, "g-1"), 60 * MIN_MS);
    event.kind = HG_EVENT_PLAN;
    event.asker.has_stay = true;
    event.asker.stay_from_ms = room.now.wall.ms - 5000;
    event.asker.stay_until_ms = room.now.wall.ms - 1000;
    event.heat.starts_at_ms = room.now.wall.ms - 2000;
    room_step(&room, &event);

    assert_int_equal(room_reasons(&room), W(OUTSIDE_STAY));
}

static void test_gate_plan__only_its_owner_or_staff_replace_it(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        const char *id;
        bool is_granted;
    } row[] = {
        { "its owner", HG_ROLE_GUEST, "g-1", true },
        { "another guest", HG_ROLE_GUEST, "g-2", false },
        { "an integrator", HG_ROLE_INTEGRATOR, "g-1", false },
        { "a manager", HG_ROLE_MANAGER, "m-1", true },
        { "the owner", HG_ROLE_OWNER, "uid=0", true },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_ready(&room);
        room_plan(&room, room_asker(HG_ROLE_GUEST, "g-1"), 600000);
        room_plan(&room, room_asker(row[i].role, row[i].id), 700000);
        CHECK_STORY(row[i].label, &room,
                    !row[i].is_granted
                        ? (i == 1 ? "plan-refused@guest{not-allowed} "
                                    "=refused{not-allowed}"
                                  : "plan-refused@integrator{not-allowed} "
                                    "=refused{not-allowed}")
                    : i == 0 ? "plan-accepted@guest * =granted"
                    : i == 3 ? "plan-accepted@manager * =granted"
                             : "plan-accepted@owner * =granted");

        room_plan(&room, room_owner(), 600000);
        room.state.plan.by.actor = room_asker(HG_ROLE_GUEST, "g-1").actor;
        memset(&event, 0, sizeof(event));
        event.kind = HG_EVENT_UNPLAN;
        event.asker = room_asker(row[i].role, row[i].id);
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.plan.is_active,
                    !row[i].is_granted);
        HG_CHECK_EQ(row[i].label, room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                    row[i].is_granted ? HG_VERDICT_GRANTED
                                      : HG_VERDICT_NOT_ALLOWED);
    }
}

static void test_gate_plan__is_cancelled_once(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 600000);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_UNPLAN;
    event.asker = room_owner();
    event.asker.is_allowed = false;
    room_step(&room, &event);
    CHECK_STORY("forbidden", &room, "=not-allowed");

    room_do(&room, HG_EVENT_UNPLAN);
    CHECK_STORY("cancelled", &room, "plan-dropped@owner * =granted");
    room_do(&room, HG_EVENT_UNPLAN);
    CHECK_STORY("nothing there", &room, "=unknown");
}

static void test_gate_plan__is_moved_by_the_forecast(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PLAN_MOVE;
    event.heat.starts_at_ms = room.now.wall.ms + 5000;
    room_step(&room, &event);
    CHECK_STORY("no plan", &room, "");

    room_plan(&room, room_owner(), 600000);
    room_step(&room, &event);
    CHECK_STORY("moved", &room, "*");
    assert_int_equal(room.state.plan.starts_at_ms, room.now.wall.ms + 5000);
}

static void test_gate_plan__starts_when_its_time_has_come(void **unused)
{
    struct room room;
    char heat_id[HG_ID_BYTES];

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 10000);
    memcpy(heat_id, room.state.plan.heat_id, HG_ID_BYTES);
    room_run(&room, 9999);
    assert_true(room.state.plan.is_active);
    assert_null(room_record(&room, HG_RECORD_HEAT_GRANTED));
    room_pass(&room, 1);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("due", &room, "* heat-granted@owner#");
    assert_string_equal(room_record(&room, HG_RECORD_HEAT_GRANTED)->heat_id,
                        heat_id);
    assert_int_equal(room_record(&room, HG_RECORD_HEAT_GRANTED)->target_mc,
                     80000);
    assert_false(room.state.plan.is_active);
    room_commit(&room);

    CHECK_STORY("durable", &room, "+30000 =granted *");
    assert_string_equal(room.state.session.heat_id, heat_id);
    assert_int_equal(room.state.session.duration_ms, 60 * MIN_MS);
    assert_int_equal(room.state.check.state, HG_CHECK_USED);
}

static void test_gate_plan__is_missed_with_all_that_is_unmet(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_plan(&room, room_owner(), 10000);
    room_do(&room, HG_EVENT_LINK_DOWN);
    CHECK_STORY("told at once", &room,
                "telemetry-lost/broker-down * "
                "plan-at-risk{door-unknown,check-missing,telemetry-stale,"
                "controller-offline,broker-down} "
                "!warning:plan-at-risk{door-unknown,check-missing,"
                "telemetry-stale,controller-offline,broker-down}");
    room_pass(&room, 10000);
    room_do(&room, HG_EVENT_TICK);

    CHECK_STORY("missed", &room,
                "plan-missed{door-unknown,check-missing,telemetry-stale,"
                "controller-offline,broker-down} "
                "!alarm:plan-missed{door-unknown,check-missing,"
                "telemetry-stale,controller-offline,broker-down} *");
    assert_false(room.state.plan.is_active);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("once", &room, "");
}

static void test_gate_plan__tells_when_its_risk_changes(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_look_in(&room);
    room_plan(&room, room_owner(), 600000);
    room_presence(&room, false);
    room_hear(&room);
    CHECK_STORY("less is unmet: no notice", &room, "telemetry-back *");
    assert_int_equal(room.state.plan.at_risk,
                     W(CHECK_MISSING) | W(CONTROLLER_OFFLINE));
    room_presence(&room, true);
    CHECK_STORY("and less: no notice", &room, "*");
    assert_int_equal(room.state.plan.at_risk, W(CHECK_MISSING));
    room_look_in(&room);
    room_sign_as(&room, room_owner());
    CHECK_STORY("in order", &room,
                "check-signed@owner !info:check-signed * =granted "
                "plan-in-order !info:plan-in-order");
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("nothing new", &room, "");
}

static void test_gate_plan__one_late_message_is_no_news(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 10000);
    room_pass(&room, 9000);
    room_hear(&room);
    room.controller_start_ms += 8000;
    room_pass(&room, 999);
    room_hear(&room);
    CHECK_STORY("late, not due", &room, "*");
    room_pass(&room, 1);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("late and due: it waits", &room, "");
    room.controller_start_ms -= 8000;
    room_hear(&room);

    assert_non_null(room_record(&room, HG_RECORD_HEAT_GRANTED));
}

/* Kept late for so long after its time, with data that never go stale. */
static void late_plan(struct room *room, uint64_t late_ms)
{
    room_ready(room);
    room->policy.stale_after_ms = 120000;
    room_plan(room, room_owner(), 10000);
    room_pass(room, 9000);
    room_hear(room);
    room->controller_start_ms += 8000;
    room_hear(room);
    room_pass(room, 1000 + late_ms);
}

static void test_gate_plan__late_is_missed_after_the_grace(void **unused)
{
    struct room room;

    (void)unused;
    late_plan(&room, HG_PLAN_GRACE_MS - 1);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("within the grace", &room, "");
    late_plan(&room, HG_PLAN_GRACE_MS);
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("after the grace", &room,
                "plan-missed{telemetry-late} "
                "!alarm:plan-missed{telemetry-late} *");
}

static void test_gate_plan__found_long_after_its_time_is_missed(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 10000);
    room.now.wall.ms += 10000 + HG_PLAN_GRACE_MS - 1;
    room_do(&room, HG_EVENT_CLOCK_STEPPED);
    CHECK_STORY("just in time", &room, "* heat-granted@owner#");

    room_ready(&room);
    room_plan(&room, room_owner(), 10000);
    room.now.wall.ms += 10000 + HG_PLAN_GRACE_MS;
    room_do(&room, HG_EVENT_CLOCK_STEPPED);
    CHECK_STORY("too late", &room, "plan-missed !alarm:plan-missed *");
}

static void test_gate_plan__waits_for_a_clock_to_rely_on(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 10000);
    room.now.wall.is_trusted = false;
    room_run(&room, 10000);
    assert_true(room.state.plan.is_active);
    assert_null(room_record(&room, HG_RECORD_HEAT_GRANTED));
    room.now.wall.is_trusted = true;
    room_do(&room, HG_EVENT_CLOCK_STEPPED);

    assert_non_null(room_record(&room, HG_RECORD_HEAT_GRANTED));
}

static void test_gate_plan__risk_looks_ahead(void **unused)
{
    static const struct {
        const char *label;
        uint64_t rest_ms, heat_ms, check_ms;
        int64_t stay_ms;
        hg_why_set want;
    } row[] = {
        { "rest ends by then", 10000, 0, 720 * MIN_MS, 0, 0 },
        { "rest goes on", 10001, 0, 720 * MIN_MS, 0, W(RESTING) },
        { "heat ends by then", 0, 10000, 0, 0, W(CHECK_MISSING) },
        { "heat goes on", 0, 10001, 0, 0,
          W(CHECK_MISSING) | W(ALREADY_HEATING) },
        { "check expires then", 0, 0, 10000, 0, W(CHECK_EXPIRED) },
        { "check holds till then", 0, 0, 10001, 0, 0 },
        { "stay ends then", 0, 0, 720 * MIN_MS, 10000, W(OUTSIDE_STAY) },
        { "stay goes on", 0, 0, 720 * MIN_MS, 10001, 0 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        if (row[i].heat_ms > 0)
            room_heating(&room, row[i].heat_ms);
        else
            room_ready(&room);
        room.state.is_resting = row[i].rest_ms > 0;
        room.state.rest_until.ms = room.now.mono.ms + row[i].rest_ms;
        room.state.check.expires_at.ms = room.now.mono.ms + row[i].check_ms;
        room_plan(&room, room_owner(), 10000);
        if (row[i].stay_ms != 0) {
            room.state.plan.by.has_stay = true;
            room.state.plan.by.stay_from_ms = room.now.wall.ms;
            room.state.plan.by.stay_until_ms =
                room.now.wall.ms + row[i].stay_ms;
            memset(&event, 0, sizeof(event));
            room_step(&room, &event);
        }
        HG_CHECK_EQ_U64(row[i].label, room.state.plan.at_risk, row[i].want);
    }
}

static void test_gate_plan__is_dropped_with_the_access_behind_it(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_asker(HG_ROLE_GUEST, "g-1"), 600000);
    room_do(&room, HG_EVENT_ACCESS_ENDED);
    assert_true(room.state.plan.is_active);
    room.state.check.state = HG_CHECK_NONE;
    room_plan(&room, room_owner(), 600000);
    room_do(&room, HG_EVENT_ACCESS_ENDED);

    CHECK_STORY("dropped", &room,
                "plan-dropped{access-ended} "
                "!warning:plan-dropped{access-ended} *");
    assert_false(room.state.plan.is_active);
}

static void test_gate_plan__risks_add_up(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_presence(&room, false);
    room_hear(&room);
    room.state.check.expires_at.ms = room.now.mono.ms + 10000;
    room_plan(&room, room_owner(), 10000);
    assert_int_equal(room.state.plan.at_risk,
                     W(CONTROLLER_OFFLINE) | W(CHECK_EXPIRED));
    room.state.plan.by.has_stay = true;
    room.state.plan.by.stay_from_ms = room.now.wall.ms;
    room.state.plan.by.stay_until_ms = room.now.wall.ms + 10000;
    room_do(&room, HG_EVENT_TICK);
    assert_int_equal(room.state.plan.at_risk, W(CONTROLLER_OFFLINE) |
                                                  W(CHECK_EXPIRED) |
                                                  W(OUTSIDE_STAY));
}

static void
test_gate_plan__risk_that_a_stepped_clock_brings_is_told(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.state.check.expires_at.ms = room.now.mono.ms + 10000;
    room_plan(&room, room_owner(), 9999);
    assert_int_equal(room.state.plan.at_risk, 0);
    room.now.wall.ms -= 1;
    room_do(&room, HG_EVENT_CLOCK_STEPPED);
    CHECK_STORY("later by a millisecond", &room,
                "plan-at-risk{check-expired} "
                "!warning:plan-at-risk{check-expired} *");
}

static void test_gate_plan__rest_is_weighed_to_the_millisecond(void **unused)
{
    static const struct {
        const char *label;
        int64_t in_ms;
        uint64_t rest_ms;
        hg_why_set want;
    } row[] = {
        { "ends as it starts", 1, 1, 0 },
        { "ends after it starts", 1, 2, W(RESTING) },
        { "should have started", -1, 1, W(RESTING) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_ready(&room);
        room_plan(&room, room_owner(), 600000);
        room.state.plan.starts_at_ms = room.now.wall.ms + row[i].in_ms;
        room.state.is_resting = true;
        room.state.rest_until.ms = room.now.mono.ms + row[i].rest_ms;
        room.now.wall.is_trusted = false; /* or it would be missed now */
        room_do(&room, HG_EVENT_TICK);
        HG_CHECK_EQ_U64(row[i].label, room.state.plan.at_risk, row[i].want);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_plan__is_accepted_in_order),
        cmocka_unit_test(test_gate_plan__is_accepted_at_risk),
        cmocka_unit_test(test_gate_plan__what_no_waiting_mends_is_refused),
        cmocka_unit_test(test_gate_plan__stay_is_judged_no_earlier_than_now),
        cmocka_unit_test(test_gate_plan__only_its_owner_or_staff_replace_it),
        cmocka_unit_test(test_gate_plan__is_cancelled_once),
        cmocka_unit_test(test_gate_plan__is_moved_by_the_forecast),
        cmocka_unit_test(test_gate_plan__starts_when_its_time_has_come),
        cmocka_unit_test(test_gate_plan__is_missed_with_all_that_is_unmet),
        cmocka_unit_test(test_gate_plan__tells_when_its_risk_changes),
        cmocka_unit_test(test_gate_plan__one_late_message_is_no_news),
        cmocka_unit_test(test_gate_plan__late_is_missed_after_the_grace),
        cmocka_unit_test(test_gate_plan__found_long_after_its_time_is_missed),
        cmocka_unit_test(test_gate_plan__waits_for_a_clock_to_rely_on),
        cmocka_unit_test(test_gate_plan__risk_looks_ahead),
        cmocka_unit_test(test_gate_plan__is_dropped_with_the_access_behind_it),
        cmocka_unit_test(test_gate_plan__risks_add_up),
        cmocka_unit_test(
            test_gate_plan__risk_that_a_stepped_clock_brings_is_told),
        cmocka_unit_test(test_gate_plan__rest_is_weighed_to_the_millisecond),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
