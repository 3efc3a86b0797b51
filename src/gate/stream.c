/*
 * The stream of messages from a controller: which of them is fresh data, and
 * what is believed about the door (I3, I4). It never trusts a message that is
 * retained, replayed, duplicated or late, save that an open door is believed
 * from any live one.
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

void hg_stream_lose(struct hg_turn *turn, enum hg_why why)
{
    struct hg_gate_stream *stream = &turn->state->stream;

    if (stream->door == HG_DOOR_CLOSED)
        stream->door = HG_DOOR_UNKNOWN;
    memset(&turn->state->look, 0, sizeof(turn->state->look));
    hg_check_suspend(turn, why);
    turn->state->session.has_rise_base = false;
    stream->same_air_on_ms = 0;
    if (!stream->is_fresh)
        return;
    stream->is_fresh = false;
    hg_turn_record(turn, HG_RECORD_TELEMETRY_LOST, why);
    hg_turn_changed(turn);
}

static void take_new_boot(struct hg_turn *turn, const char boot[HG_BOOT_BYTES])
{
    struct hg_gate_stream *stream = &turn->state->stream;
    bool is_restart = stream->boot_count > 0;

    memmove(&stream->boot[1], &stream->boot[0],
            (HG_BOOTS_KEPT - 1) * sizeof(stream->boot[0]));
    memset(&stream->boot[0], 0, sizeof(stream->boot[0]));
    memcpy(stream->boot[0].boot, boot, HG_BOOT_BYTES);
    if (stream->boot_count < HG_BOOTS_KEPT)
        stream->boot_count++;
    stream->has_base = false;
    stream->has_reading = false;
    stream->is_late = false;
    hg_watch_end_local(turn);
    hg_stream_lose(turn, HG_WHY_CONTROLLER_RESTARTED);
    memset(&stream->reading, 0, sizeof(stream->reading));
    if (!is_restart)
        return;
    hg_check_void(turn, HG_WHY_CONTROLLER_RESTARTED);
    hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_CONTROLLER_RESTARTED));
    if (turn->state->session.is_active) {
        struct hg_actor actor = hg_actor_controller();

        hg_session_end(turn, HG_WHY_CONTROLLER_RESTARTED, &actor);
    }
    hg_turn_record(turn, HG_RECORD_CONTROLLER_BOOT, HG_WHY_NONE)->actor =
        hg_actor_controller();
}

/*
 * Is this message of the present boot (or the first of a new one) and newer
 * than the last of its topic? Then its number is taken and true returned.
 */
static bool take_seq(struct hg_turn *turn, const char boot[HG_BOOT_BYTES],
                     uint64_t seq, bool is_event)
{
    struct hg_gate_stream *stream = &turn->state->stream;
    struct hg_gate_boot *present = &stream->boot[0];
    uint64_t *last;
    bool *has;

    for (uint32_t i = 1; i < stream->boot_count; i++) {
        if (hg_boot_equal(stream->boot[i].boot, boot)) {
            stream->counts.replayed++;
            return false;
        }
    }
    if (stream->boot_count == 0 || !hg_boot_equal(present->boot, boot))
        take_new_boot(turn, boot);
    last = is_event ? &present->event_seq : &present->telemetry_seq;
    has = is_event ? &present->has_event : &present->has_telemetry;
    if (*has && seq <= *last) {
        stream->counts.replayed++;
        return false;
    }
    if (*has && seq - *last > HG_SEQ_JUMP_MAX) {
        stream->counts.jumped++;
        return false;
    }
    *has = true;
    *last = seq;
    return true;
}

/*
 * How late is a message that was sent at uptime_ms and received now, measured
 * against the quickest one of this boot? The base rises 2 ms a second, so
 * that a slow controller clock does not read late for ever (contract 7).
 */
static int64_t lateness_ms(struct hg_gate_stream *stream, struct hg_mono now,
                           uint64_t uptime_ms)
{
    /* both are below 2^63: boot times, and HG_NUMBER_LIMIT from outside */
    int64_t difference = hg_sat_sub_i64((int64_t)now.ms, (int64_t)uptime_ms);
    uint64_t rise =
        hg_mono_since(now, stream->base_at) / 1000 * HG_LATE_DRIFT_MS_PER_S;
    int64_t base = hg_sat_add_i64(stream->base_ms, (int64_t)rise);

    if (!stream->has_base || difference <= base) {
        stream->has_base = true;
        stream->base_ms = difference;
        stream->base_at = now;
        return 0;
    }
    return hg_sat_sub_i64(difference, base);
}

/* The door was seen open, or (is_counted) was open between two messages. */
static void believe_open(struct hg_turn *turn, bool is_counted)
{
    struct hg_gate_state *state = turn->state;
    bool is_new = state->stream.door != HG_DOOR_OPEN;

    state->stream.door = HG_DOOR_OPEN;
    if (!is_new)
        return;
    /* an opening nobody saw is no evidence that somebody looked in */
    memset(&state->look, 0, sizeof(state->look));
    state->look.has_open = !is_counted;
    state->look.open_at = turn->at.mono;
    hg_check_void(turn, HG_WHY_DOOR_OPEN);
    hg_session_door_opened(turn);
    hg_turn_changed(turn);
}

static void believe_closed(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;

    if (state->stream.door == HG_DOOR_CLOSED)
        return;
    if (state->stream.door == HG_DOOR_OPEN && state->look.has_open) {
        state->look.has_cycle = true;
        state->look.cycle_at = turn->at.mono;
    }
    state->stream.door = HG_DOOR_CLOSED;
    hg_turn_changed(turn);
}

static void take_door(struct hg_turn *turn, const struct hg_reading *reading,
                      const struct hg_reading *before)
{
    bool is_counted = before != NULL && before->has_door_count &&
                      reading->has_door_count &&
                      before->door_count != reading->door_count;

    switch (reading->door) {
    case HG_DOOR_OPEN:
        believe_open(turn, false);
        break;
    case HG_DOOR_CLOSED:
        if (is_counted && turn->state->stream.door != HG_DOOR_OPEN)
            believe_open(turn, true);
        believe_closed(turn);
        break;
    case HG_DOOR_UNKNOWN:
    default:
        turn->state->stream.door = HG_DOOR_UNKNOWN;
        memset(&turn->state->look, 0, sizeof(turn->state->look));
        hg_check_suspend(turn, HG_WHY_DOOR_UNKNOWN);
        hg_turn_changed(turn);
        break;
    }
}

/* Contract 7: a permit above ours is followed: rise above it first. */
static void take_permit_report(struct hg_turn *turn,
                               const struct hg_reading *reading)
{
    if (reading->has_permit && reading->permit > turn->state->serial &&
        reading->permit < HG_SERIAL_LIMIT)
        hg_turn_raise_epoch(turn, (reading->permit >> HG_EPOCH_SHIFT) + 1);
}

static void take_fresh(struct hg_turn *turn, const struct hg_reading *reading)
{
    struct hg_gate_stream *stream = &turn->state->stream;
    struct hg_reading before = stream->reading;
    bool has_before = stream->has_reading;
    bool was_fresh = stream->is_fresh;
    uint64_t dt_ms = hg_mono_since(turn->at.mono, stream->fresh_at);

    stream->counts.fresh++;
    stream->is_late = false;
    stream->is_fresh = true;
    stream->has_reading = true;
    stream->fresh_at = turn->at.mono;
    stream->reading = *reading;
    if (!was_fresh) {
        hg_turn_record(turn, HG_RECORD_TELEMETRY_BACK, HG_WHY_NONE);
        hg_turn_changed(turn);
    }
    take_permit_report(turn, reading);
    take_door(turn, reading, has_before ? &before : NULL);
    hg_check_resume(turn);
    hg_watch_reading(turn, reading, was_fresh ? &before : NULL, dt_ms);
}

void hg_stream_take(struct hg_turn *turn)
{
    const struct hg_reading *reading = &turn->event->reading;
    struct hg_gate_stream *stream = &turn->state->stream;

    if (reading->is_retained) {
        stream->counts.retained++;
        return;
    }
    if (!take_seq(turn, reading->boot, reading->seq, false))
        return;
    if (!reading->is_whole) {
        if (reading->door == HG_DOOR_OPEN)
            believe_open(turn, false);
        return;
    }
    if (lateness_ms(stream, turn->at.mono, reading->uptime_ms) >=
        (int64_t)turn->policy->late_after_ms) {
        stream->counts.late++;
        stream->is_late = true;
        hg_turn_changed(turn);
        if (reading->door == HG_DOOR_OPEN)
            believe_open(turn, false);
        return;
    }
    take_fresh(turn, reading);
}

static void take_local_stop(struct hg_turn *turn)
{
    struct hg_actor actor = hg_actor_controller();

    hg_watch_end_local(turn);
    hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_STOPPED));
    if (turn->state->session.is_active)
        hg_session_end(turn, HG_WHY_STOPPED, &actor);
    hg_turn_record(turn, HG_RECORD_LOCAL_STOPPED, HG_WHY_NONE)->actor = actor;
    hg_turn_changed(turn);
}

static void take_local_start(struct hg_turn *turn)
{
    /* pressing again while it runs extends nothing */
    if (!turn->state->is_local) {
        turn->state->is_local = true;
        turn->state->local_at = turn->at.mono;
    }
    hg_turn_record(turn, HG_RECORD_LOCAL_STARTED, HG_WHY_NONE)->actor =
        hg_actor_controller();
    hg_turn_changed(turn);
}

static void take_local_fault(struct hg_turn *turn)
{
    hg_turn_record(turn, HG_RECORD_CONTROLLER_FAULT, HG_WHY_NONE)->actor =
        hg_actor_controller();
    hg_turn_notice(turn, HG_LEVEL_WARNING, HG_RECORD_CONTROLLER_FAULT,
                   HG_WHY_NONE);
}

void hg_stream_take_local(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;

    if (event->local.is_retained) {
        turn->state->stream.counts.retained++;
        return;
    }
    if (!take_seq(turn, event->local.boot, event->local.seq, true))
        return;
    switch (event->local.what) {
    case HG_LOCAL_ROOM_CHECK:
        turn->state->look.has_panel = true;
        turn->state->look.panel_at = turn->at.mono;
        hg_turn_record(turn, HG_RECORD_LOCAL_CHECK, HG_WHY_NONE)->actor =
            hg_actor_controller();
        hg_turn_changed(turn);
        break;
    case HG_LOCAL_START:
        take_local_start(turn);
        break;
    case HG_LOCAL_STOP:
        take_local_stop(turn);
        break;
    case HG_LOCAL_FAULT:
        take_local_fault(turn);
        break;
    case HG_LOCAL_NONE:
        break;
    }
}
