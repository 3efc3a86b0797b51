/*
 * The gate in its world, for SPIN: the transitions are C, the real gate and
 * the explorer's world with its monitor (../world.h). Time and counters are
 * renamed after each step (../rebase.c), so that the space closes.
 *
 * Whatever is possible may happen next, in any order and for ever: nothing is
 * fair but what a property asks for.
 */
c_decl {
\#include "room.h"
};

int at;       /* number of the present world */
int actions;  /* how many the scope has */
bool live;    /* a permit is live after the latest step */
bool heat;    /* the far end may heat */
bool ticked;  /* the latest step let time pass */
bool told;    /* … brought telemetry */
bool stopped; /* … was a stop */
bool broken;  /* … broke a rule of the monitor */

active proctype room()
{
    int action;

    d_step {
        c_code {
            now.at = (int)room_first();
            now.actions = room_actions();
        }
    }
    do
    :: atomic {
        action = 0;
        do
        :: action + 1 < actions -> action++
        :: break
        od;
        c_code {
            struct room_step step =
                room_apply((uint32_t)now.at, Proom->action);
            now.at = (int)step.at;
            Proom->action = 0;
            now.live = step.is_done ? step.is_live : now.live;
            now.heat = step.is_done ? step.is_heat : now.heat;
            now.ticked = step.is_tick;
            now.told = step.is_told;
            now.stopped = step.is_stop;
            now.broken = step.is_broken;
        };
        assert(!broken);
        assert(!stopped || !live)
    }
    od
}

/* I5: while time goes on, every permit ends, whatever else goes on */
ltl ends { [] (([] <> ticked) -> <> !live) }
/* I4: without telemetry it ends for good */
ltl silence { (([] <> ticked) && (<> [] !told)) -> <> [] !live }
/* I2: when the gate lends nothing any more, the far end goes cold for good */
ltl cold { (([] <> ticked) && (<> [] !live)) -> <> [] !heat }
/* controls: these have to be found false, or nothing above is proved */
ltl control_lent { [] !live }
ltl control_heat { [] !heat }
/* a revoke may be lost: heat outlives the permit, until its lease is over */
ltl control_lease { [] (heat -> live) }
/* and when time stands still, so does everything */
ltl control_time { [] (live -> <> !live) }
