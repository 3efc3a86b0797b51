/*
 * See monitor.h: what the effects of a step may be, and what they must be,
 * given what the monitor knows.
 */
#include "monitor.h"
#include <string.h>

#define W(name) HG_WHY_BIT(HG_WHY_##name)

/* what makes a running heat wait and not end */
#define WAITS (W(DOOR_OPEN) | W(TELEMETRY_LATE))

/* One step, as the functions below pass it on. */
struct step {
    struct monitor *m;
    const struct hg_policy *policy;
    const struct hg_event *event;
    const struct monitor_truth *truth;
    const struct hg_effects *effects;
};

static bool has(const struct hg_effects *effects, enum hg_effect_kind kind)
{
    for (uint32_t i = 0; i < effects->count; i++)
        if (effects->effect[i].kind == kind)
            return true;
    return false;
}

static bool has_record(const struct hg_effects *effects, enum hg_record record)
{
    for (uint32_t i = 0; i < effects->count; i++)
        if (effects->effect[i].kind == HG_EFFECT_RECORD &&
            effects->effect[i].record == record)
            return true;
    return false;
}

static bool is_staff(const struct hg_asker *asker)
{
    return asker->is_allowed && asker->actor.id[0] != '\0' &&
           (asker->actor.role == HG_ROLE_OWNER ||
            asker->actor.role == HG_ROLE_MANAGER);
}

static const char *judge_revoke(const struct step *step,
                                const struct hg_effect *effect, uint32_t place)
{
    struct monitor *m = step->m;

    if (place != 0)
        return "I8: a revoke is not the first effect";
    if (effect->serial <= m->serial || effect->serial >= HG_SERIAL_LIMIT)
        return "I7: a revoke's serial does not rise";
    m->serial = effect->serial;
    m->is_lent = false;
    m->revoked_at = m->now;
    return NULL;
}

static void begin(const struct step *step)
{
    struct monitor *m = step->m;

    m->is_waiting = false;
    m->is_heat = true;
    m->is_held = m->has_rise_base = false;
    m->started_at = m->now;
    m->by = m->asked_by;
    m->duration_ms = m->asked_ms;
    monitor_set_end(m, step->policy, step->event->at.wall);
}

static const char *judge_permit(const struct step *step,
                                const struct hg_effect *effect)
{
    struct monitor *m = step->m;
    uint64_t left_ms, lease_ms = step->policy->lease_ms;

    if (effect->serial <= m->serial || effect->serial >= HG_SERIAL_LIMIT)
        return "I7: a permit's serial does not rise";
    m->serial = effect->serial;
    if (m->is_waiting && step->event->kind == HG_EVENT_COMMITTED &&
        step->event->ticket == m->ticket && !m->is_heat)
        begin(step);
    else
        m->seen.renewals++;
    if (!m->is_heat)
        return "I8: a permit without a durable grant";
    if (monitor_unmet(m, step->policy, &m->by, step->event->at.wall) != 0)
        return "I1: a permit although a condition does not hold";
    if (m->now.ms >= m->ends_at.ms)
        return "I5: a permit after the end of the session";
    left_ms = m->ends_at.ms - m->now.ms;
    if (effect->ttl_ms > left_ms || effect->ttl_ms > lease_ms)
        return "I2: a permit that outlives its lease or its session";
    if (effect->ttl_ms < left_ms && effect->ttl_ms < lease_ms)
        return "completeness: a permit shorter than it should be";
    m->is_held = m->is_due = false;
    m->is_lent = true;
    m->lent_at = m->now;
    m->lent_until.ms = m->now.ms + effect->ttl_ms;
    if (m->lent_until.ms > m->quiet_at.ms)
        m->quiet_at = m->lent_until;
    m->seen.permits++;
    return NULL;
}

static const char *judge_grant(const struct step *step,
                               const struct hg_effect *effect)
{
    struct monitor *m = step->m;
    bool is_plan = step->event->kind != HG_EVENT_START;

    if (is_plan && !m->has_plan)
        return "I6: a grant that nobody asked for";
    if (is_plan && (!step->event->at.wall.is_trusted ||
                    step->event->at.wall.ms < m->plan_at_ms))
        return "I6: a plan started before its time";
    m->asked_by = is_plan ? m->plan_by : step->event->asker;
    if (m->check != MONITOR_GOOD)
        return "I10: a grant without a good check";
    if (monitor_start_unmet(m, step->policy, &m->asked_by, step->event->at.wall,
                            effect->target_mc, effect->duration_ms) != 0)
        return "I1: a grant although a condition does not hold";
    if (effect->ticket == 0)
        return "I8: a grant that waits for no record";
    m->check = MONITOR_USED;
    m->is_waiting = true;
    m->ticket = effect->ticket;
    m->asked_ms = effect->duration_ms;
    m->seen.plan_starts += is_plan;
    m->has_plan &= !is_plan;
    return NULL;
}

/* Events that end heat, or a grant that waits, whatever else holds. */
static hg_why_set ended_by_event(const struct step *step)
{
    const struct hg_event *event = step->event;
    bool is_opening = monitor_is_opening(event, step->truth);
    const struct hg_asker *by =
        step->m->is_heat ? &step->m->by : &step->m->asked_by;
    hg_why_set why = 0;

    if (event->kind == HG_EVENT_STOP ||
        (event->kind == HG_EVENT_LOCAL && step->truth->is_live &&
         event->local.what == HG_LOCAL_STOP))
        why |= W(STOPPED);
    if (event->kind == HG_EVENT_SHUTDOWN)
        why |= W(GATEWAY_RESTART);
    if (step->truth->is_reboot)
        why |= W(CONTROLLER_RESTARTED);
    if (event->kind == HG_EVENT_ACCESS_ENDED &&
        monitor_same(&by->actor, &event->asker.actor))
        why |= W(ACCESS_ENDED);
    if (is_opening &&
        (step->policy->door_rule == HG_DOOR_RULE_END || step->m->is_waiting))
        why |= W(DOOR_OPEN);
    return why;
}

/* Everything that ends this heat in this step. */
static hg_why_set ends_of(const struct step *step)
{
    struct monitor *m = step->m;
    hg_why_set unmet = m->unmet_before | monitor_unmet(m, step->policy, &m->by,
                                                       step->event->at.wall);
    hg_why_set why = (unmet & ~WAITS) | ended_by_event(step);

    if (unmet & (W(NOT_ALLOWED) | W(OUTSIDE_STAY)))
        why |= W(ACCESS_ENDED);
    if (m->now.ms >= m->ends_at.ms)
        why |= HG_WHY_BIT(m->ends_why);
    if (m->is_held &&
        monitor_age(m->now, m->held_at) >= step->policy->door_hold_max_ms)
        why |= W(DOOR_HELD_TOO_LONG);
    return why;
}

static const char *judge_end(const struct step *step,
                             const struct hg_effect *effect)
{
    struct monitor *m = step->m;

    if (m->is_waiting && !m->is_heat) {
        if ((m->unmet_before | ended_by_event(step) |
             monitor_unmet(m, step->policy, &m->asked_by,
                           step->event->at.wall)) == 0)
            return "completeness: a grant given up for nothing";
        if (effect->reasons == 0)
            return "completeness: a grant given up without a reason";
        m->is_waiting = false;
        return NULL;
    }
    if (!m->is_heat)
        return "I8: an end of what never was";
    if ((ends_of(step) & HG_WHY_BIT(effect->why)) == 0)
        return "completeness: a heat ended for what is not so";
    if (effect->why == HG_WHY_CAP_REACHED &&
        step->policy->rest_after_cap_ms > 0) {
        m->is_resting = true;
        m->rest_until.ms = m->now.ms + step->policy->rest_after_cap_ms;
    }
    m->is_heat = m->is_held = m->is_change_waiting = false;
    m->seen.ends++;
    m->seen.ends_of |= HG_WHY_BIT(effect->why);
    return NULL;
}

static bool is_evidence_there(const struct step *step)
{
    const struct monitor *m = step->m;
    uint64_t window_ms = step->policy->look_in_window_ms;

    switch (step->policy->evidence) {
    case HG_EVIDENCE_DOOR_CYCLE:
        return m->has_cycle && monitor_age(m->now, m->open_at) < window_ms;
    case HG_EVIDENCE_PANEL:
        return m->has_panel && monitor_age(m->now, m->panel_at) < window_ms;
    case HG_EVIDENCE_PLACE_CODE:
        return step->event->check.is_place_code_right;
    case HG_EVIDENCE_NONE:
        break;
    }
    return false;
}

static hg_why_set sign_unmet(const struct step *step)
{
    const struct monitor *m = step->m;
    hg_why_set unmet = monitor_unmet(m, step->policy, &step->event->asker,
                                     step->event->at.wall);

    if (step->event->check.agreed != HG_STATEMENT_ALL ||
        !is_evidence_there(step))
        unmet |= W(CHECK_MISSING);
    if (m->is_heat || m->is_waiting || m->is_local)
        unmet |= W(ALREADY_HEATING);
    return unmet;
}

static const char *judge_signed(const struct step *step)
{
    struct monitor *m = step->m;

    if (step->event->kind != HG_EVENT_CHECK_SIGN)
        return "I10: a check that nobody signed";
    if (step->event->asker.actor.role == HG_ROLE_INTEGRATOR)
        return "I10: an integrator signed";
    if (step->event->check.agreed != HG_STATEMENT_ALL)
        return "I10: a check without every statement";
    if (!is_evidence_there(step))
        return "I10: a check without its evidence";
    if (sign_unmet(step) != 0)
        return "I10: a check of a room that is not ready for it";
    m->check = MONITOR_GOOD;
    m->check_until.ms = m->now.ms + step->policy->check_valid_ms;
    m->has_check_count = true;
    m->is_check_broken = false;
    m->signer = step->event->asker.actor;
    m->has_open = m->has_cycle = m->has_panel = false;
    return NULL;
}

/* Is it right that this lockout latches now? */
static bool is_cause(const struct step *step, enum hg_why why)
{
    const struct hg_event *event = step->event;
    bool is_proof = event->kind == HG_EVENT_TELEMETRY && step->truth->is_proof;

    switch ((int)why) {
    case HG_WHY_LOCKED_OUT:
        return event->kind == HG_EVENT_LOCKOUT_SET && is_staff(&event->asker) &&
               event->lockout.has_note;
    case HG_WHY_RIVAL_GATEWAY:
        return event->kind == HG_EVENT_PERMIT_HEARD;
    case HG_WHY_SENSOR_FAULT:
        return is_proof && !event->reading.has_air;
    case HG_WHY_NO_RISE:
        return is_proof && step->m->has_rise_base &&
               step->m->rise_on_ms >= step->policy->no_rise_ms;
    case HG_WHY_HEATER_UNBIDDEN:
        return step->m->was_unbidden_long;
    default:
        return false;
    }
}

/* What keeps a lockout from being cleared. */
static hg_why_set cause_left(const struct step *step, enum hg_why what)
{
    const struct monitor *m = step->m;
    hg_why_set stale =
        monitor_is_fresh(m, step->policy) ? 0 : W(TELEMETRY_STALE);

    switch ((int)what) {
    case HG_WHY_RIVAL_GATEWAY:
        return monitor_age(m->now, m->rival_at) <
                       2 * (uint64_t)step->policy->lease_ms
                   ? W(RIVAL_GATEWAY)
                   : 0;
    case HG_WHY_SENSOR_FAULT:
        return (m->has_air ? 0 : W(SENSOR_FAULT)) | stale;
    case HG_WHY_HEATER_UNBIDDEN:
        return (m->is_on ? W(HEATER_UNBIDDEN) : 0) | stale;
    default:
        return 0;
    }
}

static const char *judge_lockout(const struct step *step,
                                 const struct hg_effect *effect)
{
    struct monitor *m = step->m;

    if (effect->record == HG_RECORD_LOCKOUT_SET) {
        if (!is_cause(step, effect->why))
            return "completeness: a lockout without a cause";
        m->lockouts |= HG_WHY_BIT(effect->why);
        monitor_spoil_check(m);
        m->seen.lockouts |= HG_WHY_BIT(effect->why);
        return NULL;
    }
    if (step->event->kind != HG_EVENT_LOCKOUT_CLEAR ||
        !step->event->lockout.has_note || !is_staff(&step->event->asker))
        return "I11: a lockout cleared by nobody, or without a note";
    if (effect->reasons != cause_left(step, effect->why))
        return "I11: a lockout kept or cleared for what is not so";
    if (effect->record == HG_RECORD_LOCKOUT_CLEARED) {
        if (effect->reasons != 0)
            return "I11: a lockout cleared while its cause is there";
        m->lockouts &= ~HG_WHY_BIT(effect->why);
    }
    return NULL;
}

/* The reasons of a refusal are all that is unmet, and nothing else. */
static const char *judge_refusal(const struct step *step,
                                 const struct hg_effect *effect)
{
    const struct hg_event *event = step->event;
    const struct monitor *m = step->m;
    hg_why_set want;

    switch ((int)effect->record) {
    case HG_RECORD_CHECK_REFUSED:
        want = sign_unmet(step);
        break;
    case HG_RECORD_PLAN_REFUSED:
        want = monitor_out_of_limits(step->policy, event->heat.target_mc,
                                     event->heat.duration_ms) |
               (event->at.wall.is_trusted ? 0 : W(CLOCK_UNTRUSTED)) |
               (m->is_journal_ok ? 0 : W(JOURNAL_UNAVAILABLE));
        break;
    default:
        want = event->kind == HG_EVENT_CHANGE
                   ? monitor_out_of_limits(step->policy, event->heat.target_mc,
                                           event->heat.duration_ms) |
                         (m->is_journal_ok ? 0 : W(JOURNAL_UNAVAILABLE))
                   : monitor_start_unmet(m, step->policy, &event->asker,
                                         event->at.wall, event->heat.target_mc,
                                         event->heat.duration_ms);
        break;
    }
    if (want == 0)
        return "completeness: what is allowed was refused";
    if (want != effect->reasons)
        return "completeness: a refusal does not name what is unmet";
    return NULL;
}

static const char *judge_held(const struct step *step)
{
    struct monitor *m = step->m;

    if (!m->is_heat || m->is_held ||
        !monitor_is_opening(step->event, step->truth))
        return "completeness: a hold without an opened door";
    m->is_held = true;
    m->has_rise_base = false;
    m->held_at = m->now;
    return NULL;
}

static const char *judge_plan(const struct step *step,
                              const struct hg_effect *effect)
{
    struct monitor *m = step->m;

    if (effect->record == HG_RECORD_PLAN_ACCEPTED) {
        if (!step->event->at.wall.is_trusted || !m->is_journal_ok)
            return "I1: a plan without a clock or a journal";
        m->has_plan = true;
        m->plan_by = step->event->asker;
        m->plan_at_ms = step->event->heat.starts_at_ms;
        return NULL;
    }
    if (!m->has_plan)
        return "completeness: an end of a plan that never was";
    m->has_plan = false;
    if (effect->record == HG_RECORD_PLAN_MISSED &&
        effect->reasons != monitor_start_unmet(m, step->policy, &m->plan_by,
                                               step->event->at.wall,
                                               effect->target_mc,
                                               effect->duration_ms))
        return "completeness: a plan missed for what is not so";
    if (effect->record == HG_RECORD_PLAN_MISSED && effect->reasons == 0)
        return "completeness: a plan missed for nothing";
    return NULL;
}

static const char *judge_change(const struct step *step,
                                const struct hg_effect *effect)
{
    struct monitor *m = step->m;

    if (!m->is_heat || effect->duration_ms > step->policy->session_cap_ms)
        return "I5: a change beyond the cap, or of nothing";
    if (effect->ticket == 0)
        return "I8: a change that waits for no record";
    m->is_change_waiting = true;
    m->change_ticket = effect->ticket;
    m->change_ms = effect->duration_ms;
    return NULL;
}

static const char *judge_void(const struct step *step)
{
    if (step->m->check == MONITOR_GOOD || step->m->check == MONITOR_UNKNOWN)
        return "completeness: a good check was voided";
    return NULL;
}

static const char *judge_record(const struct step *step,
                                const struct hg_effect *effect)
{
    step->m->seen.records |= UINT64_C(1) << effect->record;
    switch ((int)effect->record) {
    case HG_RECORD_HEAT_GRANTED:
        return judge_grant(step, effect);
    case HG_RECORD_HEAT_ENDED:
        return judge_end(step, effect);
    case HG_RECORD_HEAT_HELD:
        return judge_held(step);
    case HG_RECORD_HEAT_CHANGED:
        return judge_change(step, effect);
    case HG_RECORD_CHECK_SIGNED:
        return judge_signed(step);
    case HG_RECORD_CHECK_VOIDED:
        return judge_void(step);
    case HG_RECORD_LOCKOUT_SET:
    case HG_RECORD_LOCKOUT_CLEARED:
    case HG_RECORD_LOCKOUT_KEPT:
        return judge_lockout(step, effect);
    case HG_RECORD_PLAN_ACCEPTED:
    case HG_RECORD_PLAN_DROPPED:
    case HG_RECORD_PLAN_MISSED:
        return judge_plan(step, effect);
    case HG_RECORD_HEAT_REFUSED:
    case HG_RECORD_CHECK_REFUSED:
    case HG_RECORD_PLAN_REFUSED:
        return judge_refusal(step, effect);
    default:
        return NULL;
    }
}

static const char *judge_effects(const struct step *step)
{
    const char *broken = NULL;

    for (uint32_t i = 0; i < step->effects->count && broken == NULL; i++) {
        const struct hg_effect *effect = &step->effects->effect[i];

        switch ((int)effect->kind) {
        case HG_EFFECT_REVOKE:
            broken = judge_revoke(step, effect, i);
            break;
        case HG_EFFECT_PERMIT:
            broken = judge_permit(step, effect);
            break;
        case HG_EFFECT_RECORD:
            broken = judge_record(step, effect);
            break;
        case HG_EFFECT_ANSWER:
            step->m->seen.refusals += effect->verdict == HG_VERDICT_REFUSED;
            break;
        default:
            break;
        }
    }
    return broken;
}

static bool is_stop_granted(const struct step *step)
{
    for (uint32_t i = 0; i < step->effects->count; i++) {
        const struct hg_effect *effect = &step->effects->effect[i];

        if (effect->kind == HG_EFFECT_ANSWER &&
            effect->request == step->event->asker.request &&
            effect->verdict == HG_VERDICT_GRANTED)
            return true;
    }
    return false;
}

/* What people asked for in this step was granted, or refused, not ignored. */
static const char *judge_asked(const struct step *step, bool was_changing)
{
    const struct hg_event *event = step->event;
    const struct hg_effects *effects = step->effects;
    const struct monitor *m = step->m;

    switch ((int)event->kind) {
    case HG_EVENT_START:
        if (!has_record(effects, HG_RECORD_HEAT_GRANTED) &&
            !has_record(effects, HG_RECORD_HEAT_REFUSED))
            return "I12: a start neither granted nor refused";
        break;
    case HG_EVENT_CHECK_SIGN:
        if (event->asker.actor.role != HG_ROLE_INTEGRATOR &&
            !has_record(effects, HG_RECORD_CHECK_SIGNED) &&
            !has_record(effects, HG_RECORD_CHECK_REFUSED))
            return "I12: a signature neither granted nor refused";
        break;
    case HG_EVENT_PLAN:
        if (!has_record(effects, HG_RECORD_PLAN_ACCEPTED) &&
            !has_record(effects, HG_RECORD_PLAN_REFUSED))
            return "I12: a plan neither accepted nor refused";
        break;
    case HG_EVENT_UNPLAN:
        if (m->has_plan)
            return "completeness: a plan cannot be cancelled";
        break;
    case HG_EVENT_CHANGE:
        if (m->was_heat && m->is_heat && !was_changing &&
            !has_record(effects, HG_RECORD_HEAT_CHANGED) &&
            !has_record(effects, HG_RECORD_HEAT_REFUSED))
            return "I12: a change neither granted nor refused";
        break;
    case HG_EVENT_LOCKOUT_CLEAR:
        if (is_staff(&event->asker) &&
            (m->lockouts & HG_WHY_BIT(event->lockout.what)) != 0 &&
            !has_record(effects, HG_RECORD_LOCKOUT_KEPT))
            return "I12: a lockout neither cleared nor kept";
        break;
    case HG_EVENT_STOP:
        if (!has(effects, HG_EFFECT_REVOKE) || m->is_heat || m->is_waiting)
            return "I9: a stop did not stop";
        if (!is_stop_granted(step))
            return "I9: a stop was not granted";
        break;
    default:
        break;
    }
    return NULL;
}

/* Causes of lockouts have to latch in the step that shows them. */
static const char *judge_latched(const struct step *step)
{
    static const enum hg_why causes[] = {
        HG_WHY_LOCKED_OUT, HG_WHY_RIVAL_GATEWAY,   HG_WHY_SENSOR_FAULT,
        HG_WHY_NO_RISE,    HG_WHY_HEATER_UNBIDDEN,
    };
    const struct monitor *m = step->m;

    for (size_t i = 0; i < sizeof(causes) / sizeof(causes[0]); i++) {
        if (causes[i] == HG_WHY_NO_RISE && !m->is_heat)
            continue; /* it ended before the reading was looked at */
        if (is_cause(step, causes[i]) &&
            (m->lockouts & HG_WHY_BIT(causes[i])) == 0)
            return "I11: a lockout did not latch";
    }
    if (m->was_unbidden_long && !m->is_lent && !m->was_waiting &&
        !m->is_waiting &&
        monitor_age(m->now, m->revoked_at) >= step->policy->lease_ms)
        return "I2: heat without permission is not revoked again";
    return NULL;
}

/* After the step: nothing may go on that should have ended, and the like. */
static const char *judge_after(const struct step *step)
{
    const struct monitor *m = step->m;
    const struct hg_policy *policy = step->policy;
    struct hg_wall wall = step->event->at.wall;
    bool has_revoke = has(step->effects, HG_EFFECT_REVOKE);
    hg_why_set unmet = monitor_unmet(m, policy, &m->by, wall);

    if (has_revoke && has(step->effects, HG_EFFECT_PERMIT))
        return "I3: a permit in the step of a revoke";
    if (m->was_lent && monitor_is_opening(step->event, step->truth) &&
        !has_revoke)
        return "I3: an open door did not take the permit back";
    if (m->is_heat && m->is_lent && !m->is_closed)
        return "I3: a permit beside an open door";
    if (m->is_heat && m->now.ms >= m->ends_at.ms)
        return "I5: the session outlives its end";
    if (m->is_held &&
        monitor_age(m->now, m->held_at) >= policy->door_hold_max_ms)
        return "I5: the hold outlives its limit";
    if (m->is_heat &&
        ((unmet | (m->was_heat ? m->unmet_before : 0)) & ~WAITS) != 0)
        return "I4: the session outlives a condition";
    if (m->is_heat && (ended_by_event(step) != 0))
        return "I3: the session outlives what ends it";
    if (m->is_waiting && monitor_unmet(m, policy, &m->asked_by, wall) != 0)
        return "I1: a grant waits although a condition does not hold";
    if (m->was_lent && m->is_heat && !m->is_lent && !m->is_held)
        return "completeness: a permit taken back for nothing";
    if (m->is_heat && unmet == 0 && !has_revoke &&
        (!m->is_lent || m->is_due ||
         monitor_age(m->now, m->lent_at) >= policy->lease_ms / 3))
        return "completeness: a permit that was due did not come";
    return NULL;
}

/* Plans and grants whose time has come. */
static const char *judge_due(const struct step *step, bool was_committed)
{
    const struct monitor *m = step->m;

    if (was_committed && m->is_waiting)
        return "completeness: a durable grant took no effect";
    if (m->has_plan && step->event->at.wall.is_trusted &&
        step->event->at.wall.ms >= m->plan_at_ms &&
        monitor_start_unmet(m, step->policy, &m->plan_by, step->event->at.wall,
                            step->policy->target_min_mc,
                            1) != W(TELEMETRY_LATE))
        return "completeness: the time of a plan came and nothing happened";
    return NULL;
}

const char *monitor_judge(struct monitor *m, const struct hg_policy *policy,
                          const struct hg_event *event,
                          const struct monitor_truth *truth,
                          const struct hg_effects *effects)
{
    const struct step step = { m, policy, event, truth, effects };
    bool is_commit = event->kind == HG_EVENT_COMMITTED;
    bool was_committed =
        is_commit && m->is_waiting && event->ticket == m->ticket;
    bool was_changing = m->is_change_waiting;
    const char *broken;

    if (is_commit && m->is_change_waiting &&
        event->ticket == m->change_ticket && (m->unmet_before & ~WAITS) == 0 &&
        m->now.ms < m->ends_at.ms) {
        m->is_change_waiting = m->has_rise_base = false;
        m->duration_ms = m->change_ms;
        monitor_set_end(m, policy, event->at.wall);
        m->is_due = true;
    }
    broken = judge_effects(&step);
    if (broken == NULL)
        broken = judge_asked(&step, was_changing);
    if (broken == NULL)
        broken = judge_latched(&step);
    if (broken == NULL)
        broken = judge_due(&step, was_committed);
    if (broken == NULL)
        broken = judge_after(&step);
    return broken;
}
