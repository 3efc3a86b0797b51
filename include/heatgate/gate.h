#ifndef HEATGATE_GATE_H
#define HEATGATE_GATE_H

/*
 * The safety gate of one room: a pure step from events to effects. It alone
 * decides about heat; nothing else in the program makes a permit. No I/O, no
 * heap, no clock, no global, no floats; every loop has a fixed bound.
 *
 * The caller carries events in and effects out, in their order:
 *   - a revoke is always the first effect and must leave at once;
 *   - a record with a ticket must be durable before HG_EVENT_COMMITTED with
 *     that ticket comes back; only then does the gate issue the permit;
 *   - an epoch effect must be durable before the caller does anything else.
 *
 * Units: _ms milliseconds, _mc milli-degrees Celsius, _w watts, _wh
 * watt-hours. Invariants I1 to I12 are listed in DEVELOPERS.md.
 */
#include "heatgate/reasons.h"
#include "heatgate/tick.h"

/* Sizes */

#define HG_ID_BYTES    40 /* of a credential, a heat; with NUL */
#define HG_BOOT_BYTES  33 /* of a controller's boot mark; with NUL */
#define HG_BOOTS_KEPT  8  /* contract 7: boots of a room remembered */
#define HG_CHECKS_OPEN 4  /* room checks open at a time; oldest makes way */
#define HG_EFFECTS_MAX 32 /* more than any step can need */
#define HG_STATEMENTS  4  /* of the room check */

/* Constants with their source */

/* caps by class of use: common practice for electric sauna heaters */
#define HG_CAP_PRIVATE_MS      (UINT64_C(360) * 60000)
#define HG_CAP_SEMI_PUBLIC_MS  (UINT64_C(720) * 60000)
#define HG_CAP_PUBLIC_MS       (UINT64_C(1080) * 60000)
#define HG_TARGET_TOP_MC       110000   /* highest target: common practice */
#define HG_AIR_MIN_MC          (-40000) /* gate.md section 4 */
#define HG_AIR_MAX_MC          150000   /* gate.md section 4 */
#define HG_MODULE_MAX_MC       50000    /* below 50 C: common practice */
#define HG_MODULE_MAX_RH       95       /* below 95 % RH: common practice */
#define HG_SEQ_JUMP_MAX        1000000  /* contract 7 */
#define HG_LATE_DRIFT_MS_PER_S 2        /* contract 7: how the base rises */
#define HG_NUMBER_LIMIT        (UINT64_C(1) << 53)
#define HG_SERIAL_LIMIT        (UINT64_C(1) << 52)
#define HG_EPOCH_SHIFT         24
#define HG_EPOCH_MAX           ((UINT64_C(1) << 28) - 1) /* from the limit */
/*
 * Faster than the physics of a hot room, between two fresh readings dt apart:
 * more than 20 C + 3 C/s * dt. A shut 8 m3 room rises below 1 C/s at 6 kW; a
 * ladle of water gives about 10 C in seconds; an opened door takes 60 C away
 * with a time constant of 20 s or more. From memory, with a factor 2.
 */
#define HG_AIR_STEP_MC       20000
#define HG_AIR_RATE_MC_PER_S 3000
/*
 * The same reading to the last digit for this long with the heater reported
 * on: a stuck sensor. From memory: 10 min exceed any plateau of a sensor that
 * reports tenths of a degree.
 */
#define HG_FROZEN_MS (UINT64_C(10) * 60000)
/* a plan found this late after its start time was missed, not due */
#define HG_PLAN_GRACE_MS 60000
/* how long a foreign permit keeps its lockout from being cleared: 2 leases */
#define HG_RIVAL_LEASES 2

/* Words */

enum hg_usage_class { /* 0 has the lowest cap */
                      HG_USAGE_PRIVATE = 0,
                      HG_USAGE_SEMI_PUBLIC,
                      HG_USAGE_PUBLIC
};
enum hg_evidence {
    HG_EVIDENCE_NONE = 0, /* never satisfied */
    HG_EVIDENCE_DOOR_CYCLE,
    HG_EVIDENCE_PANEL,
    HG_EVIDENCE_PLACE_CODE
};
enum hg_door_rule { HG_DOOR_RULE_END = 0, HG_DOOR_RULE_HOLD };
enum hg_door { HG_DOOR_UNKNOWN = 0, HG_DOOR_OPEN, HG_DOOR_CLOSED };
enum hg_heater { HG_HEATER_UNKNOWN = 0, HG_HEATER_OFF, HG_HEATER_ON };
enum hg_role {
    HG_ROLE_NONE = 0,
    HG_ROLE_GUEST,
    HG_ROLE_CARETAKER,
    HG_ROLE_INTEGRATOR,
    HG_ROLE_MANAGER,
    HG_ROLE_OWNER,
    HG_ROLE_CONTROLLER, /* journal only */
    HG_ROLE_GATEWAY     /* journal only */
};
enum hg_phase {
    HG_PHASE_IDLE = 0,
    HG_PHASE_PLANNED,
    HG_PHASE_HEATING,
    HG_PHASE_HOLDING,
    HG_PHASE_LOCKED
};
enum hg_check_state {
    HG_CHECK_NONE = 0,
    HG_CHECK_VALID,
    HG_CHECK_VOID,
    HG_CHECK_EXPIRED,
    HG_CHECK_USED
};
enum hg_level { HG_LEVEL_INFO = 0, HG_LEVEL_WARNING, HG_LEVEL_ALARM };

/*
 * The statements of the room check, as bits of `agreed`. A person agrees to
 * each of them.
 */
enum hg_statement {
    HG_STATEMENT_HEATER_CLEAR = 1,
    HG_STATEMENT_ROOM_CLEAR = 2,
    HG_STATEMENT_NOBODY_INSIDE = 4,
    HG_STATEMENT_DOOR_CLOSED = 8,
    HG_STATEMENT_ALL = 15
};

/* Policy: limits of one room, constant while it heats */

struct hg_policy {
    enum hg_usage_class usage_class;
    uint64_t session_cap_ms; /* 60000 … the class cap */
    int32_t target_max_mc;   /* 30000 … 110000 */
    int32_t target_min_mc;   /* 30000 … target_max_mc */
    uint32_t heater_w;       /* 500 … 60000 */
    uint32_t lease_ms;       /* 5000 … 120000 */
    uint32_t stale_after_ms; /* 3000 … 60000 */
    uint32_t late_after_ms;  /* 1000 … 30000 */
    enum hg_evidence evidence;
    uint64_t look_in_window_ms; /* 1 … 60 min */
    uint64_t check_valid_ms;    /* 5 … 1440 min */
    enum hg_door_rule door_rule;
    uint32_t door_hold_max_ms;  /* 5000 … 300000 */
    int32_t over_temp_mc;       /* target_max_mc + 5000 … 125000 */
    int32_t no_rise_mc;         /* 1000 … 20000 */
    uint64_t no_rise_ms;        /* 5 … 60 min */
    uint64_t rest_after_cap_ms; /* 0 … 1440 min */
    uint64_t door_proof_ms;     /* 1 … 366 days */
    bool is_commissioning_waived;
};

/* Events */

enum hg_event_kind {
    HG_EVENT_TICK = 0,   /* time passes; at least once a second */
    HG_EVENT_TELEMETRY,  /* reading */
    HG_EVENT_PRESENCE,   /* is_online */
    HG_EVENT_LOCAL,      /* local */
    HG_EVENT_CHECK_OPEN, /* asker, check */
    HG_EVENT_CHECK_SIGN, /* asker, check */
    HG_EVENT_START,      /* asker, heat */
    HG_EVENT_CHANGE,     /* asker, heat */
    HG_EVENT_STOP,       /* asker */
    HG_EVENT_PLAN,       /* asker, heat */
    HG_EVENT_UNPLAN,     /* asker */
    HG_EVENT_PLAN_MOVE,  /* heat.starts_at_ms: the forecast moved it */
    HG_EVENT_LINK_UP,
    HG_EVENT_LINK_DOWN,
    HG_EVENT_COMMITTED, /* ticket: that record is durable */
    HG_EVENT_JOURNAL_FAILED,
    HG_EVENT_JOURNAL_OK,
    HG_EVENT_ACCESS_ENDED,  /* asker.actor: this credential has ended */
    HG_EVENT_LOCKOUT_SET,   /* asker, lockout */
    HG_EVENT_LOCKOUT_CLEAR, /* asker, lockout */
    HG_EVENT_CLOCK_STEPPED, /* the wall clock jumped or changed its trust */
    HG_EVENT_COMMISSIONED,  /* proof_at_ms */
    HG_EVENT_PERMIT_HEARD,  /* heard: a permit on our topic, not from us */
    HG_EVENT_EPOCH_HEARD,   /* epoch: somebody's, or ours raised elsewhere */
    HG_EVENT_SHUTDOWN,      /* the service leaves: revoke, end */
    HG_EVENT_COUNT
};

struct hg_actor {
    enum hg_role role;
    char id[HG_ID_BYTES]; /* zero-padded */
};

/* Who asks. What the access unit knows about it right now. */
struct hg_asker {
    uint64_t request; /* echoed in the answer; 0: no answer wanted */
    struct hg_actor actor;
    bool is_allowed; /* the credential may do this in this room */
    bool has_stay;   /* the two wall times below hold */
    int64_t stay_from_ms;
    int64_t stay_until_ms;
};

/* One telemetry message, decoded and of the right types. */
struct hg_reading {
    char boot[HG_BOOT_BYTES]; /* zero-padded, not empty */
    uint64_t seq;
    uint64_t uptime_ms;
    bool is_retained;  /* the MQTT retain flag: proves nothing */
    bool is_whole;     /* false: only boot, seq and door could be read */
    bool has_air;      /* false: null, the sensor is in fault */
    enum hg_door door; /* HG_DOOR_UNKNOWN: null */
    enum hg_heater heater;
    bool has_permit, has_door_count, has_module_c, has_module_rh;
    bool has_power, has_energy;
    int32_t air_mc;
    uint64_t permit;
    uint64_t door_count;
    int32_t module_mc;
    uint32_t module_rh;
    uint32_t power_w;
    uint64_t energy_wh;
};

enum hg_local {
    HG_LOCAL_NONE = 0,
    HG_LOCAL_ROOM_CHECK,
    HG_LOCAL_START,
    HG_LOCAL_STOP,
    HG_LOCAL_FAULT
};

struct hg_event {
    enum hg_event_kind kind;
    struct hg_tick at;
    struct hg_asker asker;
    union {
        struct hg_reading reading;
        bool is_online;
        struct {
            char boot[HG_BOOT_BYTES];
            uint64_t seq;
            bool is_retained;
            enum hg_local what;
        } local;
        struct {
            uint64_t id;     /* not 0; random, given by the caller */
            uint32_t agreed; /* bits of enum hg_statement */
            bool is_place_code_right;
        } check;
        struct {
            char heat_id[HG_ID_BYTES];     /* given by the caller, unique */
            bool has_target, has_duration; /* CHANGE: which is asked for */
            int32_t target_mc;
            uint64_t duration_ms;
            int64_t ready_at_ms, starts_at_ms; /* wall; PLAN, PLAN_MOVE */
        } heat;
        struct {
            enum hg_why what; /* one that latches, or HG_WHY_LOCKED_OUT */
            bool has_note;
        } lockout;
        struct {
            uint64_t serial;
            bool is_heat;
        } heard;
        uint64_t ticket;
        uint64_t epoch;
        int64_t proof_at_ms;
    };
};

/* Effects */

enum hg_effect_kind {
    HG_EFFECT_NONE = 0,
    HG_EFFECT_REVOKE, /* serial, why: publish heat:false now */
    HG_EFFECT_EPOCH,  /* epoch: store durably before anything else */
    HG_EFFECT_PERMIT, /* serial, ttl_ms, target_mc, heat_id */
    HG_EFFECT_RECORD, /* record …, ticket != 0: report when durable */
    HG_EFFECT_NOTICE, /* level, record or why */
    HG_EFFECT_STATE,  /* what is seen from outside has changed */
    HG_EFFECT_ANSWER  /* request, verdict, reasons, … */
};

/*
 * What happened, for the journal ("kind") and for notices (the event codes).
 * The codes are hg_record_code()'s; a name is never reused.
 */
#define HG_RECORD_LIST(X)                                                      \
    X(HEAT_GRANTED, "heat-granted")                                            \
    X(HEAT_REFUSED, "heat-refused")                                            \
    X(HEAT_CHANGED, "heat-changed")                                            \
    X(HEAT_HELD, "heat-held")                                                  \
    X(HEAT_RESUMED, "heat-resumed")                                            \
    X(HEAT_ENDED, "heat-ended")                                                \
    X(STOP_ASKED, "stop-asked")                                                \
    X(CHECK_SIGNED, "check-signed")                                            \
    X(CHECK_REFUSED, "check-refused")                                          \
    X(CHECK_VOIDED, "check-voided")                                            \
    X(CHECK_EXPIRED, "check-expired")                                          \
    X(PLAN_ACCEPTED, "plan-accepted")                                          \
    X(PLAN_REFUSED, "plan-refused")                                            \
    X(PLAN_DROPPED, "plan-dropped")                                            \
    X(PLAN_AT_RISK, "plan-at-risk")                                            \
    X(PLAN_IN_ORDER, "plan-in-order")                                          \
    X(PLAN_MISSED, "plan-missed")                                              \
    X(LOCKOUT_SET, "lockout-set")                                              \
    X(LOCKOUT_CLEARED, "lockout-cleared")                                      \
    X(LOCKOUT_KEPT, "lockout-kept")                                            \
    X(LOCAL_STARTED, "local-started")                                          \
    X(LOCAL_STOPPED, "local-stopped")                                          \
    X(LOCAL_CHECK, "local-check")                                              \
    X(CONTROLLER_FAULT, "controller-fault")                                    \
    X(CONTROLLER_BOOT, "controller-boot")                                      \
    X(TELEMETRY_LOST, "telemetry-lost")                                        \
    X(TELEMETRY_BACK, "telemetry-back")                                        \
    X(PERMIT_IGNORED, "permit-not-followed")                                   \
    X(PERMIT_FOREIGN, "foreign-permit")                                        \
    X(COMMISSIONED, "commissioned")

enum hg_record {
    HG_RECORD_NONE = 0,
#define HG_RECORD_ENUM(name, code) HG_RECORD_##name,
    HG_RECORD_LIST(HG_RECORD_ENUM)
#undef HG_RECORD_ENUM
        HG_RECORD_COUNT
};

enum hg_verdict {
    HG_VERDICT_REFUSED = 0, /* reasons says why */
    HG_VERDICT_GRANTED,
    HG_VERDICT_UNKNOWN,     /* nothing there to act on (error 1004) */
    HG_VERDICT_NOT_ALLOWED, /* error 1003 */
    HG_VERDICT_BUSY         /* error 1006: another change is being recorded */
};

struct hg_effect {
    enum hg_effect_kind kind;
    enum hg_record record;     /* RECORD, NOTICE: what happened, or NONE */
    enum hg_level level;       /* NOTICE */
    enum hg_why why;           /* REVOKE, RECORD, NOTICE: the cause, or NONE */
    hg_why_set reasons;        /* RECORD, ANSWER: every unmet condition */
    enum hg_verdict verdict;   /* ANSWER */
    uint64_t request;          /* ANSWER */
    uint64_t ticket;           /* RECORD; 0: nothing waits for it */
    uint64_t serial;           /* REVOKE, PERMIT, RECORD of a grant */
    uint64_t epoch;            /* EPOCH */
    uint64_t check;          /* ANSWER to CHECK_OPEN: its id */
    uint64_t ttl_ms;           /* PERMIT */
    int32_t target_mc;         /* PERMIT, RECORD, ANSWER */
    uint64_t duration_ms;      /* RECORD, ANSWER: as granted */
    struct hg_mono ends_at;    /* ANSWER to a grant: end of the heat */
    struct hg_actor actor;     /* RECORD: who */
    char heat_id[HG_ID_BYTES]; /* PERMIT, RECORD, ANSWER; may be empty */
};

/* Overwritten by each step. Entries past count are not initialised. */
struct hg_effects {
    uint32_t count;
    bool is_overfull; /* a broken rule: more effects than a step can need */
    struct hg_effect effect[HG_EFFECTS_MAX];
};

/* State: plain data, all zero is a room that refuses everything */

struct hg_gate_boot {
    char boot[HG_BOOT_BYTES];
    bool has_telemetry, has_event;
    uint64_t telemetry_seq;
    uint64_t event_seq;
};

struct hg_gate_counts { /* messages not used as proof, for /metrics, doctor */
    uint64_t fresh, replayed, retained, late, jumped, foreign;
};

struct hg_gate_stream {
    struct hg_gate_boot boot[HG_BOOTS_KEPT]; /* [0] is the present one */
    uint32_t boot_count;
    bool has_base;
    int64_t base_ms;         /* lateness: smallest receive - uptime … */
    struct hg_mono base_at;  /* … as of then; rises 2 ms a second */
    bool is_late;            /* the latest live message was late */
    bool is_fresh;           /* a fresh reading, not stale yet */
    bool has_reading;        /* reading below is the last fresh one */
    struct hg_mono fresh_at; /* receipt of the last fresh reading */
    struct hg_reading reading;
    enum hg_door door;       /* believed; CLOSED only while fresh */
    uint64_t same_air_on_ms; /* heater-on time with the same air reading */
    struct hg_gate_counts counts;
};

struct hg_gate_check {
    enum hg_check_state state;
    enum hg_why why;   /* VOID: what made it so */
    bool is_suspended; /* VALID, but reads void until proved unbroken */
    struct hg_mono expires_at;
    struct hg_actor signer;
    char boot[HG_BOOT_BYTES]; /* of the controller when it was signed */
    bool has_door_count;
    uint64_t door_count;
};

struct hg_gate_look { /* evidence that somebody was there */
    bool has_open;    /* the door was seen to open … */
    bool has_cycle;   /* … and then to close */
    bool has_panel;
    struct hg_mono open_at, cycle_at, panel_at;
};

struct hg_gate_open_check {
    uint64_t id; /* 0: free */
    struct hg_actor actor;
    struct hg_mono opened_at;
};

struct hg_gate_session {
    bool is_active;
    bool is_held;
    char heat_id[HG_ID_BYTES];
    struct hg_asker by;
    int32_t target_mc;
    uint64_t duration_ms;
    struct hg_mono started_at; /* first permit */
    struct hg_mono ends_at;    /* min of duration, cap, stay … */
    enum hg_why ends_why;      /* … and which of them it is */
    struct hg_mono held_at;
    uint64_t serial_before; /* the permit before the one in force */
    /* no-rise: window of heater-on time */
    bool has_rise_base;
    int32_t rise_base_mc;
    uint64_t rise_on_ms;
    /* permit-not-followed */
    bool is_unfollowed, is_unfollowed_told;
    struct hg_mono unfollowed_at;
};

struct hg_gate_permit {
    bool is_live;
    bool is_due; /* to be sent anew at once: it was changed */
    uint64_t serial;
    struct hg_mono sent_at;
    struct hg_mono until;
};

enum hg_pending_kind {
    HG_PENDING_NONE = 0,
    HG_PENDING_START,
    HG_PENDING_CHANGE
};

struct hg_gate_pending { /* a grant that waits for its record */
    enum hg_pending_kind kind;
    uint64_t ticket;
    struct hg_asker by;
    char heat_id[HG_ID_BYTES];
    int32_t target_mc;
    uint64_t duration_ms;
};

struct hg_gate_plan {
    bool is_active;
    struct hg_asker by;
    char heat_id[HG_ID_BYTES];
    int32_t target_mc;
    uint64_t duration_ms;
    int64_t ready_at_ms, starts_at_ms; /* wall */
    hg_why_set at_risk;
};

struct hg_gate_last { /* the session that ended last */
    bool has_one;
    char heat_id[HG_ID_BYTES];
    int64_t ended_at_ms; /* wall */
    enum hg_why end;
};

struct hg_gate_state {
    struct hg_tick now; /* of the latest step */
    bool is_link_up, is_online, is_journal_ok;
    bool is_commissioned;
    int64_t proof_at_ms; /* wall */
    uint64_t epoch;
    uint64_t serial; /* last one used, for permit or revoke */
    uint64_t last_ticket;
    struct hg_gate_stream stream;
    struct hg_gate_check check;
    struct hg_gate_look look;
    struct hg_gate_open_check open_check[HG_CHECKS_OPEN];
    struct hg_gate_pending pending;
    struct hg_gate_session session;
    struct hg_gate_permit permit;
    struct hg_gate_plan plan;
    struct hg_gate_last last;
    hg_why_set lockouts;     /* latched */
    struct hg_mono rival_at; /* last foreign permit at or above ours */
    bool is_resting;
    struct hg_mono rest_until;
    bool is_local; /* started at the panel */
    struct hg_mono local_at;
    bool is_unbidden; /* on without permit; since when */
    struct hg_mono unbidden_at;
    struct hg_mono revoked_at;   /* last revoke, to repeat it */
    struct hg_mono silent_until; /* no permit of ours can be live after */
};

/*
 * What outlives the service. Times are what was left when it was taken; the
 * caller subtracts what has passed since, or drops what it cannot prove.
 */
struct hg_gate_memory {
    bool is_commissioned;
    int64_t proof_at_ms;
    hg_why_set lockouts;
    uint64_t rest_left_ms;
    struct hg_gate_check check; /* expires_at is not used */
    uint64_t check_left_ms;
    struct hg_gate_boot boot[HG_BOOTS_KEPT];
    uint32_t boot_count;
    struct hg_gate_plan plan;
    struct hg_gate_last last;
    bool is_local;         /* started at the panel … */
    uint64_t local_for_ms; /* … this long before it was taken */
};

/* What is seen from outside (contract 3.2), as far as the gate knows it. */
struct hg_gate_view {
    enum hg_phase phase;
    bool is_fresh;
    enum hg_door door;
    enum hg_check_state check;
    enum hg_why check_why;
    bool has_check_until;
    struct hg_mono check_until;
    bool is_evidence_there; /* a signature now would find its evidence */
    hg_why_set reasons;     /* unmet for an ordinary start by an owner now */
};

/* The calls */

/*
 * Does the policy keep to its ranges (see struct hg_policy)? Returns NULL or
 * the name of the first member that does not.
 */
const char *hg_policy_check(const struct hg_policy *policy);

/* The cap of a class of use, in milliseconds. */
uint64_t hg_policy_class_cap_ms(enum hg_usage_class usage_class);

/*
 * Begin a room at service start: no link, no data, no permit, nothing heats
 * (I6).
 *
 * policy   passed hg_policy_check(); borrowed
 * memory   of an earlier run, or NULL; a check in it starts suspended
 * at       now
 * epoch    durable and higher than any before; serials start above
 *          epoch * 2^24
 * state    overwritten
 */
void hg_gate_init(const struct hg_policy *policy,
                  const struct hg_gate_memory *memory, struct hg_tick at,
                  uint64_t epoch, struct hg_gate_state *state);

/* What to keep for the next run. memory is overwritten. */
void hg_gate_remember(const struct hg_gate_state *state,
                      struct hg_gate_memory *memory);

/*
 * Apply one event to a room and list what must be done about it.
 *
 * Pure and total: same arguments, same outcome; every event is accepted.
 *
 * policy   limits that passed hg_policy_check(); borrowed
 * state    the room, from hg_gate_init() or an earlier step; changed in place
 * event    what happened; borrowed
 * effects  overwritten, in the order in which the caller must carry them out;
 *          a revoke is always the first
 *
 * Never fails, keeps no pointer, frees nothing. A boot clock that runs
 * backwards counts as stale. Invariants: I1 to I12.
 */
void hg_gate_step(const struct hg_policy *policy, struct hg_gate_state *state,
                  const struct hg_event *event, struct hg_effects *effects);

/*
 * Which conditions would refuse this start (HG_EVENT_START or HG_EVENT_PLAN,
 * at event->at) right now? Changes nothing. Empty: it would be granted.
 */
hg_why_set hg_gate_preview(const struct hg_policy *policy,
                           const struct hg_gate_state *state,
                           const struct hg_event *event);

/* What is seen from outside at this time. view is overwritten. */
void hg_gate_view(const struct hg_policy *policy,
                  const struct hg_gate_state *state, struct hg_tick at,
                  struct hg_gate_view *view);

/* Stable code of a record kind ("heat-granted"); "none" outside the list. */
const char *hg_record_code(enum hg_record record);

#endif
