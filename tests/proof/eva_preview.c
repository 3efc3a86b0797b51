/* As eva_gate.c, for hg_gate_preview, whose effects are a local of its own. */
#include "heatgate/gate.h"
#include <__fc_builtin.h>
#include <stddef.h>

#define ANY(object) Frama_C_make_unknown((char *)&(object), sizeof(object))

int main(void)
{
    struct hg_policy policy;
    struct hg_gate_state state;
    struct hg_effects effects;
    struct hg_event event;

    ANY(policy);
    ANY(effects);
    ANY(event);
    hg_gate_init(&policy, NULL, event.at, event.epoch, &state);
    while (Frama_C_nondet(0, 1)) {
        ANY(event);
        hg_gate_step(&policy, &state, &event, &effects);
        ANY(event);
        hg_gate_preview(&policy, &state, &event);
        /*@ assert state.stream.boot_count <= HG_BOOTS_KEPT; */
    }
    return 0;
}
