/*
 * The step: time first, then the event, then what follows from it. This file
 * owns that order; the files beside it own the rules.
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

/* What time alone brings, before the event is looked at. */
static void advance(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    const struct hg_gate_stream *stream = &state->stream;

    if (turn->at.mono.ms < state->now.mono.ms) {
        /* the boot clock cannot run backwards: believe nothing any more */
        hg_stream_lose(turn, HG_WHY_TELEMETRY_STALE);
        hg_check_void(turn, HG_WHY_TELEMETRY_STALE);
    } else if (stream->is_fresh &&
               hg_mono_since(turn->at.mono, stream->fresh_at) >=
                   turn->policy->stale_after_ms) {
        hg_stream_lose(turn, HG_WHY_TELEMETRY_STALE);
    }
    state->now = turn->at;
    hg_check_expire(turn);
    hg_session_advance(turn);
    hg_watch_advance(turn);
    /* stale data end the heat here, before a new message can hide the gap */
    hg_session_end_unmet(turn);
}

static void take_link(struct hg_turn *turn, bool is_up)
{
    struct hg_gate_state *state = turn->state;

    /* what was heard over another connection proves nothing on this one */
    state->is_link_up = is_up;
    state->is_online = false;
    hg_stream_lose(turn, HG_WHY_BROKER_DOWN);
    hg_turn_changed(turn);
    if (is_up)
        hg_turn_revoke(turn, HG_WHY_GATEWAY_RESTART);
}

static void take_presence(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    bool is_online = turn->event->is_online;

    if (is_online == state->is_online)
        return;
    state->is_online = is_online;
    hg_turn_changed(turn);
    if (!is_online)
        hg_stream_lose(turn, HG_WHY_CONTROLLER_OFFLINE);
}

static void take_journal(struct hg_turn *turn, bool is_ok)
{
    struct hg_gate_state *state = turn->state;

    if (is_ok == state->is_journal_ok)
        return;
    state->is_journal_ok = is_ok;
    hg_turn_changed(turn);
    hg_turn_notice(turn, is_ok ? HG_LEVEL_INFO : HG_LEVEL_ALARM, HG_RECORD_NONE,
                   HG_WHY_JOURNAL_UNAVAILABLE);
    if (!is_ok)
        hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_JOURNAL_UNAVAILABLE));
}

static void take_access_ended(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    const struct hg_actor *actor = &turn->event->asker.actor;
    struct hg_actor gateway = hg_actor_gateway();

    if (state->session.is_active &&
        hg_actor_equal(&state->session.by.actor, actor))
        hg_session_end(turn, HG_WHY_ACCESS_ENDED, &gateway);
    if (state->pending.kind != HG_PENDING_NONE &&
        hg_actor_equal(&state->pending.by.actor, actor))
        hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_ACCESS_ENDED));
    if (state->plan.is_active && hg_actor_equal(&state->plan.by.actor, actor))
        hg_plan_drop(turn, HG_WHY_ACCESS_ENDED);
    hg_check_forget_actor(turn, actor);
}

static void take_commissioned(struct hg_turn *turn)
{
    turn->state->is_commissioned = true;
    turn->state->proof_at_ms = turn->event->proof_at_ms;
    hg_turn_record(turn, HG_RECORD_COMMISSIONED, HG_WHY_NONE)->actor =
        turn->event->asker.actor;
    hg_turn_changed(turn);
}

static void take_epoch(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    uint64_t epoch = turn->event->epoch;

    /* durable already: the caller says so with this event */
    if (epoch <= state->epoch || epoch > HG_EPOCH_MAX)
        return;
    state->epoch = epoch;
    if (state->serial < epoch << HG_EPOCH_SHIFT)
        state->serial = epoch << HG_EPOCH_SHIFT;
}

static void take_shutdown(struct hg_turn *turn)
{
    struct hg_actor gateway = hg_actor_gateway();

    hg_turn_revoke(turn, HG_WHY_GATEWAY_RESTART);
    hg_session_cancel_pending(turn, HG_WHY_BIT(HG_WHY_GATEWAY_RESTART));
    if (turn->state->session.is_active)
        hg_session_end(turn, HG_WHY_GATEWAY_RESTART, &gateway);
    /* nothing may start between this and the end of the process */
    turn->state->is_link_up = false;
}

/* Events of the machinery around the room. */
static void take_outside(struct hg_turn *turn)
{
    switch ((int)turn->event->kind) {
    case HG_EVENT_PRESENCE:
        take_presence(turn);
        break;
    case HG_EVENT_LINK_UP:
    case HG_EVENT_LINK_DOWN:
        take_link(turn, turn->event->kind == HG_EVENT_LINK_UP);
        break;
    case HG_EVENT_COMMITTED:
        hg_session_commit(turn);
        break;
    case HG_EVENT_JOURNAL_FAILED:
    case HG_EVENT_JOURNAL_OK:
        take_journal(turn, turn->event->kind == HG_EVENT_JOURNAL_OK);
        break;
    case HG_EVENT_ACCESS_ENDED:
        take_access_ended(turn);
        break;
    case HG_EVENT_COMMISSIONED:
        take_commissioned(turn);
        break;
    case HG_EVENT_PERMIT_HEARD:
        hg_watch_foreign_permit(turn);
        break;
    case HG_EVENT_EPOCH_HEARD:
        take_epoch(turn);
        break;
    case HG_EVENT_SHUTDOWN:
        take_shutdown(turn);
        break;
    default: /* a tick, a stepped clock: time did it all */
        break;
    }
}

static void take(struct hg_turn *turn)
{
    switch ((int)turn->event->kind) {
    case HG_EVENT_STOP:
        hg_session_stop(turn);
        break;
    case HG_EVENT_TELEMETRY:
        hg_stream_take(turn);
        break;
    case HG_EVENT_LOCAL:
        hg_stream_take_local(turn);
        break;
    case HG_EVENT_CHECK_OPEN:
        hg_check_open(turn);
        break;
    case HG_EVENT_CHECK_SIGN:
        hg_check_sign(turn);
        break;
    case HG_EVENT_START:
        hg_session_start(turn);
        break;
    case HG_EVENT_CHANGE:
        hg_session_change(turn);
        break;
    case HG_EVENT_PLAN:
        hg_plan_take(turn);
        break;
    case HG_EVENT_UNPLAN:
        hg_plan_cancel(turn);
        break;
    case HG_EVENT_PLAN_MOVE:
        hg_plan_move(turn);
        break;
    case HG_EVENT_LOCKOUT_SET:
        hg_watch_set(turn);
        break;
    case HG_EVENT_LOCKOUT_CLEAR:
        hg_watch_clear(turn);
        break;
    default:
        take_outside(turn);
        break;
    }
}

void hg_gate_step(const struct hg_policy *policy, struct hg_gate_state *state,
                  const struct hg_event *event, struct hg_effects *effects)
{
    struct hg_turn turn = { policy, state, event, effects, event->at, false };

    effects->count = 0;
    effects->is_overfull = false;
    advance(&turn);
    take(&turn);
    hg_session_end_unmet(&turn);
    hg_plan_settle(&turn);
    hg_session_lend(&turn);
}
