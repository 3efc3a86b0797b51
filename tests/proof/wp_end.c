/*
 * What WP proves of hg_session_end: see gate_contracts.h. On its own, because
 * there memset has one meaning, and a contract for it is lighter than the
 * forty assignments it stands for. The rest of session.c is wp_session.c's.
 */
#include "gate_contracts.h"

/*@ requires is_turn(turn);
  @ assigns *turn->effects;
  @ ensures is_turn(turn);
  @ ensures IS_NEWEST(\result);
  @ ensures \separated(\result, turn, turn->state, turn->policy, turn->event);
  @*/
static struct hg_effect *record_heat(struct hg_turn *turn,
                                     enum hg_record record, enum hg_why why);

/*@ requires \valid(session);
  @ assigns *session;
  @ ensures !session->is_active && !session->is_held;
  @*/
static void proof_zero(struct hg_gate_session *session);
#undef memset
#define memset(object, zero, size) proof_zero(object)
#include "../../src/gate/session.c"
