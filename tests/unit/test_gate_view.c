/*
 * What goes into a room at service start, what is kept of it, what can be
 * seen; the ranges of a policy; the names of records.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "gate_room.h"

#define W(name) HG_WHY_BIT(HG_WHY_##name)
#define DAY_MS  (UINT64_C(1440) * MIN_MS)

static struct hg_gate_view look(const struct room *room)
{
    struct hg_gate_view view;

    memset(&view, 0xa5, sizeof(view));
    hg_gate_view(&room->policy, &room->state, room->now, &view);
    return view;
}

static void test_gate_view__new_room_shows_why_it_refuses(void **unused)
{
    struct room room;
    struct hg_gate_view view;

    (void)unused;
    room_init(&room);
    view = look(&room);

    assert_int_equal(view.phase, HG_PHASE_IDLE);
    assert_false(view.is_fresh);
    assert_int_equal(view.door, HG_DOOR_UNKNOWN);
    assert_int_equal(view.check, HG_CHECK_NONE);
    assert_false(view.has_check_until);
    assert_false(view.is_evidence_there);
    assert_int_equal(view.reasons, W(TELEMETRY_STALE) | W(DOOR_UNKNOWN) |
                                       W(BROKER_DOWN) | W(CONTROLLER_OFFLINE) |
                                       W(CHECK_MISSING));
}

static void test_gate_view__ready_room_may_start(void **unused)
{
    struct room room;
    struct hg_gate_view view;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_look_in(&room);
    assert_true(look(&room).is_evidence_there);
    room_sign_as(&room, room_owner());
    view = look(&room);

    assert_true(view.is_fresh);
    assert_int_equal(view.door, HG_DOOR_CLOSED);
    assert_int_equal(view.check, HG_CHECK_VALID);
    assert_int_equal(view.check_why, HG_WHY_NONE);
    assert_true(view.has_check_until);
    assert_int_equal(view.check_until.ms, room.now.mono.ms + 720 * MIN_MS);
    assert_false(view.is_evidence_there);
    assert_int_equal(view.reasons, 0);
}

static void test_gate_view__code_is_no_evidence_before_it_is_told(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room.policy.evidence = HG_EVIDENCE_PLACE_CODE;
    room_connect(&room);

    assert_false(look(&room).is_evidence_there);
}

static void test_gate_view__suspended_check_reads_void(void **unused)
{
    struct room room;
    struct hg_gate_view view;

    (void)unused;
    room_ready(&room);
    room_pass(&room, 15000);
    room_do(&room, HG_EVENT_TICK);
    view = look(&room);

    assert_int_equal(view.check, HG_CHECK_VOID);
    assert_int_equal(view.check_why, HG_WHY_TELEMETRY_STALE);
    assert_false(view.has_check_until);
}

static void test_gate_view__phases(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_plan(&room, room_owner(), 600000);
    assert_int_equal(look(&room).phase, HG_PHASE_PLANNED);
    room_heating(&room, 60 * MIN_MS);
    room_plan(&room, room_owner(), 600000);
    assert_int_equal(look(&room).phase, HG_PHASE_HEATING);
    assert_int_equal(look(&room).reasons,
                     W(CHECK_MISSING) | W(ALREADY_HEATING));
    room_door(&room, HG_DOOR_OPEN);
    assert_int_equal(look(&room).phase, HG_PHASE_HOLDING);
    room_lockout(&room, HG_EVENT_LOCKOUT_SET, room_owner(), HG_WHY_LOCKED_OUT);
    assert_int_equal(look(&room).phase, HG_PHASE_LOCKED);
}

static void test_gate_preview__lets_time_pass_and_changes_nothing(void **unused)
{
    struct room room;
    struct hg_gate_state before;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    before = room.state;
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    event.at = room.now;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event), 0);
    event.at.mono.ms += 15000;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event),
                     W(TELEMETRY_STALE) | W(DOOR_UNKNOWN) | W(CHECK_VOID));
    assert_memory_equal(&before, &room.state, sizeof(before));
}

static void test_gate_init__nothing_is_believed(void **unused)
{
    struct room room;

    (void)unused;
    memset(&room.state, 0xa5, sizeof(room.state));
    room_init(&room);

    assert_false(room.state.is_link_up);
    assert_false(room.state.is_online);
    assert_true(room.state.is_journal_ok);
    assert_int_equal(room.state.epoch, 7);
    assert_int_equal(room.state.serial, UINT64_C(7) << HG_EPOCH_SHIFT);
    assert_int_equal(room.state.silent_until.ms,
                     room.now.mono.ms + room.policy.lease_ms);
    assert_int_equal(room.state.now.mono.ms, room.now.mono.ms);
    assert_int_equal(room.state.now.wall.ms, room.now.wall.ms);
}

static void test_gate_init__epoch_is_kept_in_its_range(void **unused)
{
    static const struct {
        const char *label;
        uint64_t epoch, want;
    } row[] = {
        { "below", HG_EPOCH_MAX - 1, HG_EPOCH_MAX - 1 },
        { "at", HG_EPOCH_MAX, HG_EPOCH_MAX },
        { "above", HG_EPOCH_MAX + 1, HG_EPOCH_MAX },
    };
    struct room room;

    (void)unused;
    room_init(&room);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        hg_gate_init(&room.policy, NULL, room.now, row[i].epoch, &room.state);
        HG_CHECK_EQ_U64(row[i].label, room.state.epoch, row[i].want);
        HG_CHECK_EQ_U64(row[i].label, room.state.serial,
                        row[i].want << HG_EPOCH_SHIFT);
    }
}

static void fill_memory(struct room *room)
{
    struct hg_event event;

    room_ready(room);
    room_plan(room, room_asker(HG_ROLE_GUEST, "g-1"), 600000);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMISSIONED;
    event.proof_at_ms = room->now.wall.ms - 77;
    room_step(room, &event);
    room->state.is_resting = true;
    room->state.rest_until.ms = room->now.mono.ms + 5000;
    room->state.is_local = true;
    room->state.local_at.ms = room->now.mono.ms - 4000;
    room->state.last.has_one = true;
    room->state.last.end = HG_WHY_TIME_UP;
}

static void test_gate_remember__what_outlives_the_service(void **unused)
{
    struct room room;
    struct hg_gate_memory memory;

    (void)unused;
    fill_memory(&room);
    memset(&memory, 0xa5, sizeof(memory));
    hg_gate_remember(&room.state, &memory);

    assert_true(memory.is_commissioned);
    assert_int_equal(memory.proof_at_ms, room.now.wall.ms - 77);
    assert_int_equal(memory.lockouts, 0);
    assert_int_equal(memory.rest_left_ms, 5000);
    assert_int_equal(memory.check.state, HG_CHECK_VALID);
    assert_int_equal(memory.check_left_ms, 720 * MIN_MS);
    assert_int_equal(memory.boot_count, 1);
    assert_string_equal(memory.boot[0].boot, "b1");
    assert_int_equal(memory.boot[0].telemetry_seq, room.seq);
    assert_true(memory.plan.is_active);
    assert_true(memory.last.has_one);
    assert_true(memory.is_local);
    assert_int_equal(memory.local_for_ms, 4000);
}

static void test_gate_remember__is_taken_up_where_it_was_left(void **unused)
{
    struct room room;
    struct hg_gate_memory memory;
    const struct hg_gate_state *state = &room.state;

    (void)unused;
    fill_memory(&room);
    hg_gate_remember(&room.state, &memory);
    room.now.mono.ms = 50000; /* the host was restarted, too */
    hg_gate_init(&room.policy, &memory, room.now, 8, &room.state);

    assert_true(state->is_commissioned);
    assert_int_equal(state->proof_at_ms, room.now.wall.ms - 77);
    assert_true(state->is_resting);
    assert_int_equal(state->rest_until.ms, 55000);
    assert_int_equal(state->check.expires_at.ms, 50000 + 720 * MIN_MS);
    assert_int_equal(state->stream.boot_count, 1);
    assert_string_equal(state->stream.boot[0].boot, "b1");
    assert_true(state->plan.is_active);
    assert_string_equal(state->plan.by.actor.id, "g-1");
    assert_int_equal(state->last.end, HG_WHY_TIME_UP);
    assert_true(state->is_local);
    assert_int_equal(state->local_at.ms, 46000);
    assert_false(state->session.is_active);
    assert_false(state->stream.is_fresh);
}

static void test_gate_remember__nothing_left_is_nothing(void **unused)
{
    struct room room;
    struct hg_gate_memory memory;

    (void)unused;
    room_ready(&room);
    room.state.rest_until.ms = room.now.mono.ms + 5000; /* but not resting */
    room.state.local_at.ms = 1;                         /* but not local */
    hg_gate_remember(&room.state, &memory);
    assert_int_equal(memory.rest_left_ms, 0);
    assert_int_equal(memory.local_for_ms, 0);
    memory.lockouts = ~UINT64_C(0); /* a file from elsewhere */
    memory.boot_count = HG_BOOTS_KEPT + 1;
    hg_gate_init(&room.policy, &memory, room.now, 8, &room.state);

    assert_false(room.state.is_resting);
    assert_false(room.state.is_local);
    assert_int_equal(room.state.stream.boot_count, HG_BOOTS_KEPT);
    assert_int_equal(room.state.lockouts,
                     W(OVER_TEMPERATURE) | W(NO_RISE) | W(HEATER_UNBIDDEN) |
                         W(RIVAL_GATEWAY) | W(SENSOR_FAULT) | W(LOCKED_OUT));
}

static void test_gate_remember__used_check_stays_used(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_restart(&room);

    assert_int_equal(room.state.check.state, HG_CHECK_USED);
    assert_false(room.state.check.is_suspended);
    assert_int_equal(room.state.check.why, HG_WHY_NONE);
}

/* One member of the policy, its range, and how to set it. */
#define RANGE(member, low, high)                                               \
    {                                                                          \
#member, offsetof(struct hg_policy, member),                           \
            sizeof(((struct hg_policy *)0)->member), (int64_t)(low),           \
            (int64_t)(high)                                                    \
    }

static void set_member(struct hg_policy *policy, size_t offset, size_t size,
                       int64_t value)
{
    int32_t narrow = (int32_t)value;

    /* enums and 32-bit members; a wide one is a uint64_t */
    if (size == sizeof(value))
        memcpy((char *)policy + offset, &value, size);
    else
        memcpy((char *)policy + offset, &narrow, sizeof(narrow));
}

static void test_gate_policy__ranges_hold_at_their_edges(void **unused)
{
    static const struct {
        const char *name;
        size_t offset, size;
        int64_t low, high;
    } row[] = {
        RANGE(session_cap_ms, MIN_MS, 360 * MIN_MS),
        RANGE(target_min_mc, 30000, 90000),
        RANGE(heater_w, 500, 60000),
        RANGE(lease_ms, 5000, 120000),
        RANGE(stale_after_ms, 3000, 60000),
        RANGE(late_after_ms, 1000, 30000),
        RANGE(evidence, HG_EVIDENCE_DOOR_CYCLE, HG_EVIDENCE_PLACE_CODE),
        RANGE(look_in_window_ms, MIN_MS, 60 * MIN_MS),
        RANGE(check_valid_ms, 5 * MIN_MS, 1440 * MIN_MS),
        RANGE(door_rule, HG_DOOR_RULE_END, HG_DOOR_RULE_HOLD),
        RANGE(door_hold_max_ms, 5000, 300000),
        RANGE(over_temp_mc, 95000, 125000),
        RANGE(no_rise_mc, 1000, 20000),
        RANGE(no_rise_ms, 5 * MIN_MS, 60 * MIN_MS),
        RANGE(rest_after_cap_ms, 0, 1440 * MIN_MS),
        RANGE(door_proof_ms, DAY_MS, 366 * DAY_MS),
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        const int64_t value[] = { row[i].low - 1, row[i].low, row[i].high,
                                  row[i].high + 1 };

        for (int k = 0; k < 4; k++) {
            struct hg_policy policy = room_policy();

            set_member(&policy, row[i].offset, row[i].size, value[k]);
            HG_CHECK_STR(row[i].name, hg_policy_check(&policy),
                         k == 0 || k == 3 ? row[i].name : NULL);
        }
    }
}

static void test_gate_policy__ranges_that_depend_on_others(void **unused)
{
    struct hg_policy policy = room_policy();

    (void)unused;
    policy.target_max_mc = 29999;
    assert_string_equal(hg_policy_check(&policy), "target_max_mc");
    policy.target_max_mc = 30000;
    policy.target_min_mc = 30000;
    assert_null(hg_policy_check(&policy));
    policy.target_max_mc = 110001;
    assert_string_equal(hg_policy_check(&policy), "target_max_mc");
    policy.target_max_mc = 110000;
    policy.over_temp_mc = 115000;
    assert_null(hg_policy_check(&policy));
    policy.over_temp_mc = 114999;
    assert_string_equal(hg_policy_check(&policy), "over_temp_mc");
    policy = room_policy();
    policy.usage_class = (enum hg_usage_class)(HG_USAGE_PUBLIC + 1);
    assert_string_equal(hg_policy_check(&policy), "usage_class");
    policy.usage_class = HG_USAGE_SEMI_PUBLIC;
    policy.session_cap_ms = 720 * MIN_MS;
    assert_null(hg_policy_check(&policy));
    policy.session_cap_ms++;
    assert_string_equal(hg_policy_check(&policy), "session_cap_ms");
}

static void test_gate_policy__caps_by_class(void **unused)
{
    (void)unused;
    assert_int_equal(hg_policy_class_cap_ms(HG_USAGE_PRIVATE), 360 * MIN_MS);
    assert_int_equal(hg_policy_class_cap_ms(HG_USAGE_SEMI_PUBLIC),
                     720 * MIN_MS);
    assert_int_equal(hg_policy_class_cap_ms(HG_USAGE_PUBLIC), 1080 * MIN_MS);
    assert_int_equal(hg_policy_class_cap_ms((enum hg_usage_class)99),
                     360 * MIN_MS);
}

/* A cap above the class cap never counts, whatever the policy says. */
static void test_gate_policy__class_cap_is_never_exceeded(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room.policy.session_cap_ms = 361 * MIN_MS;
    event = room_heat(&room, room_owner(), 360 * MIN_MS);
    event.at = room.now;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event), 0);
    event.heat.duration_ms++;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event),
                     W(DURATION_OVER_CAP));
    room.policy.session_cap_ms = 60 * MIN_MS;
    event.heat.duration_ms = 60 * MIN_MS + 1;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event),
                     W(DURATION_OVER_CAP));
}

static void test_gate_policy__top_target_is_never_exceeded(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room.policy.target_max_mc = 130000;
    event = room_heat(&room, room_owner(), MIN_MS);
    event.at = room.now;
    event.heat.target_mc = HG_TARGET_TOP_MC;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event), 0);
    event.heat.target_mc++;
    assert_int_equal(hg_gate_preview(&room.policy, &room.state, &event),
                     W(TARGET_OUT_OF_RANGE));
}

static void test_gate_record__codes_are_stable_and_distinct(void **unused)
{
    (void)unused;
    assert_string_equal(hg_record_code(HG_RECORD_NONE), "none");
    assert_string_equal(hg_record_code(HG_RECORD_HEAT_GRANTED), "heat-granted");
    assert_string_equal(hg_record_code(HG_RECORD_COMMISSIONED), "commissioned");
    assert_string_equal(hg_record_code(HG_RECORD_COUNT), "none");
    assert_string_equal(hg_record_code((enum hg_record) - 1), "none");
    for (int a = 0; a < HG_RECORD_COUNT; a++)
        for (int b = a + 1; b < HG_RECORD_COUNT; b++)
            assert_string_not_equal(hg_record_code((enum hg_record)a),
                                    hg_record_code((enum hg_record)b));
}

static void test_gate_remember__last_moment_of_rest_is_kept(void **unused)
{
    struct room room;
    struct hg_gate_memory memory;

    (void)unused;
    room_init(&room);
    memset(&memory, 0, sizeof(memory));
    memory.rest_left_ms = 1;
    hg_gate_init(&room.policy, &memory, room.now, 8, &room.state);

    assert_true(room.state.is_resting);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_view__new_room_shows_why_it_refuses),
        cmocka_unit_test(test_gate_view__ready_room_may_start),
        cmocka_unit_test(test_gate_view__code_is_no_evidence_before_it_is_told),
        cmocka_unit_test(test_gate_view__suspended_check_reads_void),
        cmocka_unit_test(test_gate_view__phases),
        cmocka_unit_test(test_gate_preview__lets_time_pass_and_changes_nothing),
        cmocka_unit_test(test_gate_init__nothing_is_believed),
        cmocka_unit_test(test_gate_init__epoch_is_kept_in_its_range),
        cmocka_unit_test(test_gate_remember__what_outlives_the_service),
        cmocka_unit_test(test_gate_remember__is_taken_up_where_it_was_left),
        cmocka_unit_test(test_gate_remember__nothing_left_is_nothing),
        cmocka_unit_test(test_gate_remember__used_check_stays_used),
        cmocka_unit_test(test_gate_policy__ranges_hold_at_their_edges),
        cmocka_unit_test(test_gate_policy__ranges_that_depend_on_others),
        cmocka_unit_test(test_gate_policy__caps_by_class),
        cmocka_unit_test(test_gate_policy__class_cap_is_never_exceeded),
        cmocka_unit_test(test_gate_policy__top_target_is_never_exceeded),
        cmocka_unit_test(test_gate_record__codes_are_stable_and_distinct),
        cmocka_unit_test(test_gate_remember__last_moment_of_rest_is_kept),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
