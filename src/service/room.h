#ifndef HG_SERVICE_ROOM_H
#define HG_SERVICE_ROOM_H

/*
 * One room as the service keeps it: its settings, the gate's state, what was
 * learned about it, and what of it was last shown outside. This unit knows
 * the room alone: no sockets, no journal, no other room.
 */
#include "access/slowdown.h"
#include "forecast/energy.h"
#include "forecast/warmup.h"
#include "heatgate/gate.h"
#include "service/config.h"
#include "service/findings.h"
#include "service/outputs.h"
#include <jansson.h>

struct hg_trace;

/* A boot time with the wall time it was first shown as: no jitter. */
struct hg_room_when {
    uint64_t mono_ms;
    int64_t wall_ms;
};

struct hg_room_forecast {
    bool has_one;
    int64_t ready_ms, low_ms, high_ms; /* wall */
};

struct hg_room_forecast_of { /* what the forecast was made of, and when */
    struct hg_mono at;
    bool is_heat, is_plan;
    int32_t target_mc;
    int64_t starts_at_ms;
};

/* What makes people look up; a change of it is shown at once. */
struct hg_room_face {
    enum hg_phase phase;
    enum hg_door door;
    enum hg_check_state check;
    hg_why_set lockouts, reasons, at_risk;
    bool is_fresh, is_permit_live, has_plan;
    int64_t plan_starts_at_ms;
    char heat_id[HG_ID_BYTES];
    char last_id[HG_ID_BYTES];
    int32_t target_mc;
    uint64_t duration_ms;
};

struct hg_room_bad { /* messages that were dropped before the gate */
    uint64_t malformed, mac;
    uint64_t since_line; /* not yet in the log */
    bool has_logged;
    struct hg_mono logged_at; /* one line at most every 10 s */
};

struct hg_com_room;
struct hg_switch;
struct hg_wire;

struct hg_room {
    const struct hg_config_room *config; /* in force; borrowed, or kept */
    struct hg_config_room *kept;         /* owned, or NULL */
    const struct hg_config_room *next;   /* when the heat has ended, or NULL */
    bool is_leaving; /* removed from the configuration, but it still heats */
    bool is_gone;    /* removed; only its place and its memory are left */
    size_t index;
    struct hg_gate_state gate;
    struct hg_switch *sw; /* switches.h; NULL: the controller follows leases */
    struct hg_wire *wire; /* of its connection */
    struct hg_mono rival_told_at; /* a command that was not ours */
    struct hg_warmup_model warmup;
    struct hg_energy energy;
    bool is_counting;       /* the energy of a heat */
    struct hg_trace *trace; /* of the running heat, or NULL */
    struct hg_mono trace_saved_at;
    struct hg_findings findings;
    struct hg_room_forecast forecast;
    struct hg_room_forecast_of forecast_of;
    struct hg_room_face face;
    struct hg_room_when started, ends, held, check_until, permit_until, seen;
    char restart_heat_id[HG_ID_BYTES]; /* cut short by the last stop */
    uint64_t rev;        /* of the newest state that anybody was shown */
    bool is_changed;     /* since that rev */
    bool is_publish_due; /* in the queue for the state topic */
    bool is_topic_old;   /* the state topic shows an older one */
    struct hg_mono published_at;
    struct hg_outputs outputs;
    struct hg_outputs_setting outputs_of; /* of what is shown */
    struct hg_outputs_wanted outputs_shown;
    bool is_outputs_old;    /* their topic shows something else */
    bool has_outputs_topic; /* something is retained there */
    struct hg_mono output_said_at[HG_OUTPUT_COUNT]; /* by a person … */
    bool has_output_said[HG_OUTPUT_COUNT];          /* … ever */
    bool has_planned;          /* somebody changed the plan … */
    struct hg_mono planned_at; /* … then */
    struct hg_room_bad bad;
    struct hg_slowdown_count place_code; /* wrong ones, whoever typed them */
    json_t *missed; /* newest notice that the broker did not get, or NULL */
    char fault[65]; /* code of the controller's latest fault */
    struct hg_com_room *commission; /* commission_room.h; NULL: not read */
    bool is_commission_bad; /* its file cannot be read: told in the log */
};

/* Text of an actor: "guest:g-7k2qf", "owner:uid=0", "gateway". */
#define HG_ACTOR_TEXT_BYTES (HG_ID_BYTES + 12)
void hg_actor_text(const struct hg_actor *actor, char out[HG_ACTOR_TEXT_BYTES]);
/* The word of a role; "none" outside the list. */
const char *hg_role_text(enum hg_role role);

/* Codes of a set of reasons, lowest first. NULL: no memory. */
json_t *hg_reasons_codes(hg_why_set set);
/* The same as [{code,text,remedy}], for error 1001. NULL: no memory. */
json_t *hg_reasons_full(hg_why_set set);
/* The set of an array of codes; unknown codes and types are left out. */
hg_why_set hg_reasons_find(const json_t *codes);

/* RFC 3339 string; NULL: no memory. */
json_t *hg_json_wall(int64_t wall_ms);
/* Milli-degrees as degrees with one decimal (rounded). NULL: no memory. */
json_t *hg_json_celsius(int32_t mc);

/* {"light","fan"}: what the room has and is wanted. NULL: no memory. */
json_t *hg_room_outputs_json(const struct hg_room *room);

/* {ready_at, low, high}; JSON null when there is none. NULL: no memory. */
json_t *hg_room_forecast_json(const struct hg_room_forecast *forecast);

/*
 * The state of contract 3.2.
 *
 * viewer  NULL: everything is shown; a guest sees no other guest's id
 * at      now
 *
 * NULL: no memory.
 */
json_t *hg_room_json(struct hg_room *room, const struct hg_actor *viewer,
                     struct hg_tick at);

/*
 * Look at the room after a step: is there something new to show, and does it
 * have to be shown at once?
 */
void hg_room_look(struct hg_room *room, struct hg_tick at, bool *ret_is_urgent);

/* Wall time of a boot time, stable as long as the boot time is the same. */
int64_t hg_room_when(struct hg_room_when *when, struct hg_mono mono,
                     struct hg_tick at);

#endif
