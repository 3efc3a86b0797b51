/*
 * The list of effects of one turn, and the serials that permits and revokes
 * carry. It owns the order: a revoke is always first.
 */
#include "base/sat.h"
#include "gate/turn.h"
#include <string.h>

struct hg_effect *hg_turn_put(struct hg_turn *turn, enum hg_effect_kind kind)
{
    struct hg_effects *effects = turn->effects;
    struct hg_effect *effect;

    if (effects->count < HG_EFFECTS_MAX)
        effects->count++;
    else
        effects->is_overfull = true; /* the last one is given up */
    effect = &effects->effect[effects->count - 1];
    memset(effect, 0, sizeof(*effect));
    effect->kind = kind;
    return effect;
}

struct hg_effect *hg_turn_record(struct hg_turn *turn, enum hg_record record,
                                 enum hg_why why)
{
    struct hg_effect *effect = hg_turn_put(turn, HG_EFFECT_RECORD);

    effect->record = record;
    effect->why = why;
    effect->actor = hg_actor_gateway();
    return effect;
}

void hg_turn_notice(struct hg_turn *turn, enum hg_level level,
                    enum hg_record record, enum hg_why why)
{
    struct hg_effect *effect = hg_turn_put(turn, HG_EFFECT_NOTICE);

    effect->level = level;
    effect->record = record;
    effect->why = why;
}

void hg_turn_changed(struct hg_turn *turn)
{
    const struct hg_effects *effects = turn->effects;

    /*@ loop invariant 0 <= i <= effects->count;
        loop assigns i;
        loop variant effects->count - i; */
    for (uint32_t i = 0; i < effects->count; i++)
        if (effects->effect[i].kind == HG_EFFECT_STATE)
            return;
    hg_turn_put(turn, HG_EFFECT_STATE);
}

struct hg_effect *hg_turn_answer(struct hg_turn *turn, uint64_t request,
                                 enum hg_verdict verdict, hg_why_set reasons)
{
    struct hg_effect *effect = hg_turn_put(turn, HG_EFFECT_ANSWER);

    effect->request = request;
    effect->verdict = verdict;
    effect->reasons = reasons;
    return effect;
}

void hg_turn_raise_epoch(struct hg_turn *turn, uint64_t epoch)
{
    struct hg_gate_state *state = turn->state;

    if (epoch > HG_EPOCH_MAX)
        epoch = HG_EPOCH_MAX;
    if (epoch <= state->epoch)
        return;
    state->epoch = epoch;
    if (state->serial < epoch << HG_EPOCH_SHIFT)
        state->serial = epoch << HG_EPOCH_SHIFT;
    hg_turn_put(turn, HG_EFFECT_EPOCH)->epoch = epoch;
}

uint64_t hg_turn_serial(struct hg_turn *turn)
{
    struct hg_gate_state *state = turn->state;

    if (state->serial + 1 >= HG_SERIAL_LIMIT)
        return 0;
    state->serial++;
    hg_turn_raise_epoch(turn, state->serial >> HG_EPOCH_SHIFT);
    return state->serial;
}

void hg_turn_revoke(struct hg_turn *turn, enum hg_why why)
{
    struct hg_gate_state *state = turn->state;
    struct hg_effects *effects = turn->effects;
    struct hg_effect *first = &effects->effect[0];
    uint64_t serial;

    if (state->permit.is_live &&
        state->permit.until.ms > state->silent_until.ms)
        state->silent_until = state->permit.until;
    state->permit.is_live = false;
    state->revoked_at = turn->at.mono;
    if (turn->has_revoked)
        return;
    turn->has_revoked = true;
    serial = hg_turn_serial(turn);
    hg_turn_put(turn, HG_EFFECT_REVOKE);
    memmove(&effects->effect[1], first,
            (effects->count - 1) * sizeof(effects->effect[0]));
    memset(first, 0, sizeof(*first));
    first->kind = HG_EFFECT_REVOKE;
    first->serial = serial;
    first->why = why;
}
