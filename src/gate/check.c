/*
 * The room check (gate.md section 3): opened and signed by a person, with
 * evidence that somebody was there, void as soon as the room may have been
 * opened. It opens the gate once (I10).
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

static bool is_within(struct hg_mono now, struct hg_mono then, uint64_t ms)
{
    return now.ms >= then.ms && now.ms - then.ms < ms;
}

bool hg_check_has_evidence(const struct hg_policy *policy,
                           const struct hg_gate_state *state,
                           struct hg_mono now, bool is_place_code_right)
{
    const struct hg_gate_look *look = &state->look;
    uint64_t window_ms = policy->look_in_window_ms;

    switch (policy->evidence) {
    case HG_EVIDENCE_DOOR_CYCLE:
        return look->has_cycle && is_within(now, look->open_at, window_ms);
    case HG_EVIDENCE_PANEL:
        return look->has_panel && is_within(now, look->panel_at, window_ms);
    case HG_EVIDENCE_PLACE_CODE:
        return is_place_code_right;
    case HG_EVIDENCE_NONE:
        break;
    }
    return false;
}

static bool may_sign(const struct hg_actor *actor)
{
    return actor->role == HG_ROLE_GUEST || actor->role == HG_ROLE_CARETAKER ||
           hg_actor_is_staff(actor);
}

/* Who may not act here at all; integrators and schedules never sign. */
static hg_why_set asker_unmet(const struct hg_turn *turn)
{
    const struct hg_asker *asker = &turn->event->asker;
    hg_why_set unmet = hg_gate_stay_unmet(asker, turn->at.wall);

    if (!asker->is_allowed || !may_sign(&asker->actor))
        unmet |= HG_WHY_BIT(HG_WHY_NOT_ALLOWED);
    return unmet;
}

static bool is_open(const struct hg_turn *turn,
                    const struct hg_gate_open_check *slot)
{
    return slot->id != 0 && is_within(turn->at.mono, slot->opened_at,
                                      turn->policy->look_in_window_ms);
}

/* The one that this asker has open, else a free one, else the oldest. */
static struct hg_gate_open_check *choose_slot(struct hg_turn *turn)
{
    struct hg_gate_open_check *chosen = &turn->state->open_check[0];

    for (uint32_t i = 0; i < HG_CHECKS_OPEN; i++) {
        struct hg_gate_open_check *slot = &turn->state->open_check[i];

        if (is_open(turn, slot) &&
            hg_actor_equal(&slot->actor, &turn->event->asker.actor))
            return slot;
        if (is_open(turn, chosen) &&
            (!is_open(turn, slot) || slot->opened_at.ms < chosen->opened_at.ms))
            chosen = slot;
    }
    memset(chosen, 0, sizeof(*chosen));
    return chosen;
}

void hg_check_open(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    hg_why_set unmet = asker_unmet(turn);
    struct hg_gate_open_check *slot;
    struct hg_effect *answer;

    if (unmet != 0) {
        hg_turn_answer(turn, event->asker.request,
                       unmet & HG_WHY_BIT(HG_WHY_NOT_ALLOWED)
                           ? HG_VERDICT_NOT_ALLOWED
                           : HG_VERDICT_REFUSED,
                       unmet);
        return;
    }
    /* asked again, the same check: a page may look for its evidence so */
    slot = choose_slot(turn);
    if (slot->id == 0) {
        slot->id = event->check.id;
        slot->actor = event->asker.actor;
        slot->opened_at = turn->at.mono;
    }
    answer = hg_turn_answer(turn, event->asker.request, HG_VERDICT_GRANTED, 0);
    answer->check = slot->id;
    answer->ends_at =
        hg_mono_add(slot->opened_at, turn->policy->look_in_window_ms);
}

static struct hg_gate_open_check *find_open(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;

    for (uint32_t i = 0; i < HG_CHECKS_OPEN; i++) {
        struct hg_gate_open_check *slot = &turn->state->open_check[i];

        if (is_open(turn, slot) && slot->id == event->check.id &&
            hg_actor_equal(&slot->actor, &event->asker.actor))
            return slot;
    }
    return NULL;
}

static hg_why_set sign_unmet(const struct hg_turn *turn)
{
    const struct hg_gate_state *state = turn->state;
    const struct hg_event *event = turn->event;
    const hg_why_set of_the_room =
        HG_LOCKOUT_SET | HG_WHY_BIT(HG_WHY_DOOR_OPEN) |
        HG_WHY_BIT(HG_WHY_DOOR_UNKNOWN) | HG_WHY_BIT(HG_WHY_TELEMETRY_STALE) |
        HG_WHY_BIT(HG_WHY_TELEMETRY_LATE) | HG_WHY_BIT(HG_WHY_BROKER_DOWN) |
        HG_WHY_BIT(HG_WHY_CONTROLLER_OFFLINE) |
        HG_WHY_BIT(HG_WHY_JOURNAL_UNAVAILABLE);
    hg_why_set unmet = asker_unmet(turn);

    unmet |= hg_gate_standing(turn->policy, state, turn->at, &event->asker) &
             of_the_room;
    if (event->check.agreed != HG_STATEMENT_ALL ||
        !hg_check_has_evidence(turn->policy, state, turn->at.mono,
                               event->check.is_place_code_right))
        unmet |= HG_WHY_BIT(HG_WHY_CHECK_MISSING);
    if (state->session.is_active || state->is_local ||
        state->pending.kind != HG_PENDING_NONE)
        unmet |= HG_WHY_BIT(HG_WHY_ALREADY_HEATING);
    return unmet;
}

static void grant(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;
    struct hg_gate_check *check = &state->check;
    struct hg_effect *effect;

    memset(check, 0, sizeof(*check));
    check->state = HG_CHECK_VALID;
    check->signer = turn->event->asker.actor;
    check->expires_at =
        hg_mono_add(turn->at.mono, turn->policy->check_valid_ms);
    memcpy(check->boot, state->stream.boot[0].boot, HG_BOOT_BYTES);
    check->has_door_count = state->stream.reading.has_door_count;
    check->door_count = state->stream.reading.door_count;
    /* one look serves one signature */
    memset(&state->look, 0, sizeof(state->look));

    effect = hg_turn_record(turn, HG_RECORD_CHECK_SIGNED, HG_WHY_NONE);
    effect->actor = check->signer;
    hg_turn_notice(turn, HG_LEVEL_INFO, HG_RECORD_CHECK_SIGNED, HG_WHY_NONE);
    hg_turn_changed(turn);
    hg_turn_answer(turn, turn->event->asker.request, HG_VERDICT_GRANTED, 0)
        ->ends_at = check->expires_at;
}

void hg_check_sign(struct hg_turn *turn)
{
    const struct hg_event *event = turn->event;
    struct hg_gate_open_check *slot = find_open(turn);
    struct hg_effect *effect;
    hg_why_set unmet;

    if (slot == NULL) {
        hg_turn_answer(turn, event->asker.request, HG_VERDICT_UNKNOWN, 0);
        return;
    }
    unmet = sign_unmet(turn);
    if (unmet == 0) {
        memset(slot, 0, sizeof(*slot));
        grant(turn);
        return;
    }
    effect = hg_turn_record(turn, HG_RECORD_CHECK_REFUSED, HG_WHY_NONE);
    effect->actor = event->asker.actor;
    effect->reasons = unmet;
    hg_turn_answer(turn, event->asker.request, HG_VERDICT_REFUSED, unmet);
}

void hg_check_void(struct hg_turn *turn, enum hg_why why)
{
    struct hg_gate_check *check = &turn->state->check;

    if (check->state != HG_CHECK_VALID)
        return;
    check->state = HG_CHECK_VOID;
    check->is_suspended = false;
    check->why = why;
    hg_turn_record(turn, HG_RECORD_CHECK_VOIDED, why);
    hg_turn_notice(turn, HG_LEVEL_WARNING, HG_RECORD_CHECK_VOIDED, why);
    hg_turn_changed(turn);
}

void hg_check_suspend(struct hg_turn *turn, enum hg_why why)
{
    struct hg_gate_check *check = &turn->state->check;

    if (check->state != HG_CHECK_VALID || check->is_suspended)
        return;
    if (!check->has_door_count) {
        hg_check_void(turn, why);
        return;
    }
    check->is_suspended = true;
    check->why = why;
    hg_turn_changed(turn);
}

void hg_check_resume(struct hg_turn *turn)
{
    struct hg_gate_check *check = &turn->state->check;
    const struct hg_gate_stream *stream = &turn->state->stream;

    if (check->state != HG_CHECK_VALID || !check->is_suspended)
        return;
    if (stream->door == HG_DOOR_UNKNOWN)
        return; /* this reading proves nothing either way */
    if (!hg_boot_equal(check->boot, stream->boot[0].boot) ||
        !stream->reading.has_door_count ||
        stream->reading.door_count != check->door_count) {
        hg_check_void(turn, check->why);
        return;
    }
    check->is_suspended = false;
    check->why = HG_WHY_NONE;
    hg_turn_changed(turn);
}

void hg_check_expire(struct hg_turn *turn)
{
    struct hg_gate_check *check = &turn->state->check;

    if (check->state != HG_CHECK_VALID ||
        !hg_mono_reached(turn->at.mono, check->expires_at))
        return;
    check->state = HG_CHECK_EXPIRED;
    check->is_suspended = false;
    hg_turn_record(turn, HG_RECORD_CHECK_EXPIRED, HG_WHY_NONE);
    hg_turn_changed(turn);
}

void hg_check_forget_actor(struct hg_turn *turn, const struct hg_actor *actor)
{
    struct hg_gate_state *state = turn->state;

    for (uint32_t i = 0; i < HG_CHECKS_OPEN; i++)
        if (hg_actor_equal(&state->open_check[i].actor, actor))
            memset(&state->open_check[i], 0, sizeof(state->open_check[i]));
    /* a signature is worth what the code behind it is worth */
    if (hg_actor_equal(&state->check.signer, actor))
        hg_check_void(turn, HG_WHY_ACCESS_ENDED);
}
