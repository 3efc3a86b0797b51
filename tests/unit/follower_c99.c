/* Compiled with -std=c99 -pedantic-errors -ffreestanding; see CMakeLists. */
#include "follower_c99.h"

#if __STDC_VERSION__ != 199901L || __STDC_HOSTED__ != 0
#error "this file is to be compiled as freestanding C99"
#endif

void follower_c99_init(struct hg_follower *f)
{
    hg_follower_init(f);
}

int follower_c99_hear(struct hg_follower *f, uint64_t serial, int heat,
                      uint64_t ttl_ms, int32_t target_mc, uint64_t now_ms)
{
    return hg_follower_hear(f, serial, heat, ttl_ms, target_mc, now_ms);
}

int follower_c99_may_heat(struct hg_follower *f, uint64_t now_ms)
{
    return hg_follower_may_heat(f, now_ms);
}
