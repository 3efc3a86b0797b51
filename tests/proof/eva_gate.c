/*
 * For Frama-C's EVA: every byte of policy, memory, events and times unknown,
 * any number of steps. Proved is that nothing in src/gate is undefined
 * behaviour (overruns, overflows, uninitialised reads, shifts, pointers), and
 * the assertions below.
 */
#include "heatgate/gate.h"
#include <__fc_builtin.h>
#include <stddef.h>

#define ANY(object) Frama_C_make_unknown((char *)&(object), sizeof(object))

int main(void)
{
    struct hg_policy policy;
    struct hg_gate_memory memory;
    struct hg_gate_state state;
    struct hg_effects effects;
    struct hg_event event;
    struct hg_gate_view view;

    ANY(policy);
    ANY(memory);
    ANY(effects);
    ANY(event);
    hg_policy_check(&policy);
#ifdef POLICY_IN_RANGE
    if (hg_policy_check(&policy) != NULL)
        return 0;
#endif
    hg_gate_init(&policy, Frama_C_nondet(0, 1) ? &memory : NULL, event.at,
                 event.epoch, &state);
    /*@ assert !state.permit.is_live && !state.session.is_active; */
    while (Frama_C_nondet(0, 1)) {
        ANY(event);
        hg_gate_step(&policy, &state, &event, &effects);
        /*@ assert effects.count <= HG_EFFECTS_MAX; */
        hg_gate_view(&policy, &state, event.at, &view);
        hg_gate_remember(&state, &memory);
        hg_record_code((enum hg_record)Frama_C_nondet(-1, HG_RECORD_COUNT));
    }
    return 0;
}
