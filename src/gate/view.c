/*
 * Begin, remember, look: what goes into a room's state at service start and
 * what can be seen of it. Changes nothing about heat.
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

static void recall(struct hg_gate_state *state,
                   const struct hg_gate_memory *memory)
{
    struct hg_mono now = state->now.mono;

    state->is_commissioned = memory->is_commissioned;
    state->proof_at_ms = memory->proof_at_ms;
    state->lockouts = memory->lockouts & HG_LOCKOUT_SET;
    state->is_resting = memory->rest_left_ms > 0;
    state->rest_until = hg_mono_add(now, memory->rest_left_ms);
    state->check = memory->check;
    state->check.expires_at = hg_mono_add(now, memory->check_left_ms);
    if (state->check.state == HG_CHECK_VALID) {
        /* unbroken only if the door counter proves it; else void for good */
        state->check.is_suspended = state->check.has_door_count;
        state->check.why = HG_WHY_GATEWAY_RESTART;
        if (!state->check.has_door_count)
            state->check.state = HG_CHECK_VOID;
        if (state->lockouts != 0)
            state->check.state = HG_CHECK_VOID;
    }
    memcpy(state->stream.boot, memory->boot, sizeof(memory->boot));
    state->stream.boot_count =
        memory->boot_count < HG_BOOTS_KEPT ? memory->boot_count : HG_BOOTS_KEPT;
    state->plan = memory->plan;
    state->last = memory->last;
    state->is_local = memory->is_local;
    state->local_at.ms = hg_sat_sub_u64(now.ms, memory->local_for_ms);
}

void hg_gate_init(const struct hg_policy *policy,
                  const struct hg_gate_memory *memory, struct hg_tick at,
                  uint64_t epoch, struct hg_gate_state *state)
{
    memset(state, 0, sizeof(*state));
    state->now = at;
    state->is_journal_ok = true;
    state->epoch = epoch < HG_EPOCH_MAX ? epoch : HG_EPOCH_MAX;
    state->serial = state->epoch << HG_EPOCH_SHIFT;
    /* a permit of an earlier run may live on for one lease */
    state->silent_until = hg_mono_add(at.mono, policy->lease_ms);
    if (memory != NULL)
        recall(state, memory);
}

void hg_gate_remember(const struct hg_gate_state *state,
                      struct hg_gate_memory *memory)
{
    struct hg_mono now = state->now.mono;

    memset(memory, 0, sizeof(*memory));
    memory->is_commissioned = state->is_commissioned;
    memory->proof_at_ms = state->proof_at_ms;
    memory->lockouts = state->lockouts;
    if (state->is_resting)
        memory->rest_left_ms = hg_mono_since(state->rest_until, now);
    memory->check = state->check;
    memory->check_left_ms = hg_mono_since(state->check.expires_at, now);
    memcpy(memory->boot, state->stream.boot, sizeof(memory->boot));
    memory->boot_count = state->stream.boot_count;
    memory->plan = state->plan;
    memory->last = state->last;
    memory->is_local = state->is_local;
    if (state->is_local)
        memory->local_for_ms = hg_mono_since(now, state->local_at);
}

hg_why_set hg_gate_preview(const struct hg_policy *policy,
                           const struct hg_gate_state *state,
                           const struct hg_event *event)
{
    struct hg_gate_state copy = *state;
    struct hg_effects effects;
    struct hg_event tick;

    /* let time pass on a copy first: stale is stale at any moment asked */
    memset(&tick, 0, sizeof(tick));
    tick.at = event->at;
    hg_gate_step(policy, &copy, &tick, &effects);
    return hg_gate_unmet(policy, &copy, event->at, &event->asker,
                         event->heat.target_mc, event->heat.duration_ms);
}

static enum hg_phase phase_of(const struct hg_gate_state *state)
{
    if (state->lockouts != 0)
        return HG_PHASE_LOCKED;
    if (state->session.is_active)
        return state->session.is_held ? HG_PHASE_HOLDING : HG_PHASE_HEATING;
    return state->plan.is_active ? HG_PHASE_PLANNED : HG_PHASE_IDLE;
}

void hg_gate_view(const struct hg_policy *policy,
                  const struct hg_gate_state *state, struct hg_tick at,
                  struct hg_gate_view *view)
{
    const struct hg_gate_check *check = &state->check;
    struct hg_asker owner;

    memset(&owner, 0, sizeof(owner));
    owner.actor.role = HG_ROLE_OWNER;
    owner.is_allowed = true;
    memset(view, 0, sizeof(*view));
    view->phase = phase_of(state);
    view->is_fresh = state->stream.is_fresh;
    view->door = state->stream.door;
    view->check = check->is_suspended ? HG_CHECK_VOID : check->state;
    view->check_why = check->why;
    view->has_check_until = view->check == HG_CHECK_VALID;
    view->check_until = check->expires_at;
    view->is_evidence_there =
        hg_check_has_evidence(policy, state, at.mono, false);
    view->reasons =
        hg_gate_unmet(policy, state, at, &owner, policy->target_min_mc, 1);
}
