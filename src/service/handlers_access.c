/* guest.* and staff.*: codes issued, rotated, revoked, listed. */
#include "access/access.h"
#include "base/text.h"
#include "service/answer.h"
#include "service/handlers.h"
#include "service/service.h"
#include "service/sign_in.h"
#include <stdlib.h>
#include <string.h>

#define GUESTS (1u << HG_ROLE_GUEST)
#define STAFF                                                                  \
    (1u << HG_ROLE_CARETAKER | 1u << HG_ROLE_INTEGRATOR |                      \
     1u << HG_ROLE_MANAGER | 1u << HG_ROLE_OWNER)

static void fail(struct hg_api_reply *reply, int err, const char *why)
{
    switch (err) {
    case HG_ERR_INPUT:
    case HG_ERR_RANGE:
        hg_api_reply_error(reply, HG_RPC_INVALID_PARAMS, why, NULL);
        break;
    case HG_ERR_BUSY:
        hg_api_reply_error(reply, HG_RPC_SLOW_DOWN,
                           "Too many codes are being made at this moment; ask "
                           "again.",
                           json_pack("{s:i}", "retry_after_s", 1));
        break;
    default:
        hg_api_reply_error(reply, HG_RPC_UNAVAILABLE,
                           why[0] != '\0' ? why : hg_err_text(err), NULL);
        break;
    }
}

/* Fill in who and where. False: answered already. */
static bool take_rooms(const struct hg_api_call *call,
                       struct hg_access_issue *issue, const char **names)
{
    const json_t *rooms = json_object_get(call->params, "rooms");

    issue->label = hg_call_text(call, "label");
    if (json_is_string(rooms)) { /* the API lets only "*" through */
        issue->is_all_rooms = true;
        return true;
    }
    issue->room_count = json_array_size(rooms);
    if (issue->room_count > HG_CREDENTIAL_ROOMS) {
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "rooms: at most 64 are wanted.", NULL);
        return false;
    }
    for (size_t i = 0; i < issue->room_count; i++)
        names[i] = json_string_value(json_array_get(rooms, i));
    issue->rooms = names;
    return true;
}

static void begin(struct hg_service *service, const struct hg_api_call *call,
                  struct hg_access_issue *issue)
{
    const char *names[HG_CREDENTIAL_ROOMS];
    char storage[HG_ACCESS_WHY_BYTES];
    struct hg_api_reply *reply;
    struct hg_ask *ask;
    struct hg_buf why;
    int err;

    if (!take_rooms(call, issue, names))
        return;
    if (!service->is_journal_ok) {
        hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                           "The journal cannot be written, so no code is "
                           "made. Free disk space or mend the disk.",
                           NULL);
        return;
    }
    ask = hg_call_ask(service, call, NULL);
    if (ask == NULL)
        return;
    issue->request = ask->id;
    hg_buf_init(&why, storage, sizeof(storage));
    err =
        call->method == HG_METHOD_GUEST_ROTATE
            ? hg_access_begin_rotate(service->access, issue, service->now, &why)
            : hg_access_begin_issue(service->access, issue, service->now, &why);
    if (err == 0)
        return;
    reply = hg_asks_release(service->asks, ask);
    fail(reply, err, storage);
}

/* A guest's stay. False: answered already. */
static bool take_stay(const struct hg_api_call *call,
                      struct hg_access_issue *issue)
{
    memset(issue, 0, sizeof(*issue));
    issue->role = HG_ROLE_GUEST;
    if (hg_call_time(call, "from", &issue->from_ms) &&
        hg_call_time(call, "until", &issue->until_ms) &&
        issue->until_ms > issue->from_ms)
        return true;
    hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                       "until: a time after 'from' is wanted.", NULL);
    return false;
}

static bool sees_all(struct hg_service *service,
                     const struct hg_api_caller *caller,
                     const struct hg_credential *credential);

/* The same rooms, in any order? */
static bool is_for(const struct hg_credential *credential, const json_t *rooms)
{
    for (size_t i = 0; i < json_array_size(rooms); i++)
        if (!hg_access_may(credential,
                           json_string_value(json_array_get(rooms, i))))
            return false;
    return credential->room_count == json_array_size(rooms);
}

/* A stay that is known: moved, or as it was. The code stays the same. */
static void follow(struct hg_service *service, const struct hg_api_call *call,
                   const struct hg_credential *known,
                   const struct hg_access_issue *issue)
{
    bool is_same =
        known->from_ms == issue->from_ms && known->until_ms == issue->until_ms;
    char storage[HG_ACCESS_WHY_BYTES];
    char id[HG_ID_BYTES];
    struct hg_ask *ask;
    struct hg_buf why;
    uint64_t n = 0;
    json_t *json;
    int err;

    memcpy(id, known->id, sizeof(id));
    hg_buf_init(&why, storage, sizeof(storage));
    if (!is_same) {
        err = hg_access_move(service->access, id, issue->from_ms,
                             issue->until_ms, service->now, &why);
        if (err < 0) {
            fail(call->reply, err, storage);
            return;
        }
        n = hg_access_moved(service, id, &call->caller->actor);
    }
    json = hg_credential_json(hg_access_find(service->access, id));
    if (json != NULL)
        json_object_set_new(json, "moved", json_boolean(!is_same));
    ask = hg_call_ask(service, call, NULL);
    if (ask == NULL)
        json_decref(json);
    else if (n == 0)
        hg_asks_result(service->asks, ask, json);
    else
        hg_asks_hold(service->asks, ask, n, json);
}

static void issue_of_calendar(struct hg_service *service,
                              const struct hg_api_call *call,
                              struct hg_access_issue *issue)
{
    uint8_t uid[HG_CREDENTIAL_HASH_BYTES];
    const struct hg_credential *known;

    if (hg_hex_to_bytes(hg_call_text(call, "uid"), uid, sizeof(uid)) < 0) {
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "uid: 64 hex digits are wanted.", NULL);
        return;
    }
    issue->uid = uid;
    known = hg_access_find_uid(service->access, uid);
    if (known == NULL)
        begin(service, call, issue);
    else if (!sees_all(service, call->caller, known) ||
             !is_for(known, json_object_get(call->params, "rooms")))
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "uid: that stay has a code of other rooms. Revoke "
                           "it first, or use another uid.",
                           NULL);
    else
        follow(service, call, known, issue);
}

void hg_handle_guest_issue(struct hg_service *service,
                           const struct hg_api_call *call)
{
    struct hg_access_issue issue;

    if (!take_stay(call, &issue))
        return;
    if (hg_call_text(call, "uid") == NULL)
        begin(service, call, &issue);
    else if (!service->is_journal_ok)
        hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                           "The journal cannot be written, so no stay is "
                           "moved. Free disk space or mend the disk.",
                           NULL);
    else
        issue_of_calendar(service, call, &issue);
}

/*
 * A rotation ends whole credentials; a manager may not end one that reaches
 * into rooms of others.
 */
struct reach {
    struct hg_service *service;
    const struct hg_api_call *call;
    bool is_within;
};

static bool sees_all(struct hg_service *service,
                     const struct hg_api_caller *caller,
                     const struct hg_credential *credential)
{
    const struct hg_credential *own;

    if (caller->is_admin)
        return true;
    own = hg_access_find(service->access, caller->actor.id);
    if (own == NULL || own->is_ended)
        return false;
    if (own->is_all_rooms)
        return true;
    if (credential->is_all_rooms)
        return false;
    for (size_t i = 0; i < credential->room_count; i++)
        if (!hg_access_may(own, credential->room[i]))
            return false;
    return true;
}

static bool look_reach(void *arg, const struct hg_credential *credential)
{
    struct reach *reach = arg;
    const json_t *rooms = json_object_get(reach->call->params, "rooms");

    for (size_t i = 0; i < json_array_size(rooms); i++) {
        const char *room = json_string_value(json_array_get(rooms, i));

        if (!credential->is_ended && hg_access_may(credential, room) &&
            !sees_all(reach->service, reach->call->caller, credential))
            reach->is_within = false;
    }
    return reach->is_within;
}

void hg_handle_guest_rotate(struct hg_service *service,
                            const struct hg_api_call *call)
{
    struct reach reach = { service, call, true };
    struct hg_access_issue issue;

    hg_access_list(service->access, GUESTS, look_reach, &reach);
    if (!reach.is_within) {
        hg_api_reply_error(call->reply, HG_RPC_NOT_ALLOWED,
                           "A guest code of these rooms is also for rooms that "
                           "are not yours, and rotation would end it. Ask the "
                           "owner.",
                           NULL);
        return;
    }
    if (take_stay(call, &issue))
        begin(service, call, &issue);
}

void hg_handle_staff_issue(struct hg_service *service,
                           const struct hg_api_call *call)
{
    struct hg_access_issue issue;

    memset(&issue, 0, sizeof(issue));
    issue.role = hg_credential_role_find(hg_call_text(call, "role"));
    begin(service, call, &issue);
}

static void revoke(struct hg_service *service, const struct hg_api_call *call,
                   uint32_t roles)
{
    const char *asked = hg_call_text(call, "id");
    const struct hg_credential *credential =
        hg_access_find(service->access, asked);
    char storage[HG_ACCESS_WHY_BYTES];
    char id[HG_ID_BYTES];
    struct hg_ask *ask;
    struct hg_buf why;
    uint64_t n;
    int err;

    if (credential == NULL || credential->is_ended ||
        !(roles & 1u << credential->role) ||
        !sees_all(service, call->caller, credential)) {
        hg_api_reply_error(call->reply, HG_RPC_UNKNOWN,
                           "There is no live code of that id.", NULL);
        return;
    }
    memcpy(id, credential->id, sizeof(id));
    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_access_revoke(service->access, id, service->now, &why);
    if (err < 0) {
        fail(call->reply, err, storage);
        return;
    }
    n = hg_access_end(service, id, &call->caller->actor, "revoked");
    ask = hg_call_ask(service, call, NULL);
    if (ask != NULL)
        hg_asks_hold(service->asks, ask, n, json_pack("{s:s}", "id", id));
}

void hg_handle_guest_revoke(struct hg_service *service,
                            const struct hg_api_call *call)
{
    revoke(service, call, GUESTS);
}

void hg_handle_staff_revoke(struct hg_service *service,
                            const struct hg_api_call *call)
{
    revoke(service, call, STAFF);
}

json_t *hg_credential_json(const struct hg_credential *credential)
{
    json_t *rooms = json_string("*");
    json_t *json;

    if (!credential->is_all_rooms) {
        json_decref(rooms);
        rooms = json_array();
        for (size_t i = 0; i < credential->room_count; i++)
            json_array_append_new(rooms, json_string(credential->room[i]));
    }
    json = json_pack("{s:s, s:s, s:s, s:o, s:o, s:b}", "id", credential->id,
                     "role", hg_role_text(credential->role), "label",
                     credential->label, "rooms", rooms, "issued_at",
                     hg_json_wall(credential->created_ms), "ended",
                     (int)credential->is_ended);
    if (json != NULL && credential->has_uid) {
        char uid[2 * HG_CREDENTIAL_HASH_BYTES + 1];

        hg_hex_from_bytes(credential->uid, sizeof(credential->uid), uid);
        json_object_set_new(json, "uid", json_string(uid));
    }
    if (json != NULL && credential->has_stay) {
        json_object_set_new(json, "from", hg_json_wall(credential->from_ms));
        json_object_set_new(json, "until", hg_json_wall(credential->until_ms));
    }
    if (json != NULL && credential->is_ended)
        json_object_set_new(json, "ended_at",
                            hg_json_wall(credential->ended_ms));
    return json;
}

struct listing {
    struct hg_service *service;
    const struct hg_api_call *call;
    const char *room;
    json_t *list;
};

static bool list_one(void *arg, const struct hg_credential *credential)
{
    struct listing *listing = arg;
    bool is_of_room = listing->room == NULL || credential->is_all_rooms;

    for (size_t i = 0; !is_of_room && i < credential->room_count; i++)
        is_of_room = strcmp(credential->room[i], listing->room) == 0;
    if (is_of_room &&
        sees_all(listing->service, listing->call->caller, credential))
        json_array_append_new(listing->list, hg_credential_json(credential));
    return true;
}

/* What guests of a room are told; NULL: no memory, or no such room. */
static json_t *place_json(struct hg_service *service, const char *name)
{
    const struct hg_config *config = service->config;
    const struct hg_config_room *room = hg_config_find(config, name);

    if (room == NULL)
        return NULL;
    return json_pack(
        "{s:s, s:s, s:s, s:s, s:s?, s:s?}", "label", room->label, "check_in",
        room->check_in[0] != '\0' ? room->check_in : config->check_in,
        "check_out",
        room->check_out[0] != '\0' ? room->check_out : config->check_out,
        "check_evidence", hg_answer_evidence_word(room->policy.evidence),
        "timezone", config->timezone, "public_url", config->public_url);
}

static void list(struct hg_service *service, const struct hg_api_call *call,
                 uint32_t roles, const char *name)
{
    struct listing listing = { service, call, hg_call_text(call, "room"),
                               json_array() };
    json_t *result;

    if (listing.list != NULL)
        hg_access_list(service->access, roles, list_one, &listing);
    result = json_pack("{s:o, s:o*}", name, listing.list, "place",
                       listing.room == NULL || roles != GUESTS
                           ? NULL
                           : place_json(service, listing.room));
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the list.", NULL);
    else
        hg_api_reply_result(call->reply, result);
}

void hg_handle_guest_list(struct hg_service *service,
                          const struct hg_api_call *call)
{
    list(service, call, GUESTS, "guests");
}

void hg_handle_staff_list(struct hg_service *service,
                          const struct hg_api_call *call)
{
    list(service, call, STAFF, "staff");
}
