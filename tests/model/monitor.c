/*
 * See monitor.h: what the far end learns from time and events, and what it
 * therefore holds to be unmet. The rules are written from gate.md, not from
 * the code of the gate. judge.c says what the effects may then be.
 */
#include "monitor.h"
#include <string.h>

#define W(name) HG_WHY_BIT(HG_WHY_##name)

void monitor_init(struct monitor *m, const struct hg_policy *policy,
                  struct hg_mono now)
{
    memset(m, 0, sizeof(*m));
    m->now = now;
    m->is_journal_ok = true;
    m->quiet_at.ms = now.ms + policy->lease_ms;
}

uint64_t monitor_age(struct hg_mono now, struct hg_mono then)
{
    return now.ms > then.ms ? now.ms - then.ms : 0;
}

bool monitor_same(const struct hg_actor *a, const struct hg_actor *b)
{
    return a->role == b->role && memcmp(a->id, b->id, HG_ID_BYTES) == 0;
}

bool monitor_is_fresh(const struct monitor *m, const struct hg_policy *policy)
{
    return m->has_proof &&
           monitor_age(m->now, m->proof_at) < policy->stale_after_ms;
}

bool monitor_is_opening(const struct hg_event *event,
                        const struct monitor_truth *truth)
{
    return event->kind == HG_EVENT_TELEMETRY && truth->is_live &&
           (event->reading.door == HG_DOOR_OPEN ||
            (truth->is_counted_now && truth->is_proof &&
             event->reading.door == HG_DOOR_CLOSED));
}

static void lose(struct monitor *m)
{
    m->has_proof = false;
    m->is_closed = false;
    m->has_open = m->has_cycle = m->has_panel = false;
    m->has_rise_base = false;
    if (m->check == MONITOR_GOOD)
        m->check = m->has_check_count ? MONITOR_UNKNOWN : MONITOR_BAD;
}

void monitor_spoil_check(struct monitor *m)
{
    if (m->check == MONITOR_GOOD || m->check == MONITOR_UNKNOWN)
        m->check = MONITOR_BAD;
}

static void end_local(struct monitor *m)
{
    if (m->is_local && m->now.ms > m->quiet_at.ms)
        m->quiet_at = m->now;
    m->is_local = false;
}

static void learn_time(struct monitor *m, const struct hg_policy *policy,
                       const struct hg_event *event)
{
    bool is_back = event->at.mono.ms < m->now.ms;

    m->now = event->at.mono;
    if (is_back) {
        lose(m);
        monitor_spoil_check(m);
    }
    if (m->has_proof && !monitor_is_fresh(m, policy))
        lose(m);
    if ((m->check == MONITOR_GOOD || m->check == MONITOR_UNKNOWN) &&
        m->now.ms >= m->check_until.ms)
        m->check = MONITOR_EXPIRED;
    if (m->is_lent && m->now.ms >= m->lent_until.ms)
        m->is_lent = false;
    if (m->is_resting && m->now.ms >= m->rest_until.ms)
        m->is_resting = false;
    if (m->is_local &&
        monitor_age(m->now, m->local_at) >= policy->session_cap_ms) {
        end_local(m);
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
    monitor_spoil_check(m);
}

static void learn_door(struct monitor *m, const struct hg_event *event,
                       const struct monitor_truth *truth)
{
    if (event->reading.door == HG_DOOR_UNKNOWN) {
        m->is_closed = m->is_open = false;
        m->has_open = m->has_cycle = m->has_panel = false;
        if (m->check == MONITOR_GOOD)
            m->check = m->has_check_count ? MONITOR_UNKNOWN : MONITOR_BAD;
        /* will be told when the door is known again */
        m->is_check_broken |= truth->is_counted;
        return;
    }
    if (event->reading.door != HG_DOOR_CLOSED)
        return;
    if (truth->is_counted_now && !m->is_open)
        learn_open(m, true);
    else if (m->is_open && m->has_open)
        m->has_cycle = true;
    m->is_closed = true;
    m->is_open = false;
    if (m->check == MONITOR_UNKNOWN)
        m->check = truth->is_counted || m->is_check_broken ? MONITOR_BAD
                                                           : MONITOR_GOOD;
}

/* The air of this world never gets warmer: heat has to be noticed in time. */
static void learn_rise(struct monitor *m, const struct hg_event *event,
                       bool was_on, uint64_t dt_ms)
{
    bool is_on = event->reading.heater == HG_HEATER_ON;

    if (!m->is_heat || !m->is_lent || !m->is_closed ||
        !event->reading.has_air || m->is_held) {
        m->has_rise_base = false;
        return;
    }
    if (!m->has_rise_base) {
        m->has_rise_base = true;
        m->rise_on_ms = 0;
    } else if (was_on && is_on) {
        m->rise_on_ms += dt_ms;
    }
}

static void learn_unbidden(struct monitor *m, bool is_on, bool was_on)
{
    if (!is_on || m->is_local || m->now.ms < m->quiet_at.ms) {
        m->is_unbidden = false;
        return;
    }
    if (!m->is_unbidden)
        m->unbidden_at = was_on ? m->quiet_at : m->now;
    m->is_unbidden = true;
}

static void learn_boot(struct monitor *m, const struct monitor_truth *truth)
{
    if (!truth->is_reboot)
        return;
    lose(m);
    monitor_spoil_check(m);
    end_local(m);
    m->is_late = m->has_air = m->is_on = false;
}

static void learn_reading(struct monitor *m, const struct hg_event *event,
                          const struct monitor_truth *truth)
{
    const struct hg_reading *reading = &event->reading;
    bool is_on = reading->heater == HG_HEATER_ON;
    bool was_on;
    uint64_t dt_ms;

    learn_boot(m, truth);
    if (!truth->is_live)
        return;
    if (reading->is_whole)
        m->is_late = !truth->is_proof;
    if (reading->door == HG_DOOR_OPEN)
        learn_open(m, false);
    if (!truth->is_proof)
        return;
    was_on = m->has_proof && m->is_on;
    dt_ms = monitor_age(m->now, m->proof_at);
    m->has_proof = true;
    m->proof_at = m->now;
    m->has_air = reading->has_air;
    m->is_on = is_on;
    learn_door(m, event, truth);
    if (truth->is_counted_now)
        m->has_rise_base = false;
    else
        learn_rise(m, event, was_on, dt_ms);
    learn_unbidden(m, is_on, was_on);
}

static void learn_local(struct monitor *m, const struct hg_event *event,
                        const struct monitor_truth *truth)
{
    learn_boot(m, truth);
    if (!truth->is_live)
        return;
    if (event->local.what == HG_LOCAL_START && !m->is_local) {
        m->is_local = true;
        m->local_at = m->now;
    }
    if (event->local.what == HG_LOCAL_STOP)
        end_local(m);
    if (event->local.what == HG_LOCAL_ROOM_CHECK) {
        m->has_panel = true;
        m->panel_at = m->now;
    }
}

static void learn_restart(struct monitor *m, const struct hg_policy *policy)
{
    m->is_heat = m->is_held = m->is_waiting = m->is_change_waiting = false;
    m->is_lent = m->is_link_up = m->is_online = m->is_late = false;
    m->is_open = m->is_unbidden = m->has_air = m->is_on = false;
    lose(m);
    m->is_journal_ok = true;
    m->quiet_at.ms = m->now.ms + policy->lease_ms;
    m->rival_at.ms = m->revoked_at.ms = 0;
    /* a boot clock that ran back: the new run counts from what it sees */
    if (m->local_at.ms > m->now.ms)
        m->local_at = m->now;
    m->seen.restarts++;
}

static void learn_event(struct monitor *m, const struct hg_event *event,
                        const struct monitor_truth *truth)
{
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
    case HG_EVENT_PERMIT_HEARD:
        m->rival_at = m->now;
        break;
    case HG_EVENT_ACCESS_ENDED:
        if (monitor_same(&m->signer, &event->asker.actor))
            monitor_spoil_check(m);
        break;
    default:
        break;
    }
}

void monitor_learn(struct monitor *m, const struct hg_policy *policy,
                   const struct hg_event *event,
                   const struct monitor_truth *truth)
{
    if (truth->is_restart)
        learn_restart(m, policy);
    learn_time(m, policy, event);
    m->was_heat = m->is_heat;
    m->was_held = m->is_held;
    m->was_lent = m->is_lent;
    m->was_waiting = m->is_waiting;
    m->unmet_before =
        m->is_heat || m->is_waiting
            ? monitor_unmet(m, policy, m->is_heat ? &m->by : &m->asked_by,
                            event->at.wall)
            : 0;
    m->was_unbidden_long =
        m->is_unbidden &&
        monitor_age(m->now, m->unbidden_at) >= 2 * (uint64_t)policy->lease_ms;
    learn_event(m, event, truth);
}

/* -- what is unmet ------------------------------------------------------- */

static hg_why_set when(bool is_so, hg_why_set bit)
{
    return is_so ? bit : 0;
}

hg_why_set monitor_stay_unmet(const struct hg_asker *by, struct hg_wall wall)
{
    if (!by->has_stay)
        return 0;
    if (!wall.is_trusted)
        return W(CLOCK_UNTRUSTED);
    return when(wall.ms < by->stay_from_ms || wall.ms >= by->stay_until_ms,
                W(OUTSIDE_STAY));
}

hg_why_set monitor_out_of_limits(const struct hg_policy *policy,
                                 int32_t target_mc, uint64_t duration_ms)
{
    return when(target_mc < policy->target_min_mc ||
                    target_mc > policy->target_max_mc,
                W(TARGET_OUT_OF_RANGE)) |
           when(duration_ms == 0 || duration_ms > policy->session_cap_ms,
                W(DURATION_OVER_CAP));
}

hg_why_set monitor_unmet(const struct monitor *m,
                         const struct hg_policy *policy,
                         const struct hg_asker *by, struct hg_wall wall)
{
    return m->lockouts | monitor_stay_unmet(by, wall) |
           when(!by->is_allowed, W(NOT_ALLOWED)) |
           when(!m->is_link_up, W(BROKER_DOWN)) |
           when(!m->is_online, W(CONTROLLER_OFFLINE)) |
           when(!m->is_journal_ok, W(JOURNAL_UNAVAILABLE)) |
           when(!monitor_is_fresh(m, policy), W(TELEMETRY_STALE)) |
           when(m->is_late, W(TELEMETRY_LATE)) |
           when(m->is_open, W(DOOR_OPEN)) |
           when(!m->is_open && !m->is_closed, W(DOOR_UNKNOWN));
}

static hg_why_set check_unmet(const struct monitor *m)
{
    switch (m->check) {
    case MONITOR_GOOD:
        return 0;
    case MONITOR_UNKNOWN:
    case MONITOR_BAD:
        return W(CHECK_VOID);
    case MONITOR_EXPIRED:
        return W(CHECK_EXPIRED);
    case MONITOR_NONE:
    case MONITOR_USED:
        break;
    }
    return W(CHECK_MISSING);
}

hg_why_set monitor_start_unmet(const struct monitor *m,
                               const struct hg_policy *policy,
                               const struct hg_asker *by, struct hg_wall wall,
                               int32_t target_mc, uint64_t duration_ms)
{
    return monitor_unmet(m, policy, by, wall) |
           monitor_out_of_limits(policy, target_mc, duration_ms) |
           check_unmet(m) | when(m->is_resting, W(RESTING)) |
           when(m->is_heat || m->is_waiting || m->is_local, W(ALREADY_HEATING));
}

void monitor_set_end(struct monitor *m, const struct hg_policy *policy,
                     struct hg_wall wall)
{
    int64_t left_ms = m->by.stay_until_ms - wall.ms;

    m->ends_at.ms = m->started_at.ms + m->duration_ms;
    m->ends_why = HG_WHY_TIME_UP;
    if (m->duration_ms >= policy->session_cap_ms) {
        m->ends_at.ms = m->started_at.ms + policy->session_cap_ms;
        m->ends_why = HG_WHY_CAP_REACHED;
    }
    if (m->by.has_stay &&
        (int64_t)(m->now.ms) + left_ms < (int64_t)m->ends_at.ms) {
        m->ends_at.ms = (uint64_t)((int64_t)m->now.ms + left_ms);
        m->ends_why = HG_WHY_ACCESS_ENDED;
    }
}

const char *monitor_step(struct monitor *m, const struct hg_policy *policy,
                         const struct hg_event *event,
                         const struct monitor_truth *truth,
                         const struct hg_effects *effects)
{
    if (effects->is_overfull || effects->count > HG_EFFECTS_MAX)
        return "I12: more effects than a step can need";
    monitor_learn(m, policy, event, truth);
    return monitor_judge(m, policy, event, truth, effects);
}
