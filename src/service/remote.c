/* JSON-RPC over MQTT; see remote.h. */
#include "service/remote.h"
#include "access/access.h"
#include "api/desk.h"
#include "api/server.h"
#include "controllers/link.h"
#include "service/service.h"
#include <stdlib.h>
#include <string.h>

#define RESPONSE_TOPIC_MAX 256
#define CORRELATION_MAX    64

struct hg_remote { /* one message */
    struct hg_service *service;
    struct hg_api_desk *desk;
    struct hg_remote *next, *prev;
    bool is_receiving, is_done;
    char topic[RESPONSE_TOPIC_MAX + 1];
    uint8_t correlation[CORRELATION_MAX];
    size_t correlation_len;
};

static void end(struct hg_remote *remote)
{
    struct hg_service *service = remote->service;

    if (remote->prev != NULL)
        remote->prev->next = remote->next;
    else
        service->remotes = remote->next;
    if (remote->next != NULL)
        remote->next->prev = remote->prev;
    service->remote_count--;
    hg_api_desk_free(remote->desk);
    free(remote);
}

static void on_send(void *ctx, const char *text, size_t len)
{
    struct hg_remote *remote = ctx;
    struct hg_service *service = remote->service;
    struct hg_link_publication what;

    if (remote->topic[0] == '\0')
        return;
    memset(&what, 0, sizeof(what));
    what.topic = remote->topic;
    what.payload = text;
    what.len = len;
    what.qos = 1;
    if (remote->correlation_len > 0) {
        what.correlation = remote->correlation;
        what.correlation_len = remote->correlation_len;
    }
    /* whoever asked sees no answer and asks again; nothing is kept */
    if (hg_link_publish(service->link, &what) < 0)
        service->counts.publish_failures++;
}

static void on_done(void *ctx)
{
    struct hg_remote *remote = ctx;

    if (remote->is_receiving)
        remote->is_done = true;
    else
        end(remote);
}

/* "token" stands beside "params" in every request. */
static void on_admit(void *ctx, struct hg_api_caller *caller,
                     const json_t *request)
{
    struct hg_remote *remote = ctx;
    struct hg_service *service = remote->service;
    const char *token = json_string_value(json_object_get(request, "token"));
    const struct hg_credential *credential;
    char who[HG_ACTOR_TEXT_BYTES];
    struct hg_actor actor;

    if (token == NULL ||
        hg_access_sign_in_token(service->access, token, service->now,
                                &credential) != HG_ACCESS_SIGNED_IN)
        return; /* the desk answers 1002 */
    memset(&actor, 0, sizeof(actor));
    actor.role = credential->role;
    memcpy(actor.id, credential->id, sizeof(actor.id));
    hg_actor_text(&actor, who);
    hg_api_caller_sign_in(caller, &actor, who);
}

/*
 * Contract 7: never under our own root, where controllers listen. Without a
 * response topic nobody is answered, but the request is obeyed: a client that
 * cannot send one shall be able to stop a heat.
 */
static bool is_usable(const struct hg_service *service,
                      const struct hg_link_message *message)
{
    const char *root = hg_link_root(service->link);
    const char *topic = message->response_topic;
    size_t len = strlen(root);

    if (message->is_retained)
        return false;
    if (topic == NULL)
        return true;
    return topic[0] != '\0' && topic[0] != '$' &&
           strlen(topic) <= RESPONSE_TOPIC_MAX &&
           message->correlation_len <= CORRELATION_MAX &&
           !(strncmp(topic, root, len) == 0 &&
             (topic[len] == '/' || topic[len] == '\0'));
}

static struct hg_remote *make(struct hg_service *service,
                              const struct hg_link_message *message)
{
    struct hg_remote *remote = calloc(1, sizeof(*remote));
    struct hg_api_desk_setup setup;

    if (remote == NULL)
        return NULL;
    remote->service = service;
    if (message->response_topic != NULL)
        memcpy(remote->topic, message->response_topic,
               strlen(message->response_topic));
    if (message->correlation_len > 0)
        memcpy(remote->correlation, message->correlation,
               message->correlation_len);
    remote->correlation_len = message->correlation_len;
    memset(&setup, 0, sizeof(setup));
    setup.backend = &service->backend;
    setup.rooms = hg_api_server_rooms(service->api);
    setup.ops.ctx = remote;
    setup.ops.send = on_send;
    setup.ops.done = on_done;
    setup.ops.admit = on_admit;
    memcpy(setup.caller.who, "mqtt", sizeof("mqtt"));
    memcpy(setup.caller.address, "mqtt", sizeof("mqtt"));
    if (hg_api_desk_new(&setup, &remote->desk) < 0) {
        free(remote);
        return NULL;
    }
    remote->next = service->remotes;
    if (remote->next != NULL)
        remote->next->prev = remote;
    service->remotes = remote;
    service->remote_count++;
    return remote;
}

void hg_remote_take(struct hg_service *service,
                    const struct hg_link_message *message)
{
    struct hg_remote *remote;

    if (!is_usable(service, message)) {
        service->counts.rpc_ignored++;
        return;
    }
    if (service->remote_count >= HG_REMOTE_MAX) {
        service->counts.rpc_ignored++;
        return;
    }
    remote = make(service, message);
    if (remote == NULL) {
        service->counts.rpc_ignored++;
        return;
    }
    remote->is_receiving = true;
    if (hg_api_desk_receive(remote->desk,
                            message->payload == NULL ? "" : message->payload,
                            message->len) < 0)
        remote->is_done = true;
    remote->is_receiving = false;
    if (remote->is_done)
        end(remote);
}

void hg_remote_end(struct hg_service *service)
{
    while (service->remotes != NULL)
        end(service->remotes);
}
