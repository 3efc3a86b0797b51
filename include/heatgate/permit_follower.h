#ifndef HEATGATE_PERMIT_FOLLOWER_H
#define HEATGATE_PERMIT_FOLLOWER_H

/*
 * The permit rule, for the firmware of a controller: C99, no dependency, no
 * heap, no clock of its own. A controller heats only while
 *   - the highest serial heard since its own start says heat:true, and
 *   - its own clock has not run ttl_ms past the receipt of that message.
 * Whatever is repeated, delayed or reordered on the way can therefore not
 * revive heat (invariants I2 and I7 of the gateway).
 *
 * Use: init at power-up; hear() for every permit message received that was
 * not flagged as retained; may_heat() at least once a second and before
 * every switching of the heater. This rule removes heat; it replaces neither
 * the hard-wired door switch nor the hard-wired high-limit cut-out.
 */
#include <stdint.h>

/* serials at or above this are ignored (exact in every JSON number reader) */
#define HG_FOLLOWER_SERIAL_LIMIT ((uint64_t)1 << 52)
/* the longest lease the gateway can be configured to lend, 120 s */
#define HG_FOLLOWER_TTL_MAX_MS 120000u

struct hg_follower {
    uint64_t serial;      /* highest serial heard; 0: none */
    uint64_t received_ms; /* own clock at its receipt */
    uint64_t seen_ms;     /* latest own clock value; it must not run back */
    uint32_t ttl_ms;      /* how long it lasts; 0: no heat */
    int32_t target_mc;    /* to regulate to, milli-degrees Celsius */
};

/* Forget everything: no heat until a new permit is heard. */
static inline void hg_follower_init(struct hg_follower *f)
{
    f->serial = 0;
    f->received_ms = 0;
    f->seen_ms = 0;
    f->ttl_ms = 0;
    f->target_mc = 0;
}

/*
 * Take in one permit message.
 *
 * heat       the message's "heat"; anything but 1 counts as a revoke
 * ttl_ms     the message's "ttl_ms"; cut to HG_FOLLOWER_TTL_MAX_MS
 * target_mc  the message's "target_c" in milli-degrees
 * now_ms     the controller's own steady clock
 *
 * Returns 1 when the message was newer than all before and was taken, 0 when
 * it was ignored (old, repeated, or a serial out of range).
 */
static inline int hg_follower_hear(struct hg_follower *f, uint64_t serial,
                                   int heat, uint64_t ttl_ms,
                                   int32_t target_mc, uint64_t now_ms)
{
    if (serial <= f->serial || serial >= HG_FOLLOWER_SERIAL_LIMIT)
        return 0;
    f->serial = serial;
    f->received_ms = now_ms;
    if (now_ms > f->seen_ms)
        f->seen_ms = now_ms;
    f->ttl_ms = 0;
    f->target_mc = 0;
    if (heat == 1) {
        f->ttl_ms = ttl_ms > HG_FOLLOWER_TTL_MAX_MS ? HG_FOLLOWER_TTL_MAX_MS
                                                    : (uint32_t)ttl_ms;
        f->target_mc = target_mc;
    }
    return 1;
}

/*
 * May the heater be on at now_ms? Returns 1 or 0. A permit that ran out, or
 * a clock that ran backwards, stays off until a newer permit is heard.
 */
static inline int hg_follower_may_heat(struct hg_follower *f, uint64_t now_ms)
{
    if (now_ms < f->seen_ms || now_ms < f->received_ms ||
        now_ms - f->received_ms >= f->ttl_ms)
        f->ttl_ms = 0;
    if (now_ms > f->seen_ms)
        f->seen_ms = now_ms;
    return f->ttl_ms != 0;
}

#endif
