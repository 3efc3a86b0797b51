#ifndef HG_TESTS_API_PEER_H
#define HG_TESTS_API_PEER_H

/*
 * A real server in this thread and raw sockets that talk to it. The frames
 * are made and read here, by RFC 6455 section 5.2, not by the library that
 * the server uses. Waiting means turning the server's loop a bounded number
 * of times; each turn ends after a millisecond at the latest.
 */
#include "api/server.h"
#include "api_fake.h"
#include "check.h"
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define TURNS_MAX  15000
#define PEER_BYTES ((size_t)4 << 20)

struct scene {
    struct fake fake;
    struct lws_context *context;
    struct hg_api_server *server;
    lws_sorted_usec_list_t beat;
    char dir[64];
    char path[80]; /* of the admin socket */
};

struct peer {
    int fd;
    char *in;
    size_t len;
    bool is_eof;
    bool is_deaf; /* does not read */
};

struct frame {
    int opcode;
    size_t len;
    char *text; /* malloc'd, NUL-terminated */
};

static void on_beat(lws_sorted_usec_list_t *sul)
{
    struct scene *scene = (void *)((char *)sul - offsetof(struct scene, beat));

    lws_sul_schedule(scene->context, 0, sul, on_beat, LWS_US_PER_MS);
}

static inline void turn(struct scene *scene)
{
    assert_true(lws_service(scene->context, 0) >= 0);
}

static inline void scene_init(struct scene *scene, struct hg_api_limits limits)
{
    struct lws_context_creation_info info;
    struct hg_api_server_setup setup = { .limits = limits };

    memset(scene, 0, sizeof(*scene));
    memset(&info, 0, sizeof(info));
    hg_api_context_setup(&info);
    lws_set_log_level(0, NULL);
    scene->context = lws_create_context(&info);
    assert_non_null(scene->context);
    fake_init(&scene->fake);
    setup.context = scene->context;
    setup.backend = &scene->fake.backend;
    assert_int_equal(hg_api_server_new(&setup, &scene->server), 0);
    lws_sul_schedule(scene->context, 0, &scene->beat, on_beat, LWS_US_PER_MS);
    (void)snprintf(scene->dir, sizeof(scene->dir), "/tmp/hg-api-XXXXXX");
    assert_non_null(mkdtemp(scene->dir));
    (void)snprintf(scene->path, sizeof(scene->path), "%s/admin.sock",
                   scene->dir);
}

static inline void scene_listen(struct scene *scene)
{
    struct hg_api_listen listen = { .address = "127.0.0.1" };
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_server_listen(scene->server, &listen, &why), 0);
    assert_true(hg_api_server_port(scene->server) > 0);
}

static inline void scene_release(struct scene *scene)
{
    for (size_t i = 0; i < scene->fake.late_count; i++)
        hg_api_reply_cancel(scene->fake.late[i]);
    lws_sul_cancel(&scene->beat);
    lws_context_destroy(scene->context);
    hg_api_server_free(scene->server);
    assert_int_not_equal(access(scene->path, F_OK), 0);
    assert_int_equal(rmdir(scene->dir), 0);
}

static inline struct hg_api_counts counts(const struct scene *scene)
{
    struct hg_api_counts got;

    hg_api_server_count(scene->server, &got);
    return got;
}

/* -- peers -----------------------------------------------------------------*/

static inline void peer_open(struct peer *peer, int family,
                             const struct sockaddr *address, socklen_t len)
{
    int small = 4096;

    memset(peer, 0, sizeof(*peer));
    peer->fd = socket(family, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(peer->fd >= 0);
    /* little room in the kernel, so that not reading shows soon */
    (void)setsockopt(peer->fd, SOL_SOCKET, SO_RCVBUF, &small, sizeof(small));
    assert_int_equal(connect(peer->fd, address, len), 0);
    assert_int_equal(fcntl(peer->fd, F_SETFL, O_NONBLOCK), 0);
    peer->in = malloc(PEER_BYTES);
    assert_non_null(peer->in);
}

static inline void peer_connect(struct scene *scene, struct peer *peer)
{
    struct sockaddr_in in = { .sin_family = AF_INET };

    in.sin_port = htons((uint16_t)hg_api_server_port(scene->server));
    in.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    peer_open(peer, AF_INET, (const struct sockaddr *)&in, sizeof(in));
}

static inline void peer_connect_admin(struct scene *scene, struct peer *peer)
{
    struct sockaddr_un un = { .sun_family = AF_UNIX };

    memcpy(un.sun_path, scene->path, strlen(scene->path));
    peer_open(peer, AF_UNIX, (const struct sockaddr *)&un, sizeof(un));
}

static inline void peer_close(struct peer *peer)
{
    (void)close(peer->fd);
    free(peer->in);
}

static inline void peer_read(struct peer *peer)
{
    ssize_t n;

    if (peer->is_deaf || peer->len == PEER_BYTES)
        return;
    n = read(peer->fd, peer->in + peer->len, PEER_BYTES - peer->len);
    if (n > 0)
        peer->len += (size_t)n;
    else if (n == 0 || errno != EAGAIN)
        peer->is_eof = true;
}

static inline void peer_write(struct scene *scene, struct peer *peer,
                              const void *bytes, size_t len)
{
    const char *at = bytes;

    for (int i = 0; len > 0 && i < TURNS_MAX; i++) {
        ssize_t n = send(peer->fd, at, len, MSG_NOSIGNAL);

        if (n > 0) {
            at += n;
            len -= (size_t)n;
            continue;
        }
        if (errno != EAGAIN)
            return; /* hung up: what is read tells */
        turn(scene);
        peer_read(peer);
    }
    assert_int_equal(len, 0);
}

static inline void peer_say(struct scene *scene, struct peer *peer,
                            const char *text)
{
    peer_write(scene, peer, text, strlen(text));
}

/* Everything until the end of the connection; NUL-terminated. */
static inline const char *peer_all(struct scene *scene, struct peer *peer)
{
    for (int i = 0; !peer->is_eof && i < TURNS_MAX; i++) {
        turn(scene);
        peer_read(peer);
    }
    assert_true(peer->is_eof);
    assert_true(peer->len < PEER_BYTES);
    peer->in[peer->len] = '\0';
    return peer->in;
}

/* Until the head of a response is there; it is taken out into head. */
static inline void peer_head(struct scene *scene, struct peer *peer, char *head,
                             size_t cap)
{
    char *end = NULL;
    size_t len;

    for (int i = 0; end == NULL && i < TURNS_MAX; i++) {
        turn(scene);
        peer_read(peer);
        end = memmem(peer->in, peer->len, "\r\n\r\n", 4);
    }
    assert_non_null(end);
    len = (size_t)(end - peer->in) + 4;
    assert_true(len < cap);
    memcpy(head, peer->in, len);
    head[len] = '\0';
    memmove(peer->in, peer->in + len, peer->len - len);
    peer->len -= len;
}

#define UPGRADE                                                                \
    "GET /v1/rpc HTTP/1.1\r\nHost: gate\r\nUpgrade: websocket\r\n"             \
    "Connection: Upgrade\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"   \
    "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Protocol: heatgate.rpc.v1"     \
    "\r\n\r\n"

static inline void peer_upgrade(struct scene *scene, struct peer *peer)
{
    char head[1024];

    peer_say(scene, peer, UPGRADE);
    peer_head(scene, peer, head, sizeof(head));
    assert_non_null(strstr(head, "HTTP/1.1 101 "));
}

/* first: FIN and opcode, RFC 6455 5.2 */
static inline void peer_frame(struct scene *scene, struct peer *peer, int first,
                              const char *text, size_t len)
{
    static const unsigned char mask[4] = { 0x37, 0xfa, 0x21, 0x3d };
    unsigned char *out = malloc(len + 14);
    size_t at = 0;

    assert_non_null(out);
    out[at++] = (unsigned char)first;
    if (len < 126) {
        out[at++] = (unsigned char)(0x80 | len);
    } else {
        int bytes = len < 65536 ? 2 : 8;

        out[at++] = bytes == 2 ? 0x80 | 126 : 0x80 | 127;
        while (bytes-- > 0)
            out[at++] = (unsigned char)((uint64_t)len >> (8 * bytes));
    }
    memcpy(out + at, mask, 4);
    at += 4;
    for (size_t i = 0; i < len; i++)
        out[at++] = (unsigned char)text[i] ^ mask[i & 3];
    peer_write(scene, peer, out, at);
    free(out);
}

static inline void peer_text(struct scene *scene, struct peer *peer,
                             const char *text)
{
    peer_frame(scene, peer, 0x81, text, strlen(text));
}

/* Take one whole frame out of what was read. */
static inline bool frame_take(struct peer *peer, struct frame *frame)
{
    const unsigned char *in = (const unsigned char *)peer->in;
    size_t head = 2;
    size_t len;

    if (peer->len < 2)
        return false;
    assert_int_equal(in[1] & 0x80, 0); /* servers do not mask */
    assert_int_equal(in[0] & 0x70, 0); /* no extension */
    len = in[1];
    if (len >= 126) {
        size_t bytes = len == 126 ? 2 : 8;

        head = 2 + bytes;
        if (peer->len < head)
            return false;
        len = 0;
        for (size_t i = 0; i < bytes; i++)
            len = len << 8 | in[2 + i];
    }
    if (peer->len < head + len)
        return false;
    frame->opcode = in[0] & 0x0f;
    frame->len = len;
    frame->text = malloc(len + 1);
    assert_non_null(frame->text);
    memcpy(frame->text, in + head, len);
    frame->text[len] = '\0';
    memmove(peer->in, peer->in + head + len, peer->len - head - len);
    peer->len -= head + len;
    return true;
}

/* The next frame; free its text. */
static inline struct frame peer_next(struct scene *scene, struct peer *peer)
{
    struct frame frame = { .text = NULL };

    for (int i = 0; !frame_take(peer, &frame) && i < TURNS_MAX; i++) {
        if (peer->is_eof)
            break;
        turn(scene);
        peer_read(peer);
    }
    assert_non_null(frame.text);
    return frame;
}

/* The next message, as JSON. */
static inline json_t *peer_json(struct scene *scene, struct peer *peer)
{
    struct frame frame = peer_next(scene, peer);
    json_t *message;

    assert_int_equal(frame.opcode, 1);
    message = json_loadb(frame.text, frame.len, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(message);
    free(frame.text);
    return message;
}

/* Skip messages until the close frame; its code. */
static inline int peer_closed(struct scene *scene, struct peer *peer,
                              char reason[126])
{
    for (;;) {
        struct frame frame = peer_next(scene, peer);
        int code;

        if (frame.opcode != 8) {
            free(frame.text);
            continue;
        }
        assert_true(frame.len >= 2);
        code = (unsigned char)frame.text[0] << 8 | (unsigned char)frame.text[1];
        (void)snprintf(reason, 126, "%s", frame.text + 2);
        free(frame.text);
        return code;
    }
}

/* A connection that is signed in as this role. */
static inline void peer_sign_in(struct scene *scene, struct peer *peer,
                                const char *code)
{
    char text[200];
    json_t *answer;

    peer_connect(scene, peer);
    peer_upgrade(scene, peer);
    (void)snprintf(text, sizeof(text),
                   "{\"jsonrpc\":\"2.0\",\"id\":0,\"method\":\"hello\","
                   "\"params\":{\"code\":\"%s\"}}",
                   code);
    peer_text(scene, peer, text);
    answer = peer_json(scene, peer);
    assert_non_null(json_object_get(answer, "result"));
    json_decref(answer);
}

/* Call, and the answer's result; the next message must be the answer. */
static inline json_t *peer_call(struct scene *scene, struct peer *peer,
                                const char *method, const char *params)
{
    char text[300];
    json_t *answer;
    json_t *result;

    (void)snprintf(text, sizeof(text),
                   "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"%s\","
                   "\"params\":%s}",
                   method, params);
    peer_text(scene, peer, text);
    answer = peer_json(scene, peer);
    result = json_incref(json_object_get(answer, "result"));
    json_decref(answer);
    assert_non_null(result);
    return result;
}

#endif
