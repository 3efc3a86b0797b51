#ifndef HG_TESTS_FOLLOWER_C99_H
#define HG_TESTS_FOLLOWER_C99_H

/* The permit rule as a freestanding C99 compiler sees it. */
#include "heatgate/permit_follower.h"

void follower_c99_init(struct hg_follower *f);
int follower_c99_hear(struct hg_follower *f, uint64_t serial, int heat,
                      uint64_t ttl_ms, int32_t target_mc, uint64_t now_ms);
int follower_c99_may_heat(struct hg_follower *f, uint64_t now_ms);

#endif
