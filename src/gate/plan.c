/*
 * "Ready by" plans: one a room, accepted at risk, told about at once when
 * something would prevent it, started only if the gate grants at that moment.
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

/* Would what is unmet now still be so at the plan's start? */
static hg_why_set plan_risk(const struct hg_turn *turn)
{
    const struct hg_gate_state *state = turn->state;
    const struct hg_gate_plan *plan = &state->plan;
    hg_why_set risk = hg_gate_unmet(turn->policy, state, turn->at, &plan->by,
                                    plan->target_mc, plan->duration_ms);
    int64_t until_ms = hg_sat_sub_i64(plan->starts_at_ms, turn->at.wall.ms);
    uint64_t lead_ms = until_ms > 0 ? (uint64_t)until_ms : 0;
    struct hg_mono starts_at = hg_mono_add(turn->at.mono, lead_ms);

    /* one late message is no news; if they stay late the data go stale */
    risk &= ~HG_WHY_BIT(HG_WHY_TELEMETRY_LATE);
    if (state->is_resting && hg_mono_reached(starts_at, state->rest_until))
        risk &= ~HG_WHY_BIT(HG_WHY_RESTING);
    if (state->session.is_active &&
        hg_mono_reached(starts_at, state->session.ends_at))
        risk &= ~HG_WHY_BIT(HG_WHY_ALREADY_HEATING);
    if (state->check.state == HG_CHECK_VALID &&
        hg_mono_reached(starts_at, state->check.expires_at))
        risk |= HG_WHY_BIT(HG_WHY_CHECK_EXPIRED);
    if (plan->by.has_stay && plan->starts_at_ms >= plan->by.stay_until_ms)
        risk |= HG_WHY_BIT(HG_WHY_OUTSIDE_STAY);
    return risk;
}

static struct hg_effect *record_plan(struct hg_turn *turn,
                                     enum hg_record record, hg_why_set reasons)
{
    const struct hg_gate_plan *plan = &turn->state->plan;
    struct hg_effect *effect = hg_turn_record(turn, record, HG_WHY_NONE);

    effect->reasons = reasons;
    effect->target_mc = plan->target_mc;
    effect->duration_ms = plan->duration_ms;
    memcpy(effect->heat_id, plan->heat_id, HG_ID_BYTES);
    return effect;
}

static void notice_plan(struct hg_turn *turn, enum hg_level level,
                        enum hg_record record, hg_why_set reasons)
{
    struct hg_effect *effect = hg_turn_put(turn, HG_EFFECT_NOTICE);

    effect->level = level;
    effect->record = record;
    effect->reasons = reasons;
}

/* One plan a room: only its owner or staff may put another in its place. */
static bool may_replace(const struct hg_turn *turn)
{
    const struct hg_actor *actor = &turn->event->asker.actor;
    const struct hg_gate_plan *plan = &turn->state->plan;

    return !plan->is_active || hg_actor_is_staff(actor) ||
           hg_actor_equal(actor, &plan->by.actor);
}

static bool may_plan(const struct hg_actor *actor)
{
    return actor->role == HG_ROLE_GUEST || actor->role == HG_ROLE_INTEGRATOR ||
           hg_actor_is_staff(actor);
}

/* What no waiting mends. */
static hg_why_set plan_unmet(const struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    const struct hg_asker *asker = &event->asker;
    struct hg_wall at_start = turn->at.wall;
    hg_why_set unmet = hg_gate_out_of_limits(
        turn->policy, event->heat.target_mc, event->heat.duration_ms);

    if (event->heat.starts_at_ms > at_start.ms)
        at_start.ms = event->heat.starts_at_ms;
    unmet |= hg_gate_stay_unmet(asker, at_start);
    if (!turn->at.wall.is_trusted)
        unmet |= HG_WHY_BIT(HG_WHY_CLOCK_UNTRUSTED);
    if (!turn->state->is_journal_ok)
        unmet |= HG_WHY_BIT(HG_WHY_JOURNAL_UNAVAILABLE);
    if (!asker->is_allowed || !may_plan(&asker->actor) || !may_replace(turn))
        unmet |= HG_WHY_BIT(HG_WHY_NOT_ALLOWED);
    return unmet;
}

static void accept(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    struct hg_gate_plan *plan = &turn->state->plan;

    memset(plan, 0, sizeof(*plan));
    plan->is_active = true;
    plan->by = event->asker;
    plan->by.request = 0;
    memcpy(plan->heat_id, event->heat.heat_id, HG_ID_BYTES);
    plan->target_mc = event->heat.target_mc;
    plan->duration_ms = event->heat.duration_ms;
    plan->ready_at_ms = event->heat.ready_at_ms;
    plan->starts_at_ms = event->heat.starts_at_ms;
    plan->at_risk = plan_risk(turn);
    record_plan(turn, HG_RECORD_PLAN_ACCEPTED, plan->at_risk)->actor =
        event->asker.actor;
    if (plan->at_risk != 0)
        notice_plan(turn, HG_LEVEL_WARNING, HG_RECORD_PLAN_AT_RISK,
                    plan->at_risk);
    hg_turn_changed(turn);
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_GRANTED,
                   plan->at_risk);
}

void hg_plan_take(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    hg_why_set unmet = plan_unmet(turn);
    struct hg_effect *effect;

    if (unmet == 0) {
        accept(turn);
        return;
    }
    effect = hg_turn_record(turn, HG_RECORD_PLAN_REFUSED, HG_WHY_NONE);
    effect->actor = event->asker.actor;
    effect->reasons = unmet;
    effect->target_mc = event->heat.target_mc;
    effect->duration_ms = event->heat.duration_ms;
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_REFUSED, unmet);
}

static void forget(struct hg_turn *turn)
{
    memset(&turn->state->plan, 0, sizeof(turn->state->plan));
    hg_turn_changed(turn);
}

void hg_plan_cancel(struct hg_turn *turn)
{
    const struct hg_asker *asker = &turn->event->asker;

    if (!turn->state->plan.is_active) {
        hg_turn_answer(turn, asker->request, HG_VERDICT_UNKNOWN, 0);
        return;
    }
    if (!asker->is_allowed || !may_replace(turn)) {
        hg_turn_answer(turn, asker->request, HG_VERDICT_NOT_ALLOWED, 0);
        return;
    }
    record_plan(turn, HG_RECORD_PLAN_DROPPED, 0)->actor = asker->actor;
    forget(turn);
    hg_turn_answer(turn, asker->request, HG_VERDICT_GRANTED, 0);
}

void hg_plan_drop(struct hg_turn *turn, enum hg_why why)
{
    record_plan(turn, HG_RECORD_PLAN_DROPPED, HG_WHY_BIT(why));
    notice_plan(turn, HG_LEVEL_WARNING, HG_RECORD_PLAN_DROPPED,
                HG_WHY_BIT(why));
    forget(turn);
}

void hg_plan_move(struct hg_turn *turn)
{
    struct hg_gate_plan *plan = &turn->state->plan;

    if (!plan->is_active)
        return;
    plan->starts_at_ms = turn->event->heat.starts_at_ms;
    hg_turn_changed(turn);
}

static void start(struct hg_turn *turn)
{
    struct hg_gate_plan plan = turn->state->plan;
    int64_t late_ms = hg_sat_sub_i64(turn->at.wall.ms, plan.starts_at_ms);
    hg_why_set unmet =
        hg_gate_unmet(turn->policy, turn->state, turn->at, &plan.by,
                      plan.target_mc, plan.duration_ms);

    /* one late message is not worth the plan: wait for the next one */
    if (unmet == HG_WHY_BIT(HG_WHY_TELEMETRY_LATE) &&
        late_ms < HG_PLAN_GRACE_MS)
        return;
    if (unmet != 0 || late_ms >= HG_PLAN_GRACE_MS) {
        record_plan(turn, HG_RECORD_PLAN_MISSED, unmet);
        notice_plan(turn, HG_LEVEL_ALARM, HG_RECORD_PLAN_MISSED, unmet);
        forget(turn);
        return;
    }
    forget(turn);
    hg_session_grant(turn, &plan.by, plan.heat_id, plan.target_mc,
                     plan.duration_ms);
}

void hg_plan_settle(struct hg_turn *turn)
{
    struct hg_gate_plan *plan = &turn->state->plan;
    hg_why_set risk;

    if (!plan->is_active)
        return;
    if (turn->at.wall.is_trusted && turn->at.wall.ms >= plan->starts_at_ms) {
        start(turn);
        return;
    }
    risk = plan_risk(turn);
    if (risk == plan->at_risk)
        return;
    if ((risk & ~plan->at_risk) != 0) {
        record_plan(turn, HG_RECORD_PLAN_AT_RISK, risk);
        notice_plan(turn, HG_LEVEL_WARNING, HG_RECORD_PLAN_AT_RISK, risk);
    } else if (risk == 0) {
        record_plan(turn, HG_RECORD_PLAN_IN_ORDER, 0);
        notice_plan(turn, HG_LEVEL_INFO, HG_RECORD_PLAN_IN_ORDER, 0);
    }
    plan->at_risk = risk;
    hg_turn_changed(turn);
}
