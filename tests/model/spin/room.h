#ifndef MODEL_SPIN_ROOM_H
#define MODEL_SPIN_ROOM_H

/*
 * What the SPIN model calls: worlds behind small numbers. The same world has
 * the same number, compared byte by byte, so that SPIN's state vector holds
 * the number and is as exact as if it held the world. The table only grows:
 * going back in the search needs no undoing.
 */
#include <stdbool.h>
#include <stdint.h>

struct room_step {
    uint32_t at; /* the world after it; the same one if it cannot happen */
    bool is_done;
    bool is_broken; /* the monitor, or the order of a stop, was violated */
    bool is_live;   /* a permit is live: for the gate or for the monitor */
    bool is_heat;   /* the controller at the far end may heat */
    bool is_tick;   /* time went on */
    bool is_told;   /* telemetry was heard that may prove something */
    bool is_stop;
};

/*
 * The world a scope begins with. The scope is named by the environment's
 * HG_SPIN_SCOPE; an unknown name ends the program with status 2.
 */
uint32_t room_first(void);
/* How many actions the scope has: 0 … room_actions() - 1. */
int room_actions(void);
/* Apply an action; broken rules are printed. */
struct room_step room_apply(uint32_t at, int nth);

#endif
