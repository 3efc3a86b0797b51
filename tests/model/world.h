#ifndef MODEL_WORLD_H
#define MODEL_WORLD_H

/*
 * A room's gate with the world around it: a controller with a door, a link, a
 * journal, people. Actions are what may happen next; each becomes one or two
 * events for the gate and is judged by the monitor. The world never reads the
 * gate's state to decide what is true.
 */
#include "heatgate/gate.h"
#include "heatgate/permit_follower.h"
#include "monitor.h"

/* X(name) in the order of their numbers */
#define WORLD_ACTIONS(X)                                                       \
    X(TICK)                                                                    \
    X(LEAP)                                                                    \
    X(BACK)                                                                    \
    X(TELL)                                                                    \
    X(TELL_LATE)                                                               \
    X(TELL_AGAIN)                                                              \
    X(TELL_RETAINED)                                                           \
    X(TELL_OLD_BOOT)                                                           \
    X(TELL_HALF)                                                               \
    X(TELL_DOOR_NULL)                                                          \
    X(TELL_AIR_NULL)                                                           \
    X(DOOR)                                                                    \
    X(FLICK)                                                                   \
    X(HEATER)                                                                  \
    X(REBOOT)                                                                  \
    X(LINK)                                                                    \
    X(PRESENCE)                                                                \
    X(PANEL)                                                                   \
    X(LOCAL_START)                                                             \
    X(LOCAL_STOP)                                                              \
    X(SIGN)                                                                    \
    X(SIGN_PARTLY)                                                             \
    X(SIGN_INTEGRATOR)                                                         \
    X(START)                                                                   \
    X(START_GUEST)                                                             \
    X(START_LONG)                                                              \
    X(START_FORBIDDEN)                                                         \
    X(CHANGE_LONG)                                                             \
    X(CHANGE_SHORT)                                                            \
    X(STOP)                                                                    \
    X(PLAN)                                                                    \
    X(UNPLAN)                                                                  \
    X(COMMIT)                                                                  \
    X(JOURNAL)                                                                 \
    X(ACCESS_END)                                                              \
    X(LOCK)                                                                    \
    X(UNLOCK)                                                                  \
    X(UNLOCK_NAMELESS)                                                         \
    X(FOREIGN)                                                                 \
    X(TRUST)                                                                   \
    X(WALL_BACK)                                                               \
    X(RESTART)                                                                 \
    X(SHUTDOWN)                                                                \
    X(DELIVER)                                                                 \
    X(DELIVER_OLD)                                                             \
    X(DELIVER_KEEP)

enum world_action {
#define WORLD_ENUM(name) DO_##name,
    WORLD_ACTIONS(WORLD_ENUM)
#undef WORLD_ENUM
        WORLD_ACTION_COUNT
};

#define WORLD_CHANNEL   2 /* messages on their way at a time */
#define WORLD_DELAY_MAX 1 /* ticks on the way at most; then lost */
#define WORLD_BOOTS     3 /* controller boots in one exploration */
#define WORLD_BACKS     2 /* steps back of each clock in one exploration */
#define WORLD_WALL_BACK 3 /* how far the wall clock steps back each time */

struct world_message {
    bool is_there, is_heat;
    uint64_t serial, ttl_ms;
    struct hg_mono sent_at;
};

struct world {
    struct hg_gate_state state;
    struct monitor monitor;
    struct hg_tick now;
    uint32_t boot; /* 1 … WORLD_BOOTS */
    bool is_first_boot_heard;
    bool is_told; /* a telemetry message of this boot was heard */
    bool is_boot_heard, is_any_boot_heard, has_base, has_proof_count;
    bool has_proof_here; /* in this run of the gateway */
    uint64_t seq, event_seq, door_count, proof_count, start_ms;
    enum hg_door door;
    enum hg_heater heater;
    bool is_link_up, is_online, is_journal_ok;
    uint32_t backs_left, wall_backs_left; /* of the two clocks */
    uint64_t ticket;  /* of the record that waits, 0: none */
    uint64_t outcome; /* of the latest step: a print of what came out */
    /* the far end: channel and permit follower */
    bool has_heater; /* the heater may be on: what it needs is kept */
    bool has_channel;
    struct world_message message[WORLD_CHANNEL]; /* the oldest first */
    struct hg_follower follower;
    struct hg_mono lent_end; /* when the gate's permission last ended */
    bool was_lent;
};

/* A small policy: the shape of the real one, in single milliseconds. */
struct hg_policy world_policy(void);
/* Twice to three times that: the medium run. */
struct hg_policy world_policy_medium(void);

void world_init(const struct hg_policy *policy, bool has_channel,
                struct world *world);
const char *world_action_name(enum world_action action);

/*
 * Apply an action. Returns false when it cannot happen in this world;
 * *broken is NULL or the rule that was broken.
 */
bool world_apply(const struct hg_policy *policy, struct world *world,
                 enum world_action action, const char **broken);

/*
 * Rename without changing meaning: times relative to now and no older than
 * any rule can tell apart, counters and serials by their order, what no rule
 * can look at any more to zero.
 */
void world_rebase(const struct hg_policy *policy, struct world *world);

#endif
