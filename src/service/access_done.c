/*
 * What comes out of the hasher, and what it means when an access ends: the
 * record, the rooms (heat that it started ends), its connections.
 */
#include "access/access.h"
#include "api/server.h"
#include "base/sat.h"
#include "service/handlers.h"
#include "service/kinds.h"
#include "service/service.h"
#include "service/sign_in.h"
#include <stdlib.h>
#include <string.h>

static const char ENDED_TEXT[] = "access-ended: this code is not valid any "
                                 "more";

/* The only room of a credential, NULL when it is for more. */
static struct hg_room *only_room(struct hg_service *service,
                                 const struct hg_credential *credential)
{
    if (credential->is_all_rooms || credential->room_count != 1)
        return NULL;
    return hg_service_room(service, credential->room[0]);
}

static uint64_t record(struct hg_service *service, const char *kind,
                       const struct hg_credential *credential,
                       const struct hg_actor *by, const char *why)
{
    json_t *members = hg_credential_json(credential);

    if (members != NULL) {
        json_object_del(members, "label"); /* often a person's name */
        json_object_del(members, "uid");
        json_object_del(members, "ended");
        json_object_del(members, "ended_at");
        json_object_del(members, "issued_at");
        if (why != NULL)
            json_object_set_new(members, "why", json_string(why));
    }
    return hg_record_put(service, kind, only_room(service, credential), by,
                         members);
}

static void tell_rooms(struct hg_service *service,
                       const struct hg_credential *credential,
                       const struct hg_actor *actor)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_ACCESS_ENDED;
    event.asker.actor = *actor;
    if (credential->is_all_rooms) {
        hg_rooms_step(service, &event);
        return;
    }
    for (size_t i = 0; i < credential->room_count; i++) {
        struct hg_room *room = hg_service_room(service, credential->room[i]);

        if (room != NULL)
            hg_room_step(service, room, &event);
    }
}

uint64_t hg_access_end(struct hg_service *service, const char *id,
                       const struct hg_actor *by, const char *why)
{
    const struct hg_credential *credential =
        hg_access_find(service->access, id);
    struct hg_actor actor;

    if (credential == NULL)
        return 0;
    memset(&actor, 0, sizeof(actor));
    actor.role = credential->role;
    memcpy(actor.id, credential->id, sizeof(actor.id));
    /* heat first: the revoke leaves before anything is written */
    tell_rooms(service, credential, &actor);
    hg_api_close_actor(service->api, &actor, HG_API_CLOSE_ACCESS_ENDED,
                       ENDED_TEXT);
    return record(service, HG_KIND_ACCESS_ENDED, credential, by, why);
}

/* Would the heat or the plan of this guest outlast the stay as it is now? */
static bool outlasts(struct hg_service *service, const struct hg_room *room,
                     const struct hg_credential *credential)
{
    const struct hg_gate_session *session = &room->gate.session;
    const struct hg_gate_plan *plan = &room->gate.plan;
    int64_t now_ms = service->now.wall.ms;
    bool is_now =
        hg_credential_stay(credential, service->now.wall) == HG_STAY_INSIDE;
    int64_t left_ms = hg_sat_sub_i64(credential->until_ms, now_ms);

    if (room->gate.pending.kind != HG_PENDING_NONE &&
        strcmp(room->gate.pending.by.actor.id, credential->id) == 0)
        return true;
    if (session->is_active &&
        strcmp(session->by.actor.id, credential->id) == 0 &&
        (!is_now || hg_mono_since(session->ends_at, service->now.mono) >
                        (uint64_t)left_ms))
        return true;
    return plan->is_active && strcmp(plan->by.actor.id, credential->id) == 0 &&
           (plan->starts_at_ms < credential->from_ms ||
            plan->ready_at_ms >= credential->until_ms);
}

uint64_t hg_access_moved(struct hg_service *service, const char *id,
                         const struct hg_actor *by)
{
    const struct hg_credential *credential =
        hg_access_find(service->access, id);
    struct hg_event event;

    if (credential == NULL)
        return 0;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_ACCESS_ENDED;
    event.asker.actor.role = credential->role;
    memcpy(event.asker.actor.id, credential->id, sizeof(credential->id));
    /* heat first: the revoke leaves before anything is written */
    for (size_t i = 0; i < credential->room_count; i++) {
        struct hg_room *room = hg_service_room(service, credential->room[i]);

        if (room != NULL && outlasts(service, room, credential))
            hg_room_step(service, room, &event);
    }
    if (hg_credential_stay(credential, service->now.wall) != HG_STAY_INSIDE)
        hg_api_close_actor(service->api, &event.asker.actor,
                           HG_API_CLOSE_ACCESS_ENDED, ENDED_TEXT);
    return record(service, HG_KIND_ACCESS_MOVED, credential, by, NULL);
}

static void sign_in_done(struct hg_service *service,
                         const struct hg_access_result *result,
                         struct hg_ask *ask)
{
    struct hg_api_reply *reply = hg_asks_release(service->asks, ask);
    struct hg_api_caller *caller;
    json_t *json;

    if (result->outcome != HG_ACCESS_SIGNED_IN) {
        hg_sign_in_refused(service, reply, result->outcome, result->actor.id);
        return;
    }
    caller = hg_api_reply_caller(reply);
    if (caller == NULL) {
        hg_api_reply_cancel(reply);
        return;
    }
    json =
        hg_sign_in_result(service, caller, result->credential, result->token);
    if (json == NULL)
        hg_api_reply_error(reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the answer.", NULL);
    else
        hg_api_reply_result(reply, json);
}

/* Others whose access a rotation has ended. Returns their ids. */
static json_t *end_rotated(struct hg_service *service,
                           const struct hg_access_result *result,
                           const struct hg_actor *by)
{
    json_t *ids = json_array();

    for (size_t i = 0; i < result->ended.count; i++) {
        hg_access_end(service, result->ended.id[i], by, "rotated");
        json_array_append_new(ids, json_string(result->ended.id[i]));
    }
    return ids;
}

static void issue_done(struct hg_service *service,
                       const struct hg_access_result *result,
                       struct hg_ask *ask)
{
    const struct hg_api_caller *caller =
        ask == NULL ? NULL : hg_api_reply_caller(ask->reply);
    const struct hg_actor *by = caller == NULL ? NULL : &caller->actor;
    json_t *ended = end_rotated(service, result, by);
    json_t *json = hg_credential_json(result->credential);
    uint64_t n =
        record(service, HG_KIND_ACCESS_ISSUED, result->credential, by, NULL);

    if (json != NULL) {
        json_object_del(json, "ended");
        json_object_set_new(json, "code", json_string(result->code));
        if (result->token[0] != '\0')
            json_object_set_new(json, "token", json_string(result->token));
        if (result->kind == HG_ACCESS_KIND_ROTATE)
            json_object_set(json, "ended_ids", ended);
    }
    json_decref(ended);
    if (ask == NULL)
        json_decref(json);
    else if (n == 0)
        hg_asks_result(service->asks, ask, json); /* it is valid all the same */
    else
        hg_asks_hold(service->asks, ask, n, json);
}

static void failed(struct hg_service *service,
                   const struct hg_access_result *result, struct hg_ask *ask)
{
    hg_log_line(&service->log, HG_LOG_ERROR, "sign-in or issue of a code: %s",
                result->why);
    if (ask != NULL)
        hg_asks_error(service->asks, ask, HG_RPC_UNAVAILABLE,
                      result->why[0] != '\0' ? result->why
                                             : hg_err_text(result->err),
                      NULL);
}

void hg_access_done(struct hg_service *service)
{
    struct hg_access_result result;

    while (hg_access_poll(service->access, service->now, &result)) {
        struct hg_ask *ask = hg_asks_find(service->asks, result.request);

        if (result.outcome == HG_ACCESS_FAILED)
            failed(service, &result, ask);
        else if (result.outcome == HG_ACCESS_ISSUED)
            issue_done(service, &result, ask);
        else if (ask != NULL)
            sign_in_done(service, &result, ask);
        hg_access_result_release(&result);
    }
}

/* Ids first: ending one must not change what is being walked through. */
struct expired {
    int64_t since_ms; /* those over by then were told in an earlier run */
    size_t count, cap;
    char (*id)[HG_ID_BYTES];
    bool is_cut;
};

static bool note_expired(void *arg, const struct hg_credential *credential)
{
    struct expired *expired = arg;

    if (credential->until_ms <= expired->since_ms)
        return true;
    if (expired->count == expired->cap) {
        size_t cap = expired->cap == 0 ? 16 : 2 * expired->cap;
        void *grown = realloc(expired->id, cap * sizeof(expired->id[0]));

        if (grown == NULL) {
            expired->is_cut = true;
            return false;
        }
        expired->id = grown;
        expired->cap = cap;
    }
    memcpy(expired->id[expired->count++], credential->id, HG_ID_BYTES);
    return true;
}

void hg_access_tick(struct hg_service *service)
{
    struct expired expired = { service->stays_told_ms, 0, 0, NULL, false };

    hg_access_expired(service->access, service->now, note_expired, &expired);
    for (size_t i = 0; i < expired.count; i++)
        hg_access_end(service, expired.id[i], NULL, "stay-over");
    if (expired.is_cut)
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "no memory to end all stays that are over; their heat "
                    "ends by itself, their connections stay open");
    free(expired.id);
}
