#ifndef MODEL_MONITOR_H
#define MODEL_MONITOR_H

/*
 * The far end's view of one room: it sees the events that go into the gate
 * and the effects that come out, never the gate's state, and keeps its own
 * small idea of what must be true. It asserts I1 to I12 and completeness:
 * what is allowed must happen, with exactly the right lease.
 */
#include "heatgate/gate.h"

/* What the environment knows about an event that the gate has to find out. */
struct monitor_truth {
    bool is_proof;   /* TELEMETRY, LOCAL: live, new, in time */
    bool is_live;    /* TELEMETRY, LOCAL: not retained, not replayed */
    bool is_reboot;  /* first message of a new boot, not the first ever */
    bool is_counted; /* door counter changed since the last proof */
    bool is_restart; /* the gateway was restarted before this event */
};

struct monitor {
    struct hg_mono now;
    bool is_link_up, is_online, is_journal_ok, is_late;
    /* the door, as far as proofs and live openings tell */
    bool has_proof; /* a proof since link, boot, start */
    struct hg_mono proof_at;
    bool is_closed, is_open; /* the last word about the door */
    bool is_air_fault;       /* last proof had no air reading */
    /* look-in */
    bool has_open, has_cycle, has_panel;
    struct hg_mono open_at, panel_at;
    /* room check: 0 none, 1 good, 2 unknown for a while, 3 used, 4 bad */
    int check;
    struct hg_mono check_until;
    bool has_check_count;
    struct hg_actor signer;
    /* grant and heat */
    bool is_waiting; /* a grant's record is not durable yet */
    bool is_planned_grant;
    uint64_t ticket;
    struct hg_asker asked_by, by;
    uint64_t asked_ms;
    bool is_heat, is_held, is_started;
    struct hg_mono started_at, held_at;
    uint64_t duration_ms;
    bool is_change_waiting;
    uint64_t change_ticket, change_ms;
    /* permits */
    uint64_t serial; /* highest heard in any permit or revoke */
    bool is_lent;
    struct hg_mono lent_at, lent_until;
    hg_why_set lockouts;
    bool is_local;
    struct hg_mono local_at;
    bool is_resting;
    struct hg_mono rest_until;
    bool has_plan;
    struct hg_asker plan_by;
    int64_t plan_at_ms;
    /* what was reached: a run that never got there proves nothing */
    struct monitor_seen {
        uint64_t permits, renewals, resumes, ends, refusals, voids, lockouts,
            changes, plans, restarts;
    } seen;
};

void monitor_init(struct monitor *monitor, struct hg_mono now);

/*
 * One step: event went in, effects came out. Returns NULL, or which rule was
 * broken, with the invariant's id in front.
 */
const char *monitor_step(struct monitor *monitor,
                         const struct hg_policy *policy,
                         const struct hg_event *event,
                         const struct monitor_truth *truth,
                         const struct hg_effects *effects);

#endif
