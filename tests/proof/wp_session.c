/* What WP proves of session.c: see gate_contracts.h. */
#include "gate_contracts.h"

#define SESSION turn->state->session
#define PERMIT  turn->state->permit

/*@ requires is_turn(turn);
  @ assigns *turn->effects;
  @ ensures is_turn(turn);
  @ ensures IS_NEWEST(\result);
  @ ensures \separated(\result, turn, turn->state, turn->policy, turn->event);
  @*/
static struct hg_effect *record_heat(struct hg_turn *turn,
                                     enum hg_record record, enum hg_why why);

/*@ requires is_turn(turn);
  @ assigns turn->state->session.ends_at, turn->state->session.ends_why;
  @ ensures is_turn(turn);
  @ ensures capped(turn->policy, turn->state);
  @ ensures SESSION.started_at.ms >= turn->at.mono.ms ==>
  @         SESSION.ends_at.ms >= turn->at.mono.ms;
  @*/
static void set_end(struct hg_turn *turn);

/*@ requires is_turn(turn);
  @ requires SESSION.is_active && !SESSION.is_held;
  @ requires turn->state->stream.door != HG_DOOR_OPEN;
  @ requires turn->at.mono.ms <= SESSION.ends_at.ms;
  @ assigns *turn->effects, turn->state->epoch, turn->state->serial,
  @         turn->state->permit, turn->state->silent_until,
  @         turn->state->session.serial_before;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures PERMIT.is_live && !PERMIT.is_due;
  @ ensures PERMIT.until.ms <= SESSION.ends_at.ms;
  @ ensures PERMIT.until.ms <= turn->at.mono.ms + turn->policy->lease_ms;
  @ ensures PERMIT.sent_at == turn->at.mono;
  @ ensures PERMIT.serial == 0 ||
  @         PERMIT.serial > \old(turn->state->serial) &&
  @         PERMIT.serial == turn->state->serial;
  @*/
static void send_permit(struct hg_turn *turn);

/*@ requires is_turn(turn);
  @ requires SESSION.is_active && SHUT(turn->state);
  @ requires lent_well(turn->policy, turn->state);
  @ requires capped(turn->policy, turn->state);
  @ requires turn->at.mono.ms <= SESSION.ends_at.ms;
  @ assigns *turn->effects, LENDS, turn->state->session.serial_before,
  @         turn->state->session.is_held;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures lent_well(turn->policy, turn->state);
  @ ensures SESSION.ends_at == \old(SESSION.ends_at);
  @ ensures SESSION.started_at == \old(SESSION.started_at);
  @ ensures SESSION.ends_why == \old(SESSION.ends_why);
  @*/
static void resume_or_renew(struct hg_turn *turn);

#include "../../src/gate/session.c"
