/*
 * What WP proves of hg_turn_revoke in effects.c: see gate_contracts.h. On its
 * own, because it writes whole entries of the list.
 */
#define PROVE_REVOKE
#include "gate_contracts.h"

/* it moves entries of the list, which are left out of the picture here */
/*@ assigns \nothing; */
static void proof_move(struct hg_effect *to, const struct hg_effect *from,
                       size_t bytes);
#define memmove(to, from, bytes) proof_move(to, from, bytes)
/* so are the entry's own fields */
/*@ assigns \nothing; */
static void proof_zero(struct hg_effect *effect);
#undef memset
#define memset(object, zero, size) proof_zero(object)
#include "../../src/gate/effects.c"
