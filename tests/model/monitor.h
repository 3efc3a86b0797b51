#ifndef MODEL_MONITOR_H
#define MODEL_MONITOR_H

/*
 * The far end's view of one room: it sees the events that go into the gate
 * and the effects that come out, never the gate's state, and keeps its own
 * small idea of what must be true. It asserts I1 to I12 and completeness:
 * what is allowed must happen, with exactly the right lease, and what is
 * refused must be refused for exactly the right reasons.
 */
#include "heatgate/gate.h"

/* What the environment knows about an event that the gate has to find out. */
struct monitor_truth {
    bool is_proof;       /* TELEMETRY, LOCAL: live, new, in time */
    bool is_live;        /* TELEMETRY, LOCAL: not retained, not replayed */
    bool is_reboot;      /* first message of a new boot, not the first ever */
    bool is_counted;     /* door counter changed since the last proof … */
    bool is_counted_now; /* … which this run of the gateway heard */
    bool is_restart;     /* the gateway was restarted before this event */
};

/* what the monitor thinks of the room check */
enum monitor_check {
    MONITOR_NONE = 0,
    MONITOR_GOOD,
    MONITOR_UNKNOWN, /* for a while: the door counter will tell */
    MONITOR_USED,
    MONITOR_BAD,
    MONITOR_EXPIRED
};

/* what was reached: a run that never got there proves nothing */
struct monitor_seen {
    uint64_t permits, renewals, ends, refusals, restarts, plan_starts;
    uint64_t records;   /* bits of enum hg_record */
    hg_why_set ends_of; /* causes of ends */
    hg_why_set lockouts;
};

struct monitor {
    struct hg_mono now;
    bool is_link_up, is_online, is_journal_ok, is_late;
    /* the door, as far as proofs and live openings tell */
    bool has_proof; /* a proof since link, boot, start */
    struct hg_mono proof_at;
    bool is_closed, is_open; /* the last word about the door */
    bool has_air, is_on;     /* in the last proof of this boot and run */
    /* look-in */
    bool has_open, has_cycle, has_panel;
    struct hg_mono open_at, panel_at;
    /* room check */
    enum monitor_check check;
    struct hg_mono check_until;
    bool has_check_count, is_check_broken;
    struct hg_actor signer;
    /* grant and heat */
    bool is_waiting; /* a grant's record is not durable yet */
    uint64_t ticket;
    struct hg_asker asked_by, by;
    uint64_t asked_ms;
    bool is_heat, is_held;
    struct hg_mono started_at, ends_at, held_at;
    enum hg_why ends_why;
    uint64_t duration_ms;
    bool is_change_waiting;
    uint64_t change_ticket, change_ms;
    bool has_rise_base; /* heat without a rise: since a base, on this long */
    uint64_t rise_on_ms;
    /* permits */
    uint64_t serial; /* highest heard in any permit or revoke */
    bool is_lent, is_due;
    struct hg_mono lent_at, lent_until;
    /* heat without permission */
    bool is_unbidden;
    struct hg_mono unbidden_at, quiet_at, revoked_at;
    hg_why_set lockouts;
    struct hg_mono rival_at;
    bool is_local;
    struct hg_mono local_at;
    bool is_resting;
    struct hg_mono rest_until;
    bool has_plan;
    struct hg_asker plan_by;
    int64_t plan_at_ms;
    /* of the present step, between time and event */
    bool was_heat, was_held, was_lent, was_waiting, was_unbidden_long;
    hg_why_set unmet_before;
    struct monitor_seen seen;
};

void monitor_init(struct monitor *monitor, const struct hg_policy *policy,
                  struct hg_mono now);

/*
 * One step: event went in, effects came out. Returns NULL, or which rule was
 * broken, with the invariant's id in front.
 */
const char *monitor_step(struct monitor *monitor,
                         const struct hg_policy *policy,
                         const struct hg_event *event,
                         const struct monitor_truth *truth,
                         const struct hg_effects *effects);

/* monitor.c: what the monitor knows, for judge.c */

void monitor_learn(struct monitor *monitor, const struct hg_policy *policy,
                   const struct hg_event *event,
                   const struct monitor_truth *truth);
/* A good check is good no more. */
void monitor_spoil_check(struct monitor *monitor);
uint64_t monitor_age(struct hg_mono now, struct hg_mono then);
bool monitor_is_fresh(const struct monitor *monitor,
                      const struct hg_policy *policy);
bool monitor_is_opening(const struct hg_event *event,
                        const struct monitor_truth *truth);
/* What a running heat of this asker lacks right now. */
hg_why_set monitor_unmet(const struct monitor *monitor,
                         const struct hg_policy *policy,
                         const struct hg_asker *by, struct hg_wall wall);
/* What a start lacks right now. */
hg_why_set monitor_start_unmet(const struct monitor *monitor,
                               const struct hg_policy *policy,
                               const struct hg_asker *by, struct hg_wall wall,
                               int32_t target_mc, uint64_t duration_ms);
hg_why_set monitor_out_of_limits(const struct hg_policy *policy,
                                 int32_t target_mc, uint64_t duration_ms);
hg_why_set monitor_stay_unmet(const struct hg_asker *by, struct hg_wall wall);
/* When the heat has to end, counted from its start and the stay. */
void monitor_set_end(struct monitor *monitor, const struct hg_policy *policy,
                     struct hg_wall wall);
bool monitor_same(const struct hg_actor *a, const struct hg_actor *b);

/* judge.c */

const char *monitor_judge(struct monitor *monitor,
                          const struct hg_policy *policy,
                          const struct hg_event *event,
                          const struct monitor_truth *truth,
                          const struct hg_effects *effects);

#endif
