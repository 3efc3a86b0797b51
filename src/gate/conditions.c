/*
 * What must hold for a permit (gate.md section 2), as sets of unmet
 * conditions. Pure predicates: they look at state and change nothing.
 */
#include "base/sat.h"
#include "gate/turn.h"

static hg_why_set when(bool is_so, enum hg_why why)
{
    return is_so ? HG_WHY_BIT(why) : 0;
}

bool hg_reading_is_on(const struct hg_policy *policy,
                      const struct hg_reading *reading)
{
    /* contract 7: drawn means above max(50 W, 5 % of the rated power) */
    uint32_t drawn_w = policy->heater_w / 20 > 50 ? policy->heater_w / 20 : 50;

    return reading->heater == HG_HEATER_ON ||
           (reading->has_power && reading->power_w > drawn_w);
}

hg_why_set hg_gate_stay_unmet(const struct hg_asker *asker, struct hg_wall wall)
{
    if (!asker->has_stay)
        return 0;
    if (!wall.is_trusted)
        return HG_WHY_BIT(HG_WHY_CLOCK_UNTRUSTED);
    return when(wall.ms < asker->stay_from_ms ||
                    wall.ms >= asker->stay_until_ms,
                HG_WHY_OUTSIDE_STAY);
}

static hg_why_set proof_unmet(const struct hg_policy *policy,
                              const struct hg_gate_state *state,
                              struct hg_wall wall)
{
    int64_t age_ms;

    if (policy->is_commissioning_waived)
        return 0;
    if (!state->is_commissioned)
        return HG_WHY_BIT(HG_WHY_NOT_COMMISSIONED);
    if (!wall.is_trusted)
        return HG_WHY_BIT(HG_WHY_CLOCK_UNTRUSTED);
    age_ms = hg_sat_sub_i64(wall.ms, state->proof_at_ms);
    return when(age_ms > 0 && (uint64_t)age_ms >= policy->door_proof_ms,
                HG_WHY_PROOF_OVERDUE);
}

static hg_why_set data_unmet(const struct hg_gate_stream *stream)
{
    const struct hg_reading *reading = &stream->reading;
    hg_why_set unmet = 0;

    unmet |= when(!stream->is_fresh, HG_WHY_TELEMETRY_STALE);
    unmet |= when(stream->is_late, HG_WHY_TELEMETRY_LATE);
    unmet |= when(stream->door == HG_DOOR_OPEN, HG_WHY_DOOR_OPEN);
    unmet |= when(stream->door == HG_DOOR_UNKNOWN, HG_WHY_DOOR_UNKNOWN);
    unmet |=
        when(reading->has_module_c && reading->module_mc >= HG_MODULE_MAX_MC,
             HG_WHY_MODULE_CLIMATE);
    unmet |=
        when(reading->has_module_rh && reading->module_rh >= HG_MODULE_MAX_RH,
             HG_WHY_MODULE_CLIMATE);
    return unmet;
}

hg_why_set hg_gate_standing(const struct hg_policy *policy,
                            const struct hg_gate_state *state,
                            struct hg_tick at, const struct hg_asker *asker)
{
    hg_why_set unmet = state->lockouts;

    unmet |= proof_unmet(policy, state, at.wall);
    unmet |= data_unmet(&state->stream);
    unmet |= hg_gate_stay_unmet(asker, at.wall);
    unmet |= when(!asker->is_allowed, HG_WHY_NOT_ALLOWED);
    unmet |= when(!state->is_link_up, HG_WHY_BROKER_DOWN);
    unmet |= when(!state->is_online, HG_WHY_CONTROLLER_OFFLINE);
    unmet |= when(!state->is_journal_ok, HG_WHY_JOURNAL_UNAVAILABLE);
    /* serials used up by a rival: nothing we send would be followed */
    unmet |= when(state->serial + 1 >= HG_SERIAL_LIMIT, HG_WHY_RIVAL_GATEWAY);
    return unmet;
}

hg_why_set hg_gate_out_of_limits(const struct hg_policy *policy,
                                 int32_t target_mc, uint64_t duration_ms)
{
    return when(target_mc < policy->target_min_mc ||
                    target_mc > policy->target_max_mc ||
                    target_mc > HG_TARGET_TOP_MC,
                HG_WHY_TARGET_OUT_OF_RANGE) |
           when(duration_ms == 0 || duration_ms > hg_policy_cap_ms(policy),
                HG_WHY_DURATION_OVER_CAP);
}

static hg_why_set check_unmet(const struct hg_gate_check *check)
{
    switch (check->state) {
    case HG_CHECK_VALID:
        return when(check->is_suspended, HG_WHY_CHECK_VOID);
    case HG_CHECK_VOID:
        return HG_WHY_BIT(HG_WHY_CHECK_VOID);
    case HG_CHECK_EXPIRED:
        return HG_WHY_BIT(HG_WHY_CHECK_EXPIRED);
    case HG_CHECK_NONE:
    case HG_CHECK_USED:
        break;
    }
    return HG_WHY_BIT(HG_WHY_CHECK_MISSING);
}

hg_why_set hg_gate_unmet(const struct hg_policy *policy,
                         const struct hg_gate_state *state, struct hg_tick at,
                         const struct hg_asker *asker, int32_t target_mc,
                         uint64_t duration_ms)
{
    hg_why_set unmet = hg_gate_standing(policy, state, at, asker);

    unmet |= hg_gate_out_of_limits(policy, target_mc, duration_ms);
    unmet |= check_unmet(&state->check);
    unmet |= when(state->is_resting, HG_WHY_RESTING);
    unmet |= when(state->session.is_active ||
                      state->pending.kind != HG_PENDING_NONE || state->is_local,
                  HG_WHY_ALREADY_HEATING);
    return unmet;
}
