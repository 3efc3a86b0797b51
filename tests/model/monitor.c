/*
 * See monitor.h. Two parts: what the event tells the far end (learn), and
 * what the effects may then be (judge). The rules are written from gate.md,
 * not from the code of the gate.
 */
#include "monitor.h"
#include <string.h>

enum { NONE, GOOD, UNKNOWN, USED, BAD };

void monitor_init(struct monitor *m, struct hg_mono now)
{
    memset(m, 0, sizeof(*m));
    m->now = now;
    m->is_journal_ok = true;
}

static uint64_t age(struct hg_mono now, struct hg_mono then)
{
    return now.ms > then.ms ? now.ms - then.ms : 0;
}

static bool same(const struct hg_actor *a, const struct hg_actor *b)
{
    return a->role == b->role && memcmp(a->id, b->id, HG_ID_BYTES) == 0;
}

static bool is_fresh(const struct monitor *m, const struct hg_policy *policy)
{
    return m->has_proof && age(m->now, m->proof_at) < policy->stale_after_ms;
}

static void doubt_check(struct monitor *m)
{
    if (m->check == GOOD)
        m->check = m->has_check_count ? UNKNOWN : BAD;
}

static void lose(struct monitor *m)
{
    m->has_proof = false;
    m->is_closed = false;
    m->has_open = m->has_cycle = m->has_panel = false;
    doubt_check(m);
}

static void spoil_check(struct monitor *m)
{
    if (m->check == GOOD || m->check == UNKNOWN)
        m->check = BAD;
}

static void learn_time(struct monitor *m, const struct hg_policy *policy,
                       const struct hg_event *event)
{
    bool is_back = event->at.mono.ms < m->now.ms;

    m->now = event->at.mono;
    if (is_back) {
        lose(m);
        spoil_check(m);
    }
    if (m->has_proof && !is_fresh(m, policy))
        lose(m);
    if ((m->check == GOOD || m->check == UNKNOWN) &&
        m->now.ms >= m->check_until.ms)
        m->check = BAD;
    if (m->is_resting && m->now.ms >= m->rest_until.ms)
        m->is_resting = false;
    if (m->is_local && age(m->now, m->local_at) >= policy->session_cap_ms) {
        m->is_local = false;
        if (policy->rest_after_cap_ms > 0) {
            m->is_resting = true;
            m->rest_until.ms = m->now.ms + policy->rest_after_cap_ms;
        }
    }
}

static void learn_open(struct monitor *m, bool is_counted)
{
    bool is_new = !m->is_open || is_counted;

    m->is_closed = false;
    m->is_open = true;
    if (is_new) {
        m->has_open = !is_counted;
        m->has_cycle = m->has_panel = false;
        m->open_at = m->now;
    }
    spoil_check(m);
}

static void learn_reading(struct monitor *m, const struct hg_event *event,
                          const struct monitor_truth *truth)
{
    const struct hg_reading *reading = &event->reading;

    if (truth->is_reboot) {
        lose(m);
        spoil_check(m);
        m->is_local = false;
        m->is_late = false;
    }
    if (!truth->is_live)
        return;
    if (reading->is_whole)
        m->is_late = !truth->is_proof;
    if (reading->door == HG_DOOR_OPEN)
        learn_open(m, false);
    if (!truth->is_proof)
        return;
    m->has_proof = true;
    m->proof_at = m->now;
    m->is_air_fault = !reading->has_air;
    if (reading->door == HG_DOOR_UNKNOWN) {
        m->is_closed = m->is_open = false;
        m->has_open = m->has_cycle = m->has_panel = false;
        doubt_check(m);
        if (truth->is_counted)
            spoil_check(m);
    }
    if (reading->door != HG_DOOR_CLOSED)
        return;
    if (truth->is_counted && !m->is_open)
        learn_open(m, true);
    else if (m->is_open && m->has_open)
        m->has_cycle = true;
    m->is_closed = true;
    m->is_open = false;
    if (m->check == UNKNOWN)
        m->check = truth->is_counted || truth->is_reboot ? BAD : GOOD;
}

static void learn_local(struct monitor *m, const struct hg_event *event,
                        const struct monitor_truth *truth)
{
    if (truth->is_reboot) {
        lose(m);
        spoil_check(m);
        m->is_local = false;
        m->is_late = false;
    }
    if (!truth->is_live)
        return;
    if (event->local.what == HG_LOCAL_START && !m->is_local) {
        m->is_local = true;
        m->local_at = m->now;
    }
    if (event->local.what == HG_LOCAL_STOP)
        m->is_local = false;
    if (event->local.what == HG_LOCAL_ROOM_CHECK) {
        m->has_panel = true;
        m->panel_at = m->now;
    }
}

static void learn(struct monitor *m, const struct hg_policy *policy,
                  const struct hg_event *event,
                  const struct monitor_truth *truth)
{
    learn_time(m, policy, event);
    switch ((int)event->kind) {
    case HG_EVENT_TELEMETRY:
        learn_reading(m, event, truth);
        break;
    case HG_EVENT_LOCAL:
        learn_local(m, event, truth);
        break;
    case HG_EVENT_PRESENCE:
        if (m->is_online && !event->is_online)
            lose(m);
        m->is_online = event->is_online;
        break;
    case HG_EVENT_LINK_UP:
    case HG_EVENT_LINK_DOWN:
        m->is_link_up = event->kind == HG_EVENT_LINK_UP;
        m->is_online = false;
        lose(m);
        break;
    case HG_EVENT_JOURNAL_FAILED:
    case HG_EVENT_JOURNAL_OK:
        m->is_journal_ok = event->kind == HG_EVENT_JOURNAL_OK;
        break;
    case HG_EVENT_SHUTDOWN:
        m->is_link_up = false;
        break;
    case HG_EVENT_ACCESS_ENDED:
        if (same(&m->signer, &event->asker.actor))
            spoil_check(m);
        break;
    default:
        break;
    }
}

/* Everything section 2 wants of a running heat, from here. */
static bool holds(const struct monitor *m, const struct hg_policy *policy,
                  const struct hg_asker *by, struct hg_wall wall)
{
    if (by->has_stay && (!wall.is_trusted || wall.ms < by->stay_from_ms ||
                         wall.ms >= by->stay_until_ms))
        return false;
    return m->is_link_up && m->is_online && m->is_journal_ok &&
           is_fresh(m, policy) && !m->is_late && m->is_closed &&
           m->lockouts == 0 && by->is_allowed;
}

static uint64_t run_ms(const struct monitor *m, const struct hg_policy *policy)
{
    return m->duration_ms < policy->session_cap_ms ? m->duration_ms
                                                   : policy->session_cap_ms;
}

static const struct hg_effect *find(const struct hg_effects *effects,
                                    enum hg_effect_kind kind)
{
    for (uint32_t i = 0; i < effects->count; i++)
        if (effects->effect[i].kind == kind)
            return &effects->effect[i];
    return NULL;
}

static const struct hg_effect *find_answer(const struct hg_effects *effects,
                                           uint64_t request)
{
    for (uint32_t i = 0; i < effects->count; i++)
        if (effects->effect[i].kind == HG_EFFECT_ANSWER &&
            effects->effect[i].request == request)
            return &effects->effect[i];
    return NULL;
}

static const char *judge_revoke(struct monitor *m,
                                const struct hg_effect *effect, uint32_t place)
{
    if (place != 0)
        return "I8: a revoke is not the first effect";
    if (effect->serial <= m->serial)
        return "I7: a revoke's serial does not rise";
    m->serial = effect->serial;
    m->is_lent = false;
    return NULL;
}

static const char *judge_permit(struct monitor *m,
                                const struct hg_policy *policy,
                                const struct hg_event *event,
                                const struct hg_effect *effect)
{
    uint64_t left_ms;

    if (effect->serial <= m->serial || effect->serial >= HG_SERIAL_LIMIT)
        return "I7: a permit's serial does not rise";
    m->serial = effect->serial;
    if (m->is_waiting && event->kind == HG_EVENT_COMMITTED &&
        event->ticket == m->ticket && !m->is_heat) {
        m->is_waiting = false;
        m->is_heat = m->is_started = true;
        m->is_held = false;
        m->started_at = m->now;
        m->by = m->asked_by;
        m->duration_ms = m->asked_ms;
    } else {
        m->seen.renewals++;
    }
    if (!m->is_heat)
        return "I8: a permit without a durable grant";
    if (!holds(m, policy, &m->by, event->at.wall))
        return "I1: a permit although a condition does not hold";
    if (age(m->now, m->started_at) >= run_ms(m, policy))
        return "I5: a permit after the end of the session";
    left_ms = run_ms(m, policy) - age(m->now, m->started_at);
    if (m->by.has_stay &&
        (uint64_t)(m->by.stay_until_ms - event->at.wall.ms) < left_ms)
        left_ms = (uint64_t)(m->by.stay_until_ms - event->at.wall.ms);
    /* a wall clock set back may leave less than the stay seems to */
    if (effect->ttl_ms > left_ms || effect->ttl_ms > policy->lease_ms)
        return "I2: a permit that outlives its lease or its session";
    if (!m->by.has_stay &&
        effect->ttl_ms !=
            (left_ms < policy->lease_ms ? left_ms : policy->lease_ms))
        return "completeness: a permit shorter than it should be";
    if (m->is_held)
        m->seen.resumes++;
    m->is_held = false;
    m->is_lent = true;
    m->lent_at = m->now;
    m->lent_until.ms = m->now.ms + effect->ttl_ms;
    m->seen.permits++;
    return NULL;
}

static const char *judge_grant(struct monitor *m,
                               const struct hg_policy *policy,
                               const struct hg_event *event,
                               const struct hg_effect *effect)
{
    bool is_plan = event->kind != HG_EVENT_START;

    if (is_plan && !m->has_plan)
        return "I6: a grant that nobody asked for";
    m->asked_by = is_plan ? m->plan_by : event->asker;
    if (m->check != GOOD)
        return "I10: a grant without a good check";
    m->check = USED;
    if (m->is_heat || m->is_waiting || m->is_local || m->is_resting)
        return "I1: a grant while heating or resting";
    if (!holds(m, policy, &m->asked_by, event->at.wall))
        return "I1: a grant although a condition does not hold";
    if (effect->duration_ms > policy->session_cap_ms ||
        effect->duration_ms == 0)
        return "I5: a grant beyond the cap";
    if (effect->ticket == 0)
        return "I8: a grant that waits for no record";
    m->is_waiting = true;
    m->ticket = effect->ticket;
    m->asked_ms = effect->duration_ms;
    if (is_plan)
        m->has_plan = false;
    return NULL;
}

static void judge_end(struct monitor *m, const struct hg_policy *policy,
                      const struct hg_effect *effect)
{
    if (m->is_waiting && !m->is_heat) {
        m->is_waiting = false;
        return;
    }
    if (effect->why == HG_WHY_CAP_REACHED && policy->rest_after_cap_ms > 0) {
        m->is_resting = true;
        m->rest_until.ms = m->now.ms + policy->rest_after_cap_ms;
    }
    m->is_heat = m->is_held = m->is_change_waiting = false;
    m->seen.ends++;
}

static const char *judge_signed(struct monitor *m,
                                const struct hg_policy *policy,
                                const struct hg_event *event)
{
    bool is_there = false;

    if (event->kind != HG_EVENT_CHECK_SIGN)
        return "I10: a check that nobody signed";
    if (event->asker.actor.role == HG_ROLE_INTEGRATOR)
        return "I10: an integrator signed";
    if (event->check.agreed != HG_STATEMENT_ALL)
        return "I10: a check without every statement";
    if (policy->evidence == HG_EVIDENCE_DOOR_CYCLE)
        is_there =
            m->has_cycle && age(m->now, m->open_at) < policy->look_in_window_ms;
    else if (policy->evidence == HG_EVIDENCE_PANEL)
        is_there = m->has_panel &&
                   age(m->now, m->panel_at) < policy->look_in_window_ms;
    else if (policy->evidence == HG_EVIDENCE_PLACE_CODE)
        is_there = event->check.is_place_code_right;
    if (!is_there)
        return "I10: a check without its evidence";
    if (!m->is_closed || !is_fresh(m, policy))
        return "I10: a check of a room not seen shut";
    m->check = GOOD;
    m->check_until.ms = m->now.ms + policy->check_valid_ms;
    m->has_check_count = true;
    m->signer = event->asker.actor;
    m->has_open = m->has_cycle = m->has_panel = false;
    return NULL;
}

static const char *judge_lockout(struct monitor *m,
                                 const struct hg_event *event,
                                 const struct hg_effect *effect)
{
    if (effect->record == HG_RECORD_LOCKOUT_SET) {
        m->lockouts |= HG_WHY_BIT(effect->why);
        spoil_check(m);
        m->seen.lockouts++;
        return NULL;
    }
    if (event->kind != HG_EVENT_LOCKOUT_CLEAR || !event->lockout.has_note ||
        event->asker.actor.id[0] == '\0' ||
        (event->asker.actor.role != HG_ROLE_OWNER &&
         event->asker.actor.role != HG_ROLE_MANAGER))
        return "I11: a lockout cleared by nobody, or without a note";
    m->lockouts &= ~HG_WHY_BIT(effect->why);
    return NULL;
}

static const char *judge_record(struct monitor *m,
                                const struct hg_policy *policy,
                                const struct hg_event *event,
                                const struct hg_effect *effect)
{
    switch ((int)effect->record) {
    case HG_RECORD_HEAT_GRANTED:
        return judge_grant(m, policy, event, effect);
    case HG_RECORD_HEAT_ENDED:
        judge_end(m, policy, effect);
        break;
    case HG_RECORD_HEAT_HELD:
        m->is_held = true;
        m->held_at = m->now;
        break;
    case HG_RECORD_HEAT_CHANGED:
        m->is_change_waiting = true;
        m->change_ticket = effect->ticket;
        m->change_ms = effect->duration_ms;
        if (effect->duration_ms > policy->session_cap_ms)
            return "I5: a change beyond the cap";
        break;
    case HG_RECORD_CHECK_SIGNED:
        return judge_signed(m, policy, event);
    case HG_RECORD_CHECK_VOIDED:
        m->seen.voids++;
        if (m->check == GOOD)
            return "completeness: a good check was voided";
        break;
    case HG_RECORD_LOCKOUT_SET:
    case HG_RECORD_LOCKOUT_CLEARED:
        return judge_lockout(m, event, effect);
    case HG_RECORD_PLAN_ACCEPTED:
        m->has_plan = true;
        m->plan_by = event->asker;
        m->plan_at_ms = event->heat.starts_at_ms;
        m->seen.plans++;
        break;
    case HG_RECORD_PLAN_DROPPED:
    case HG_RECORD_PLAN_MISSED:
        m->has_plan = false;
        break;
    default:
        break;
    }
    return NULL;
}

/* What this event must have brought, whatever else it brought. */
static const char *judge_must(const struct monitor *m,
                              const struct hg_event *event,
                              const struct monitor_truth *truth,
                              const struct hg_effects *effects, bool was_lent)
{
    const struct hg_effect *answer = find_answer(effects, event->asker.request);
    bool has_revoke = find(effects, HG_EFFECT_REVOKE) != NULL;
    bool is_opening = event->kind == HG_EVENT_TELEMETRY && truth->is_live &&
                      (event->reading.door == HG_DOOR_OPEN ||
                       (truth->is_counted && truth->is_proof));

    if (has_revoke && find(effects, HG_EFFECT_PERMIT) != NULL)
        return "I3: a permit in the step of a revoke";
    if (is_opening && was_lent && !has_revoke)
        return "I3: an open door did not take the permit back";
    if (event->kind == HG_EVENT_STOP &&
        (!has_revoke || m->is_heat || m->is_waiting))
        return "I9: a stop did not stop";
    if (event->kind == HG_EVENT_STOP &&
        (answer == NULL || answer->verdict != HG_VERDICT_GRANTED))
        return "I9: a stop was not granted";
    if ((event->kind == HG_EVENT_LINK_DOWN ||
         event->kind == HG_EVENT_JOURNAL_FAILED ||
         event->kind == HG_EVENT_SHUTDOWN) &&
        (m->is_heat || m->is_waiting))
        return "I4: heat goes on without link or journal";
    if (event->kind == HG_EVENT_START && answer == NULL && !m->is_waiting)
        return "I12: a start without an answer or a grant";
    return NULL;
}

/* After the step: nothing may go on that should have ended, and the like. */
static const char *judge_after(const struct monitor *m,
                               const struct hg_policy *policy,
                               const struct hg_event *event,
                               const struct hg_effects *effects)
{
    bool has_revoke = find(effects, HG_EFFECT_REVOKE) != NULL;
    bool all = m->is_heat && holds(m, policy, &m->by, event->at.wall);

    if (m->is_heat && age(m->now, m->started_at) >= run_ms(m, policy))
        return "I5: the session outlives its duration";
    if (m->is_heat && !is_fresh(m, policy))
        return "I4: the session outlives its data";
    if (m->is_heat && (m->lockouts != 0 || !m->is_online || !m->is_link_up))
        return "I1: the session outlives a condition";
    if (m->is_held && age(m->now, m->held_at) >= policy->door_hold_max_ms)
        return "I5: the hold outlives its limit";
    if (m->is_heat && m->is_lent && !m->is_closed)
        return "I3: a permit beside an open door";
    if (all && !has_revoke &&
        (!m->is_lent || age(m->now, m->lent_at) >= policy->lease_ms / 3))
        return "completeness: a permit that was due did not come";
    return NULL;
}

static bool may_start(const struct monitor *m, const struct hg_policy *policy,
                      const struct hg_event *event)
{
    return event->kind == HG_EVENT_START && m->check == GOOD && !m->is_heat &&
           !m->is_waiting && !m->is_local && !m->is_resting &&
           event->heat.duration_ms > 0 &&
           event->heat.duration_ms <= policy->session_cap_ms &&
           event->heat.target_mc >= policy->target_min_mc &&
           event->heat.target_mc <= policy->target_max_mc &&
           holds(m, policy, &event->asker, event->at.wall);
}

static const char *judge_effects(struct monitor *m,
                                 const struct hg_policy *policy,
                                 const struct hg_event *event,
                                 const struct hg_effects *effects)
{
    const char *broken = NULL;

    for (uint32_t i = 0; i < effects->count && broken == NULL; i++) {
        const struct hg_effect *effect = &effects->effect[i];

        switch ((int)effect->kind) {
        case HG_EFFECT_REVOKE:
            broken = judge_revoke(m, effect, i);
            break;
        case HG_EFFECT_PERMIT:
            broken = judge_permit(m, policy, event, effect);
            break;
        case HG_EFFECT_RECORD:
            broken = judge_record(m, policy, event, effect);
            break;
        case HG_EFFECT_ANSWER:
            m->seen.refusals += effect->verdict == HG_VERDICT_REFUSED;
            break;
        default:
            break;
        }
    }
    return broken;
}

const char *monitor_step(struct monitor *m, const struct hg_policy *policy,
                         const struct hg_event *event,
                         const struct monitor_truth *truth,
                         const struct hg_effects *effects)
{
    bool was_lent, must_start;
    const char *broken;

    if (effects->is_overfull || effects->count > HG_EFFECTS_MAX)
        return "I12: more effects than a step can need";
    if (truth->is_restart) {
        m->is_heat = m->is_held = m->is_waiting = m->is_change_waiting = false;
        m->is_lent = m->is_link_up = m->is_online = m->is_late = false;
        m->is_open = false;
        lose(m);
        m->is_journal_ok = true;
        m->seen.restarts++;
    }
    if (m->is_lent && event->at.mono.ms >= m->lent_until.ms)
        m->is_lent = false;
    learn(m, policy, event, truth);
    was_lent = m->is_lent;
    if (event->kind == HG_EVENT_COMMITTED && m->is_change_waiting &&
        event->ticket == m->change_ticket) {
        m->is_change_waiting = false;
        m->duration_ms = m->change_ms;
        m->lent_at.ms = 0; /* due anew */
        m->seen.changes++;
    }
    must_start = may_start(m, policy, event);
    broken = judge_effects(m, policy, event, effects);
    /* unless this very step latched a lockout first */
    if (broken == NULL && must_start && !m->is_waiting && m->lockouts == 0)
        broken = "completeness: a start that is allowed was refused";
    if (broken == NULL)
        broken = judge_must(m, event, truth, effects, was_lent);
    if (broken == NULL)
        broken = judge_after(m, policy, event, effects);
    return broken;
}
