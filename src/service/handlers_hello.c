/* hello: sign-in by code or token. */
#include "access/access.h"
#include "service/handlers.h"
#include "service/kinds.h"
#include "service/sign_in.h"
#include "service/service.h"
#include <stdio.h>
#include <string.h>

void hg_reply_slow_down(struct hg_api_reply *reply, uint64_t retry_after_ms)
{
    uint64_t seconds = (retry_after_ms + 999) / 1000;
    char message[160];

    snprintf(message, sizeof(message),
             "Too many wrong codes came from here. Wait %llu s, then try "
             "again.",
             (unsigned long long)seconds);
    hg_api_reply_error(
        reply, HG_RPC_SLOW_DOWN, message,
        json_pack("{s:I}", "retry_after_s", (json_int_t)seconds));
}

/* Rooms of a credential that exist here, by name. */
static json_t *rooms_json(struct hg_service *service,
                          const struct hg_credential *credential)
{
    json_t *rooms = json_array();

    for (size_t i = 0; i < service->by_name_count; i++) {
        const char *name = service->by_name[i]->config->name;

        if (hg_access_may(credential, name))
            json_array_append_new(rooms, json_string(name));
    }
    return rooms;
}

json_t *hg_sign_in_result(struct hg_service *service,
                          struct hg_api_caller *caller,
                          const struct hg_credential *credential,
                          const char *token)
{
    struct hg_actor actor;
    char who[HG_ACTOR_TEXT_BYTES];

    memset(&actor, 0, sizeof(actor));
    actor.role = credential->role;
    memcpy(actor.id, credential->id, sizeof(actor.id));
    hg_actor_text(&actor, who);
    hg_api_caller_sign_in(caller, &actor, who);
    return json_pack(
        "{s:s, s:s, s:s, s:o, s:o, s:s}", "who", caller->who, "role",
        hg_role_text(actor.role), "label", credential->label, "rooms",
        rooms_json(service, credential), "until",
        credential->has_stay ? hg_json_wall(credential->until_ms) : json_null(),
        "token", token);
}

/* Who was refused, as far as it is known: an id proves nothing. */
static void record_refused(struct hg_service *service, const char *id,
                           hg_why_set reasons)
{
    const struct hg_credential *credential =
        id[0] == '\0' ? NULL : hg_access_find(service->access, id);
    struct hg_actor actor;

    memset(&actor, 0, sizeof(actor));
    if (credential != NULL) {
        actor.role = credential->role;
        memcpy(actor.id, credential->id, sizeof(actor.id));
    }
    hg_record_refusal(service, HG_KIND_SIGN_IN_REFUSED, NULL, &actor, reasons);
}

void hg_sign_in_refused(struct hg_service *service, struct hg_api_reply *reply,
                        enum hg_access_outcome outcome, const char *id)
{
    hg_why_set why;

    switch ((int)outcome) {
    case HG_ACCESS_OUTSIDE_STAY:
    case HG_ACCESS_CLOCK_UNTRUSTED:
        why = outcome == HG_ACCESS_OUTSIDE_STAY
                  ? HG_WHY_BIT(HG_WHY_OUTSIDE_STAY)
                  : HG_WHY_BIT(HG_WHY_CLOCK_UNTRUSTED);
        record_refused(service, id, why);
        hg_api_reply_error(
            reply, HG_RPC_NOT_ALLOWED,
            outcome == HG_ACCESS_OUTSIDE_STAY
                ? "This code is not valid at this time. Use it within the days "
                  "of the stay, or ask for a new code."
                : "The gateway's clock cannot be relied on, so the days of "
                  "the stay cannot be judged. Let the clock synchronise.",
            json_pack("{s:o}", "reasons", hg_reasons_full(why)));
        break;
    case HG_ACCESS_MALFORMED:
        hg_api_reply_error(reply, HG_RPC_SIGN_IN_REQUIRED, HG_CODE_TYPING_TEXT,
                           NULL);
        break;
    default:
        record_refused(service, id, HG_WHY_BIT(HG_WHY_NOT_ALLOWED));
        hg_api_reply_error(reply, HG_RPC_SIGN_IN_REQUIRED,
                           "This code or token is not valid. Check it for "
                           "typing errors, or ask the owner or the manager "
                           "for a new one.",
                           NULL);
        break;
    }
}

static void by_token(struct hg_service *service, const struct hg_api_call *call,
                     const char *token)
{
    const struct hg_credential *credential;
    enum hg_access_outcome outcome = hg_access_sign_in_token(
        service->access, token, service->now, &credential);
    json_t *result;

    if (outcome != HG_ACCESS_SIGNED_IN) {
        hg_sign_in_refused(service, call->reply, outcome, "");
        return;
    }
    result = hg_sign_in_result(service, call->caller, credential, token);
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the answer.", NULL);
    else
        hg_api_reply_result(call->reply, result);
}

static void by_code(struct hg_service *service, const struct hg_api_call *call,
                    const char *code)
{
    struct hg_ask *ask = hg_call_ask(service, call, NULL);
    struct hg_access_sign_in sign_in;
    enum hg_access_outcome outcome;
    uint64_t retry_after_ms = 0;
    struct hg_api_reply *reply;

    if (ask == NULL)
        return;
    memset(&sign_in, 0, sizeof(sign_in));
    sign_in.request = ask->id;
    sign_in.code = code;
    sign_in.address = call->caller->address;
    sign_in.is_admin = call->caller->is_admin;
    outcome = hg_access_begin_sign_in(service->access, &sign_in, service->now,
                                      &retry_after_ms);
    if (outcome == HG_ACCESS_QUEUED)
        return;
    reply = hg_asks_release(service->asks, ask);
    if (outcome == HG_ACCESS_SLOW_DOWN)
        hg_reply_slow_down(reply, retry_after_ms);
    else if (outcome == HG_ACCESS_MALFORMED)
        hg_sign_in_refused(service, reply, outcome, "");
    else
        hg_api_reply_error(reply, HG_RPC_UNAVAILABLE,
                           "The code could not be checked; try again in a "
                           "moment.",
                           NULL);
}

/* On the admin socket hello without a code only says who one is. */
static void by_socket(struct hg_service *service,
                      const struct hg_api_call *call)
{
    json_t *rooms = json_array();
    json_t *result;

    for (size_t i = 0; i < service->by_name_count; i++)
        json_array_append_new(rooms,
                              json_string(service->by_name[i]->config->name));
    result = json_pack("{s:s, s:s, s:o, s:n}", "who", call->caller->who, "role",
                       hg_role_text(call->caller->actor.role), "rooms", rooms,
                       "until");
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the answer.", NULL);
    else
        hg_api_reply_result(call->reply, result);
}

void hg_handle_hello(struct hg_service *service, const struct hg_api_call *call)
{
    const char *token = hg_call_text(call, "token");
    const char *code = hg_call_text(call, "code");

    if (token != NULL)
        by_token(service, call, token);
    else if (code != NULL)
        by_code(service, call, code);
    else if (call->caller->is_admin)
        by_socket(service, call);
    else
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "code: the code that you were given is wanted.",
                           NULL);
}
