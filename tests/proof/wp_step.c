/* What WP proves of step.c: see gate_contracts.h. */
#include "gate_contracts.h"

/* after the service said that it leaves, nothing is lent and nothing is on */
/*@ requires is_turn(turn);
  @ assigns *turn->effects, ENDS, turn->state->is_link_up;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures !turn->state->permit.is_live && !turn->state->session.is_active;
  @ ensures !turn->state->is_link_up;
  @*/
static void take_shutdown(struct hg_turn *turn);

/* an epoch heard from outside lifts the serials, never lowers them (I7) */
/*@ requires is_turn(turn);
  @ assigns turn->state->epoch, turn->state->serial;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @*/
static void take_epoch(struct hg_turn *turn);

#include "../../src/gate/step.c"
