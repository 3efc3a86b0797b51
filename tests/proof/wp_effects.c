/* What WP proves of effects.c: see gate_contracts.h. */
#define PROVE_EFFECTS
#include "gate_contracts.h"

/*@ assigns to[0 .. HG_EFFECTS_MAX - 2]; */
static void proof_move(struct hg_effect *to, const struct hg_effect *from,
                       size_t bytes);
#define memmove(to, from, bytes) proof_move(to, from, bytes)
#include "../../src/gate/effects.c"
