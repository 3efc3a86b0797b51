/*
 * While it heats: the door, the lease, the caps, every way to end, and what
 * never revives it.
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

/* Heat for a while with a plausible climb, so that nothing else latches. */
static void climb(struct room *room, uint64_t ms)
{
    room->heater = HG_HEATER_ON;
    for (uint64_t done = 0; done < ms; done += 2000) {
        if (room->air_mc < 78000)
            room->air_mc += 40;
        else
            room->air_mc += (done / 2000) % 2 ? 100 : -100;
        room_run(room, 2000);
    }
}

static void test_gate__open_door_takes_the_permit_first(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    assert_true(room.state.permit.is_live);
    room_pass(&room, 2000);

    room_door(&room, HG_DOOR_OPEN);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room.effects.effect[0].why, HG_WHY_DOOR_OPEN);
    assert_true(room.effects.effect[0].serial > room.state.permit.serial);
    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_true(room.state.session.is_held);
}

static void test_gate__open_door_ends_where_the_policy_says_so(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.policy.door_rule = HG_DOOR_RULE_END;

    room_door(&room, HG_DOOR_OPEN);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_false(room.state.session.is_active);
    assert_int_equal(room.state.last.end, HG_WHY_DOOR_OPEN);
}

static void test_gate__hold_resumes_when_the_door_closes(void **unused)
{
    struct room room;
    uint64_t revoked;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_door(&room, HG_DOOR_OPEN);
    revoked = room.effects.effect[0].serial;
    room_run(&room, 118000);
    assert_true(room.state.session.is_held);

    room_pass(&room, 1000);
    room_door(&room, HG_DOOR_CLOSED);

    assert_non_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_true(room_effect(&room, HG_EFFECT_PERMIT)->serial > revoked);
    assert_non_null(room_record(&room, HG_RECORD_HEAT_RESUMED));
    assert_false(room.state.session.is_held);
}

static void test_gate__hold_ends_at_its_limit(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_door(&room, HG_DOOR_OPEN);

    room_run(&room, 119999);
    assert_true(room.state.session.is_active);
    room_pass(&room, 1);
    room_do(&room, HG_EVENT_TICK);

    assert_false(room.state.session.is_active);
    assert_int_equal(room.state.last.end, HG_WHY_DOOR_HELD_TOO_LONG);
}

static void test_gate__counted_opening_takes_the_permit(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_pass(&room, 2000);
    room.door_count++;

    room_hear(&room);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    room_run(&room, 2000);
    assert_non_null(room_effect(&room, HG_EFFECT_PERMIT));
}

static void test_gate__late_message_with_an_open_door_is_believed(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.controller_start_ms += 8000;
    room_pass(&room, 9000);

    room_door(&room, HG_DOOR_OPEN);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room.state.stream.counts.late, 1);
}

static void
test_gate__half_read_message_with_an_open_door_is_believed(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    event = room_reading(&room);
    event.reading.is_whole = false;
    event.reading.door = HG_DOOR_OPEN;
    event.reading.uptime_ms = 0;

    room_step(&room, &event);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
}

static void test_gate__what_proves_nothing_changes_nothing(void **unused)
{
    static const struct {
        const char *label;
        bool is_retained, is_whole;
        int64_t seq_offset;
    } row[] = {
        { "retained", true, true, 1 },
        { "the same again", false, true, 0 },
        { "an older one", false, true, -1 },
        { "a jump", false, true, HG_SEQ_JUMP_MAX + 1 },
        { "half read, closed", false, false, 1 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_heating(&room, 60 * MIN_MS);
        room_pass(&room, 14999);
        event = room_reading(&room);
        event.reading.seq =
            (uint64_t)((int64_t)room.seq - 1 + row[i].seq_offset);
        event.reading.is_retained = row[i].is_retained;
        event.reading.is_whole = row[i].is_whole;
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.session.is_active, true);
        room_pass(&room, 1);
        room_do(&room, HG_EVENT_TICK);

        HG_CHECK_EQ(row[i].label, room.state.session.is_active, false);
        HG_CHECK_EQ(row[i].label, room.state.last.end, HG_WHY_TELEMETRY_STALE);
    }
}

static void test_gate__gap_is_stale_even_when_noticed_afterwards(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_pass(&room, 15000);

    room_hear(&room);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room.state.last.end, HG_WHY_TELEMETRY_STALE);
    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
}

static void test_gate__permit_is_renewed_at_a_third_of_the_lease(void **unused)
{
    struct room room;
    uint64_t serial;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    serial = room.state.permit.serial;
    room_pass(&room, 9999);
    room_hear(&room);
    assert_null(room_effect(&room, HG_EFFECT_PERMIT));

    room_pass(&room, 1);
    room_do(&room, HG_EVENT_TICK);

    assert_int_equal(room_effect(&room, HG_EFFECT_PERMIT)->serial, serial + 1);
    assert_int_equal(room_effect(&room, HG_EFFECT_PERMIT)->ttl_ms, 30000);
}

static void test_gate__late_data_are_not_renewed_on(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.controller_start_ms += 6000;
    room_pass(&room, 10000);

    room_hear(&room);

    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_true(room.state.session.is_active);
}

static void test_gate__last_permit_ends_with_the_session(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, MIN_MS);
    climb(&room, MIN_MS - 10000);
    room_pass(&room, 1000);
    room_do(&room, HG_EVENT_TICK);

    assert_true(room.state.permit.until.ms <=
                room.state.session.started_at.ms + MIN_MS);
    room_pass(&room, 9000);
    room_do(&room, HG_EVENT_TICK);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room.state.last.end, HG_WHY_TIME_UP);
}

static void test_gate__caps_by_class_end_the_heat_and_let_it_rest(void **unused)
{
    static const struct {
        const char *label;
        enum hg_usage_class usage_class;
        uint64_t cap_min, rest_min;
    } row[] = {
        { "private", HG_USAGE_PRIVATE, 360, 0 },
        { "semi-public", HG_USAGE_SEMI_PUBLIC, 720, 360 },
        { "public", HG_USAGE_PUBLIC, 1080, 0 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_ready(&room);
        room.policy.usage_class = row[i].usage_class;
        room.policy.session_cap_ms = row[i].cap_min * MIN_MS;
        room.policy.rest_after_cap_ms = row[i].rest_min * MIN_MS;
        event = room_heat(&room, room_owner(), row[i].cap_min * MIN_MS);
        room_step(&room, &event);
        room_commit(&room);
        climb(&room, row[i].cap_min * MIN_MS - 2000);
        HG_CHECK_EQ(row[i].label, room.state.session.is_active, true);
        room_run(&room, 2000);

        HG_CHECK_EQ(row[i].label, room.state.session.is_active, false);
        HG_CHECK_EQ(row[i].label, room.state.last.end, HG_WHY_CAP_REACHED);
        HG_CHECK_EQ(row[i].label, room.state.is_resting, row[i].rest_min > 0);
        room.heater = HG_HEATER_OFF;
        if (row[i].rest_min > 0) {
            room_run(&room, row[i].rest_min * MIN_MS - 1);
            HG_CHECK_EQ(row[i].label, room.state.is_resting, true);
            room_run(&room, 1);
            HG_CHECK_EQ(row[i].label, room.state.is_resting, false);
        }
    }
}

static void ask_change(struct room *room, struct hg_asker asker,
                       uint64_t duration_ms)
{
    struct hg_event event = room_heat(room, asker, duration_ms);

    event.kind = HG_EVENT_CHANGE;
    event.heat.has_target = false;
    room_step(room, &event);
}

static void test_gate__change_counts_from_the_first_permit(void **unused)
{
    struct room room;
    uint64_t started_ms;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    started_ms = room.state.session.started_at.ms;
    climb(&room, 10 * MIN_MS);

    ask_change(&room, room_owner(), 360 * MIN_MS + 1);
    assert_int_equal(room_reasons(&room), W(DURATION_OVER_CAP));
    ask_change(&room, room_owner(), 360 * MIN_MS);
    assert_int_equal(room.state.session.ends_at.ms, started_ms + 60 * MIN_MS);
    ask_change(&room, room_owner(), 120 * MIN_MS);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                     HG_VERDICT_BUSY);
    room_commit(&room);

    assert_int_equal(room.state.session.ends_at.ms, started_ms + 360 * MIN_MS);
    assert_non_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_int_equal(room.state.session.target_mc, 80000);
}

static void test_gate__change_to_less_than_elapsed_ends(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    climb(&room, 10 * MIN_MS);

    ask_change(&room, room_owner(), 5 * MIN_MS);
    room_commit(&room);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room.state.last.end, HG_WHY_TIME_UP);
}

static void test_gate__change_is_for_starter_and_staff(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        const char *id;
        int verdict; /* -1: accepted, waits for its record */
    } row[] = {
        { "the starter", HG_ROLE_GUEST, "g-1", -1 },
        { "another guest", HG_ROLE_GUEST, "g-2", HG_VERDICT_NOT_ALLOWED },
        { "an integrator", HG_ROLE_INTEGRATOR, "i-1", HG_VERDICT_NOT_ALLOWED },
        { "a manager", HG_ROLE_MANAGER, "m-1", -1 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;
        const struct hg_effect *answer;

        room_ready(&room);
        event = room_heat(&room, room_asker(HG_ROLE_GUEST, "g-1"), 60 * MIN_MS);
        room_step(&room, &event);
        room_commit(&room);
        ask_change(&room, room_asker(row[i].role, row[i].id), 30 * MIN_MS);
        answer = room_effect(&room, HG_EFFECT_ANSWER);
        HG_CHECK_EQ(row[i].label, answer == NULL ? -1 : (int)answer->verdict,
                    row[i].verdict);
    }
}

static void test_gate__stop_is_first_and_never_refused(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_do(&room, HG_EVENT_JOURNAL_FAILED);
    assert_int_equal(room.state.last.end, HG_WHY_JOURNAL_UNAVAILABLE);

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_STOP; /* by nobody known, in a room without link */
    event.asker.request = 99;
    room_do(&room, HG_EVENT_LINK_DOWN);
    room_step(&room, &event);

    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_int_equal(room_effect(&room, HG_EFFECT_ANSWER)->verdict,
                     HG_VERDICT_GRANTED);
}

static void test_gate__stop_while_the_record_is_written(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);

    room_do(&room, HG_EVENT_STOP);
    room_commit(&room);

    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_false(room.state.session.is_active);
}

/* Each of these events alone ends a running heat with a revoke first. */
static void end_link(struct room *room)
{
    room_do(room, HG_EVENT_LINK_DOWN);
}
static void end_new_link(struct room *room)
{
    room_do(room, HG_EVENT_LINK_UP);
}
static void end_offline(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PRESENCE;
    room_step(room, &event);
}
static void end_journal(struct room *room)
{
    room_do(room, HG_EVENT_JOURNAL_FAILED);
}
static void end_shutdown(struct room *room)
{
    room_do(room, HG_EVENT_SHUTDOWN);
}
static void end_access(struct room *room)
{
    room_do(room, HG_EVENT_ACCESS_ENDED);
}
static void end_boot(struct room *room)
{
    room_new_boot(room, "b2");
    room_hear(room);
}
static void end_local_stop(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    memcpy(event.local.boot, room->boot, HG_BOOT_BYTES);
    event.local.seq = ++room->event_seq;
    event.local.what = HG_LOCAL_STOP;
    room_step(room, &event);
}
static void end_rival(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = room->state.serial;
    event.heard.is_heat = true;
    room_step(room, &event);
}
static void end_clock_back(struct room *room)
{
    room->now.mono.ms -= 1;
    room_do(room, HG_EVENT_TICK);
}
static void end_air_null(struct room *room)
{
    struct hg_event event = room_reading(room);

    event.reading.has_air = false;
    room_step(room, &event);
}
static void end_air_jump(struct room *room)
{
    room->air_mc += 20000 + 6001;
    room_pass(room, 2000);
    room_hear(room);
}
static void end_door_null(struct room *room)
{
    room_door(room, HG_DOOR_UNKNOWN);
}

static void test_gate__every_end_revokes_first(void **unused)
{
    static const struct {
        const char *label;
        void (*act)(struct room *room);
        enum hg_why want;
    } row[] = {
        { "link down", end_link, HG_WHY_BROKER_DOWN },
        { "a new link", end_new_link, HG_WHY_CONTROLLER_OFFLINE },
        { "offline", end_offline, HG_WHY_CONTROLLER_OFFLINE },
        { "journal", end_journal, HG_WHY_JOURNAL_UNAVAILABLE },
        { "shutdown", end_shutdown, HG_WHY_GATEWAY_RESTART },
        { "access", end_access, HG_WHY_ACCESS_ENDED },
        { "reboot", end_boot, HG_WHY_CONTROLLER_RESTARTED },
        { "panel", end_local_stop, HG_WHY_STOPPED },
        { "rival", end_rival, HG_WHY_RIVAL_GATEWAY },
        { "boot clock back", end_clock_back, HG_WHY_TELEMETRY_STALE },
        { "air null", end_air_null, HG_WHY_SENSOR_FAULT },
        { "air jump", end_air_jump, HG_WHY_SENSOR_FAULT },
        { "door null", end_door_null, HG_WHY_DOOR_UNKNOWN },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        const struct hg_effect *first;
        struct hg_effect bare; /* what a revoke says, and nothing else */
        struct room room;

        room_heating(&room, 60 * MIN_MS);
        row[i].act(&room);

        first = &room.effects.effect[0];
        memset(&bare, 0, sizeof(bare));
        bare.kind = HG_EFFECT_REVOKE;
        bare.serial = first->serial;
        bare.why = first->why;
        HG_CHECK_EQ(row[i].label, memcmp(first, &bare, sizeof(bare)), 0);
        HG_CHECK_EQ(row[i].label, room.state.session.is_active, false);
        HG_CHECK_EQ(row[i].label, room.state.permit.is_live, false);
        HG_CHECK_EQ(row[i].label, room.state.last.end, row[i].want);
        HG_CHECK_EQ(row[i].label, room.effects.is_overfull, false);
        HG_CHECK_EQ(row[i].label,
                    room_record(&room, HG_RECORD_HEAT_ENDED) != NULL, true);
    }
}

static void test_gate__serials_rise_above_a_rival(void **unused)
{
    struct room room;
    struct hg_event event;
    uint64_t foreign = (UINT64_C(41) << HG_EPOCH_SHIFT) + 5;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = foreign;

    room_step(&room, &event);

    assert_true(room.effects.effect[0].serial > foreign);
    assert_int_equal(room_effect(&room, HG_EFFECT_EPOCH)->epoch, 42);
    assert_true(room.state.lockouts & W(RIVAL_GATEWAY));
}

/* Two gateways that answered each other's revokes would never come to rest. */
static void test_gate__leaves_a_rivals_revoke_alone_once_locked(void **unused)
{
    struct room room;
    struct hg_event event;
    uint64_t foreign = (UINT64_C(41) << HG_EPOCH_SHIFT) + 5;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = foreign;
    room_step(&room, &event); /* the first is answered: something was lent */
    assert_true(room_effect(&room, HG_EFFECT_REVOKE) != NULL);

    foreign += UINT64_C(2) << HG_EPOCH_SHIFT;
    event.heard.serial = foreign;
    room_step(&room, &event);
    assert_true(room_effect(&room, HG_EFFECT_REVOKE) == NULL);
    assert_true(room.state.serial > foreign);
    assert_int_equal(room_effect(&room, HG_EFFECT_EPOCH)->epoch, 44);

    event.heard.serial = room.state.serial;
    event.heard.is_heat = true; /* heat is taken back each time */
    room_step(&room, &event);
    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
    assert_true(room.effects.effect[0].serial > event.heard.serial);
}

static void test_gate__serial_out_of_range_is_ignored(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = HG_SERIAL_LIMIT;
    room_step(&room, &event);
    assert_true(room.state.session.is_active);

    event.heard.serial = room.state.serial - 1;
    room_step(&room, &event);
    assert_true(room.state.session.is_active);
    assert_int_equal(room.state.stream.counts.foreign, 2);
}

static void test_gate__used_up_serials_grant_nothing(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = HG_SERIAL_LIMIT - 1;

    room_step(&room, &event);
    event = room_heat(&room, room_owner(), MIN_MS);
    room_step(&room, &event);

    assert_true(room_reasons(&room) & W(RIVAL_GATEWAY));
    assert_true(room.state.serial < HG_SERIAL_LIMIT);
}

static void test_gate__restart_heats_nothing_and_serials_rise(void **unused)
{
    struct room room;
    struct hg_gate_memory memory;
    uint64_t serial;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    serial = room.state.serial;
    hg_gate_remember(&room.state, &memory);
    hg_gate_init(&room.policy, &memory, room.now, 8, &room.state);
    room_connect(&room);

    assert_null(room_effect(&room, HG_EFFECT_PERMIT));
    assert_false(room.state.session.is_active);
    assert_true(room.state.serial > serial);
    assert_int_equal(room.state.check.state, HG_CHECK_USED);
}

static void test_gate__heat_from_the_panel_may_end_in_peace(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_run(&room, 10 * MIN_MS); /* long after any permit */
    room_local(&room, HG_LOCAL_START);
    climb(&room, 10 * MIN_MS);
    room_local(&room, HG_LOCAL_STOP);

    climb(&room, 58000); /* still reported on for less than two leases */
    assert_int_equal(room.state.lockouts, 0);
    climb(&room, 4000);

    assert_int_equal(room.state.lockouts, W(HEATER_UNBIDDEN));
}

static void test_gate__repeated_revoke_spares_a_new_grant(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    room_run(&room, 40000);
    room.heater = HG_HEATER_ON;
    room_run(&room, 2000);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room.state.revoked_at.ms = 0; /* long ago: the repeat is due */

    room_commit(&room);

    assert_null(room_effect(&room, HG_EFFECT_REVOKE));
    assert_non_null(room_effect(&room, HG_EFFECT_PERMIT));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate__open_door_takes_the_permit_first),
        cmocka_unit_test(test_gate__open_door_ends_where_the_policy_says_so),
        cmocka_unit_test(test_gate__hold_resumes_when_the_door_closes),
        cmocka_unit_test(test_gate__hold_ends_at_its_limit),
        cmocka_unit_test(test_gate__counted_opening_takes_the_permit),
        cmocka_unit_test(test_gate__late_message_with_an_open_door_is_believed),
        cmocka_unit_test(
            test_gate__half_read_message_with_an_open_door_is_believed),
        cmocka_unit_test(test_gate__what_proves_nothing_changes_nothing),
        cmocka_unit_test(test_gate__gap_is_stale_even_when_noticed_afterwards),
        cmocka_unit_test(test_gate__permit_is_renewed_at_a_third_of_the_lease),
        cmocka_unit_test(test_gate__late_data_are_not_renewed_on),
        cmocka_unit_test(test_gate__last_permit_ends_with_the_session),
        cmocka_unit_test(test_gate__caps_by_class_end_the_heat_and_let_it_rest),
        cmocka_unit_test(test_gate__change_counts_from_the_first_permit),
        cmocka_unit_test(test_gate__change_to_less_than_elapsed_ends),
        cmocka_unit_test(test_gate__change_is_for_starter_and_staff),
        cmocka_unit_test(test_gate__stop_is_first_and_never_refused),
        cmocka_unit_test(test_gate__stop_while_the_record_is_written),
        cmocka_unit_test(test_gate__every_end_revokes_first),
        cmocka_unit_test(test_gate__serials_rise_above_a_rival),
        cmocka_unit_test(test_gate__leaves_a_rivals_revoke_alone_once_locked),
        cmocka_unit_test(test_gate__serial_out_of_range_is_ignored),
        cmocka_unit_test(test_gate__used_up_serials_grant_nothing),
        cmocka_unit_test(test_gate__restart_heats_nothing_and_serials_rise),
        cmocka_unit_test(test_gate__heat_from_the_panel_may_end_in_peace),
        cmocka_unit_test(test_gate__repeated_revoke_spares_a_new_grant),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
