#ifndef HEATGATE_TICK_H
#define HEATGATE_TICK_H

/*
 * Two clocks, two types, so that the compiler refuses to mix them. Intervals
 * (ages, leases, caps) use boot time; stays, plans and records use wall time.
 */
#include <stdbool.h>
#include <stdint.h>

/* CLOCK_BOOTTIME: milliseconds since the host booted; counts time asleep */
struct hg_mono {
    uint64_t ms;
};

/* wall time: milliseconds since 1970-01-01T00:00:00Z */
struct hg_wall {
    int64_t ms;
    bool is_trusted; /* false: a stay or a plan must not be judged by it */
};

/* both clocks, read once at the same wake-up */
struct hg_tick {
    struct hg_mono mono;
    struct hg_wall wall;
};

#endif
