#ifndef HG_SERVICE_HANDLERS_H
#define HG_SERVICE_HANDLERS_H

/*
 * The methods behind the API, one function each, and what they share. The
 * API has checked role, parameters and rooms before one of these is called;
 * the gate judges what is safe.
 */
#include "api/backend.h"
#include "heatgate/gate.h"
#include "service/asks.h"

struct hg_access_result;
struct hg_credential;
struct hg_room;
struct hg_service;

typedef void hg_handler(struct hg_service *service,
                        const struct hg_api_call *call);

hg_handler hg_handle_hello;
hg_handler hg_handle_check_open;
hg_handler hg_handle_check_sign;
hg_handler hg_handle_heat_preview;
hg_handler hg_handle_heat_start;
hg_handler hg_handle_heat_change;
hg_handler hg_handle_heat_stop;
hg_handler hg_handle_heat_plan;
hg_handler hg_handle_heat_unplan;
hg_handler hg_handle_output_set;
hg_handler hg_handle_guest_issue;
hg_handler hg_handle_guest_rotate;
hg_handler hg_handle_guest_revoke;
hg_handler hg_handle_guest_list;
hg_handler hg_handle_staff_issue;
hg_handler hg_handle_staff_revoke;
hg_handler hg_handle_staff_list;
hg_handler hg_handle_binding_read;
hg_handler hg_handle_lockout_set;
hg_handler hg_handle_lockout_clear;
hg_handler hg_handle_commission_begin;
hg_handler hg_handle_commission_step;
hg_handler hg_handle_commission_state;
hg_handler hg_handle_commission_finish;
hg_handler hg_handle_commission_abandon;
hg_handler hg_handle_journal_read;
hg_handler hg_handle_journal_head;
hg_handler hg_handle_report_energy;
hg_handler hg_handle_report_heat;

/* The function of a method, NULL: not implemented. */
hg_handler *hg_handler_of(enum hg_method method);

/* The table that the API's server is made with. */
struct hg_api_backend hg_handlers_backend(struct hg_service *service);

/* -- shared by the handlers ------------------------------------------------ */

/* The room that the parameter "room" names; the API knows it exists. */
struct hg_room *hg_call_room(struct hg_service *service,
                             const struct hg_api_call *call);
/* A text parameter, or NULL when it is absent. */
const char *hg_call_text(const struct hg_api_call *call, const char *name);
/* A time parameter; false: absent. */
bool hg_call_time(const struct hg_api_call *call, const char *name,
                  int64_t *ret_ms);
/* A temperature parameter in milli-degrees; false: absent. */
bool hg_call_celsius(const struct hg_api_call *call, const char *name,
                     int32_t *ret_mc);
/* A whole number; false: absent. */
bool hg_call_whole(const struct hg_api_call *call, const char *name,
                   uint64_t *ret_value);
/* What the gate must know of the caller in this room. */
void hg_call_asker(struct hg_service *service,
                   const struct hg_api_caller *caller,
                   const struct hg_room *room, struct hg_asker *ret_asker);
/* May this caller know that the room exists? */
bool hg_call_may_see(struct hg_service *service,
                     const struct hg_api_caller *caller, const char *room);
/* Keep the reply for later. NULL: it was answered "unavailable". */
struct hg_ask *hg_call_ask(struct hg_service *service,
                           const struct hg_api_call *call,
                           struct hg_room *room);
/* Step the room with an event that answers this call. */
void hg_call_step(struct hg_service *service, const struct hg_api_call *call,
                  struct hg_room *room, struct hg_event *event);
/* A new random id: prefix and 16 hex digits. False: no randomness. */
bool hg_call_draw_id(const char *prefix, char out[20], uint64_t *ret_number);

/* A credential for lists and records, without its secrets. */
json_t *hg_credential_json(const struct hg_credential *credential);

/* -- access: what has come out of the hasher, what has ended
 * ------------------- */

void hg_access_done(struct hg_service *service);
/*
 * A guest's stay was moved: heat and plans that it does not cover any more
 * end, and its connections if it is not now. Returns the record's number.
 */
uint64_t hg_access_moved(struct hg_service *service, const char *id,
                         const struct hg_actor *by);
/* Stays that are over by now. */
void hg_access_tick(struct hg_service *service);
/*
 * An access has ended: record it, tell the rooms, close its connections.
 * by NULL: the gateway. why is a word for the record. Returns the record's
 * number.
 */
uint64_t hg_access_end(struct hg_service *service, const char *id,
                       const struct hg_actor *by, const char *why);

#endif
