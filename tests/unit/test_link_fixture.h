#ifndef HG_TESTS_LINK_FIXTURE_H
#define HG_TESTS_LINK_FIXTURE_H

/*
 * A real broker on a free loopback port, a link watched by a small poll()
 * loop, and a peer (plain libmosquitto) that sees what leaves and sends what
 * should arrive. Waiting is for conditions, up to WAIT_MS; time that must
 * pass (pauses, limits) is passed in by `ahead_ms` instead of slept.
 * Include after cmocka.h.
 */
#include "base/text.h"
#include "controllers/link.h"
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define WAIT_MS    10000
#define ROOT       "heatgate/v1"
#define SEEN_MAX   64
#define TEXT_BYTES 512

/* one message, as the peer or the link received it */
struct seen {
    char topic[128];
    char payload[TEXT_BYTES];
    size_t len;
    int qos;
    bool is_retained, is_own, has_expiry;
    uint32_t expiry_s;
    char mac[HG_MAC_TEXT_BYTES];
    char response_topic[128];
    char correlation[64];
};

struct seen_list {
    size_t count;
    struct seen seen[SEEN_MAX];
};

struct world {
    char folder[64];
    pid_t broker; /* 0: none runs */
    uint16_t port;
    uint64_t ahead_ms; /* what the link's clock is ahead of the real one */

    struct hg_link *link;
    int fd; /* the dup; -1: not watched */
    bool wants_write;
    int ups, downs, failures, refusals;
    char reason[TEXT_BYTES];       /* of the latest of these */
    struct hg_permit revoke_on_up; /* published in on_up when serial != 0 */
    struct seen_list messages, foreign;

    struct mosquitto *peer;
    bool is_peer_ready;
    struct seen_list peer_seen;
};

static inline uint64_t real_ms(void)
{
    struct timespec now;

    assert_int_equal(clock_gettime(CLOCK_BOOTTIME, &now), 0);
    return (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
}

static inline struct hg_mono link_now(const struct world *w)
{
    struct hg_mono now = { real_ms() + w->ahead_ms };

    return now;
}

static inline void keep(char *out, size_t cap, const void *bytes, size_t len)
{
    size_t kept = len < cap - 1 ? len : cap - 1;

    if (kept > 0)
        memcpy(out, bytes, kept);
    out[kept] = '\0';
}

static inline struct seen *next_seen(struct seen_list *list)
{
    assert_true(list->count < SEEN_MAX);
    memset(&list->seen[list->count], 0, sizeof(list->seen[0]));
    return &list->seen[list->count++];
}

/* -- files and processes ---------------------------------------------------*/

static inline void path_in(const struct world *w, const char *name, char *out,
                           size_t cap)
{
    assert_true((size_t)snprintf(out, cap, "%s/%s", w->folder, name) < cap);
}

static inline void write_in(const struct world *w, const char *name,
                            const char *text)
{
    char path[128];
    FILE *file;

    path_in(w, name, path, sizeof(path));
    file = fopen(path, "we");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
    assert_int_equal(chmod(path, 0600), 0);
}

/* Start a program with its output thrown away. */
static inline pid_t start_program(char *const argv[])
{
    pid_t pid = fork();

    assert_true(pid >= 0);
    if (pid == 0) {
        int null = open("/dev/null", O_RDWR);

        /* no broker outlives a test that crashed */
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
        (void)dup2(null, STDIN_FILENO);
        (void)dup2(null, STDOUT_FILENO);
        (void)dup2(null, STDERR_FILENO);
        (void)execvp(argv[0], argv);
        _exit(127);
    }
    return pid;
}

static inline void run_program(char *const argv[])
{
    int status = -1;
    pid_t pid = start_program(argv);

    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
}

static inline int bind_loopback(uint16_t *ret_port)
{
    struct sockaddr_in address = { .sin_family = AF_INET };
    socklen_t len = sizeof(address);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);

    assert_true(fd >= 0);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, len), 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&address, &len), 0);
    *ret_port = ntohs(address.sin_port);
    return fd;
}

/* A connection to that port, or -1. */
static inline int connect_loopback(uint16_t port)
{
    struct sockaddr_in address = { .sin_family = AF_INET };
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);

    assert_true(fd >= 0);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons(port);
    if (connect(fd, (struct sockaddr *)&address, sizeof(address)) == 0)
        return fd;
    (void)close(fd);
    return -1;
}

/*
 * Start the broker on w->port (chosen here when 0) with more settings, and
 * wait until it listens. A restart keeps the port.
 */
static inline void start_broker(struct world *w, const char *settings)
{
    char conf[1024];
    char path[128];
    char program[] = "mosquitto";
    char option[] = "-c";
    char *argv[] = { program, option, path, NULL };
    uint64_t until = real_ms() + WAIT_MS;
    int fd;

    if (w->port == 0)
        (void)close(bind_loopback(&w->port));
    assert_true(
        (size_t)snprintf(conf, sizeof(conf),
                         "listener %u 127.0.0.1\nset_tcp_nodelay true\n"
                         "persistence false\nlog_type none\nuser root\n%s\n",
                         (unsigned)w->port, settings) < sizeof(conf));
    write_in(w, "broker.conf", conf);
    path_in(w, "broker.conf", path, sizeof(path));
    w->broker = start_program(argv);
    while ((fd = connect_loopback(w->port)) < 0) {
        assert_int_equal(waitpid(w->broker, NULL, WNOHANG), 0);
        assert_true(real_ms() < until);
        (void)poll(NULL, 0, 5);
    }
    (void)close(fd);
}

static inline void kill_broker(struct world *w)
{
    if (w->broker == 0)
        return;
    (void)kill(w->broker, SIGKILL);
    (void)waitpid(w->broker, NULL, 0);
    w->broker = 0;
}

/* -- the loop's side of the link -------------------------------------------*/

static inline int on_watch(void *ctx, int fd, struct hg_link *link)
{
    struct world *w = ctx;

    (void)link;
    assert_int_equal(w->fd, -1);
    w->fd = fcntl(fd, F_DUPFD_CLOEXEC, 0);
    return w->fd >= 0 ? 0 : HG_ERR_SYSTEM;
}

static inline void on_unwatch(void *ctx, struct hg_link *link)
{
    struct world *w = ctx;

    (void)link;
    assert_true(w->fd >= 0);
    (void)close(w->fd);
    w->fd = -1;
    w->wants_write = false;
}

static inline void on_want_write(void *ctx, struct hg_link *link)
{
    struct world *w = ctx;

    (void)link;
    w->wants_write = true;
}

static inline void on_up(void *ctx, struct hg_link *link)
{
    struct world *w = ctx;

    w->ups++;
    if (w->revoke_on_up.serial != 0)
        assert_int_equal(
            hg_link_send_permit(link, "heron", &w->revoke_on_up, 30, NULL), 0);
}

static inline void keep_reason(struct world *w, const char *reason)
{
    (void)snprintf(w->reason, sizeof(w->reason), "%s", reason);
}

static inline void on_down(void *ctx, struct hg_link *link, const char *reason)
{
    struct world *w = ctx;

    w->downs++;
    keep_reason(w, reason);
    assert_false(hg_link_is_up(link));
}

static inline void on_failed(void *ctx, struct hg_link *link,
                             const char *reason)
{
    struct world *w = ctx;

    (void)link;
    w->failures++;
    keep_reason(w, reason);
}

static inline void on_refused(void *ctx, struct hg_link *link,
                              const char *reason)
{
    struct world *w = ctx;

    (void)link;
    w->refusals++;
    keep_reason(w, reason);
}

static inline void keep_message(struct seen_list *list,
                                const struct hg_link_message *m)
{
    struct seen *seen = next_seen(list);

    keep(seen->topic, sizeof(seen->topic), m->topic, strlen(m->topic));
    keep(seen->payload, sizeof(seen->payload), m->payload, m->len);
    seen->len = m->len;
    seen->qos = m->qos;
    seen->is_retained = m->is_retained;
    seen->is_own = m->is_own;
    if (m->mac != NULL)
        keep(seen->mac, sizeof(seen->mac), m->mac, strlen(m->mac));
    if (m->response_topic != NULL)
        keep(seen->response_topic, sizeof(seen->response_topic),
             m->response_topic, strlen(m->response_topic));
    keep(seen->correlation, sizeof(seen->correlation), m->correlation,
         m->correlation_len);
}

static inline void on_message(void *ctx, struct hg_link *link,
                              const struct hg_link_message *m)
{
    struct world *w = ctx;

    (void)link;
    keep_message(&w->messages, m);
}

static inline void on_foreign_permit(void *ctx, struct hg_link *link,
                                     const struct hg_link_message *m)
{
    struct world *w = ctx;

    (void)link;
    keep_message(&w->foreign, m);
}

/* -- the peer
 * ----------------------------------------------------------------*/

static inline void peer_message(struct mosquitto *mosq, void *ctx,
                                const struct mosquitto_message *m,
                                const mosquitto_property *properties)
{
    struct world *w = ctx;
    struct seen *seen = next_seen(&w->peer_seen);
    char *name = NULL;
    char *value = NULL;

    (void)mosq;
    keep(seen->topic, sizeof(seen->topic), m->topic, strlen(m->topic));
    seen->len = (size_t)m->payloadlen;
    keep(seen->payload, sizeof(seen->payload), m->payload, seen->len);
    seen->qos = m->qos;
    seen->is_retained = m->retain;
    seen->has_expiry = mosquitto_property_read_int32(
                           properties, MQTT_PROP_MESSAGE_EXPIRY_INTERVAL,
                           &seen->expiry_s, false) != NULL;
    if (mosquitto_property_read_string_pair(properties, MQTT_PROP_USER_PROPERTY,
                                            &name, &value, false) != NULL)
        keep(seen->mac, sizeof(seen->mac), value, strlen(value));
    free(name);
    free(value);
}

static inline void peer_suback(struct mosquitto *mosq, void *ctx, int mid,
                               int count, const int *granted)
{
    struct world *w = ctx;

    (void)mosq;
    (void)mid;
    (void)count;
    (void)granted;
    w->is_peer_ready = true;
}

/* Start a peer that sees everything, retain flags as they were published. */
static inline void start_peer(struct world *w)
{
    w->peer = mosquitto_new("peer", true, w);
    assert_non_null(w->peer);
    w->is_peer_ready = false;
    assert_int_equal(mosquitto_int_option(w->peer, MOSQ_OPT_PROTOCOL_VERSION,
                                          MQTT_PROTOCOL_V5),
                     0);
    (void)mosquitto_int_option(w->peer, MOSQ_OPT_TCP_NODELAY, 1);
    mosquitto_message_v5_callback_set(w->peer, peer_message);
    mosquitto_subscribe_callback_set(w->peer, peer_suback);
    assert_int_equal(mosquitto_connect(w->peer, "127.0.0.1", w->port, 60), 0);
    assert_int_equal(mosquitto_subscribe_v5(w->peer, NULL, "#", 1,
                                            MQTT_SUB_OPT_RETAIN_AS_PUBLISHED,
                                            NULL),
                     0);
}

static inline void stop_peer(struct world *w)
{
    mosquitto_destroy(w->peer);
    w->peer = NULL;
}

static inline void peer_says(struct world *w, const char *topic,
                             const char *payload, int qos, bool is_retained)
{
    assert_int_equal(mosquitto_publish(w->peer, NULL, topic,
                                       (int)strlen(payload), payload, qos,
                                       is_retained),
                     0);
}

/* -- turning
 * -------------------------------------------------------------------*/

static inline void turn(struct world *w)
{
    struct pollfd at[2] = { { .fd = -1 }, { .fd = -1, .events = POLLIN } };
    uint64_t wait_ms = 20;

    if (w->link != NULL) {
        uint64_t wanted_ms = hg_link_tick(w->link, link_now(w));

        wait_ms = wanted_ms < wait_ms ? wanted_ms : wait_ms;
        at[0].fd = w->fd;
        at[0].events = (short)(POLLIN | (w->wants_write ? POLLOUT : 0));
    }
    if (w->peer != NULL) {
        at[1].fd = mosquitto_socket(w->peer);
        if (mosquitto_want_write(w->peer))
            at[1].events = POLLIN | POLLOUT;
    }
    if (poll(at, 2, (int)wait_ms) <= 0)
        return;
    if (w->link != NULL && (at[0].revents & POLLOUT) != 0) {
        w->wants_write = false;
        hg_link_writable(w->link, link_now(w));
    }
    if (w->link != NULL && w->fd >= 0 && w->fd == at[0].fd &&
        (at[0].revents & ~POLLOUT) != 0)
        hg_link_readable(w->link, link_now(w));
    if (w->peer != NULL && at[1].revents != 0)
        (void)mosquitto_loop(w->peer, 0, 1);
}

/* Turn until the condition holds; fails after WAIT_MS. */
#define WAIT_FOR(world, condition)                                             \
    do {                                                                       \
        uint64_t until_ = real_ms() + WAIT_MS;                                 \
                                                                               \
        while (!(condition)) {                                                 \
            if (real_ms() > until_) {                                          \
                print_error("never: %s (last reason: %s)\n", #condition,       \
                            (world)->reason);                                  \
                _fail(__FILE__, __LINE__);                                     \
            }                                                                  \
            turn(world);                                                       \
        }                                                                      \
    } while (0)

static inline const struct seen *find_seen(const struct seen_list *list,
                                           const char *topic, const char *part)
{
    for (size_t i = 0; i < list->count; i++) {
        if (strcmp(list->seen[i].topic, topic) == 0 &&
            strstr(list->seen[i].payload, part) != NULL)
            return &list->seen[i];
    }
    return NULL;
}

/*
 * Let everything that is under way arrive: the peer sends a marker, the link
 * hears it (the broker keeps the order of one publisher), and so does the
 * peer.
 */
static inline void settle_all(struct world *w)
{
    static unsigned number;
    char marker[64];

    (void)snprintf(marker, sizeof(marker), "{\"marker\":%u}", ++number);
    peer_says(w, ROOT "/otter/event", marker, 1, false);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/otter/event", marker) != NULL);
    if (hg_link_is_up(w->link)) {
        WAIT_FOR(w, hg_link_unacked(w->link) == 0);
        WAIT_FOR(w,
                 find_seen(&w->messages, ROOT "/otter/event", marker) != NULL);
    }
}

/* -- setting up
 * -----------------------------------------------------------------*/

static inline struct hg_link_config config_of(const struct world *w)
{
    struct hg_link_config config = {
        .kind = HG_LINK_LEASE,
        .host = "127.0.0.1",
        .port = w->port,
        .client_id = "heatgate",
        .root = ROOT,
        .epoch = 7,
    };

    return config;
}

static inline void make_link(struct world *w,
                             const struct hg_link_config *config)
{
    const struct hg_link_loop loop = { w, on_watch, on_unwatch, on_want_write };
    const struct hg_link_handlers handlers = {
        .ctx = w,
        .on_up = on_up,
        .on_down = on_down,
        .on_failed = on_failed,
        .on_message = on_message,
        .on_foreign_permit = on_foreign_permit,
        .on_refused = on_refused,
    };
    char text[TEXT_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, text, sizeof(text));
    if (hg_link_new(config, &loop, &handlers, &why, &w->link) < 0) {
        print_error("%s\n", text);
        fail();
    }
}

/* A link of either protocol that is up, with its birth seen by the peer. */
static inline void bring_up(struct world *w, bool is_v311)
{
    struct hg_link_config config = config_of(w);

    config.is_v311 = is_v311;
    start_peer(w);
    WAIT_FOR(w, w->is_peer_ready);
    make_link(w, &config);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", "true") != NULL);
    settle_all(w);
}

static inline int new_world(void **state)
{
    struct world *w = calloc(1, sizeof(*w));

    if (w == NULL)
        return -1;
    (void)mosquitto_lib_init();
    w->fd = -1;
    (void)snprintf(w->folder, sizeof(w->folder), "/tmp/hg-link-XXXXXX");
    if (mkdtemp(w->folder) == NULL)
        return -1;
    *state = w;
    return 0;
}

static inline int new_world_with_broker(void **state)
{
    if (new_world(state) < 0)
        return -1;
    start_broker(*state, "allow_anonymous true");
    return 0;
}

static inline int end_world(void **state)
{
    struct world *w = *state;
    char remove[] = "rm";
    char option[] = "-rf";
    char *argv[] = { remove, option, w->folder, NULL };

    hg_link_free(w->link);
    w->link = NULL;
    if (w->peer != NULL)
        stop_peer(w);
    kill_broker(w);
    run_program(argv);
    (void)mosquitto_lib_cleanup();
    free(w);
    return 0;
}

#endif
