/*
 * One WebSocket connection: messages in, answers and patches out, and a close
 * with a reason when somebody floods, stalls, babbles or is no longer wanted.
 */
#include "api/inside.h"
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FRAMES_A_TURN 32 /* then everybody else gets a turn */

/* -- closing ---------------------------------------------------------------*/

static struct hg_api_conn *conn_of(lws_sorted_usec_list_t *deadline)
{
    return (void *)((char *)deadline - offsetof(struct hg_api_conn, deadline));
}

static void on_kill(lws_sorted_usec_list_t *sul)
{
    lws_set_timeout(conn_of(sul)->wsi, PENDING_TIMEOUT_USER_OK,
                    LWS_TO_KILL_ASYNC);
}

static void set_deadline(struct hg_api_conn *conn, sul_cb_t cb, uint32_t ms)
{
    lws_sul_schedule(conn->server->context, 0, &conn->deadline, cb,
                     (lws_usec_t)ms * LWS_US_PER_MS);
}

void hg_api_conn_close(struct hg_api_conn *conn, unsigned int code,
                       const char *reason)
{
    if (conn->is_closing)
        return;
    conn->is_closing = true;
    conn->close_code = code;
    (void)snprintf(conn->close_reason, sizeof(conn->close_reason), "%s",
                   reason);
    hg_watch_list_clear(&conn->watches);
    lws_callback_on_writable(conn->wsi);
    /* a peer that does not read never lets us say why */
    set_deadline(conn, on_kill, conn->server->limits.close_ms);
}

static void close_slow(struct hg_api_conn *conn)
{
    if (conn->is_closing)
        return;
    conn->server->counts.closed_slow++;
    hg_queue_clear(&conn->queue);
    hg_api_conn_close(conn, 1013,
                      "answers were not read; connect again and read them");
}

static void on_no_hello(lws_sorted_usec_list_t *sul)
{
    struct hg_api_conn *conn = conn_of(sul);

    if (hg_api_desk_caller(conn->desk)->is_signed_in)
        return;
    if (hg_api_desk_is_signing_in(conn->desk)) { /* in time; being judged */
        set_deadline(conn, on_no_hello, 1000);
        return;
    }
    conn->server->counts.closed_silent++;
    hg_api_conn_close(conn, LWS_CLOSE_STATUS_POLICY_VIOLATION,
                      "nobody signed in in time; call hello first");
}

/* -- what the desk and the watches ask for ---------------------------------*/

static void on_send(void *ctx, const char *text, size_t len)
{
    struct hg_api_conn *conn = ctx;
    int err;

    if (conn->is_closing && conn->close_code == 1013)
        return; /* it would not be read either */
    err = hg_queue_add(&conn->queue, text, len);
    if (err == HG_ERR_FULL)
        close_slow(conn);
    else if (err < 0)
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_UNEXPECTED_CONDITION,
                          "no memory for the answer; try again later");
    else
        lws_callback_on_writable(conn->wsi);
}

static void on_wake(void *arg)
{
    struct hg_api_conn *conn = arg;

    lws_callback_on_writable(conn->wsi);
}

static json_t *on_watch(void *ctx, size_t room, bool is_notification,
                        int *ret_err)
{
    struct hg_api_conn *conn = ctx;

    if (conn->is_closing) {
        *ret_err = HG_ERR_FULL;
        return NULL;
    }
    return hg_watch_add(&conn->watches, room, is_notification, ret_err);
}

static void on_unwatch(void *ctx, size_t room)
{
    struct hg_api_conn *conn = ctx;

    hg_watch_remove(&conn->watches, room);
}

/* -- birth and death -------------------------------------------------------*/

/* "local:anna", or "local:uid=1000" when the user has no name */
static void name_user(unsigned int uid, char who[HG_API_WHO_BYTES])
{
    char space[2048];
    struct passwd entry;
    struct passwd *found = NULL;

    if (getpwuid_r(uid, &entry, space, sizeof(space), &found) == 0 &&
        found != NULL && strlen(found->pw_name) < HG_API_WHO_BYTES - 7)
        (void)snprintf(who, HG_API_WHO_BYTES, "local:%s", found->pw_name);
    else
        (void)snprintf(who, HG_API_WHO_BYTES, "local:uid=%u", uid);
}

static void fill_caller(const struct hg_api_door *door, uint64_t number,
                        struct hg_api_caller *caller)
{
    struct hg_actor actor = { .role = HG_ROLE_OWNER };
    char who[HG_API_WHO_BYTES];

    memset(caller, 0, sizeof(*caller));
    caller->connection = number;
    caller->is_loopback = door->is_loopback;
    memcpy(caller->address, door->address, sizeof(caller->address));
    if (!door->gate->is_admin)
        return;
    caller->is_admin = true;
    (void)snprintf(actor.id, sizeof(actor.id), "uid=%u", door->uid);
    name_user(door->uid, who);
    hg_api_caller_sign_in(caller, &actor, who);
}

static int conn_open(struct lws *wsi, struct hg_api_conn *conn)
{
    const struct hg_api_door *door = hg_api_door_of(wsi);
    struct hg_api_server *server = door->gate->server;
    struct hg_api_desk_setup setup = {
        .backend = server->backend,
        .rooms = server->rooms,
        .ops = { .ctx = conn,
                 .send = on_send,
                 .watch = on_watch,
                 .unwatch = on_unwatch },
    };

    fill_caller(door, ++server->next_connection, &setup.caller);
    if (hg_api_desk_new(&setup, &conn->desk) < 0)
        return -1;
    conn->server = server;
    conn->wsi = wsi;
    hg_queue_init(&conn->queue, server->limits.queue_bytes);
    conn->watches.board = server->board;
    conn->watches.caller = hg_api_desk_caller(conn->desk);
    conn->watches.wake = on_wake;
    conn->watches.arg = conn;
    conn->next = server->conns;
    if (server->conns != NULL)
        server->conns->prev = conn;
    server->conns = conn;
    server->counts.callers++;
    if (!setup.caller.is_signed_in)
        set_deadline(conn, on_no_hello, server->limits.hello_ms);
    if (server->is_closing)
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_GOINGAWAY,
                          "the gateway is stopping");
    return 0;
}

static void rx_clear(struct hg_api_conn *conn)
{
    if (conn->rx != NULL)
        explicit_bzero(conn->rx, conn->rx_cap); /* may hold a code */
    free(conn->rx);
    conn->rx = NULL;
    conn->rx_len = 0;
    conn->rx_cap = 0;
}

static void conn_gone(struct hg_api_conn *conn)
{
    if (conn->desk == NULL)
        return;
    lws_sul_cancel(&conn->deadline);
    hg_watch_list_clear(&conn->watches);
    hg_api_desk_free(conn->desk);
    conn->desk = NULL;
    hg_queue_clear(&conn->queue);
    rx_clear(conn);
    if (conn->prev != NULL)
        conn->prev->next = conn->next;
    else
        conn->server->conns = conn->next;
    if (conn->next != NULL)
        conn->next->prev = conn->prev;
    conn->server->counts.callers--;
}

/* -- in --------------------------------------------------------------------*/

static void take_message(struct hg_api_conn *conn, const void *text, size_t len)
{
    conn->server->counts.messages_in++;
    if (hg_api_desk_receive(conn->desk, text, len) < 0)
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_UNEXPECTED_CONDITION,
                          "no memory for the message; try again later");
}

static int rx_add(struct hg_api_conn *conn, const void *bytes, size_t len)
{
    size_t cap = conn->rx_cap == 0 ? 8192 : conn->rx_cap;
    unsigned char *grown;

    while (cap < conn->rx_len + len)
        cap *= 2;
    if (cap > conn->rx_cap) {
        grown = malloc(cap); /* not realloc: the old bytes are wiped */
        if (grown == NULL)
            return HG_ERR_MEMORY;
        if (conn->rx != NULL) {
            memcpy(grown, conn->rx, conn->rx_len);
            explicit_bzero(conn->rx, conn->rx_cap);
            free(conn->rx);
        }
        conn->rx = grown;
        conn->rx_cap = cap;
    }
    if (len > 0)
        memcpy(conn->rx + conn->rx_len, bytes, len);
    conn->rx_len += len;
    return 0;
}

static void on_receive(struct hg_api_conn *conn, void *in, size_t len)
{
    bool is_last = lws_is_final_fragment(conn->wsi) &&
                   lws_remaining_packet_payload(conn->wsi) == 0;

    if (conn->is_closing)
        return;
    if (lws_frame_is_binary(conn->wsi)) {
        conn->server->counts.closed_broken++;
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_UNACCEPTABLE_OPCODE,
                          "text frames only");
        return;
    }
    if (conn->rx_len + len > HG_RPC_MESSAGE_BYTES) {
        conn->server->counts.closed_broken++;
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_MESSAGE_TOO_LARGE,
                          "a message holds at most 64 KiB");
        return;
    }
    if (is_last && conn->rx_len == 0) { /* in one piece: no copy */
        take_message(conn, in, len);
        if (len > 0)
            explicit_bzero(in, len);
        return;
    }
    if (rx_add(conn, in, len) < 0) {
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_UNEXPECTED_CONDITION,
                          "no memory for the message; try again later");
        return;
    }
    if (is_last) {
        take_message(conn, conn->rx, conn->rx_len);
        rx_clear(conn);
    }
}

/* -- out -------------------------------------------------------------------*/

/* Write one frame, if there is one. 1: written, 0: nothing to send, -1. */
static int write_one(struct hg_api_conn *conn)
{
    struct hg_queue_item *item = hg_queue_take(&conn->queue);
    struct hg_watch_text *text = NULL;
    int rc;

    if (item != NULL) {
        rc = lws_write(conn->wsi, item->bytes + LWS_PRE, item->len,
                       LWS_WRITE_TEXT);
        hg_queue_drop(item);
        conn->server->counts.messages_out++;
        return rc < 0 ? -1 : 1;
    }
    /* a patch must not overtake the state that its batch still holds */
    if (conn->is_closing || hg_api_desk_has_open_batch(conn->desk))
        return 0;
    if (hg_watch_next(&conn->watches, &text) < 0)
        return -1;
    if (text == NULL)
        return 0;
    rc = lws_write(conn->wsi, text->bytes + LWS_PRE, text->len, LWS_WRITE_TEXT);
    hg_watch_text_release(text);
    conn->server->counts.messages_out++;
    conn->server->counts.patches_out++;
    return rc < 0 ? -1 : 1;
}

static int on_writable(struct hg_api_conn *conn)
{
    int rc = 1;

    for (int i = 0; i < FRAMES_A_TURN && rc > 0; i++) {
        if (lws_send_pipe_choked(conn->wsi))
            break;
        rc = write_one(conn);
    }
    if (rc < 0)
        return -1;
    if (rc > 0) { /* there may be more */
        lws_callback_on_writable(conn->wsi);
        return 0;
    }
    if (!conn->is_closing)
        return 0;
    lws_close_reason(conn->wsi, (enum lws_close_status)conn->close_code,
                     (unsigned char *)conn->close_reason,
                     strlen(conn->close_reason));
    return -1;
}

int hg_api_conn_callback(struct lws *wsi, enum lws_callback_reasons reason,
                         void *user, void *in, size_t len)
{
    struct hg_api_conn *conn = user;

    switch ((int)reason) {
    case LWS_CALLBACK_ESTABLISHED:
        return conn_open(wsi, conn);
    case LWS_CALLBACK_RECEIVE:
        if (conn->desk != NULL)
            on_receive(conn, in, len);
        return 0;
    case LWS_CALLBACK_SERVER_WRITEABLE:
        return conn->desk == NULL ? -1 : on_writable(conn);
    case LWS_CALLBACK_CLOSED:
        conn_gone(conn);
        return 0;
    default:
        return 0;
    }
}
