/*
 * One caller's requests: connection state, role, fields, rooms, backend, in
 * this order, and the four methods that only read rooms.
 */
#include "api/desk.h"
#include "base/text.h"
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MARK_HELLO 1u
#define SAY_BYTES  400
#define ROOMS_MANY 256 /* from then on memory is given back at once */

struct hg_api_desk {
    const struct hg_api_backend *backend;
    const struct hg_api_rooms *rooms;
    struct hg_api_desk_ops ops;
    struct hg_api_caller caller;
    struct hg_rpc_port *port;
    size_t signing_in; /* hellos not judged yet: 0 or 1 */
};

static void send_text(void *ctx, const char *text, size_t len)
{
    struct hg_api_desk *desk = ctx;

    desk->ops.send(desk->ops.ctx, text, len);
}

static void completed(void *ctx, unsigned int mark)
{
    struct hg_api_desk *desk = ctx;

    if (mark == MARK_HELLO)
        desk->signing_in--;
}

static void done(void *ctx)
{
    struct hg_api_desk *desk = ctx;

    if (desk->ops.done != NULL)
        desk->ops.done(desk->ops.ctx);
}

void hg_api_caller_sign_in(struct hg_api_caller *caller,
                           const struct hg_actor *actor, const char *who)
{
    if (caller->is_signed_in)
        return;
    caller->actor = *actor;
    (void)snprintf(caller->who, sizeof(caller->who), "%s", who);
    caller->is_signed_in = true;
}

struct hg_api_caller *hg_api_reply_caller(struct hg_api_reply *reply)
{
    struct hg_api_desk *desk = hg_rpc_reply_ctx(reply);

    return desk == NULL ? NULL : &desk->caller;
}

/* -- refusals --------------------------------------------------------------*/

static void refuse_params(struct hg_api_reply *reply,
                          const struct hg_param_fault *fault)
{
    char say[SAY_BYTES];

    (void)snprintf(say, sizeof(say), "Invalid params: \"%s\" must be %s.",
                   fault->param, fault->wanted);
    hg_api_reply_error(
        reply, HG_RPC_INVALID_PARAMS, say,
        json_pack("{s:s,s:s}", "param", fault->param, "wanted", fault->wanted));
}

static void refuse_room(struct hg_api_reply *reply, const char *room)
{
    char say[SAY_BYTES];

    (void)snprintf(say, sizeof(say),
                   "There is no room \"%s\" for you. room.list names those "
                   "that there are.",
                   room);
    hg_api_reply_error(reply, HG_RPC_UNKNOWN, say,
                       json_pack("{s:s}", "room", room));
}

static void refuse_method(struct hg_api_reply *reply)
{
    hg_api_reply_error(reply, HG_RPC_METHOD_NOT_FOUND,
                       "Method not found: this gateway has no such method.",
                       NULL);
}

static void refuse_hello(struct hg_api_reply *reply)
{
    hg_api_reply_error(reply, HG_RPC_NOT_ALLOWED,
                       "This connection has said hello already. Open another "
                       "one to sign in as somebody else.",
                       NULL);
}

static const char *role_text(enum hg_role role)
{
    static const char *const text[] = {
        [HG_ROLE_NONE] = "nobody",
        [HG_ROLE_GUEST] = "a guest",
        [HG_ROLE_CARETAKER] = "a caretaker",
        [HG_ROLE_INTEGRATOR] = "an integrator",
        [HG_ROLE_MANAGER] = "a manager",
        [HG_ROLE_OWNER] = "an owner",
    };

    return (size_t)role < HG_COUNT(text) ? text[role] : text[HG_ROLE_NONE];
}

static void refuse_role(const struct hg_api_desk *desk,
                        const struct hg_method_row *row,
                        struct hg_api_reply *reply)
{
    char say[SAY_BYTES];

    if (row->is_admin_only)
        (void)snprintf(say, sizeof(say),
                       "%s can only be called on the gateway itself, through "
                       "its admin socket, by an owner.",
                       row->name);
    else
        (void)snprintf(say, sizeof(say),
                       "You are signed in as %s, who may not call %s. Ask the "
                       "owner or the manager.",
                       role_text(desk->caller.actor.role), row->name);
    hg_api_reply_error(reply, HG_RPC_NOT_ALLOWED, say, NULL);
}

/* -- the order of checks ---------------------------------------------------*/

/* The room that the caller may see, by name. */
static bool find_room(const struct hg_api_desk *desk, const json_t *name,
                      size_t *ret_room)
{
    const struct hg_api_backend *backend = desk->backend;
    size_t room;

    if (hg_api_rooms_find(desk->rooms, json_string_value(name), &room) < 0 ||
        !backend->may_see(backend->ctx, &desk->caller, room))
        return false;
    *ret_room = room;
    return true;
}

/* The first name of a room that does not exist for the caller, or NULL. */
static const char *unseen_room(const struct hg_api_desk *desk,
                               const struct hg_param *param,
                               const json_t *params)
{
    const json_t *value = json_object_get(params, param->name);
    const json_t *name;
    size_t room;
    size_t i;

    if (param->kind == HG_PARAM_ROOM && value != NULL)
        return find_room(desk, value, &room) ? NULL : json_string_value(value);
    if (param->kind != HG_PARAM_ROOMS && param->kind != HG_PARAM_ROOMS_OR_ALL)
        return NULL;
    json_array_foreach(value, i, name)
    {
        if (!find_room(desk, name, &room))
            return json_string_value(name);
    }
    return NULL;
}

/* State of the connection and the existence of the method. */
static bool passes_door(struct hg_api_desk *desk,
                        const struct hg_method_row *row,
                        struct hg_api_reply *reply)
{
    const struct hg_api_backend *backend = desk->backend;
    bool is_hello = row != NULL && row->method == HG_METHOD_HELLO;

    if (!desk->caller.is_signed_in && !is_hello) {
        hg_api_reply_error(reply, HG_RPC_SIGN_IN_REQUIRED,
                           "You are not signed in. Call hello with your code "
                           "first.",
                           NULL);
        return false;
    }
    if (is_hello && !desk->caller.is_admin &&
        (desk->caller.is_signed_in || desk->signing_in > 0)) {
        refuse_hello(reply);
        return false;
    }
    if (row == NULL || (row->method > HG_METHOD_ROOM_UNWATCH &&
                        !backend->is_implemented(backend->ctx, row->method))) {
        refuse_method(reply);
        return false;
    }
    return true;
}

static bool passes_role(const struct hg_api_desk *desk,
                        const struct hg_method_row *row,
                        struct hg_api_reply *reply)
{
    if (hg_method_is_for(row, desk->caller.actor.role) &&
        (!row->is_admin_only || desk->caller.is_admin))
        return true;
    refuse_role(desk, row, reply);
    return false;
}

static bool passes_fields(const struct hg_api_desk *desk,
                          const struct hg_method_row *row, json_t *params,
                          struct hg_api_reply *reply)
{
    struct hg_param_fault fault = { .param = "params",
                                    .wanted = "an object of named values" };

    if (json_is_object(params) &&
        hg_method_check_params(row, params, desk->caller.is_admin, &fault)) {
        for (size_t i = 0; i < HG_METHOD_PARAMS_MAX; i++) {
            const char *room = unseen_room(desk, &row->param[i], params);

            if (room != NULL) {
                refuse_room(reply, room);
                return false;
            }
        }
        return true;
    }
    refuse_params(reply, &fault);
    return false;
}

/* Not for heat.stop, which nothing slows down (I9). */
static bool passes_load(const struct hg_api_desk *desk,
                        struct hg_api_reply *reply)
{
    if (hg_rpc_port_open_count(desk->port) <= HG_API_CALLS_MAX)
        return true;
    hg_api_reply_error(reply, HG_RPC_SLOW_DOWN,
                       "Too many calls of this connection wait for their "
                       "answer. Wait for some of them.",
                       json_pack("{s:i}", "retry_after_s", 1));
    return false;
}

/* -- the methods that only read rooms --------------------------------------*/

static json_t *list_rooms(const struct hg_api_desk *desk)
{
    const struct hg_api_backend *backend = desk->backend;
    size_t count = hg_api_rooms_count(desk->rooms);
    json_t *rooms = json_array();
    json_t *result;

    for (size_t i = 0; rooms != NULL && i < count; i++) {
        if (!backend->may_see(backend->ctx, &desk->caller, i))
            continue;
        if (json_array_append_new(
                rooms, backend->room_state(backend->ctx, &desk->caller, i)) !=
            0)
            goto fail;
    }
    result = json_pack("{s:O}", "rooms", rooms);
    json_decref(rooms);
    if (result != NULL && backend->findings != NULL &&
        json_object_set_new(result, "findings",
                            backend->findings(backend->ctx, &desk->caller)) !=
            0) {
        json_decref(result);
        return NULL;
    }
    return result;
fail:
    json_decref(rooms);
    return NULL;
}

static void watch_room(const struct hg_api_desk *desk, size_t room,
                       struct hg_api_reply *reply)
{
    int err = HG_ERR_MEMORY;
    json_t *state = desk->ops.watch(desk->ops.ctx, room,
                                    hg_rpc_reply_is_notification(reply), &err);

    if (state == NULL && err == HG_ERR_FULL)
        hg_api_reply_error(reply, HG_RPC_UNAVAILABLE,
                           "The gateway has no place for more watchers. Watch "
                           "fewer rooms, or poll room.state.",
                           NULL);
    else
        hg_api_reply_result(reply, state);
}

static void read_rooms(struct hg_api_desk *desk,
                       const struct hg_method_row *row, const json_t *params,
                       struct hg_api_reply *reply)
{
    const struct hg_api_backend *backend = desk->backend;
    size_t room = 0;

    if (row->method == HG_METHOD_ROOM_LIST) {
        hg_api_reply_result(reply, list_rooms(desk));
        if (hg_api_rooms_count(desk->rooms) >= ROOMS_MANY)
            (void)malloc_trim(0); /* its tree was 4 KiB a room */
        return;
    }
    if (!find_room(desk, json_object_get(params, "room"), &room)) {
        refuse_room(reply, "");
        return;
    }
    if (row->method == HG_METHOD_ROOM_STATE) {
        hg_api_reply_result(
            reply, backend->room_state(backend->ctx, &desk->caller, room));
    } else if (desk->ops.watch == NULL) {
        refuse_method(reply);
    } else if (row->method == HG_METHOD_ROOM_WATCH) {
        watch_room(desk, room, reply);
    } else {
        desk->ops.unwatch(desk->ops.ctx, room);
        hg_api_reply_result(reply, json_object());
    }
}

/* -- the whole way ---------------------------------------------------------*/

static void dispatch(struct hg_api_desk *desk, const struct hg_method_row *row,
                     json_t *params, struct hg_api_reply *reply)
{
    const struct hg_api_call call = { .method = row->method,
                                      .caller = &desk->caller,
                                      .params = params,
                                      .reply = reply };

    if (row->method >= HG_METHOD_ROOM_LIST &&
        row->method <= HG_METHOD_ROOM_UNWATCH) {
        read_rooms(desk, row, params, reply);
        return;
    }
    if (row->method == HG_METHOD_HELLO) {
        desk->signing_in++;
        hg_rpc_reply_mark(reply, MARK_HELLO);
    }
    desk->backend->call(desk->backend->ctx, &call);
}

static void handle(void *ctx, const struct hg_rpc_request *request)
{
    struct hg_api_desk *desk = ctx;
    struct hg_api_reply *reply = request->reply;
    const struct hg_method_row *row = hg_method_find(request->method);
    json_t *params = request->params;

    if (desk->ops.admit != NULL)
        desk->ops.admit(desk->ops.ctx, &desk->caller, request->whole);
    if (!passes_door(desk, row, reply) || !passes_role(desk, row, reply))
        return;
    if (row->method != HG_METHOD_HEAT_STOP && !passes_load(desk, reply))
        return;
    /* names only: an empty array says as little as an absent object */
    if (params == NULL ||
        (json_is_array(params) && json_array_size(params) == 0))
        params = json_object();
    else
        json_incref(params);
    if (passes_fields(desk, row, params, reply))
        dispatch(desk, row, params, reply);
    json_decref(params);
}

int hg_api_desk_new(const struct hg_api_desk_setup *setup,
                    struct hg_api_desk **ret_desk)
{
    struct hg_api_desk *desk = calloc(1, sizeof(*desk));
    struct hg_rpc_ops ops = { .ctx = desk,
                              .handle = handle,
                              .send = send_text,
                              .completed = completed,
                              .done = done };

    if (desk == NULL)
        return HG_ERR_MEMORY;
    desk->backend = setup->backend;
    desk->rooms = setup->rooms;
    desk->ops = setup->ops;
    desk->caller = setup->caller;
    if (hg_rpc_port_new(&ops, &desk->port) < 0) {
        free(desk);
        return HG_ERR_MEMORY;
    }
    *ret_desk = desk;
    return 0;
}

void hg_api_desk_free(struct hg_api_desk *desk)
{
    if (desk == NULL)
        return;
    hg_rpc_port_free(desk->port);
    free(desk);
}

int hg_api_desk_receive(struct hg_api_desk *desk, const char *text, size_t len)
{
    return hg_rpc_port_receive(desk->port, text, len);
}

struct hg_api_caller *hg_api_desk_caller(struct hg_api_desk *desk)
{
    return &desk->caller;
}

bool hg_api_desk_is_signing_in(const struct hg_api_desk *desk)
{
    return desk->signing_in > 0;
}

bool hg_api_desk_has_open_batch(const struct hg_api_desk *desk)
{
    return hg_rpc_port_has_open_batch(desk->port);
}
