#ifndef PROOF_SAT_CONTRACTS_H
#define PROOF_SAT_CONTRACTS_H

/* ACSL contracts of base/sat.h: proved by WP, then relied on by EVA. */
#include "heatgate/tick.h"

/*@ assigns \nothing;
  @ ensures \result == (a + b > UINT64_MAX ? UINT64_MAX : a + b);
  @*/
static inline uint64_t hg_sat_add_u64(uint64_t a, uint64_t b);

/*@ assigns \nothing;
  @ ensures \result == (a > b ? a - b : 0);
  @*/
static inline uint64_t hg_sat_sub_u64(uint64_t a, uint64_t b);

/*@ assigns \nothing;
  @ ensures \result == (a + b > INT64_MAX ? INT64_MAX :
  @                     a + b < INT64_MIN ? INT64_MIN : a + b);
  @*/
static inline int64_t hg_sat_add_i64(int64_t a, int64_t b);

/*@ assigns \nothing;
  @ ensures \result == (a - b > INT64_MAX ? INT64_MAX :
  @                     a - b < INT64_MIN ? INT64_MIN : a - b);
  @*/
static inline int64_t hg_sat_sub_i64(int64_t a, int64_t b);

/*@ assigns \nothing;
  @ ensures \result.ms == (a.ms + ms > UINT64_MAX ? UINT64_MAX : a.ms + ms);
  @*/
static inline struct hg_mono hg_mono_add(struct hg_mono a, uint64_t ms);

/*@ assigns \nothing;
  @ ensures \result == (b.ms > a.ms ? b.ms - a.ms : 0);
  @*/
static inline uint64_t hg_mono_since(struct hg_mono b, struct hg_mono a);

/*@ assigns \nothing;
  @ ensures \result <==> now.ms >= when.ms;
  @*/
static inline bool hg_mono_reached(struct hg_mono now, struct hg_mono when);

#endif
