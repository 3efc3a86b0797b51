#ifndef HG_BASE_SAT_H
#define HG_BASE_SAT_H

/*
 * Saturating arithmetic on times and counts: a result that does not fit
 * becomes the nearest value that does, never wraps. All pure.
 */
#include "heatgate/tick.h"

static inline uint64_t hg_sat_add_u64(uint64_t a, uint64_t b)
{
    return a > UINT64_MAX - b ? UINT64_MAX : a + b;
}

/* a - b, or 0 when b is larger */
static inline uint64_t hg_sat_sub_u64(uint64_t a, uint64_t b)
{
    return a > b ? a - b : 0;
}

static inline int64_t hg_sat_add_i64(int64_t a, int64_t b)
{
    if (b > 0 && a > INT64_MAX - b)
        return INT64_MAX;
    if (b < 0 && a < INT64_MIN - b)
        return INT64_MIN;
    return a + b;
}

static inline int64_t hg_sat_sub_i64(int64_t a, int64_t b)
{
    if (b < 0 && a > INT64_MAX + b)
        return INT64_MAX;
    if (b > 0 && a < INT64_MIN + b)
        return INT64_MIN;
    return a - b;
}

static inline struct hg_mono hg_mono_add(struct hg_mono a, uint64_t ms)
{
    struct hg_mono sum = { hg_sat_add_u64(a.ms, ms) };
    return sum;
}

/* milliseconds from a to b; 0 when b is earlier */
static inline uint64_t hg_mono_since(struct hg_mono b, struct hg_mono a)
{
    return hg_sat_sub_u64(b.ms, a.ms);
}

static inline bool hg_mono_reached(struct hg_mono now, struct hg_mono when)
{
    return now.ms >= when.ms;
}

#endif
