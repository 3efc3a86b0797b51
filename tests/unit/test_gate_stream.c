/*
 * Messages from the controller and events of the machinery: boots, replays,
 * lateness, epochs, the link, the journal.
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

static void test_gate_stream__first_reading_is_told(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_do(&room, HG_EVENT_LINK_UP);
    CHECK_STORY("link", &room, "-gateway-restart *");
    room_presence(&room, true);
    CHECK_STORY("presence", &room, "*");
    room_presence(&room, true);
    CHECK_STORY("presence again", &room, "");
    room_hear(&room);
    CHECK_STORY("reading", &room, "telemetry-back *");
    assert_int_equal(room.state.stream.counts.fresh, 1);
    assert_int_equal(room.state.stream.boot_count, 1);
    room_hear(&room);
    CHECK_STORY("the next one", &room, "");
}

static void test_gate_stream__loss_is_told_once(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_presence(&room, false);
    CHECK_STORY("offline", &room, "* telemetry-lost/controller-offline");
    room_do(&room, HG_EVENT_LINK_DOWN);
    CHECK_STORY("link down after it", &room, "*");
    assert_int_equal(room.state.stream.door, HG_DOOR_UNKNOWN);
}

static void test_gate_stream__open_door_stays_believed_over_a_gap(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_door(&room, HG_DOOR_OPEN);
    CHECK_STORY("opened", &room, "*");
    room_door(&room, HG_DOOR_OPEN);
    CHECK_STORY("still open", &room, "");
    room_do(&room, HG_EVENT_LINK_DOWN);
    assert_int_equal(room.state.stream.door, HG_DOOR_OPEN);
    /* what was seen before the gap is no look-in any more */
    room_do(&room, HG_EVENT_LINK_UP);
    room_presence(&room, true);
    room_door(&room, HG_DOOR_CLOSED);
    assert_false(room.state.look.has_cycle);
}

static void test_gate_stream__new_boot_begins_anew(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_new_boot(&room, "b2");
    room_hear(&room);

    CHECK_STORY("restarted", &room,
                "-controller-restarted telemetry-lost/controller-restarted * "
                "heat-ended/controller-restarted@controller "
                "!warning:heat-ended/controller-restarted "
                "controller-boot@controller telemetry-back");
    assert_int_equal(room.state.stream.boot_count, 2);
    assert_string_equal(room.state.stream.boot[1].boot, "b1");
    assert_false(room.state.stream.is_late);
}

static void test_gate_stream__new_boot_gives_up_a_waiting_grant(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room_new_boot(&room, "b2");
    room_hear(&room);

    CHECK_STORY("given up", &room,
                "telemetry-lost/controller-restarted * "
                "heat-ended{controller-restarted} "
                "=refused{controller-restarted} "
                "controller-boot@controller telemetry-back");
    assert_int_equal(room_reasons(&room), W(CONTROLLER_RESTARTED));
}

static void test_gate_stream__new_boot_voids_a_check(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room_new_boot(&room, "b2");
    room_hear(&room);

    assert_int_equal(room.state.check.state, HG_CHECK_VOID);
    assert_int_equal(room.state.check.why, HG_WHY_CONTROLLER_RESTARTED);
}

static void test_gate_stream__new_boot_ends_local_heat(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_run(&room, 60000);
    room_local(&room, HG_LOCAL_START);
    room_new_boot(&room, "b2");
    room_hear(&room);

    assert_false(room.state.is_local);
    assert_int_equal(room.state.silent_until.ms, room.now.mono.ms);
}

static void hear_boot(struct room *room, int number, uint64_t seq)
{
    char boot[8];

    snprintf(boot, sizeof(boot), "n%d", number);
    if (strcmp(boot, room->boot) != 0)
        room_new_boot(room, boot);
    room->seq = seq - 1;
    room_hear(room);
}

static void test_gate_stream__eight_boots_are_remembered(void **unused)
{
    struct room room;
    uint64_t fresh;

    (void)unused;
    room_init(&room);
    for (int i = 1; i <= 9; i++)
        hear_boot(&room, i, 5);
    assert_int_equal(room.state.stream.boot_count, HG_BOOTS_KEPT);
    fresh = room.state.stream.counts.fresh;
    for (int i = 2; i <= 8; i++) {
        hear_boot(&room, i, 900); /* however new it says it is */
        assert_int_equal(room.state.stream.counts.replayed, i - 1);
        assert_string_equal(room.state.stream.boot[0].boot, "n9");
    }
    assert_int_equal(room.state.stream.counts.fresh, fresh);
    hear_boot(&room, 1, 5); /* forgotten: it counts as a new start */
    assert_string_equal(room.state.stream.boot[0].boot, "n1");
    assert_string_equal(room.state.stream.boot[7].boot, "n3");
}

static void test_gate_stream__boots_are_remembered_over_a_restart(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    hear_boot(&room, 1, 5);
    hear_boot(&room, 2, 5);
    room_restart(&room);
    hear_boot(&room, 1, 900);
    assert_int_equal(room.state.stream.counts.replayed, 1);
    hear_boot(&room, 2, 5);
    assert_int_equal(room.state.stream.counts.replayed, 2);
    hear_boot(&room, 2, 6);
    assert_int_equal(room.state.stream.counts.fresh, 1);
}

static void test_gate_stream__numbers_of_messages(void **unused)
{
    static const struct {
        const char *label;
        uint64_t seq;
        uint64_t fresh, replayed, jumped;
    } row[] = {
        { "the next", 101, 1, 0, 0 },
        { "the same", 100, 0, 1, 0 },
        { "an older", 99, 0, 1, 0 },
        { "a jump as far as may be", 100 + HG_SEQ_JUMP_MAX, 1, 0, 0 },
        { "a jump too far", 101 + HG_SEQ_JUMP_MAX, 0, 0, 1 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        hear_boot(&room, 1, 100);
        memset(&room.state.stream.counts, 0, sizeof(room.state.stream.counts));
        hear_boot(&room, 1, row[i].seq);
        HG_CHECK_EQ_U64(row[i].label, room.state.stream.counts.fresh,
                        row[i].fresh);
        HG_CHECK_EQ_U64(row[i].label, room.state.stream.counts.replayed,
                        row[i].replayed);
        HG_CHECK_EQ_U64(row[i].label, room.state.stream.counts.jumped,
                        row[i].jumped);
        HG_CHECK_EQ_U64(row[i].label, room.state.stream.boot[0].telemetry_seq,
                        row[i].fresh ? row[i].seq : 100);
    }
}

static void test_gate_stream__first_message_may_have_any_number(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    hear_boot(&room, 1, HG_NUMBER_LIMIT - 1);
    assert_int_equal(room.state.stream.counts.fresh, 1);
    hear_boot(&room, 2, 0);
    assert_int_equal(room.state.stream.counts.fresh, 2);
    hear_boot(&room, 2, 0);
    assert_int_equal(room.state.stream.counts.replayed, 1);
}

static void test_gate_stream__events_and_telemetry_count_apart(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room.event_seq = 0;
    room_local(&room, HG_LOCAL_ROOM_CHECK);
    CHECK_STORY("room check", &room, "local-check@controller *");
    assert_true(room.state.look.has_panel);
    assert_int_equal(room.state.look.panel_at.ms, room.now.mono.ms);
    room.event_seq = 0;
    room_local(&room, HG_LOCAL_START);
    CHECK_STORY("a replay", &room, "");
    assert_false(room.state.is_local);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    memcpy(event.local.boot, room.boot, HG_BOOT_BYTES);
    event.local.seq = 50;
    event.local.is_retained = true;
    event.local.what = HG_LOCAL_START;
    room_step(&room, &event);
    CHECK_STORY("retained", &room, "");
    assert_int_equal(room.state.stream.counts.retained, 1);
    assert_int_equal(room.state.stream.counts.replayed, 1);
}

static void test_gate_stream__local_events_are_told(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_local(&room, HG_LOCAL_FAULT);
    CHECK_STORY("fault", &room,
                "controller-fault@controller !warning:controller-fault");
    room_local(&room, HG_LOCAL_NONE);
    CHECK_STORY("nothing", &room, "");
    room_local(&room, HG_LOCAL_STOP);
    CHECK_STORY("stop", &room, "local-stopped@controller *");
    room_local(&room, HG_LOCAL_START);
    CHECK_STORY("start", &room, "local-started@controller *");
    assert_true(room.state.is_local);
    room_pass(&room, 1000);
    room_local(&room, HG_LOCAL_START);
    assert_int_equal(room.state.local_at.ms, room.now.mono.ms - 1000);
    room_local(&room, HG_LOCAL_STOP);
    assert_false(room.state.is_local);
}

static void test_gate_stream__stop_at_the_panel_ends_everything(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_local(&room, HG_LOCAL_STOP);
    CHECK_STORY("heat", &room,
                "-stopped heat-ended/stopped@controller "
                "!info:heat-ended/stopped * local-stopped@controller");
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room_local(&room, HG_LOCAL_STOP);
    CHECK_STORY("a waiting grant", &room,
                "heat-ended{stopped} =refused{stopped} * "
                "local-stopped@controller");
}

static void test_gate_stream__lateness_is_against_the_quickest(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room.controller_start_ms += 4000; /* the first came 4 s late */
    room_connect(&room);
    room.controller_start_ms += 4999; /* against it, this one is in time */
    room_hear(&room);
    assert_int_equal(room.state.stream.counts.late, 0);
    room.controller_start_ms -= 4999 + 4000; /* the quickest */
    room_hear(&room);
    room.controller_start_ms += 5000;
    room_pass(&room, 999);
    room_hear(&room);
    CHECK_STORY("late", &room, "*");
    assert_int_equal(room.state.stream.counts.late, 1);
    assert_true(room.state.stream.is_late);
    assert_int_equal(room.state.stream.fresh_at.ms, room.now.mono.ms - 999);
    room.controller_start_ms -= 1;
    room_hear(&room);
    assert_false(room.state.stream.is_late);
    assert_int_equal(room.state.stream.counts.late, 1);
}

static void
test_gate_stream__base_rises_two_milliseconds_a_second(void **unused)
{
    static const struct {
        const char *label;
        uint64_t pass_ms, behind_ms;
        bool is_late;
    } row[] = {
        { "as slow as may be", 100000, 5199, false },
        { "slower", 100000, 5200, true },
        { "whole seconds count", 100999, 5200, true },
        { "one more", 101000, 5201, false },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room_connect(&room);
        room_pass(&room, row[i].pass_ms);
        room.controller_start_ms += row[i].behind_ms;
        room_hear(&room);
        HG_CHECK_EQ(row[i].label, room.state.stream.is_late, row[i].is_late);
    }
}

static void test_gate_stream__half_read_message_proves_no_data(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    event = room_reading(&room);
    event.reading.is_whole = false;
    event.reading.door = HG_DOOR_OPEN;
    room_step(&room, &event);
    CHECK_STORY("open", &room, "*");
    assert_int_equal(room.state.stream.counts.fresh, 1);
    event = room_reading(&room);
    event.reading.is_whole = false;
    room_step(&room, &event);
    CHECK_STORY("closed", &room, "");
    assert_int_equal(room.state.stream.door, HG_DOOR_OPEN);
}

static void test_gate_stream__door_changes_are_told(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_door(&room, HG_DOOR_UNKNOWN);
    CHECK_STORY("null", &room, "*");
    assert_int_equal(room.state.stream.door, HG_DOOR_UNKNOWN);
    room_door(&room, HG_DOOR_CLOSED);
    CHECK_STORY("closed", &room, "*");
    assert_false(room.state.look.has_cycle); /* it was not seen to open */
    room_door(&room, HG_DOOR_OPEN);
    room_door(&room, HG_DOOR_UNKNOWN);
    room_door(&room, HG_DOOR_CLOSED);
    assert_false(room.state.look.has_cycle); /* nor to close */
    room_look_in(&room);
    CHECK_STORY("closed after it was open", &room, "*");
    assert_true(room.state.look.has_cycle);
    assert_int_equal(room.state.look.cycle_at.ms, room.now.mono.ms);
    assert_int_equal(room.state.look.open_at.ms, room.now.mono.ms - 1000);
}

static void test_gate_stream__open_at_counts_from_the_opening(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_door(&room, HG_DOOR_OPEN);
    room_run(&room, 4000);
    assert_int_equal(room.state.look.open_at.ms, room.now.mono.ms - 4000);
    /* a second opening makes a look-in of its own */
    room_door(&room, HG_DOOR_CLOSED);
    room_door(&room, HG_DOOR_OPEN);
    assert_false(room.state.look.has_cycle);
    assert_int_equal(room.state.look.open_at.ms, room.now.mono.ms);
}

static void test_gate_stream__counter_alone_tells_of_an_opening(void **unused)
{
    static const struct {
        const char *label;
        bool has_before, has_after, is_more, is_void;
    } row[] = {
        { "the same", 1, 1, 0, false },
        { "one more", 1, 1, 1, true },
        { "none before", 0, 1, 1, false },
        { "none after", 1, 0, 1, false },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room_connect(&room);
        room_look_in(&room);
        room_sign_as(&room, room_owner());
        room.state.stream.reading.has_door_count = row[i].has_before;
        room.has_door_count = row[i].has_after;
        room.door_count += row[i].is_more;
        room_hear(&room);
        HG_CHECK_EQ(row[i].label, room.state.check.state == HG_CHECK_VOID,
                    row[i].is_void);
        HG_CHECK_EQ(row[i].label, room.state.stream.door, HG_DOOR_CLOSED);
        HG_CHECK_EQ(row[i].label, room.state.look.has_open, false);
    }
}

static void test_gate_stream__permit_reports_raise_the_epoch(void **unused)
{
    static const struct {
        const char *label;
        uint64_t permit;
        bool has_permit;
        uint64_t want;
    } row[] = {
        { "ours", (UINT64_C(7) << HG_EPOCH_SHIFT) + 1, true, 7 },
        { "the next", (UINT64_C(7) << HG_EPOCH_SHIFT) + 2, true, 8 },
        { "not reported", (UINT64_C(7) << HG_EPOCH_SHIFT) + 2, false, 7 },
        { "far above", (UINT64_C(900) << HG_EPOCH_SHIFT) + 5, true, 901 },
        { "the highest", HG_SERIAL_LIMIT - 1, true, HG_EPOCH_MAX },
        { "out of range", HG_SERIAL_LIMIT, true, 7 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_init(&room);
        room_connect(&room); /* one revoke: serial 7 << 24, + 1 */
        event = room_reading(&room);
        event.reading.has_permit = row[i].has_permit;
        event.reading.permit = row[i].permit;
        room_step(&room, &event);
        HG_CHECK_EQ_U64(row[i].label, room.state.epoch, row[i].want);
        HG_CHECK_EQ_U64(row[i].label, room.state.serial,
                        (row[i].want << HG_EPOCH_SHIFT) + (row[i].want == 7));
        HG_CHECK_EQ(row[i].label, room_effect(&room, HG_EFFECT_EPOCH) != NULL,
                    row[i].want != 7);
    }
}

static void test_gate_stream__epoch_heard_elsewhere(void **unused)
{
    static const struct {
        const char *label;
        uint64_t epoch, want, serial;
    } row[] = {
        { "ours", 7, 7, (UINT64_C(7) << HG_EPOCH_SHIFT) + 1 },
        { "lower", 6, 7, (UINT64_C(7) << HG_EPOCH_SHIFT) + 1 },
        { "higher", 8, 8, UINT64_C(8) << HG_EPOCH_SHIFT },
        { "highest", HG_EPOCH_MAX, HG_EPOCH_MAX,
          HG_EPOCH_MAX << HG_EPOCH_SHIFT },
        { "out of range", HG_EPOCH_MAX + 1, 7,
          (UINT64_C(7) << HG_EPOCH_SHIFT) + 1 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_init(&room);
        room_connect(&room);
        memset(&event, 0, sizeof(event));
        event.kind = HG_EVENT_EPOCH_HEARD;
        event.epoch = row[i].epoch;
        room_step(&room, &event);
        HG_CHECK_EQ_U64(row[i].label, room.state.epoch, row[i].want);
        HG_CHECK_EQ_U64(row[i].label, room.state.serial, row[i].serial);
        HG_CHECK_EQ(row[i].label, room.effects.count, 0);
    }
}

static void test_gate_stream__serials_cross_into_the_next_epoch(void **unused)
{
    struct room room;
    uint64_t next = UINT64_C(8) << HG_EPOCH_SHIFT;

    (void)unused;
    room_init(&room);
    room.state.serial = next - 1;
    room_do(&room, HG_EVENT_STOP);
    CHECK_STORY("crossed", &room, "-stopped ^8 stop-asked@owner =granted");
    assert_int_equal(room.effects.effect[0].serial, next);
    assert_int_equal(room.state.serial, next);
    /* an epoch that was raised elsewhere lowers no serial */
    room.state.epoch = 7;
    room.state.serial = next + 9;
    {
        struct hg_event event;

        memset(&event, 0, sizeof(event));
        event.kind = HG_EVENT_EPOCH_HEARD;
        event.epoch = 8;
        room_step(&room, &event);
    }
    assert_int_equal(room.state.serial, next + 9);
    room_do(&room, HG_EVENT_STOP);
    assert_int_equal(room.state.serial, next + 10);
}

static void test_gate_stream__last_serials_are_for_revokes(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.state.epoch = HG_EPOCH_MAX;
    room.state.serial = HG_SERIAL_LIMIT - 2;
    room_do(&room, HG_EVENT_STOP);
    assert_int_equal(room.effects.effect[0].serial, HG_SERIAL_LIMIT - 1);
    room_do(&room, HG_EVENT_STOP);
    assert_int_equal(room.effects.effect[0].serial, 0);
    assert_int_equal(room.state.serial, HG_SERIAL_LIMIT - 1);
}

static void test_gate_stream__journal_is_told_and_gates(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room_do(&room, HG_EVENT_JOURNAL_OK);
    CHECK_STORY("it is already", &room, "");
    room_do(&room, HG_EVENT_JOURNAL_FAILED);
    CHECK_STORY("failed", &room,
                "* !alarm:none/journal-unavailable "
                "heat-ended{journal-unavailable} "
                "=refused{journal-unavailable}");
    room_do(&room, HG_EVENT_JOURNAL_FAILED);
    CHECK_STORY("again", &room, "");
    room_do(&room, HG_EVENT_JOURNAL_OK);
    CHECK_STORY("back", &room, "* !info:none/journal-unavailable");
}

static void test_gate_stream__access_that_ends(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_do(&room, HG_EVENT_ACCESS_ENDED);
    CHECK_STORY("heat", &room,
                "-access-ended heat-ended/access-ended "
                "!warning:heat-ended/access-ended *");
    room_ready(&room);
    room.state.check.signer = room_asker(HG_ROLE_GUEST, "g-1").actor;
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room_do(&room, HG_EVENT_ACCESS_ENDED);
    CHECK_STORY("a waiting grant", &room,
                "heat-ended{access-ended} =refused{access-ended} *");
    /* somebody else's access is no matter */
    room_heating(&room, 60 * MIN_MS);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_ACCESS_ENDED;
    event.asker = room_asker(HG_ROLE_GUEST, "g-1");
    room_step(&room, &event);
    CHECK_STORY("of another", &room, "");
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_ACCESS_ENDED;
    event.asker = room_asker(HG_ROLE_GUEST, "g-1");
    room_step(&room, &event);
    CHECK_STORY("of another, while it waits", &room, "");
}

static void test_gate_stream__commissioning_is_recorded(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_init(&room);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMISSIONED;
    event.asker = room_owner();
    event.proof_at_ms = 123;
    room_step(&room, &event);

    CHECK_STORY("recorded", &room, "commissioned@owner *");
    assert_true(room.state.is_commissioned);
    assert_int_equal(room.state.proof_at_ms, 123);
}

static void test_gate_stream__shutdown_leaves_no_way_back(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room_do(&room, HG_EVENT_SHUTDOWN);
    CHECK_STORY("a waiting grant", &room,
                "-gateway-restart heat-ended{gateway-restart} "
                "=refused{gateway-restart} *");
    room_heating(&room, 60 * MIN_MS);
    room_do(&room, HG_EVENT_SHUTDOWN);
    CHECK_STORY("heat", &room,
                "-gateway-restart heat-ended/gateway-restart "
                "!warning:heat-ended/gateway-restart *");
    assert_false(room.state.is_link_up);
}

static void test_gate_step__unknown_event_only_lets_time_pass(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_pass(&room, 15000);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COUNT;
    room_step(&room, &event);

    assert_int_equal(room.state.last.end, HG_WHY_TELEMETRY_STALE);
    assert_int_equal(room.state.now.mono.ms, room.now.mono.ms);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_stream__first_reading_is_told),
        cmocka_unit_test(test_gate_stream__loss_is_told_once),
        cmocka_unit_test(test_gate_stream__open_door_stays_believed_over_a_gap),
        cmocka_unit_test(test_gate_stream__new_boot_begins_anew),
        cmocka_unit_test(test_gate_stream__new_boot_gives_up_a_waiting_grant),
        cmocka_unit_test(test_gate_stream__new_boot_voids_a_check),
        cmocka_unit_test(test_gate_stream__new_boot_ends_local_heat),
        cmocka_unit_test(test_gate_stream__eight_boots_are_remembered),
        cmocka_unit_test(test_gate_stream__boots_are_remembered_over_a_restart),
        cmocka_unit_test(test_gate_stream__numbers_of_messages),
        cmocka_unit_test(test_gate_stream__first_message_may_have_any_number),
        cmocka_unit_test(test_gate_stream__events_and_telemetry_count_apart),
        cmocka_unit_test(test_gate_stream__local_events_are_told),
        cmocka_unit_test(test_gate_stream__stop_at_the_panel_ends_everything),
        cmocka_unit_test(test_gate_stream__lateness_is_against_the_quickest),
        cmocka_unit_test(
            test_gate_stream__base_rises_two_milliseconds_a_second),
        cmocka_unit_test(test_gate_stream__half_read_message_proves_no_data),
        cmocka_unit_test(test_gate_stream__door_changes_are_told),
        cmocka_unit_test(test_gate_stream__open_at_counts_from_the_opening),
        cmocka_unit_test(test_gate_stream__counter_alone_tells_of_an_opening),
        cmocka_unit_test(test_gate_stream__permit_reports_raise_the_epoch),
        cmocka_unit_test(test_gate_stream__epoch_heard_elsewhere),
        cmocka_unit_test(test_gate_stream__serials_cross_into_the_next_epoch),
        cmocka_unit_test(test_gate_stream__last_serials_are_for_revokes),
        cmocka_unit_test(test_gate_stream__journal_is_told_and_gates),
        cmocka_unit_test(test_gate_stream__access_that_ends),
        cmocka_unit_test(test_gate_stream__commissioning_is_recorded),
        cmocka_unit_test(test_gate_stream__shutdown_leaves_no_way_back),
        cmocka_unit_test(test_gate_step__unknown_event_only_lets_time_pass),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
