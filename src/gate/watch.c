/*
 * Lockouts: what makes them latch and who may clear them (gate.md section 4,
 * I11). A lockout voids the room check; the session ends in the same turn,
 * because a lockout is an unmet condition.
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

void hg_watch_latch(struct hg_turn *turn, enum hg_why why,
                    const struct hg_actor *actor)
{
    struct hg_gate_state *state = turn->state;

    if (state->lockouts & HG_WHY_BIT(why))
        return;
    state->lockouts |= HG_WHY_BIT(why);
    hg_turn_record(turn, HG_RECORD_LOCKOUT_SET, why)->actor = *actor;
    hg_turn_notice(turn, HG_LEVEL_ALARM, HG_RECORD_LOCKOUT_SET, why);
    hg_check_void(turn, why);
    hg_turn_changed(turn);
}

static void latch(struct hg_turn *turn, enum hg_why why)
{
    struct hg_actor gateway = hg_actor_gateway();

    hg_watch_latch(turn, why, &gateway);
}

static bool is_air_possible(const struct hg_reading *reading)
{
    return reading->has_air && reading->air_mc >= HG_AIR_MIN_MC &&
           reading->air_mc <= HG_AIR_MAX_MC;
}

static bool is_step_possible(int32_t from_mc, int32_t to_mc, uint64_t dt_ms)
{
    int64_t step = (int64_t)to_mc - from_mc;
    uint64_t size = (uint64_t)(step < 0 ? -step : step);

    /* dt is below the age of stale data; unsigned, it is defined for any */
    return size <= HG_AIR_STEP_MC + dt_ms * HG_AIR_RATE_MC_PER_S / 1000;
}

static void watch_sensor(struct hg_turn *turn, const struct hg_reading *reading,
                         const struct hg_reading *before, uint64_t dt_ms)
{
    struct hg_gate_stream *stream = &turn->state->stream;

    if (!is_air_possible(reading)) {
        stream->same_air_on_ms = 0;
        latch(turn, HG_WHY_SENSOR_FAULT);
        return;
    }
    if (reading->air_mc >= turn->policy->over_temp_mc)
        latch(turn, HG_WHY_OVER_TEMPERATURE);
    if (before == NULL || !is_air_possible(before)) {
        stream->same_air_on_ms = 0;
        return;
    }
    if (!is_step_possible(before->air_mc, reading->air_mc, dt_ms))
        latch(turn, HG_WHY_SENSOR_FAULT);
    if (before->air_mc != reading->air_mc)
        stream->same_air_on_ms = 0;
    else if (before->heater == HG_HEATER_ON && reading->heater == HG_HEATER_ON)
        stream->same_air_on_ms = hg_sat_add_u64(stream->same_air_on_ms, dt_ms);
    if (stream->same_air_on_ms >= HG_FROZEN_MS)
        latch(turn, HG_WHY_SENSOR_FAULT);
}

/*
 * Windows of heater-on time, permit live, door closed and the air well below
 * the target: in each of them the air has to rise.
 */
static void watch_rise(struct hg_turn *turn, const struct hg_reading *reading,
                       const struct hg_reading *before, uint64_t dt_ms)
{
    struct hg_gate_session *session = &turn->state->session;
    int64_t air_mc = reading->air_mc;

    if (!session->is_active)
        return;
    if (!turn->state->permit.is_live || reading->door != HG_DOOR_CLOSED ||
        !reading->has_air ||
        air_mc >= (int64_t)session->target_mc - turn->policy->no_rise_mc) {
        session->has_rise_base = false;
        return;
    }
    if (!session->has_rise_base ||
        air_mc - session->rise_base_mc >= turn->policy->no_rise_mc) {
        session->has_rise_base = true;
        session->rise_base_mc = reading->air_mc;
        session->rise_on_ms = 0;
        return;
    }
    if (before != NULL && before->heater == HG_HEATER_ON &&
        reading->heater == HG_HEATER_ON)
        session->rise_on_ms = hg_sat_add_u64(session->rise_on_ms, dt_ms);
    if (session->rise_on_ms >= turn->policy->no_rise_ms)
        latch(turn, HG_WHY_NO_RISE);
}

/* Does the controller follow the permit in force? Alarm after a lease. */
static void watch_follow(struct hg_turn *turn, const struct hg_reading *reading)
{
    const struct hg_gate_permit *permit = &turn->state->permit;
    struct hg_gate_session *session = &turn->state->session;

    if (!session->is_active)
        return;
    /* a report may cross a renewal on its way: the one before counts too */
    if (!permit->is_live || !reading->has_permit ||
        reading->permit == permit->serial ||
        (session->serial_before != 0 &&
         reading->permit == session->serial_before)) {
        session->is_unfollowed = false;
        session->is_unfollowed_told = false;
        return;
    }
    if (!session->is_unfollowed) {
        session->is_unfollowed = true;
        session->unfollowed_at = turn->at.mono;
    }
    if (!session->is_unfollowed_told &&
        hg_mono_since(turn->at.mono, session->unfollowed_at) >=
            turn->policy->lease_ms) {
        session->is_unfollowed_told = true;
        hg_turn_record(turn, HG_RECORD_PERMIT_IGNORED,
                       HG_WHY_PERMIT_NOT_FOLLOWED);
        hg_turn_notice(turn, HG_LEVEL_ALARM, HG_RECORD_PERMIT_IGNORED,
                       HG_WHY_PERMIT_NOT_FOLLOWED);
    }
}

/* May the heater be on now: by a permit of ours, or from the panel? */
static bool is_bidden(const struct hg_turn *turn)
{
    return turn->state->is_local ||
           !hg_mono_reached(turn->at.mono, turn->state->silent_until);
}

static void watch_unbidden(struct hg_turn *turn,
                           const struct hg_reading *reading,
                           const struct hg_reading *before)
{
    struct hg_gate_state *state = turn->state;

    if (!hg_reading_is_on(turn->policy, reading) || is_bidden(turn)) {
        state->is_unbidden = false;
        return;
    }
    if (state->is_unbidden)
        return;
    state->is_unbidden = true;
    /* on all the time: counts from the end of the last permit */
    state->unbidden_at =
        before != NULL && hg_reading_is_on(turn->policy, before)
            ? state->silent_until
            : turn->at.mono;
}

void hg_watch_reading(struct hg_turn *turn, const struct hg_reading *reading,
                      const struct hg_reading *before, uint64_t dt_ms)
{
    watch_sensor(turn, reading, before, dt_ms);
    watch_rise(turn, reading, before, dt_ms);
    watch_follow(turn, reading);
    watch_unbidden(turn, reading, before);
}

static void advance_unbidden(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;

    if (!state->is_unbidden)
        return;
    if (hg_mono_since(turn->at.mono, state->unbidden_at) >=
        2 * (uint64_t)turn->policy->lease_ms)
        latch(turn, HG_WHY_HEATER_UNBIDDEN);
    /* keep revoking, but never in the turn of a permit */
    if (state->pending.kind == HG_PENDING_NONE &&
        (!state->session.is_active || state->session.is_held) &&
        hg_mono_since(turn->at.mono, state->revoked_at) >=
            turn->policy->lease_ms)
        hg_turn_revoke(turn, HG_WHY_HEATER_UNBIDDEN);
}

void hg_watch_end_local(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;

    if (state->is_local && turn->at.mono.ms > state->silent_until.ms)
        state->silent_until = turn->at.mono;
    state->is_local = false;
}

void hg_watch_advance(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;

    if (state->is_resting &&
        hg_mono_reached(turn->at.mono, state->rest_until)) {
        state->is_resting = false;
        hg_turn_changed(turn);
    }
    if (state->is_local && hg_mono_since(turn->at.mono, state->local_at) >=
                               hg_policy_cap_ms(turn->policy)) {
        /* local heat is counted, never extended: past the cap it is none */
        hg_watch_end_local(turn);
        if (turn->policy->rest_after_cap_ms > 0) {
            state->is_resting = true;
            state->rest_until =
                hg_mono_add(turn->at.mono, turn->policy->rest_after_cap_ms);
        }
        hg_turn_record(turn, HG_RECORD_LOCAL_STOPPED, HG_WHY_CAP_REACHED);
        hg_turn_notice(turn, HG_LEVEL_WARNING, HG_RECORD_LOCAL_STOPPED,
                       HG_WHY_CAP_REACHED);
        hg_turn_changed(turn);
    }
    advance_unbidden(turn);
}

static bool is_named_staff(const struct hg_asker *asker)
{
    return asker->is_allowed && hg_actor_is_staff(&asker->actor) &&
           asker->actor.id[0] != '\0';
}

static bool is_lockout(enum hg_why what)
{
    return (unsigned)what < HG_WHY_COUNT &&
           (HG_WHY_BIT(what) & HG_LOCKOUT_SET) != 0;
}

/* Common to set and clear: true when the request may go on. */
static bool may_touch(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;

    if (!is_named_staff(&event->asker) || !event->lockout.has_note) {
        hg_turn_answer(turn, event->asker.request, HG_VERDICT_NOT_ALLOWED, 0);
        return false;
    }
    if (!is_lockout(event->lockout.what)) {
        hg_turn_answer(turn, event->asker.request, HG_VERDICT_UNKNOWN, 0);
        return false;
    }
    return true;
}

void hg_watch_set(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;

    if (!may_touch(turn))
        return;
    hg_watch_latch(turn, event->lockout.what, &event->asker.actor);
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_GRANTED, 0);
}

/* Is what made this lockout latch still there, or not known to be gone? */
static hg_why_set cause_of(const struct hg_turn *turn, enum hg_why what)
{
    const struct hg_gate_state *state = turn->state;
    const struct hg_reading *reading = &state->stream.reading;
    hg_why_set stale =
        state->stream.is_fresh ? 0 : HG_WHY_BIT(HG_WHY_TELEMETRY_STALE);
    bool is_there;

    switch ((int)what) {
    case HG_WHY_OVER_TEMPERATURE:
        is_there =
            !reading->has_air || reading->air_mc >= turn->policy->over_temp_mc;
        break;
    case HG_WHY_SENSOR_FAULT:
        is_there = !is_air_possible(reading) ||
                   state->stream.same_air_on_ms >= HG_FROZEN_MS;
        break;
    case HG_WHY_HEATER_UNBIDDEN:
        is_there = hg_reading_is_on(turn->policy, reading);
        break;
    case HG_WHY_RIVAL_GATEWAY:
        is_there = hg_mono_since(turn->at.mono, state->rival_at) <
                   HG_RIVAL_LEASES * (uint64_t)turn->policy->lease_ms;
        stale = 0;
        break;
    default: /* no-rise, locked-out: nothing to measure */
        return 0;
    }
    return is_there ? HG_WHY_BIT(what) | stale : stale;
}

void hg_watch_clear(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    struct hg_effect *effect;
    enum hg_why what;
    hg_why_set cause;

    if (!may_touch(turn))
        return;
    what = event->lockout.what;
    if (!(turn->state->lockouts & HG_WHY_BIT(what))) {
        hg_turn_answer(turn, event->asker.request, HG_VERDICT_UNKNOWN, 0);
        return;
    }
    cause = cause_of(turn, what);
    effect = hg_turn_record(
        turn, cause ? HG_RECORD_LOCKOUT_KEPT : HG_RECORD_LOCKOUT_CLEARED, what);
    effect->actor = event->asker.actor;
    effect->reasons = cause;
    if (cause != 0) {
        hg_turn_answer(turn, event->asker.request, HG_VERDICT_REFUSED, cause);
        return;
    }
    turn->state->lockouts &= ~HG_WHY_BIT(what);
    hg_turn_notice(turn, HG_LEVEL_INFO, HG_RECORD_LOCKOUT_CLEARED, what);
    hg_turn_changed(turn);
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_GRANTED, 0);
}

void hg_watch_foreign_permit(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    uint64_t serial = turn->event->heard.serial;

    state->stream.counts.foreign++;
    if (serial >= HG_SERIAL_LIMIT || serial < state->serial)
        return; /* no follower listens to it */
    state->rival_at = turn->at.mono;
    hg_turn_raise_epoch(turn, (serial >> HG_EPOCH_SHIFT) + 1);
    /* a locked room lends nothing; to answer a revoke by a higher one would
     * never end between two gateways that both do so */
    if (!turn->event->heard.is_heat &&
        (state->lockouts & HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY)))
        return;
    hg_turn_revoke(turn, HG_WHY_RIVAL_GATEWAY);
    latch(turn, HG_WHY_RIVAL_GATEWAY);
}
