/* What WP proves of conditions.c: see gate_contracts.h. */
#include "gate_contracts.h"

/*@
  lemma or_zero:
    \forall integer a, b; 0 <= a && 0 <= b && (a | b) == 0 ==>
      a == 0 && b == 0;
*/

/*@ requires 0 < why < HG_WHY_COUNT;
  @ assigns \nothing;
  @ ensures is_so ==> \result != 0;
  @*/
static hg_why_set when(bool is_so, enum hg_why why);

/*@ requires \valid_read(policy) && \valid_read(state);
  @ assigns \nothing;
  @*/
static hg_why_set proof_unmet(const struct hg_policy *policy,
                              const struct hg_gate_state *state,
                              struct hg_wall wall);

/*@ requires \valid_read(stream);
  @ assigns \nothing;
  @ ensures \result == 0 ==>
  @         stream->is_fresh && stream->door != HG_DOOR_OPEN &&
  @         stream->door != HG_DOOR_UNKNOWN;
  @*/
static hg_why_set data_unmet(const struct hg_gate_stream *stream);

#include "../../src/gate/conditions.c"
