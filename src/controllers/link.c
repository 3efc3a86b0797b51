/*
 * The life of the connection: resolve, connect, CONNACK, subscribe, lose,
 * again. Every attempt has a libmosquitto object of its own, because that
 * library sends what was unacknowledged again after a reconnect, even on a
 * clean session, and has no call to forget it.
 *
 * The library's callbacks only take notes or hand messages on; what may drop
 * the connection runs after the library has returned (settle()).
 */
#include "base/sat.h"
#include "base/text.h"
#include "controllers/link_impl.h"
#include <errno.h>
#include <fcntl.h>
#include <mqtt_protocol.h>
#include <netdb.h>
#include <openssl/rand.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#define READS_A_TURN 16 /* then others in the loop get their turn */
#define TICK_MS      1000
#define STEADY_MS    10000 /* up this long: the next loss is a new one */

void hg_link_break(struct hg_link *link, const char *format, ...)
{
    va_list args;

    if (link->is_broken || link->mosq == NULL)
        return; /* the first reason is the cause */
    link->is_broken = true;
    va_start(args, format);
    (void)vsnprintf(link->reason, sizeof(link->reason), format, args);
    va_end(args);
    /* wakes the watcher, which then drops the connection */
    if (mosquitto_socket(link->mosq) >= 0)
        (void)shutdown(mosquitto_socket(link->mosq), SHUT_RDWR);
}

/* -- libmosquitto's callbacks ---------------------------------------------*/

static const char *reason_text(const struct hg_link *link, int reason)
{
    return link->is_v311 ? mosquitto_connack_string(reason)
                         : mosquitto_reason_string(reason);
}

/* What the broker cannot do decides whether permits can be sent at all. */
static bool can_all(const mosquitto_property *properties)
{
    uint8_t qos = 2;
    uint8_t has_retain = 1;

    (void)mosquitto_property_read_byte(properties, MQTT_PROP_MAXIMUM_QOS, &qos,
                                       false);
    (void)mosquitto_property_read_byte(properties, MQTT_PROP_RETAIN_AVAILABLE,
                                       &has_retain, false);
    return qos >= 1 && has_retain == 1;
}

static void note_connack(struct mosquitto *mosq, void *ctx, int reason,
                         int flags, const mosquitto_property *properties)
{
    struct hg_link *link = ctx;

    (void)mosq;
    (void)flags;
    if (reason != 0)
        hg_link_break(link, "the broker refused the connection: %s",
                      reason_text(link, reason));
    else if (properties != NULL && !can_all(properties))
        hg_link_break(link, "the broker offers no QoS 1 or no retained "
                            "messages; choose one that does");
    else
        link->is_accepted = true;
}

static void note_disconnect(struct mosquitto *mosq, void *ctx, int reason,
                            const mosquitto_property *properties)
{
    struct hg_link *link = ctx;

    (void)mosq;
    (void)properties;
    if (reason == MQTT_RC_SESSION_TAKEN_OVER)
        hg_link_break(link,
                      "another client connected with the client id \"%s\"; "
                      "give each its own",
                      link->client_id);
    else if (reason >= MQTT_RC_UNSPECIFIED)
        hg_link_break(link, "the broker ended the connection: %s",
                      mosquitto_reason_string(reason));
}

static void note_suback(struct mosquitto *mosq, void *ctx, int mid, int count,
                        const int *granted,
                        const mosquitto_property *properties)
{
    struct hg_link *link = ctx;

    (void)mosq;
    (void)properties;
    for (size_t i = 0; i < link->subscription_count; i++) {
        if (link->subscribe_mid[i] != mid || count < 1)
            continue;
        link->subscribe_mid[i] = 0;
        if (granted[0] < MQTT_RC_UNSPECIFIED) {
            link->subscribed++;
            continue;
        }
        hg_link_break(link,
                      "the broker refused the subscription to %s (code %d); "
                      "its access list must allow it",
                      link->subscription[i].topic, granted[0]);
    }
}

/* Only while connecting with TLS: the log is where the library explains. */
static void note_error(struct mosquitto *mosq, void *ctx, int level,
                       const char *text)
{
    struct hg_link *link = ctx;

    (void)mosq;
    if (level == MOSQ_LOG_ERR)
        (void)snprintf(link->library_error, sizeof(link->library_error), "%s",
                       text);
}

/* -- losing a connection --------------------------------------------------*/

static void forget_connection(struct hg_link *link)
{
    if (link->is_watched)
        link->loop.unwatch(link->loop.ctx, link);
    link->is_watched = false;
    mosquitto_destroy(link->mosq); /* no DISCONNECT: the will is published */
    link->mosq = NULL;
    link->is_accepted = false;
    link->is_broken = false;
    link->is_announced = false;
    link->unacked = 0;
    link->subscribed = 0;
    memset(link->subscribe_mid, 0, sizeof(link->subscribe_mid));
    hg_echo_clear(link->echo);
}

/* Doubling pauses; up to a quarter more, so that many do not come at once. */
static void plan_retry(struct hg_link *link)
{
    uint8_t noise = 0;
    uint64_t pause = link->retry_ms;

    if (link->next_address < link->found.count) {
        link->retry_at = link->now; /* the name has another address */
        return;
    }
    (void)RAND_bytes(&noise, 1); /* without noise it is regular, no worse */
    pause += pause * noise / 1024;
    if (pause > HG_LINK_RETRY_MAX_MS)
        pause = HG_LINK_RETRY_MAX_MS;
    link->retry_at = hg_mono_add(link->now, pause);
    link->retry_ms = link->retry_ms * 2 < HG_LINK_RETRY_MAX_MS
                         ? link->retry_ms * 2
                         : HG_LINK_RETRY_MAX_MS;
}

/* The attempt or the connection is over; reason may be link->reason. */
static void drop(struct hg_link *link, const char *reason)
{
    bool was_up = link->state == LINK_UP;
    char text[HG_LINK_REASON_BYTES];

    (void)snprintf(text, sizeof(text), "%s", reason);
    forget_connection(link);
    if (was_up) {
        link->found.count = 0; /* look the name up again */
        if (hg_mono_since(link->now, link->up_at) >= STEADY_MS)
            link->retry_ms = HG_LINK_RETRY_MIN_MS;
    } else {
        link->counts.failures++;
    }
    link->state = LINK_WAITING;
    plan_retry(link);
    if (was_up)
        link->handlers.on_down(link->handlers.ctx, link, text);
    else if (link->handlers.on_failed != NULL)
        link->handlers.on_failed(link->handlers.ctx, link, text);
}

/* Put a return code of the library into words. */
static void explain(struct hg_link *link, int rc, int error)
{
    struct hg_buf why;

    if (link->is_broken)
        return; /* already said */
    hg_buf_init(&why, link->reason, sizeof(link->reason));
    if (link->secrets->trust.refusal[0] != '\0') {
        hg_buf_addf(&why, "the broker's certificate was refused: %s",
                    link->secrets->trust.refusal);
        hg_buf_addf(&why, " (it must be valid and made out to %s)",
                    link->secrets->trust.name);
        return;
    }
    hg_buf_add(&why, link->state == LINK_UP ? "the connection was lost: "
                                            : "the broker cannot be reached: ");
    if (rc == MOSQ_ERR_ERRNO && error != 0)
        hg_buf_add(&why, strerror(error));
    else if (link->library_error[0] != '\0')
        hg_buf_add(&why, link->library_error);
    else
        hg_buf_add(&why, rc == MOSQ_ERR_SUCCESS || rc == MOSQ_ERR_CONN_LOST
                             ? "the broker hung up"
                             : mosquitto_strerror(rc));
    /* many brokers do not say that another client took the session over */
    if (link->state == LINK_UP && rc == MOSQ_ERR_CONN_LOST &&
        hg_mono_since(link->now, link->up_at) < STEADY_MS)
        hg_buf_addf(&why,
                    "; if that goes on, see that no other client uses the "
                    "client id \"%s\"",
                    link->client_id);
}

/* -- coming up ------------------------------------------------------------*/

static void subscribe_one(struct hg_link *link, size_t i)
{
    const struct link_subscription *to = &link->subscription[i];
    int options =
        link->is_v311 ? 0 : to->options | MQTT_SUB_OPT_RETAIN_AS_PUBLISHED;
    int rc = mosquitto_subscribe_v5(link->mosq, &link->subscribe_mid[i],
                                    to->topic, 1, options, NULL);

    if (rc != MOSQ_ERR_SUCCESS)
        hg_link_break(link, "subscribing to %s failed: %s", to->topic,
                      mosquitto_strerror(rc));
}

void hg_link_ask_online(struct hg_link *link)
{
    /* an answer that is outstanding comes with the same messages */
    for (size_t i = 0; hg_link_is_up(link) && i < link->subscription_count;
         i++) {
        if (link->subscription[i].leaf != HG_LEAF_ONLINE ||
            link->subscribe_mid[i] != 0)
            continue;
        link->subscribed--;
        subscribe_one(link, i);
        if (!link->is_broken && mosquitto_want_write(link->mosq))
            link->loop.want_write(link->loop.ctx, link);
    }
}

static void go_up(struct hg_link *link)
{
    mosquitto_log_callback_set(link->mosq, NULL); /* it costs a print each */
    link->state = LINK_UP;
    link->up_at = link->now;
    link->acked_at = link->now;
    link->counts.connects++;
    link->handlers.on_up(link->handlers.ctx, link);
    for (size_t i = 0; i < link->subscription_count && !link->is_broken; i++)
        subscribe_one(link, i);
}

/*
 * The birth waits for the subscriptions: it replaces the retained message of
 * a gateway before us, whose epoch must be heard first.
 */
static void go_public(struct hg_link *link)
{
    int err;

    link->is_announced = true;
    if (link->is_switch)
        return; /* a foreign controller knows no birth of ours */
    err = hg_link_announce(link);
    if (err < 0)
        hg_link_break(link, "the birth message could not be sent: %s",
                      hg_err_text(err));
}

/*
 * After each call of the library: is the connection still there? Returns
 * false when it is not; a handler has been told then.
 */
static bool settle(struct hg_link *link, int rc, int error)
{
    if (rc == MOSQ_ERR_SUCCESS && mosquitto_socket(link->mosq) >= 0 &&
        !link->is_broken) {
        if (link->state == LINK_CONNECTING && link->is_accepted)
            go_up(link);
        if (link->subscribed == link->subscription_count && !link->is_announced)
            go_public(link);
        if (!link->is_broken)
            return true;
    }
    explain(link, rc, error);
    drop(link, link->reason);
    return false;
}

/* -- connecting -----------------------------------------------------------*/

static int set_will(struct hg_link *link)
{
    char topic[HG_TOPIC_BYTES];
    char payload[128];
    struct hg_buf topic_buf;
    struct hg_buf buf;

    if (link->is_switch)
        return mosquitto_will_set(link->mosq, link->will_topic,
                                  (int)strlen(link->will_payload),
                                  link->will_payload, link->will_qos, false);
    hg_buf_init(&topic_buf, topic, sizeof(topic));
    hg_buf_init(&buf, payload, sizeof(payload));
    if (hg_topic_build(link->root, NULL, HG_LEAF_GATEWAY, &topic_buf) < 0 ||
        hg_codec_encode_gateway(link->epoch, false, &buf) < 0)
        return MOSQ_ERR_INVAL;
    return mosquitto_will_set(link->mosq, topic, (int)buf.len, buf.bytes, 1,
                              true);
}

/*
 * Ask an MQTT 5 broker not to send packets beyond our limit, and to end the
 * session with the connection. The library takes connect properties only in
 * its blocking call; without a host that call stores them and goes no
 * further, and the asynchronous one then uses them.
 */
static int set_connect_properties(struct hg_link *link)
{
    mosquitto_property *list = NULL;
    int rc;

    rc = mosquitto_property_add_int32(&list, MQTT_PROP_MAXIMUM_PACKET_SIZE,
                                      HG_LINK_PACKET_MAX);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_property_add_int32(&list,
                                          MQTT_PROP_SESSION_EXPIRY_INTERVAL, 0);
    if (rc == MOSQ_ERR_SUCCESS) {
        rc = mosquitto_connect_bind_v5(link->mosq, NULL, 0, 0, NULL, list);
        if (rc == MOSQ_ERR_INVAL)
            rc = MOSQ_ERR_SUCCESS; /* no host, as meant */
    }
    mosquitto_property_free_all(&list);
    return rc;
}

static int set_options(struct hg_link *link)
{
    struct mosquitto *mosq = link->mosq;
    int rc;

    rc = mosquitto_int_option(mosq, MOSQ_OPT_PROTOCOL_VERSION,
                              link->is_v311 ? MQTT_PROTOCOL_V311
                                            : MQTT_PROTOCOL_V5);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_int_option(mosq, MOSQ_OPT_TCP_NODELAY, 1);
    if (rc == MOSQ_ERR_SUCCESS) /* 0: as many as the broker takes */
        rc = mosquitto_int_option(mosq, MOSQ_OPT_SEND_MAXIMUM, 0);
    if (rc == MOSQ_ERR_SUCCESS && link->secrets->username != NULL)
        rc = mosquitto_username_pw_set(
            mosq, link->secrets->username,
            link->secrets->has_password ? link->secrets->password : NULL);
    if (rc == MOSQ_ERR_SUCCESS && link->secrets->has_tls)
        rc = mosquitto_int_option(mosq, MOSQ_OPT_SSL_CTX_WITH_DEFAULTS, 0);
    if (rc == MOSQ_ERR_SUCCESS && link->secrets->has_tls)
        rc = mosquitto_void_option(mosq, MOSQ_OPT_SSL_CTX,
                                   link->secrets->trust.ctx);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = set_will(link);
    if (rc == MOSQ_ERR_SUCCESS && !link->is_v311)
        rc = set_connect_properties(link);
    return rc;
}

static void set_callbacks(struct hg_link *link)
{
    struct mosquitto *mosq = link->mosq;

    mosquitto_connect_v5_callback_set(mosq, note_connack);
    mosquitto_disconnect_v5_callback_set(mosq, note_disconnect);
    mosquitto_subscribe_v5_callback_set(mosq, note_suback);
    mosquitto_message_v5_callback_set(mosq, hg_link_take_message);
    mosquitto_publish_v5_callback_set(mosq, hg_link_take_ack);
    if (link->secrets->has_tls)
        mosquitto_log_callback_set(mosq, note_error);
}

/* Give the connection's descriptor to the loop. */
static int watch(struct hg_link *link)
{
    int fd = mosquitto_socket(link->mosq);
    int err;

    /* the library opens it without this flag */
    if (fcntl(fd, F_SETFD, FD_CLOEXEC) < 0)
        return HG_ERR_SYSTEM;
    err = link->loop.watch(link->loop.ctx, fd, link);
    if (err < 0)
        return err;
    link->is_watched = true;
    link->loop.want_write(link->loop.ctx, link);
    return 0;
}

/* No connection is under way: what was handed in meanwhile is of use now. */
static void renew_secrets(struct hg_link *link)
{
    if (link->next == NULL)
        return;
    hg_link_secrets_free(link->secrets);
    link->secrets = link->next;
    link->next = NULL;
}

/* Try the next address of the host. */
static void connect_next(struct hg_link *link)
{
    const char *address = link->found.address[link->next_address++];
    int rc;
    int err;

    link->state = LINK_CONNECTING;
    link->give_up_at = hg_mono_add(link->now, HG_LINK_CONNECT_MS);
    link->library_error[0] = '\0';
    renew_secrets(link);
    link->secrets->trust.refusal[0] = '\0';
    link->mosq = mosquitto_new(link->client_id, true, link);
    if (link->mosq == NULL) {
        drop(link, "out of memory");
        return;
    }
    set_callbacks(link);
    rc = set_options(link);
    errno = 0;
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_connect_async(link->mosq, address, link->port,
                                     link->keepalive_s);
    if (rc != MOSQ_ERR_SUCCESS || mosquitto_socket(link->mosq) < 0) {
        explain(link, rc, errno);
        drop(link, link->reason);
        return;
    }
    err = watch(link);
    if (err < 0)
        drop(link, "the connection cannot be watched: too many descriptors "
                   "or no memory");
}

/* A new round: all addresses of the host, looked up freshly if it is a name */
static void begin(struct hg_link *link)
{
    link->next_address = 0;
    link->found.count = 0;
    if (hg_resolver_is_address(link->host)) {
        link->found.count = 1;
        (void)snprintf(link->found.address[0], sizeof(link->found.address[0]),
                       "%s", link->host);
        connect_next(link);
        return;
    }
    link->state = LINK_RESOLVING;
    if (hg_resolver_ask(link->resolver, link->host, &link->ticket) < 0)
        drop(link, "too many host names are being looked up");
}

static void take_answer(struct hg_link *link)
{
    int err = hg_resolver_take(link->resolver, link->ticket, &link->found);
    char text[HG_LINK_REASON_BYTES];

    if (err == HG_ERR_BUSY)
        return;
    if (err == 0 && link->found.gai == 0) {
        link->next_address = 0;
        connect_next(link);
        return;
    }
    (void)snprintf(text, sizeof(text),
                   "the host name \"%s\" cannot be looked up: %s", link->host,
                   err == 0 ? gai_strerror(link->found.gai)
                            : "the look-up was lost");
    link->found.count = 0;
    drop(link, text);
}

/* -- driving --------------------------------------------------------------*/

/* Write what is waiting; false when the connection is gone. */
static bool flush(struct hg_link *link)
{
    int rc;

    if (!mosquitto_want_write(link->mosq))
        return true;
    errno = 0;
    rc = mosquitto_loop_write(link->mosq, 1);
    return settle(link, rc, errno);
}

/*
 * libmosquitto 2.0 takes a TLS handshake that ended in a reset or a hang-up
 * for one that goes on: look at the socket ourselves, or it would stay
 * readable for ever.
 */
static bool is_handshake_dead(const struct hg_link *link)
{
    char byte;
    ssize_t got;

    if (!link->secrets->has_tls || link->state != LINK_CONNECTING)
        return false;
    got = recv(mosquitto_socket(link->mosq), &byte, 1, MSG_PEEK | MSG_DONTWAIT);
    return got == 0 || (got < 0 && errno != EAGAIN && errno != EINTR);
}

static void tell_written(struct hg_link *link)
{
    if (link->handlers.on_written != NULL)
        link->handlers.on_written(link->handlers.ctx, link);
}

static void read_all(struct hg_link *link)
{
    for (int i = 0; i < READS_A_TURN; i++) {
        bool is_alive;
        int rc;
        int error;

        errno = 0;
        rc = mosquitto_loop_read(link->mosq, 1);
        error = errno;
        if (rc != MOSQ_ERR_SUCCESS)
            tell_written(link); /* before on_down: in the order of events */
        is_alive = settle(link, rc, error) && flush(link);
        tell_written(link);
        if (!is_alive)
            return;
        if (is_handshake_dead(link)) {
            (void)settle(link, MOSQ_ERR_CONN_LOST, 0);
            return;
        }
        if (error == EAGAIN)
            return;
    }
}

static void ask_to_write(struct hg_link *link)
{
    if (link->mosq != NULL && mosquitto_want_write(link->mosq))
        link->loop.want_write(link->loop.ctx, link);
}

void hg_link_readable(struct hg_link *link, struct hg_mono now)
{
    link->now = now;
    if (link->mosq == NULL)
        return;
    link->is_flushing = true;
    read_all(link);
    link->is_flushing = false;
    ask_to_write(link);
}

void hg_link_writable(struct hg_link *link, struct hg_mono now)
{
    int rc;

    link->now = now;
    if (link->mosq == NULL)
        return;
    errno = 0;
    rc = mosquitto_loop_write(link->mosq, 1);
    if (!settle(link, rc, errno))
        return;
    /* writing does not drive the library's TLS handshake; reading does */
    if (link->secrets->has_tls && link->state == LINK_CONNECTING)
        hg_link_readable(link, now);
    else
        ask_to_write(link);
}

static void keep_up(struct hg_link *link)
{
    int rc;

    if (link->unacked > 0 &&
        hg_mono_since(link->now, link->acked_at) >= HG_LINK_ACK_MS)
        hg_link_break(link, "the broker has acknowledged nothing for %d s",
                      HG_LINK_ACK_MS / 1000);
    errno = 0;
    rc = mosquitto_loop_misc(link->mosq);
    if (settle(link, rc, errno))
        ask_to_write(link);
}

uint64_t hg_link_tick(struct hg_link *link, struct hg_mono now)
{
    uint64_t left = TICK_MS;

    link->now = now;
    if (link->state == LINK_WAITING && hg_mono_reached(now, link->retry_at)) {
        if (link->next_address < link->found.count)
            connect_next(link);
        else
            begin(link);
    } else if (link->state == LINK_RESOLVING) {
        take_answer(link);
    } else if (link->state == LINK_CONNECTING &&
               hg_mono_reached(now, link->give_up_at)) {
        hg_link_break(link, "the broker did not answer within %d s",
                      HG_LINK_CONNECT_MS / 1000);
        (void)settle(link, MOSQ_ERR_SUCCESS, 0);
    } else if (link->state == LINK_UP) {
        keep_up(link);
    }
    if (link->state == LINK_WAITING)
        left = hg_mono_since(link->retry_at, now);
    return left < TICK_MS ? left : TICK_MS;
}

/* -- life -----------------------------------------------------------------*/

int hg_link_new(const struct hg_link_config *config,
                const struct hg_link_loop *loop,
                const struct hg_link_handlers *handlers, struct hg_buf *why,
                struct hg_link **ret_link)
{
    struct hg_link *link = calloc(1, sizeof(*link));
    int err;

    if (link == NULL) {
        hg_buf_add(why, "out of memory");
        return HG_ERR_MEMORY;
    }
    (void)mosquitto_lib_init(); /* counted by the library */
    link->loop = *loop;
    link->handlers = *handlers;
    link->retry_ms = HG_LINK_RETRY_MIN_MS;
    err = hg_link_configure(link, config, why);
    if (err < 0) {
        hg_link_free(link);
        return err;
    }
    *ret_link = link;
    return 0;
}

void hg_link_free(struct hg_link *link)
{
    if (link == NULL)
        return;
    if (link->state == LINK_RESOLVING)
        hg_resolver_drop(link->resolver, link->ticket);
    if (link->mosq != NULL)
        forget_connection(link);
    hg_link_unconfigure(link);
    free(link);
    (void)mosquitto_lib_cleanup();
}

/*
 * MQTT 5 lets the broker publish the will at a DISCONNECT (section 3.14.2.1,
 * reason code 4). For 3.1.1 the same is published before it.
 */
static void say_goodbye(struct hg_link *link)
{
    char topic[HG_TOPIC_BYTES];
    char payload[128];
    struct hg_buf topic_buf;
    struct hg_buf buf;

    if (!link->is_v311) {
        (void)mosquitto_disconnect_v5(link->mosq,
                                      MQTT_RC_DISCONNECT_WITH_WILL_MSG, NULL);
        return;
    }
    hg_buf_init(&topic_buf, topic, sizeof(topic));
    hg_buf_init(&buf, payload, sizeof(payload));
    if (hg_topic_build(link->root, NULL, HG_LEAF_GATEWAY, &topic_buf) < 0 ||
        hg_codec_encode_gateway(link->epoch, false, &buf) < 0 ||
        mosquitto_publish(link->mosq, NULL, topic, (int)buf.len, buf.bytes, 1,
                          true) != MOSQ_ERR_SUCCESS)
        return; /* closing without DISCONNECT makes the broker say it */
    (void)mosquitto_disconnect(link->mosq);
}

void hg_link_leave(struct hg_link *link)
{
    if (link->state == LINK_RESOLVING)
        hg_resolver_drop(link->resolver, link->ticket);
    if (hg_link_is_up(link)) {
        say_goodbye(link);
        /* a failure here ends like a cut cable: with the will */
        (void)mosquitto_loop_write(link->mosq, 1);
    }
    link->state = LINK_LEFT;
    if (link->mosq != NULL)
        forget_connection(link);
}

void hg_link_renew(struct hg_link *link, struct hg_link_secrets *secrets_taken)
{
    hg_link_secrets_free(link->next);
    link->next = secrets_taken;
}

/* -- asking ---------------------------------------------------------------*/

bool hg_link_is_up(const struct hg_link *link)
{
    return link->state == LINK_UP && !link->is_broken;
}

struct hg_mono hg_link_now(const struct hg_link *link)
{
    return link->now;
}

bool hg_link_is_v311(const struct hg_link *link)
{
    return link->is_v311;
}

const char *hg_link_root(const struct hg_link *link)
{
    return link->root;
}

size_t hg_link_unacked(const struct hg_link *link)
{
    return link->unacked;
}

struct hg_link_counts hg_link_counts(const struct hg_link *link)
{
    return link->counts;
}
