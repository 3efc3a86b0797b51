/*
 * The blocking client of the admin socket. The library's loop is turned until
 * what is waited for is there, or the time is over.
 */
#include "api/client.h"
#include "api/queue.h"
#include "api/rpc.h"
#include "api/server.h"
#include "base/text.h"
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

#define FD_LIMIT      16
#define CLOSED_BYTES  128
#define ADDRESS_BYTES (sizeof(((struct sockaddr_un *)NULL)->sun_path) + 1)

enum client_state { CLIENT_CONNECTING = 0, CLIENT_OPEN, CLIENT_GONE };

struct hg_api_client {
    struct lws_context *context;
    struct lws *wsi;
    enum client_state state;
    uint32_t timeout_ms;
    lws_sorted_usec_list_t timer;
    bool is_late;
    struct hg_queue out;
    char *rx;
    size_t rx_len, rx_cap;
    json_int_t id;  /* of the call that waits */
    json_t *answer; /* to it */
    json_t *kept;   /* notifications, the oldest first */
    bool is_lost;   /* some were not kept */
    char closed[CLOSED_BYTES];
};

/* -- messages in -----------------------------------------------------------*/

static void take_notification(struct hg_api_client *client, json_t *message)
{
    if (json_array_size(client->kept) >= HG_API_CLIENT_KEPT_MAX ||
        json_array_append(client->kept, message) != 0)
        client->is_lost = true;
}

static void take_message(struct hg_api_client *client)
{
    json_t *message =
        json_loadb(client->rx, client->rx_len, JSON_REJECT_DUPLICATES, NULL);
    const json_t *id = json_object_get(message, "id");

    if (json_object_get(message, "method") != NULL && id == NULL) {
        take_notification(client, message);
    } else if (json_is_integer(id) && json_integer_value(id) == client->id &&
               client->answer == NULL) {
        client->answer = json_incref(message);
    }
    json_decref(message); /* what nobody waits for is dropped */
}

static int rx_add(struct hg_api_client *client, const void *bytes, size_t len)
{
    size_t cap = client->rx_cap == 0 ? 8192 : client->rx_cap;
    char *grown;

    if (client->rx_len + len > HG_API_CLIENT_MESSAGE_BYTES)
        return HG_ERR_FULL;
    while (cap < client->rx_len + len)
        cap *= 2;
    if (cap > client->rx_cap) {
        grown = realloc(client->rx, cap);
        if (grown == NULL)
            return HG_ERR_MEMORY;
        client->rx = grown;
        client->rx_cap = cap;
    }
    if (len > 0)
        memcpy(client->rx + client->rx_len, bytes, len);
    client->rx_len += len;
    return 0;
}

static int on_receive(struct hg_api_client *client, struct lws *wsi,
                      const void *in, size_t len)
{
    if (rx_add(client, in, len) < 0)
        return -1;
    if (lws_is_final_fragment(wsi) && lws_remaining_packet_payload(wsi) == 0) {
        take_message(client);
        client->rx_len = 0;
    }
    return 0;
}

/* -- what the library tells ------------------------------------------------*/

static void note_closed(struct hg_api_client *client, const char *text,
                        size_t len)
{
    if (client->closed[0] == '\0' && text != NULL)
        (void)snprintf(client->closed, sizeof(client->closed), "%.*s",
                       (int)(len < CLOSED_BYTES ? len : CLOSED_BYTES - 1),
                       text);
}

static int write_next(struct hg_api_client *client, struct lws *wsi)
{
    struct hg_queue_item *item = hg_queue_take(&client->out);
    int rc;

    if (item == NULL)
        return 0;
    rc = lws_write(wsi, item->bytes + LWS_PRE, item->len, LWS_WRITE_TEXT);
    hg_queue_drop(item);
    if (client->out.first != NULL)
        lws_callback_on_writable(wsi);
    return rc < 0 ? -1 : 0;
}

static int callback(struct lws *wsi, enum lws_callback_reasons reason,
                    void *user, void *in, size_t len)
{
    struct hg_api_client *client = user;

    /* whatever is not for us may come with a wsi that is gone already */
    switch ((int)reason) {
    case LWS_CALLBACK_CLIENT_ESTABLISHED:
        client->state = CLIENT_OPEN;
        return 0;
    case LWS_CALLBACK_CLIENT_RECEIVE:
        return on_receive(client, wsi, in, len);
    case LWS_CALLBACK_CLIENT_WRITEABLE:
        return write_next(client, wsi);
    case LWS_CALLBACK_WS_PEER_INITIATED_CLOSE: /* code, then reason */
        if (len > 2)
            note_closed(client, (const char *)in + 2, len - 2);
        return 0;
    case LWS_CALLBACK_CLIENT_CONNECTION_ERROR:
        note_closed(client, in, len);
        client->state = CLIENT_GONE;
        return 0;
    case LWS_CALLBACK_CLIENT_CLOSED:
        client->state = CLIENT_GONE;
        return 0;
    default:
        return 0;
    }
}

static const struct lws_protocols protocols[] = {
    { HG_API_SUBPROTOCOL, callback, 0, 4096, 0, NULL, 0 },
    { NULL, NULL, 0, 0, 0, NULL, 0 }
};

/* -- waiting ---------------------------------------------------------------*/

static void on_timer(lws_sorted_usec_list_t *sul)
{
    struct hg_api_client *client =
        (void *)((char *)sul - offsetof(struct hg_api_client, timer));

    client->is_late = true;
    /* the library looks at timers before it sleeps: it must not sleep on */
    lws_cancel_service(client->context);
}

/* Turn the loop until is_there(), the end of the connection, or the time. */
static int wait_for(struct hg_api_client *client, uint32_t timeout_ms,
                    bool (*is_there)(const struct hg_api_client *client))
{
    client->is_late = false;
    lws_sul_schedule(client->context, 0, &client->timer, on_timer,
                     (lws_usec_t)timeout_ms * LWS_US_PER_MS);
    while (!is_there(client) && client->state != CLIENT_GONE &&
           !client->is_late) {
        if (lws_service(client->context, 0) < 0)
            client->state = CLIENT_GONE;
    }
    lws_sul_cancel(&client->timer);
    if (is_there(client))
        return 0;
    return client->state == CLIENT_GONE ? HG_ERR_CLOSED : HG_ERR_BUSY;
}

static bool is_open(const struct hg_api_client *client)
{
    return client->state == CLIENT_OPEN;
}

static bool has_answer(const struct hg_api_client *client)
{
    return client->answer != NULL;
}

static bool has_notification(const struct hg_api_client *client)
{
    return client->is_lost || json_array_size(client->kept) > 0;
}

/* -- connecting ------------------------------------------------------------*/

static int say_denied(const char *path, struct hg_buf *why)
{
    hg_buf_addf(why,
                "you may not use %s: you must be root or in the group of the "
                "service (heatgate). Use sudo, or have yourself added to the "
                "group and log in again.",
                path);
    return HG_ERR_DENIED;
}

static int say_connect_error(const char *path, int error, struct hg_buf *why)
{
    switch (error) {
    case ENOENT:
    case ENOTDIR:
        hg_buf_addf(why,
                    "there is no service: %s does not exist. Start it "
                    "(systemctl start heatgated), or name its admin socket "
                    "with --socket.",
                    path);
        return HG_ERR_NOT_FOUND;
    case ECONNREFUSED:
    case ENOTSOCK:
        hg_buf_addf(why,
                    "no service answers at %s. Start it (systemctl start "
                    "heatgated) and look at its log (journalctl -u "
                    "heatgated).",
                    path);
        return HG_ERR_NOT_FOUND;
    case EACCES:
    case EPERM:
        return say_denied(path, why);
    default:
        hg_buf_addf(why, "cannot connect to %s: %s", path, strerror(error));
        return HG_ERR_SYSTEM;
    }
}

/* Why a service that listens hung up: does it not want us? */
static int say_hung_up(const char *path, const char *reason, struct hg_buf *why)
{
    struct stat st;

    if (geteuid() != 0 && stat(path, &st) == 0 && st.st_uid != geteuid() &&
        !group_member(st.st_gid))
        return say_denied(path, why);
    hg_buf_addf(why,
                "the service at %s hung up (%s). It may have too many "
                "connections, or be stopping; try again.",
                path, reason[0] == '\0' ? "no reason given" : reason);
    return HG_ERR_CLOSED;
}

static int say_silent(const char *path, struct hg_buf *why)
{
    hg_buf_addf(why,
                "the service at %s does not answer. Look at its log "
                "(journalctl -u heatgated).",
                path);
    return HG_ERR_BUSY;
}

/*
 * Ask a plain question by hand first. The library does not tell why it cannot
 * connect; and when the other end of a Unix socket hangs up at once, 4.1.6
 * uses the connection that it has just freed.
 */
static int knock_on(int fd, const char *path, uint32_t timeout_ms,
                    struct hg_buf *why)
{
    static const char ask[] = "GET /healthz HTTP/1.1\r\nHost: localhost\r\n"
                              "Connection: close\r\n\r\n";
    struct timeval patience = { .tv_sec = timeout_ms / 1000,
                                .tv_usec =
                                    (suseconds_t)(timeout_ms % 1000) * 1000 };
    char byte;
    ssize_t n;

    if (setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof(patience)) !=
        0)
        return say_connect_error(path, errno, why);
    if (send(fd, ask, sizeof(ask) - 1, MSG_NOSIGNAL) < 0)
        return say_hung_up(path, "", why);
    n = recv(fd, &byte, 1, 0);
    if (n > 0)
        return 0;
    if (n < 0 && (errno == EAGAIN))
        return say_silent(path, why);
    return say_hung_up(path, "", why);
}

static int knock(const char *path, uint32_t timeout_ms, struct hg_buf *why)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    int fd;
    int err;

    if (hg_text_copy(address.sun_path, sizeof(address.sun_path), path) < 0) {
        hg_buf_addf(why, "the socket's path is longer than 107 bytes: %s",
                    path);
        return HG_ERR_RANGE;
    }
    fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return say_connect_error(path, errno, why);
    if (connect(fd, (const struct sockaddr *)&address, sizeof(address)) != 0)
        err = say_connect_error(path, errno, why);
    else
        err = knock_on(fd, path, timeout_ms, why);
    (void)close(fd);
    return err;
}

static int client_connect(struct hg_api_client *client, const char *path,
                          struct hg_buf *why)
{
    char address[ADDRESS_BYTES];
    struct lws_client_connect_info info;
    int err;

    (void)snprintf(address, sizeof(address), "+%s", path);
    memset(&info, 0, sizeof(info));
    info.context = client->context;
    info.address = address;
    info.path = HG_API_PATH;
    info.host = "localhost";
    info.protocol = HG_API_SUBPROTOCOL;
    info.userdata = client;
    info.pwsi = &client->wsi;
    if (lws_client_connect_via_info(&info) == NULL)
        return say_hung_up(path, client->closed, why);
    err = wait_for(client, client->timeout_ms, is_open);
    if (err == HG_ERR_CLOSED)
        return say_hung_up(path, client->closed, why);
    return err < 0 ? say_silent(path, why) : 0;
}

static int client_new(uint32_t timeout_ms, struct hg_api_client **ret_client)
{
    struct lws_context_creation_info info;
    struct hg_api_client *client = calloc(1, sizeof(*client));

    if (client == NULL)
        return HG_ERR_MEMORY;
    client->timeout_ms = timeout_ms;
    client->kept = json_array();
    hg_queue_init(&client->out, SIZE_MAX);
    memset(&info, 0, sizeof(info));
    info.port = CONTEXT_PORT_NO_LISTEN;
    info.protocols = protocols;
    info.fd_limit_per_thread = FD_LIMIT;
    lws_set_log_level(0, NULL); /* people get our sentences instead */
    client->context = lws_create_context(&info);
    if (client->context == NULL || client->kept == NULL) {
        hg_api_client_free(client);
        return HG_ERR_MEMORY;
    }
    *ret_client = client;
    return 0;
}

int hg_api_client_open(const char *path, uint32_t timeout_ms,
                       struct hg_buf *why, struct hg_api_client **ret_client)
{
    struct hg_api_client *client = NULL;
    int err = knock(path, timeout_ms, why);

    if (err < 0)
        return err;
    err = client_new(timeout_ms, &client);
    if (err < 0) {
        hg_buf_add(why, "no memory for a connection");
        return err;
    }
    err = client_connect(client, path, why);
    if (err < 0)
        goto out;
    *ret_client = client; /* the caller owns it now */
    client = NULL;
out:
    hg_api_client_free(client);
    return err;
}

void hg_api_client_free(struct hg_api_client *client)
{
    if (client == NULL)
        return;
    if (client->context != NULL)
        lws_context_destroy(client->context);
    hg_queue_clear(&client->out);
    free(client->rx);
    json_decref(client->answer);
    json_decref(client->kept);
    free(client);
}

/* -- calls -----------------------------------------------------------------*/

static int send_call(struct hg_api_client *client, const char *method,
                     json_t *params_taken)
{
    json_t *request =
        json_pack("{s:s,s:I,s:s,s:o*}", "jsonrpc", "2.0", "id", ++client->id,
                  "method", method, "params", params_taken);
    char *text = request == NULL ? NULL : json_dumps(request, JSON_COMPACT);
    int err = HG_ERR_MEMORY;

    if (text != NULL) {
        err = hg_queue_add(&client->out, text, strlen(text));
        explicit_bzero(text, strlen(text)); /* may hold a code */
    }
    free(text);
    json_decref(request);
    if (err == 0)
        lws_callback_on_writable(client->wsi);
    return err;
}

int hg_api_client_call(struct hg_api_client *client, const char *method,
                       json_t *params_taken, struct hg_api_answer *ret_answer)
{
    struct hg_api_answer answer;
    int err;

    if (client->state == CLIENT_GONE) {
        json_decref(params_taken);
        return HG_ERR_CLOSED;
    }
    err = send_call(client, method, params_taken);
    if (err == 0)
        err = wait_for(client, client->timeout_ms, has_answer);
    if (err < 0)
        return err;
    answer.result = json_incref(json_object_get(client->answer, "result"));
    answer.error = json_incref(json_object_get(client->answer, "error"));
    json_decref(client->answer);
    client->answer = NULL;
    if ((answer.result == NULL) == (answer.error == NULL)) {
        hg_api_answer_release(&answer);
        return HG_ERR_INPUT;
    }
    *ret_answer = answer;
    return 0;
}

void hg_api_answer_release(struct hg_api_answer *answer)
{
    json_decref(answer->result);
    json_decref(answer->error);
    answer->result = NULL;
    answer->error = NULL;
}

int hg_api_client_next(struct hg_api_client *client, uint32_t timeout_ms,
                       json_t **ret_notification)
{
    int err = wait_for(client, timeout_ms, has_notification);

    if (err < 0)
        return err;
    if (client->is_lost) {
        client->is_lost = false;
        return HG_ERR_FULL;
    }
    *ret_notification = json_incref(json_array_get(client->kept, 0));
    (void)json_array_remove(client->kept, 0);
    return 0;
}

const char *hg_api_client_closed(const struct hg_api_client *client)
{
    return client->closed;
}
