#ifndef HG_SERVICE_SERVICE_H
#define HG_SERVICE_SERVICE_H

/*
 * The daemon as a whole, private to src/service: what the files here share.
 * main.c makes one, everybody borrows it. All of it belongs to the loop's
 * thread.
 */
#include "api/backend.h"
#include "service/clock.h"
#include "service/config.h"
#include "service/findings.h"
#include "service/log.h"
#include "service/notify.h"
#include "service/refusals.h"
#include "service/reload.h"
#include "heatgate/version.h"
#include "service/room.h"
#include <jansson.h>

struct hg_access;
struct hg_api_server;
struct hg_asks;
struct hg_journal;
struct hg_link;
struct hg_link_message;
struct hg_loop;
struct hg_mac;
struct hg_remote;
struct hg_replay;
struct hg_resolver;
struct hg_saver;
struct hg_store;
struct hg_traces;
struct hg_worker;

/* A record that is on its way to the disk and that something waits for. */
struct hg_ticket {
    uint64_t n;      /* of the record */
    uint64_t ticket; /* the gate's; 0: only answers wait */
    size_t room;
};

struct hg_tickets { /* in the order of n; a ring */
    struct hg_ticket *ring;
    size_t cap, first, count;
};

/*
 * What waits to be shown over MQTT: rooms whose state topic is due (a ring of
 * indices) and notices (a ring of owned JSON). Both leave a few at a time, so
 * that a revoke never queues behind them.
 */
#define HG_SHOW_NOTICES 1024
struct hg_show {
    size_t *due;
    size_t first, count;
    struct hg_show_notice {
        struct hg_room *room;
        json_t *json;
        bool is_kept; /* told later if the broker does not get it now */
    } notice[HG_SHOW_NOTICES];
    size_t notice_first, notice_count;
};

/*
 * The rest of a step whose revoke or permit had to leave first. If one did,
 * the rest waits a moment longer, so that the broker, which is often on the
 * same few cores, passes it on before we do our paperwork.
 */
struct hg_late {
    struct hg_room *room;      /* NULL: nothing is left over */
    bool has_sent;             /* a revoke or a permit left in the step */
    bool is_fresh;             /* the step was a fresh reading */
    char heat_id[HG_ID_BYTES]; /* of the heat before the step */
    struct hg_event event;
    struct hg_effects effects;
};

struct hg_notice { /* borrowed for the call */
    enum hg_level level;
    const char *code;
    const char *text;
};

struct hg_service_counts { /* for /metrics */
    uint64_t messages, malformed, bad_mac, unknown_room;
    uint64_t permits, revokes, publish_failures, records, notices;
    uint64_t rpc_ignored;
};

struct hg_service {
    struct hg_log log;
    struct hg_config *config;
    struct hg_clock clock;
    struct hg_tick now; /* of this wake-up */
    enum hg_clock_doubt doubt;
    bool is_stepping_clock;
    char boot_id[HG_BOOT_ID_BYTES];
    struct hg_store *store;
    struct hg_saver *saver;
    struct hg_traces *traces; /* may be NULL */
    struct hg_worker *reader; /* reads files for reports; may be NULL */
    struct hg_journal *journal;
    struct hg_access *access;
    struct hg_resolver *resolver;
    struct hg_link *link;
    struct hg_api_backend backend;
    struct hg_api_server *api;
    struct hg_asks *asks;
    struct hg_loop *loop;
    struct hg_notify notify;
    struct hg_refusals refusals;
    struct hg_tickets tickets;
    struct hg_show show;
    struct hg_late late;
    struct hg_room *room; /* HG_ROOMS_PLACES, the first room_count in use */
    struct hg_mac **mac;  /* one a room; NULL: no key */
    size_t room_count;
    struct hg_room **by_name; /* those that are not gone, sorted by name */
    size_t by_name_count;
    size_t gone_count; /* and those behind them, sorted too */
    struct hg_reload reload;
    struct hg_replay *replay;               /* during the start only */
    uint64_t epoch;                         /* as made durable */
    uint64_t epoch_wanted;                  /* above it: storing it failed */
    uint64_t epoch_heard;                   /* highest of another gateway … */
    uint64_t epoch_kept; /* … and as made durable: to begin above it */
    bool is_epoch_news, is_journal_failing; /* for all rooms, after a step */
    unsigned int step_depth;
    const char *note; /* of the lockout being set or cleared, else NULL */
    bool is_journal_ok;
    int64_t stays_told_ms; /* stays over by then were told before */
    bool is_leaving;
    struct hg_remote *remotes; /* requests over MQTT under way */
    size_t remote_count;
    uint64_t head_n; /* newest record that a published head names */
    struct hg_mono head_at;
    bool has_heard_gateway; /* another one, on this connection */
    struct hg_mono announced_at;
    bool has_failed_line; /* in the log: no connection to the broker */
    struct hg_mono failed_line_at;
    bool is_memory_due; /* something in rooms.json has changed … */
    struct hg_mono memory_due_at;
    bool is_saving;
    uint64_t saved_n; /* newest record that the rooms.json knows */
    struct hg_mono saving_since;
    struct hg_findings_wide wide;
    struct hg_service_counts counts;
};

/* -- wake.c: time -------------------------------------------------------- */

/* Read both clocks for this wake-up. Every entry from outside begins so. */
void hg_service_wake(struct hg_service *service);
/* What time brings: rooms' ticks, records that wait, stays that end. */
void hg_service_tick(struct hg_service *service, bool is_whole_second);
/* What the helpers have finished: journal, hasher, resolver, saver. */
void hg_service_poll(struct hg_service *service);

/* -- carry.c: events in, effects out -------------------------------------- */

/*
 * One event to one room, of which only revokes, epochs and permits are carried
 * out on return: for messages of a controller, whose revoke must not wait for
 * records and words. hg_late_finish() does the rest, at the latest before the
 * next step of any room, before a state of this room is shown, and before
 * anybody's call is answered. hg_late_written() does it now, or, if something
 * was sent, when the loop's short timer ends.
 */
void hg_room_step_early(struct hg_service *service, struct hg_room *room,
                        struct hg_event *event);
void hg_late_written(struct hg_service *service);
void hg_late_finish(struct hg_service *service);

/* One event to one room; its effects are carried out on return. event->at is
 * set here. */
void hg_room_step(struct hg_service *service, struct hg_room *room,
                  struct hg_event *event);
/* The same event to every room. */
void hg_rooms_step(struct hg_service *service, struct hg_event *event);
/* By name; NULL: there is none. */
struct hg_room *hg_service_room(struct hg_service *service, const char *name);
/* Make the epoch durable and tell every room and the link. */
void hg_service_raise_epoch(struct hg_service *service, uint64_t epoch);

/* -- show.c: the state topic, watchers, notices ------------------------------
 */

/* Something about the room may be new: show it now or within a second. */
void hg_show_room(struct hg_service *service, struct hg_room *room);
/*
 * See what a step means for light and fan, and have it shown when it is news;
 * like states, in a later turn of the loop than any revoke.
 */
void hg_show_outputs(struct hg_service *service, struct hg_room *room);
/* Publish some of what is due on the topics of state and outputs. */
void hg_show_due(struct hg_service *service);
/* Is anything of it left? */
bool hg_show_waits(const struct hg_service *service);
/* Once a second: find what has become due. */
void hg_show_tick(struct hg_service *service);
/* The state for this viewer (see hg_room_json()), with its rev. */
json_t *hg_show_state(struct hg_service *service, struct hg_room *room,
                      const struct hg_actor *viewer);
/* Clear the retained state of a room that is not configured. */
void hg_show_clear(struct hg_service *service, const char *name);
/* Publish every room's state again: a new connection. */
void hg_show_all(struct hg_service *service);
/* A room is gone: clear its state topic, and end its watches. */
void hg_show_gone(struct hg_service *service, struct hg_room *room);
void hg_show_say(struct hg_service *service, struct hg_room *room,
                 const struct hg_notice *notice);
/* What concerns the gateway: a notice in each room, one line in the log. */
void hg_show_say_all(struct hg_service *service,
                     const struct hg_notice *notice);
/* Publish what could not be while the broker was away. */
void hg_show_missed(struct hg_service *service);
/* The notice of an effect of the gate. */
void hg_show_notice(struct hg_service *service, struct hg_room *room,
                    const struct hg_effect *effect);

/* -- record.c: the journal
 * ----------------------------------------------------- */

HG_MUST_CHECK int hg_record_begin(struct hg_service *service);

/*
 * Append a record. members_taken holds what goes with it; "kind", "room" and
 * "actor" are put in front of it. room and actor may be NULL (gateway).
 * Returns its number; 0: it could not be written, and every room knows.
 */
uint64_t hg_record_put(struct hg_service *service, const char *kind,
                       struct hg_room *room, const struct hg_actor *actor,
                       json_t *members_taken);
/* The record of an effect of the gate. Returns as hg_record_put(). */
uint64_t hg_record_effect(struct hg_service *service, struct hg_room *room,
                          const struct hg_effect *effect);
/* A refusal, of the gate or outside it; kinds.h. Rate-limited. */
void hg_record_refusal(struct hg_service *service, uint32_t kind,
                       const char *room, const struct hg_actor *actor,
                       hg_why_set reasons);
/* Records of refusals whose pause is over. */
void hg_record_due(struct hg_service *service);
/* What is durable by now: tell the gates, complete answers. */
void hg_record_poll(struct hg_service *service);
/* The journal cannot be written: every room hears it at once. */
void hg_record_failed(struct hg_service *service, const char *text);
/* Remember that something waits for record n. False: no room for it. */
bool hg_record_wait(struct hg_service *service, struct hg_room *room,
                    uint64_t n, uint64_t ticket);
/* Number of the newest record known to be durable. */
uint64_t hg_record_durable(const struct hg_service *service);

/* -- memory.c: rooms.json and the epoch --------------------------------------
 */

HG_MUST_CHECK int hg_memory_open(struct hg_service *service);
/* Begin every room from what was kept; opens nothing else. */
HG_MUST_CHECK int hg_memory_recall(struct hg_service *service);
void hg_memory_changed(struct hg_service *service);
/* Save when due, in the helper; fetch its outcome. */
void hg_memory_tick(struct hg_service *service);
/* Save now and wait: the service leaves. */
void hg_memory_save(struct hg_service *service);
HG_MUST_CHECK int hg_memory_raise_epoch(struct hg_service *service,
                                        uint64_t epoch);
void hg_memory_close(struct hg_service *service);

/* -- message.c: what comes from the broker ------------------------------------
 */

/* Name a dropped message in the log, at most every 10 s a room. */
void hg_message_tell_bad(struct hg_service *service, struct hg_room *room,
                         const char *leaf, const char *why);
void hg_message_take(struct hg_service *service,
                     const struct hg_link_message *message);
void hg_message_foreign(struct hg_service *service,
                        const struct hg_link_message *message);

/* -- forecast.c: warm-up and energy of a room
 * ----------------------------------- */

/* Begin a room's model; numbers may be NULL (nothing was learned yet). */
void hg_forecast_begin(struct hg_service *service, struct hg_room *room,
                       const json_t *numbers);
/* What was learned, for hg_forecast_begin(). NULL: nothing yet, or no
 * memory. */
json_t *hg_forecast_numbers(const struct hg_room *room);
/* A fresh reading was taken by the gate. */
void hg_forecast_feed(struct hg_service *service, struct hg_room *room);
/*
 * At every tick: estimate anew when what is heated or planned has changed, or
 * every few seconds. An estimate takes up to half a millisecond: it has no
 * place between a door and its revoke.
 */
void hg_forecast_tick(struct hg_service *service, struct hg_room *room);
/* Count the energy of the running heat up to the newest fresh reading. */
void hg_forecast_count(struct hg_room *room);
/* The same and on to this moment, as if nothing had changed since: the end. */
void hg_forecast_count_to(struct hg_room *room, struct hg_mono at);
/* When would a target be reached, heating from from_ms (wall) on? */
void hg_forecast_ask(const struct hg_room *room, int32_t target_mc,
                     int64_t from_ms, struct hg_room_forecast *ret_forecast);
/* Longest warm-up to count with, for a plan; false: not reachable. */
bool hg_forecast_lead(const struct hg_room *room, int32_t target_mc,
                      uint64_t *ret_lead_ms);
/* Move the plan's start when the forecast has changed. */
void hg_forecast_plan(struct hg_service *service, struct hg_room *room);

#endif
