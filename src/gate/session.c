/*
 * Heat from grant to end: the record first, then the permit, renewals while
 * every condition holds, and the ends that nothing stretches (I1, I2, I5,
 * I6, I8).
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

static struct hg_effect *record_heat(struct hg_turn *turn,
                                     enum hg_record record, enum hg_why why)
{
    const struct hg_gate_session *session = &turn->state->session;
    struct hg_effect *effect = hg_turn_record(turn, record, why);

    memcpy(effect->heat_id, session->heat_id, HG_ID_BYTES);
    effect->target_mc = session->target_mc;
    effect->duration_ms = hg_mono_since(turn->at.mono, session->started_at);
    effect->serial = turn->state->permit.serial;
    return effect;
}

/* The earliest of asked duration, cap and stay, counted from the start. */
static void set_end(struct hg_turn *turn)
{
    struct hg_gate_session *session = &turn->state->session;
    uint64_t cap_ms = hg_policy_cap_ms(turn->policy);
    uint64_t run_ms = session->duration_ms;
    int64_t left_ms;

    session->ends_why = HG_WHY_TIME_UP;
    if (run_ms >= cap_ms) {
        run_ms = cap_ms;
        session->ends_why = HG_WHY_CAP_REACHED;
    }
    session->ends_at = hg_mono_add(session->started_at, run_ms);
    if (!session->by.has_stay)
        return;
    left_ms = hg_sat_sub_i64(session->by.stay_until_ms, turn->at.wall.ms);
    if (left_ms < 0)
        left_ms = 0;
    if (hg_mono_since(session->ends_at, turn->at.mono) > (uint64_t)left_ms) {
        session->ends_at = hg_mono_add(turn->at.mono, (uint64_t)left_ms);
        session->ends_why = HG_WHY_ACCESS_ENDED;
    }
}

/* Lend a permit for one lease, never past the end. The caller has checked. */
static void send_permit(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    struct hg_gate_session *session = &state->session;
    uint64_t left_ms = hg_mono_since(session->ends_at, turn->at.mono);
    uint64_t ttl_ms =
        left_ms < turn->policy->lease_ms ? left_ms : turn->policy->lease_ms;
    struct hg_effect *effect;

    session->serial_before = state->permit.serial;
    state->permit.serial = hg_turn_serial(turn);
    state->permit.is_live = true;
    state->permit.is_due = false;
    state->permit.sent_at = turn->at.mono;
    state->permit.until = hg_mono_add(turn->at.mono, ttl_ms);
    if (state->permit.until.ms > state->silent_until.ms)
        state->silent_until = state->permit.until;
    effect = hg_turn_put(turn, HG_EFFECT_PERMIT);
    effect->serial = state->permit.serial;
    effect->ttl_ms = ttl_ms;
    effect->target_mc = session->target_mc;
    memcpy(effect->heat_id, session->heat_id, HG_ID_BYTES);
}

void hg_session_grant(struct hg_turn *turn, const struct hg_asker *by,
                      const char heat_id[HG_ID_BYTES], int32_t target_mc,
                      uint64_t duration_ms)
{
    struct hg_gate_state *state = turn->state;
    struct hg_gate_pending *pending = &state->pending;
    struct hg_effect *effect;

    memset(pending, 0, sizeof(*pending));
    pending->kind = HG_PENDING_START;
    pending->ticket = ++state->last_ticket;
    pending->by = *by;
    memcpy(pending->heat_id, heat_id, HG_ID_BYTES);
    pending->target_mc = target_mc;
    pending->duration_ms = duration_ms;
    state->check.state = HG_CHECK_USED;

    effect = hg_turn_record(turn, HG_RECORD_HEAT_GRANTED, HG_WHY_NONE);
    effect->ticket = pending->ticket;
    effect->actor = by->actor;
    effect->target_mc = target_mc;
    effect->duration_ms = duration_ms;
    memcpy(effect->heat_id, heat_id, HG_ID_BYTES);
    hg_turn_changed(turn);
}

void hg_session_start(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    hg_why_set unmet =
        hg_gate_unmet(turn->policy, turn->state, turn->at, &event->asker,
                      event->heat.target_mc, event->heat.duration_ms);
    struct hg_effect *effect;

    if (unmet == 0) {
        hg_session_grant(turn, &event->asker, event->heat.heat_id,
                         event->heat.target_mc, event->heat.duration_ms);
        return;
    }
    effect = hg_turn_record(turn, HG_RECORD_HEAT_REFUSED, HG_WHY_NONE);
    effect->actor = event->asker.actor;
    effect->reasons = unmet;
    effect->target_mc = event->heat.target_mc;
    effect->duration_ms = event->heat.duration_ms;
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_REFUSED, unmet);
}

void hg_session_cancel_pending(struct hg_turn *turn, hg_why_set reasons)
{
    struct hg_gate_pending pending = turn->state->pending;
    struct hg_effect *effect;

    if (pending.kind == HG_PENDING_NONE)
        return;
    memset(&turn->state->pending, 0, sizeof(turn->state->pending));
    if (pending.kind == HG_PENDING_START) {
        /* the journal holds a grant: say that it never took effect */
        effect = hg_turn_record(turn, HG_RECORD_HEAT_ENDED, HG_WHY_NONE);
        effect->reasons = reasons;
        memcpy(effect->heat_id, pending.heat_id, HG_ID_BYTES);
    }
    hg_turn_answer(turn, pending.by.request, HG_VERDICT_REFUSED, reasons);
    hg_turn_changed(turn);
}

static void begin(struct hg_turn *turn, const struct hg_gate_pending *pending)
{
    struct hg_gate_session *session = &turn->state->session;
    struct hg_effect *effect;

    memset(session, 0, sizeof(*session));
    session->is_active = true;
    memcpy(session->heat_id, pending->heat_id, HG_ID_BYTES);
    session->by = pending->by;
    session->target_mc = pending->target_mc;
    session->duration_ms = pending->duration_ms;
    session->started_at = turn->at.mono;
    set_end(turn);
    send_permit(turn);

    effect = hg_turn_answer(turn, pending->by.request, HG_VERDICT_GRANTED, 0);
    effect->ends_at = session->ends_at;
    effect->target_mc = session->target_mc;
    effect->duration_ms = session->duration_ms;
    memcpy(effect->heat_id, session->heat_id, HG_ID_BYTES);
    hg_turn_changed(turn);
}

static void apply_change(struct hg_turn *turn,
                         const struct hg_gate_pending *pending)
{
    struct hg_gate_session *session = &turn->state->session;
    struct hg_effect *effect;

    session->target_mc = pending->target_mc;
    session->duration_ms = pending->duration_ms;
    session->has_rise_base = false;
    set_end(turn);
    turn->state->permit.is_due = true;

    effect = hg_turn_answer(turn, pending->by.request, HG_VERDICT_GRANTED, 0);
    effect->ends_at = session->ends_at;
    effect->target_mc = session->target_mc;
    effect->duration_ms = session->duration_ms;
    memcpy(effect->heat_id, session->heat_id, HG_ID_BYTES);
    hg_turn_changed(turn);
}

void hg_session_commit(struct hg_turn *turn)
{
    struct hg_gate_pending pending = turn->state->pending;
    hg_why_set unmet;

    if (pending.kind == HG_PENDING_NONE ||
        pending.ticket != turn->event->ticket)
        return;
    if (pending.kind == HG_PENDING_CHANGE) {
        memset(&turn->state->pending, 0, sizeof(turn->state->pending));
        apply_change(turn, &pending);
        return;
    }
    unmet = hg_gate_standing(turn->policy, turn->state, turn->at, &pending.by);
    if (unmet != 0) {
        hg_session_cancel_pending(turn, unmet);
        return;
    }
    memset(&turn->state->pending, 0, sizeof(turn->state->pending));
    begin(turn, &pending);
}

void hg_session_end(struct hg_turn *turn, enum hg_why why,
                    const struct hg_actor *actor)
{
    struct hg_gate_state *state = turn->state;
    bool is_expected = why == HG_WHY_STOPPED || why == HG_WHY_TIME_UP ||
                       why == HG_WHY_CAP_REACHED;

    hg_turn_revoke(turn, why);
    record_heat(turn, HG_RECORD_HEAT_ENDED, why)->actor = *actor;
    hg_turn_notice(turn, is_expected ? HG_LEVEL_INFO : HG_LEVEL_WARNING,
                   HG_RECORD_HEAT_ENDED, why);
    state->last.has_one = true;
    memcpy(state->last.heat_id, state->session.heat_id, HG_ID_BYTES);
    state->last.ended_at_ms = turn->at.wall.ms;
    state->last.end = why;
    if (why == HG_WHY_CAP_REACHED && turn->policy->rest_after_cap_ms > 0) {
        state->is_resting = true;
        state->rest_until =
            hg_mono_add(turn->at.mono, turn->policy->rest_after_cap_ms);
    }
    memset(&state->session, 0, sizeof(state->session));
    hg_session_cancel_pending(turn, HG_WHY_BIT(why));
    hg_turn_changed(turn);
}

void hg_session_stop(struct hg_turn *turn)
{
    const struct hg_asker *asker = &turn->event->asker;
    struct hg_gate_state *state = turn->state;

    hg_turn_revoke(turn, HG_WHY_STOPPED);
    hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_STOPPED));
    if (state->session.is_active)
        hg_session_end(turn, HG_WHY_STOPPED, &asker->actor);
    else
        hg_turn_record(turn, HG_RECORD_STOP_ASKED, HG_WHY_NONE)->actor =
            asker->actor;
    hg_turn_answer(turn, asker->request, HG_VERDICT_GRANTED, 0);
}

static enum hg_verdict change_verdict(const struct hg_turn *turn)
{
    const struct hg_asker *asker = &turn->event->asker;
    const struct hg_gate_state *state = turn->state;

    if (state->pending.kind != HG_PENDING_NONE)
        return HG_VERDICT_BUSY;
    if (!state->session.is_active)
        return HG_VERDICT_UNKNOWN;
    if (!asker->is_allowed ||
        (!hg_actor_is_staff(&asker->actor) &&
         !hg_actor_equal(&asker->actor, &state->session.by.actor)))
        return HG_VERDICT_NOT_ALLOWED;
    return HG_VERDICT_GRANTED;
}

/* The change as asked for, on top of what the session has. */
static void ask_change(struct hg_turn *turn, int32_t target_mc,
                       uint64_t duration_ms)
{
    struct hg_gate_state *state = turn->state;
    struct hg_gate_pending *pending = &state->pending;
    struct hg_effect *effect;

    memset(pending, 0, sizeof(*pending));
    pending->kind = HG_PENDING_CHANGE;
    pending->ticket = ++state->last_ticket;
    pending->by = turn->event->asker;
    pending->target_mc = target_mc;
    pending->duration_ms = duration_ms;
    memcpy(pending->heat_id, state->session.heat_id, HG_ID_BYTES);
    effect = record_heat(turn, HG_RECORD_HEAT_CHANGED, HG_WHY_NONE);
    effect->ticket = pending->ticket;
    effect->actor = pending->by.actor;
    effect->target_mc = target_mc;
    effect->duration_ms = duration_ms;
}

void hg_session_change(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    struct hg_gate_state *state = turn->state;
    enum hg_verdict verdict = change_verdict(turn);
    struct hg_effect *effect;
    int32_t target_mc;
    uint64_t duration_ms;
    hg_why_set unmet;

    if (verdict != HG_VERDICT_GRANTED) {
        hg_turn_answer(turn, event->asker.request, verdict, 0);
        return;
    }
    target_mc = event->heat.has_target ? event->heat.target_mc
                                       : state->session.target_mc;
    duration_ms = event->heat.has_duration ? event->heat.duration_ms
                                           : state->session.duration_ms;
    unmet = hg_gate_out_of_limits(turn->policy, target_mc, duration_ms) |
            hg_gate_stay_unmet(&event->asker, turn->at.wall);
    if (!state->is_journal_ok)
        unmet |= HG_WHY_BIT(HG_WHY_JOURNAL_UNAVAILABLE);
    if (unmet == 0) {
        ask_change(turn, target_mc, duration_ms);
        return;
    }
    effect = record_heat(turn, HG_RECORD_HEAT_REFUSED, HG_WHY_NONE);
    effect->actor = event->asker.actor;
    effect->reasons = unmet;
    effect->target_mc = target_mc;
    effect->duration_ms = duration_ms;
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_REFUSED, unmet);
}

void hg_session_door_opened(struct hg_turn *turn)
{
    struct hg_gate_session *session = &turn->state->session;

    if (turn->state->pending.kind == HG_PENDING_START)
        hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_DOOR_OPEN));
    if (!session->is_active || session->is_held)
        return;
    if (turn->policy->door_rule == HG_DOOR_RULE_END) {
        struct hg_actor gateway = hg_actor_gateway();

        hg_session_end(turn, HG_WHY_DOOR_OPEN, &gateway);
        return;
    }
    hg_turn_revoke(turn, HG_WHY_DOOR_OPEN);
    session->is_held = true;
    session->held_at = turn->at.mono;
    session->has_rise_base = false;
    record_heat(turn, HG_RECORD_HEAT_HELD, HG_WHY_DOOR_OPEN);
    hg_turn_notice(turn, HG_LEVEL_INFO, HG_RECORD_HEAT_HELD, HG_WHY_DOOR_OPEN);
    hg_turn_changed(turn);
}

void hg_session_advance(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    struct hg_actor gateway = hg_actor_gateway();

    if (state->permit.is_live &&
        hg_mono_reached(turn->at.mono, state->permit.until)) {
        state->permit.is_live = false;
        hg_turn_changed(turn);
    }
    if (!state->session.is_active)
        return;
    if (hg_mono_reached(turn->at.mono, state->session.ends_at))
        hg_session_end(turn, state->session.ends_why, &gateway);
    else if (state->session.is_held &&
             hg_mono_since(turn->at.mono, state->session.held_at) >=
                 turn->policy->door_hold_max_ms)
        hg_session_end(turn, HG_WHY_DOOR_HELD_TOO_LONG, &gateway);
}

/* Which of several unmet conditions the end is named after: worst first. */
static enum hg_why name_end(hg_why_set unmet)
{
    static const enum hg_why order[] = {
        HG_WHY_OVER_TEMPERATURE,
        HG_WHY_HEATER_UNBIDDEN,
        HG_WHY_RIVAL_GATEWAY,
        HG_WHY_SENSOR_FAULT,
        HG_WHY_NO_RISE,
        HG_WHY_LOCKED_OUT,
        HG_WHY_JOURNAL_UNAVAILABLE,
        HG_WHY_BROKER_DOWN,
        HG_WHY_CONTROLLER_OFFLINE,
        HG_WHY_TELEMETRY_STALE,
        HG_WHY_DOOR_UNKNOWN,
        HG_WHY_MODULE_CLIMATE,
        HG_WHY_CLOCK_UNTRUSTED,
        HG_WHY_NOT_COMMISSIONED,
        HG_WHY_PROOF_OVERDUE,
    };

    for (uint32_t i = 0; i < sizeof(order) / sizeof(order[0]); i++)
        if (unmet & HG_WHY_BIT(order[i]))
            return order[i];
    return HG_WHY_ACCESS_ENDED; /* not-allowed, outside-stay */
}

static void resume_or_renew(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    struct hg_gate_session *session = &state->session;

    if (session->is_held) {
        session->is_held = false;
        send_permit(turn);
        record_heat(turn, HG_RECORD_HEAT_RESUMED, HG_WHY_NONE);
        hg_turn_notice(turn, HG_LEVEL_INFO, HG_RECORD_HEAT_RESUMED,
                       HG_WHY_NONE);
        hg_turn_changed(turn);
        return;
    }
    if (!state->permit.is_live || state->permit.is_due ||
        hg_mono_since(turn->at.mono, state->permit.sent_at) >=
            turn->policy->lease_ms / 3) {
        send_permit(turn);
        hg_turn_changed(turn);
    }
}

void hg_session_end_unmet(struct hg_turn *turn)
{
    const hg_why_set only_waits =
        HG_WHY_BIT(HG_WHY_DOOR_OPEN) | HG_WHY_BIT(HG_WHY_TELEMETRY_LATE);
    struct hg_gate_state *state = turn->state;
    struct hg_actor gateway = hg_actor_gateway();
    hg_why_set unmet;

    if (state->pending.kind == HG_PENDING_START) {
        unmet =
            hg_gate_standing(turn->policy, state, turn->at, &state->pending.by);
        if (unmet != 0)
            hg_session_cancel_pending(turn, unmet);
    }
    if (!state->session.is_active)
        return;
    unmet =
        hg_gate_standing(turn->policy, state, turn->at, &state->session.by) &
        ~only_waits;
    if (unmet != 0)
        hg_session_end(turn, name_end(unmet), &gateway);
    else if (hg_mono_reached(turn->at.mono, state->session.ends_at))
        hg_session_end(turn, state->session.ends_why, &gateway);
}

void hg_session_lend(struct hg_turn *turn)
{
    const struct hg_gate_state *state = turn->state;

    if (state->session.is_active && !turn->has_revoked &&
        hg_gate_standing(turn->policy, state, turn->at, &state->session.by) ==
            0)
        resume_or_renew(turn);
}
