#ifndef PROOF_GATE_CONTRACTS_H
#define PROOF_GATE_CONTRACTS_H

/*
 * ACSL contracts of the gate's inner functions, for Frama-C's WP. Included
 * before any file of src/gate; nothing of this is compiled into a program.
 *
 * Three statements about a room's state carry the proof:
 *   lent_well  at every moment, also in the middle of a step
 *   held_good  between two steps
 *   serials    never fall
 */
#include "proof_memory.h"
#include "gate/turn.h"
#include "sat_contracts.h"

/* the door is held to be closed: neither open nor unknown */
#define SHUT(s)                                                               \
    ((s)->stream.door != HG_DOOR_OPEN && (s)->stream.door != HG_DOOR_UNKNOWN)

/*@
  lemma epoch_shift:
    \forall integer e; 0 <= e <= HG_EPOCH_MAX ==>
      (e << HG_EPOCH_SHIFT) == e * 16777216;

  predicate numbers(struct hg_gate_state *s) =
    s->serial < HG_SERIAL_LIMIT && s->epoch <= HG_EPOCH_MAX;

  predicate places(struct hg_turn *t) =
    \valid(t) && \valid_read(t->policy) && \valid(t->state) &&
    \valid_read(t->event) && \valid(t->effects) &&
    \separated(t, t->policy, t->state, t->event, t->effects);

  predicate is_turn(struct hg_turn *t) =
    places(t) && t->effects->count <= HG_EFFECTS_MAX && numbers(t->state);

  // a session is never planned beyond its cap, counted from its start (I5)
  predicate capped(struct hg_policy *p, struct hg_gate_state *s) =
    s->session.is_active ==>
    s->session.ends_why < HG_WHY_COUNT &&
    s->session.ends_at.ms <= s->session.started_at.ms + p->session_cap_ms;

  // whatever a permit needs that no function may break for a moment
  predicate lent_well(struct hg_policy *p, struct hg_gate_state *s) =
    s->permit.is_live ==>
    s->session.is_active && !s->session.is_held &&
    s->stream.door != HG_DOOR_OPEN &&
    s->permit.until.ms <= s->permit.sent_at.ms + p->lease_ms &&
    (s->permit.is_due || s->permit.until.ms <= s->session.ends_at.ms);

  // what the end of a step adds (I1, I3, I4)
  predicate held_good(struct hg_gate_state *s) =
    s->permit.is_live ==>
    s->stream.is_fresh && SHUT(s) &&
    s->is_link_up && s->is_online && s->is_journal_ok &&
    s->lockouts == 0 && s->session.by.is_allowed;

  predicate inside(struct hg_turn *t) =
    is_turn(t) && capped(t->policy, t->state) &&
    lent_well(t->policy, t->state);
*/

/* what every function of a turn leaves alone, and in which direction it goes */
#define SAME_TURN                                                             \
    is_turn(turn) && turn->policy == \old(turn->policy) &&                    \
    turn->state == \old(turn->state) && turn->event == \old(turn->event) &&   \
    turn->effects == \old(turn->effects) && turn->at == \old(turn->at)
#define SERIALS                                                               \
    turn->state->serial >= \old(turn->state->serial) &&                       \
    turn->state->epoch >= \old(turn->state->epoch)
#define REVOKED_STAYS (\old(turn->has_revoked) ==> turn->has_revoked)
#define REVIVES_NOTHING                                                       \
    (turn->state->permit.is_live ==> \old(turn->state->permit.is_live)) &&    \
    (turn->state->session.is_active ==> \old(turn->state->session.is_active))


/*
 * effects.c is proved to write the list of effects and nothing else of the
 * caller's. For the callers, that list is then left out of the picture: they
 * get some entry of it, apart from everything else, and never read it again.
 */
#ifdef PROVE_EFFECTS
#define ONLY_EFFECTS *turn->effects
#define EFFECTS_AND  *turn->effects,
#define IS_NEWEST(e)                                                          \
    (turn->effects->count >= 1 &&                                             \
     e == &turn->effects->effect[turn->effects->count - 1])
#else
#define ONLY_EFFECTS \nothing
#ifdef PROVE_REVOKE
#define EFFECTS_AND *turn->effects,
#else
#define EFFECTS_AND
#endif
#define IS_NEWEST(e)                                                          \
    (\valid(e) && (\exists integer i; 0 <= i < HG_EFFECTS_MAX &&             \
                  e == &turn->effects->effect[i]))
#endif

/* -- effects.c ----------------------------------------------------------- */

/*@ requires is_turn(turn);
  @ assigns ONLY_EFFECTS;
  @ ensures is_turn(turn);
  @ ensures IS_NEWEST(\result);
  @ ensures \separated(\result, turn, turn->state, turn->policy, turn->event);
  @*/
struct hg_effect *hg_turn_put(struct hg_turn *turn, enum hg_effect_kind kind);

/*@ requires is_turn(turn);
  @ assigns ONLY_EFFECTS;
  @ ensures is_turn(turn);
  @ ensures IS_NEWEST(\result);
  @ ensures \separated(\result, turn, turn->state, turn->policy, turn->event);
  @*/
struct hg_effect *hg_turn_record(struct hg_turn *turn, enum hg_record record,
                                 enum hg_why why);

/*@ requires is_turn(turn);
  @ assigns ONLY_EFFECTS;
  @ ensures is_turn(turn);
  @*/
void hg_turn_notice(struct hg_turn *turn, enum hg_level level,
                    enum hg_record record, enum hg_why why);

/*@ requires is_turn(turn);
  @ assigns ONLY_EFFECTS;
  @ ensures is_turn(turn);
  @*/
void hg_turn_changed(struct hg_turn *turn);

/*@ requires is_turn(turn);
  @ assigns ONLY_EFFECTS;
  @ ensures is_turn(turn);
  @ ensures IS_NEWEST(\result);
  @ ensures \separated(\result, turn, turn->state, turn->policy, turn->event);
  @*/
struct hg_effect *hg_turn_answer(struct hg_turn *turn, uint64_t request,
                                 enum hg_verdict verdict, hg_why_set reasons);

/*@ requires is_turn(turn);
  @ assigns EFFECTS_AND turn->state->epoch, turn->state->serial;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures epoch <= \old(turn->state->epoch) ==>
  @         turn->state->serial == \old(turn->state->serial);
  @*/
void hg_turn_raise_epoch(struct hg_turn *turn, uint64_t epoch);

/*@ requires is_turn(turn);
  @ assigns EFFECTS_AND turn->state->epoch, turn->state->serial;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures \result == 0 ||
  @         \result > \old(turn->state->serial) &&
  @         \result == turn->state->serial;
  @ ensures \result == 0 ==>
  @         turn->state->serial == \old(turn->state->serial);
  @*/
uint64_t hg_turn_serial(struct hg_turn *turn);

/*@ requires is_turn(turn);
  @ assigns EFFECTS_AND turn->state->epoch, turn->state->serial,
  @         turn->state->permit.is_live, turn->state->revoked_at,
  @         turn->state->silent_until, turn->has_revoked;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures !turn->state->permit.is_live;
  @ ensures turn->has_revoked;
  @*/
void hg_turn_revoke(struct hg_turn *turn, enum hg_why why);

/* -- words.c ------------------------------------------------------------- */

/*@ requires \valid_read(a) && \valid_read(b);
  @ assigns \nothing;
  @*/
bool hg_actor_equal(const struct hg_actor *a, const struct hg_actor *b);
/*@ requires \valid_read(actor);
  @ assigns \nothing;
  @*/
bool hg_actor_is_staff(const struct hg_actor *actor);
/*@ assigns \nothing; */
struct hg_actor hg_actor_gateway(void);
/*@ assigns \nothing; */
struct hg_actor hg_actor_controller(void);
/*@ requires \valid_read(policy);
  @ assigns \nothing;
  @ ensures \result <= policy->session_cap_ms;
  @*/
uint64_t hg_policy_cap_ms(const struct hg_policy *policy);
/*@ assigns \nothing; */
uint64_t hg_policy_class_cap_ms(enum hg_usage_class usage_class);

/* -- conditions.c -------------------------------------------------------- */

/*@
  // what a running heat needs, save for a door that is known to be open
  predicate stands(struct hg_gate_state *s, struct hg_asker *by) =
    s->stream.is_fresh && s->is_link_up && s->is_online &&
    s->is_journal_ok && s->lockouts == 0 && by->is_allowed;
*/
#define WHY(name) (1 << HG_WHY_##name)

/*@ requires \valid_read(policy) && \valid_read(state) && \valid_read(asker);
  @ assigns \nothing;
  @ ensures none: \result == 0 ==>
  @         stands(state, asker) && SHUT(state);
  @*/
hg_why_set hg_gate_standing(const struct hg_policy *policy,
                            const struct hg_gate_state *state,
                            struct hg_tick at, const struct hg_asker *asker);

/*@ requires \valid_read(asker);
  @ assigns \nothing;
  @*/
hg_why_set hg_gate_stay_unmet(const struct hg_asker *asker,
                              struct hg_wall wall);
/*@ requires \valid_read(policy);
  @ assigns \nothing;
  @*/
hg_why_set hg_gate_out_of_limits(const struct hg_policy *policy,
                                 int32_t target_mc, uint64_t duration_ms);
/*@ requires \valid_read(policy) && \valid_read(state) && \valid_read(asker);
  @ assigns \nothing;
  @*/
hg_why_set hg_gate_unmet(const struct hg_policy *policy,
                         const struct hg_gate_state *state, struct hg_tick at,
                         const struct hg_asker *asker, int32_t target_mc,
                         uint64_t duration_ms);

/* -- session.c ----------------------------------------------------------- */

#define REVOKES                                                               \
    turn->state->epoch, turn->state->serial, turn->state->permit.is_live,     \
        turn->state->revoked_at, turn->state->silent_until, turn->has_revoked
#define LENDS                                                                 \
    turn->state->epoch, turn->state->serial, turn->state->permit,             \
        turn->state->silent_until
#define ENDS                                                                  \
    REVOKES, turn->state->last, turn->state->is_resting,                      \
        turn->state->rest_until, turn->state->session, turn->state->pending

/*@ requires places(turn);
  @ requires turn->effects->count <= HG_EFFECTS_MAX;
  @ requires numbers(turn->state);
  @ assigns *turn->effects, turn->state->pending;
  @ ensures is_turn(turn);
  @*/
void hg_session_cancel_pending(struct hg_turn *turn, hg_why_set reasons);

/*@ requires is_turn(turn);
  @ requires \valid_read(actor) && \separated(actor, turn->state, turn);
  @ requires \separated(actor, turn->effects);
  @ requires why < HG_WHY_COUNT;
  @ assigns *turn->effects, ENDS;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures !turn->state->permit.is_live && !turn->state->session.is_active;
  @*/
void hg_session_end(struct hg_turn *turn, enum hg_why why,
                    const struct hg_actor *actor);

/* I9: whatever the state, after a stop no permit is live and no heat is on */
/*@ requires is_turn(turn);
  @ assigns *turn->effects, ENDS;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures !turn->state->permit.is_live && !turn->state->session.is_active;
  @*/
void hg_session_stop(struct hg_turn *turn);

/*@ requires is_turn(turn);
  @ requires capped(turn->policy, turn->state);
  @ requires lent_well(turn->policy, turn->state);
  @ requires turn->state->permit.is_live ==> held_good(turn->state);
  @ requires turn->state->session.is_active ==>
  @          turn->at.mono.ms <= turn->state->session.ends_at.ms;
  @ assigns *turn->effects, LENDS, turn->state->session.serial_before,
  @         turn->state->session.is_held;
  @ ensures is_turn(turn);
  @ ensures SERIALS;
  @ ensures capped(turn->policy, turn->state);
  @ ensures lent_well(turn->policy, turn->state);
  @ ensures held_good(turn->state);
  @ ensures \old(turn->has_revoked) ==>
  @         turn->state->permit.is_live == \old(turn->state->permit.is_live);
  @*/
void hg_session_lend(struct hg_turn *turn);

#endif
