/* The table of handlers and the API's backend; see handlers.h. */
#include "service/handlers.h"
#include "access/access.h"
#include "base/text.h"
#include "controllers/link.h"
#include "page/page.h"
#include "service/metrics.h"
#include "service/service.h"
#include "service/wot.h"
#include <math.h>
#include <openssl/rand.h>
#include <stdio.h>
#include <string.h>

hg_handler *hg_handler_of(enum hg_method method)
{
    static hg_handler *const table[HG_METHOD_COUNT] = {
        [HG_METHOD_HELLO] = hg_handle_hello,
        [HG_METHOD_CHECK_OPEN] = hg_handle_check_open,
        [HG_METHOD_CHECK_SIGN] = hg_handle_check_sign,
        [HG_METHOD_HEAT_PREVIEW] = hg_handle_heat_preview,
        [HG_METHOD_HEAT_START] = hg_handle_heat_start,
        [HG_METHOD_HEAT_CHANGE] = hg_handle_heat_change,
        [HG_METHOD_HEAT_STOP] = hg_handle_heat_stop,
        [HG_METHOD_HEAT_PLAN] = hg_handle_heat_plan,
        [HG_METHOD_HEAT_UNPLAN] = hg_handle_heat_unplan,
        [HG_METHOD_OUTPUT_SET] = hg_handle_output_set,
        [HG_METHOD_GUEST_ISSUE] = hg_handle_guest_issue,
        [HG_METHOD_GUEST_ROTATE] = hg_handle_guest_rotate,
        [HG_METHOD_GUEST_REVOKE] = hg_handle_guest_revoke,
        [HG_METHOD_GUEST_LIST] = hg_handle_guest_list,
        [HG_METHOD_STAFF_ISSUE] = hg_handle_staff_issue,
        [HG_METHOD_STAFF_REVOKE] = hg_handle_staff_revoke,
        [HG_METHOD_STAFF_LIST] = hg_handle_staff_list,
        [HG_METHOD_LOCKOUT_SET] = hg_handle_lockout_set,
        [HG_METHOD_LOCKOUT_CLEAR] = hg_handle_lockout_clear,
        [HG_METHOD_BINDING_READ] = hg_handle_binding_read,
        [HG_METHOD_COMMISSION_BEGIN] = hg_handle_commission_begin,
        [HG_METHOD_COMMISSION_STEP] = hg_handle_commission_step,
        [HG_METHOD_COMMISSION_STATE] = hg_handle_commission_state,
        [HG_METHOD_COMMISSION_FINISH] = hg_handle_commission_finish,
        [HG_METHOD_COMMISSION_ABANDON] = hg_handle_commission_abandon,
        [HG_METHOD_JOURNAL_READ] = hg_handle_journal_read,
        [HG_METHOD_JOURNAL_HEAD] = hg_handle_journal_head,
        [HG_METHOD_REPORT_ENERGY] = hg_handle_report_energy,
        [HG_METHOD_REPORT_HEAT] = hg_handle_report_heat,
    };

    return table[method];
}

/* -- what handlers share --------------------------------------------------- */

struct hg_room *hg_call_room(struct hg_service *service,
                             const struct hg_api_call *call)
{
    return hg_service_room(service, hg_call_text(call, "room"));
}

const char *hg_call_text(const struct hg_api_call *call, const char *name)
{
    return json_string_value(json_object_get(call->params, name));
}

bool hg_call_time(const struct hg_api_call *call, const char *name,
                  int64_t *ret_ms)
{
    const char *text = hg_call_text(call, name);

    return text != NULL && hg_text_to_wall(text, ret_ms) == 0;
}

bool hg_call_celsius(const struct hg_api_call *call, const char *name,
                     int32_t *ret_mc)
{
    const json_t *value = json_object_get(call->params, name);

    if (!json_is_number(value))
        return false;
    /* the API holds it between -273 and 1000 */
    *ret_mc = (int32_t)lround(json_number_value(value) * 1000.0);
    return true;
}

bool hg_call_whole(const struct hg_api_call *call, const char *name,
                   uint64_t *ret_value)
{
    const json_t *value = json_object_get(call->params, name);

    if (!json_is_integer(value) || json_integer_value(value) < 0)
        return false;
    *ret_value = (uint64_t)json_integer_value(value);
    return true;
}

void hg_call_asker(struct hg_service *service,
                   const struct hg_api_caller *caller,
                   const struct hg_room *room, struct hg_asker *ret_asker)
{
    memset(ret_asker, 0, sizeof(*ret_asker));
    ret_asker->actor = caller->actor;
    if (caller->is_admin) {
        ret_asker->is_allowed = true;
        return;
    }
    /* an unknown one stays not allowed */
    if (hg_access_asker(service->access, caller->actor.id, room->config->name,
                        ret_asker) < 0)
        ret_asker->is_allowed = false;
}

bool hg_call_may_see(struct hg_service *service,
                     const struct hg_api_caller *caller, const char *room)
{
    const struct hg_credential *credential;

    if (caller->is_admin)
        return true;
    if (!caller->is_signed_in)
        return false;
    credential = hg_access_find(service->access, caller->actor.id);
    return credential != NULL && hg_access_may(credential, room);
}

struct hg_ask *hg_call_ask(struct hg_service *service,
                           const struct hg_api_call *call, struct hg_room *room)
{
    struct hg_ask *ask;

    if (hg_asks_add(service->asks, call->reply, call->method,
                    room == NULL ? HG_ASK_NO_ROOM : room->index, &ask) == 0)
        return ask;
    hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                       "Too many requests are waiting for their answer; ask "
                       "again in a moment.",
                       NULL);
    return NULL;
}

void hg_call_step(struct hg_service *service, const struct hg_api_call *call,
                  struct hg_room *room, struct hg_event *event)
{
    struct hg_ask *ask;

    if (event->asker.request == 0) {
        ask = hg_call_ask(service, call, room);
        if (ask == NULL)
            return;
        event->asker.request = ask->id;
    }
    hg_room_step(service, room, event);
}

bool hg_call_draw_id(const char *prefix, char out[20], uint64_t *ret_number)
{
    uint8_t bytes[8];
    uint64_t number = 0;
    char hex[17];

    do {
        if (RAND_bytes(bytes, sizeof(bytes)) != 1)
            return false;
        for (size_t i = 0; i < sizeof(bytes); i++)
            number = number << 8 | bytes[i];
    } while (number == 0);
    hg_hex_from_bytes(bytes, sizeof(bytes), hex);
    snprintf(out, 20, "%s%s", prefix, hex);
    *ret_number = number;
    return true;
}

/* -- the backend --------------------------------------------------------------
 */

static void backend_call(void *ctx, const struct hg_api_call *call)
{
    struct hg_service *service = ctx;
    hg_handler *handler = hg_handler_of(call->method);

    hg_service_wake(service);
    hg_late_finish(service);
    hg_reload_tick(service); /* no call meets a room between two policies */
    if (handler == NULL || service->is_leaving)
        hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                           "The gateway is going down; ask again when it is "
                           "back.",
                           NULL);
    else
        handler(service, call);
}

static bool backend_is_implemented(void *ctx, enum hg_method method)
{
    (void)ctx;
    return hg_handler_of(method) != NULL;
}

static size_t backend_room_count(void *ctx)
{
    const struct hg_service *service = ctx;

    return service->room_count;
}

static const char *backend_room_name(void *ctx, size_t room)
{
    const struct hg_service *service = ctx;

    return service->room[room].is_gone ? NULL
                                       : service->room[room].config->name;
}

static bool backend_may_see(void *ctx, const struct hg_api_caller *caller,
                            size_t room)
{
    struct hg_service *service = ctx;

    return !service->room[room].is_gone &&
           hg_call_may_see(service, caller, service->room[room].config->name);
}

static json_t *backend_room_state(void *ctx, const struct hg_api_caller *caller,
                                  size_t room)
{
    struct hg_service *service = ctx;

    hg_service_wake(service);
    return hg_show_state(service, &service->room[room], &caller->actor);
}

/* Is this somebody whom a guest may not know by name? */
static bool is_hidden(const struct hg_actor *by, const struct hg_actor *viewer)
{
    return by->role == HG_ROLE_GUEST && strcmp(by->id, viewer->id) != 0;
}

static json_t *backend_findings(void *ctx, const struct hg_api_caller *caller)
{
    const struct hg_service *service = ctx;

    if (caller->actor.role != HG_ROLE_OWNER &&
        caller->actor.role != HG_ROLE_MANAGER)
        return json_array(); /* paths and dates are for staff */
    return hg_findings_wide_json(&service->wide);
}

static uint64_t backend_view_key(void *ctx, const struct hg_api_caller *caller,
                                 size_t room)
{
    const struct hg_service *service = ctx;
    const struct hg_gate_state *gate = &service->room[room].gate;
    uint64_t key = 1; /* everything is shown */

    if (caller->actor.role != HG_ROLE_GUEST)
        return key;
    if (gate->session.is_active &&
        is_hidden(&gate->session.by.actor, &caller->actor))
        key |= 2;
    if (gate->plan.is_active && is_hidden(&gate->plan.by.actor, &caller->actor))
        key |= 4;
    return key;
}

static int backend_healthz(void *ctx, char *text, size_t cap)
{
    const struct hg_service *service = ctx;
    const char *what = "ok";

    if (service->is_leaving)
        what = "the gateway is going down";
    else if (!service->is_journal_ok)
        what = "journal-unavailable: the record of heating cannot be written";
    else if (service->link == NULL || !hg_link_is_up(service->link))
        what = "broker-down: no connection to the message broker";
    snprintf(text, cap, "%s", what);
    return strcmp(what, "ok") == 0 ? 200 : 503;
}

static char *backend_metrics(void *ctx)
{
    return hg_metrics_text(ctx);
}

static char *backend_wot(void *ctx)
{
    const struct hg_service *service = ctx;

    return hg_wot_text(service->config);
}

static bool backend_file(void *ctx, const char *path,
                         struct hg_api_file *ret_file)
{
    const struct hg_service *service = ctx;
    const struct hg_page_file *file =
        service->config->has_page ? hg_page_find(path) : NULL;

    if (file == NULL)
        return false;
    ret_file->type = file->type;
    ret_file->etag = file->etag;
    ret_file->bytes = file->bytes;
    ret_file->len = file->len;
    ret_file->gzip = file->gzip;
    ret_file->gzip_len = file->gzip_len;
    return true;
}

static bool backend_bearer_may(void *ctx, const char *token)
{
    struct hg_service *service = ctx;
    const struct hg_credential *credential;

    hg_service_wake(service);
    return hg_access_sign_in_token(service->access, token, service->now,
                                   &credential) == HG_ACCESS_SIGNED_IN &&
           (credential->role == HG_ROLE_MANAGER ||
            credential->role == HG_ROLE_OWNER);
}

struct hg_api_backend hg_handlers_backend(struct hg_service *service)
{
    struct hg_api_backend backend;

    memset(&backend, 0, sizeof(backend));
    backend.ctx = service;
    backend.call = backend_call;
    backend.is_implemented = backend_is_implemented;
    backend.room_count = backend_room_count;
    backend.room_name = backend_room_name;
    backend.may_see = backend_may_see;
    backend.room_state = backend_room_state;
    backend.view_key = backend_view_key;
    backend.findings = backend_findings;
    backend.healthz = backend_healthz;
    backend.metrics = backend_metrics;
    backend.wot = backend_wot;
    backend.file = backend_file;
    backend.bearer_may = backend_bearer_may;
    return backend;
}
