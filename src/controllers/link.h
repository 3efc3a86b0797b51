#ifndef HG_CONTROLLERS_LINK_H
#define HG_CONTROLLERS_LINK_H

/*
 * One connection to the MQTT broker, driven from outside: no thread, no
 * clock, no event loop of its own. Whoever owns the loop watches the
 * descriptor, calls the functions under "driving" and gets handlers called
 * back from them. A lost connection is made again by itself, with a doubling
 * pause from 250 ms to 30 s.
 *
 * Nothing is kept for later: what is published while the link is down is
 * refused with HG_ERR_CLOSED, and what the broker had not acknowledged when
 * a connection ended is forgotten, never sent again. A late permit would be
 * worse than none.
 */
#include "base/buf.h"
#include "base/err.h"
#include "controllers/codec.h"
#include "controllers/mac.h"
#include "controllers/resolver.h"
#include "controllers/topic.h"
#include "heatgate/tick.h"

#define HG_LINK_RETRY_MIN_MS 250
#define HG_LINK_RETRY_MAX_MS 30000
#define HG_LINK_CONNECT_MS   10000  /* from start to CONNACK, else given up */
#define HG_LINK_ACK_MS       10000  /* without any acknowledgement: given up */
#define HG_LINK_UNACKED_MAX  50000  /* messages; beyond: HG_ERR_FULL */
#define HG_LINK_PACKET_MAX   131072 /* bytes; asked of an MQTT 5 broker */

struct hg_link;

enum hg_link_kind {
    HG_LINK_NONE = 0,
    HG_LINK_LEASE, /* the contract's own topics, with birth and will */
    HG_LINK_SWITCH /* a foreign controller's topics, its off as the will */
};

#define HG_LINK_SUBSCRIPTIONS 16 /* of one link, at most */

struct hg_link_subscription {
    const char *topic;
    bool is_no_local; /* own messages are not sent back */
};

struct hg_link_will { /* not retained */
    const char *topic;
    const char *payload;
    uint8_t qos;
};

struct hg_link_tls {
    const char *ca_file;   /* PEM; NULL: the system's authorities */
    const char *cert_file; /* PEM chain and … */
    const char *key_file;  /* … its key: both or none (NULL) */
    const char *name;      /* name on the certificate; NULL: the host */
};

/* All strings are copied. Zero is the default where one is named. */
struct hg_link_config {
    enum hg_link_kind kind;
    const char *host; /* name or address */
    uint16_t port;    /* not 0 */
    bool is_v311;     /* MQTT 3.1.1 instead of 5 */
    const char *client_id;
    const char *root;              /* LEASE: hg_topic_is_root() */
    const char *username;          /* or NULL */
    const char *password_file;     /* or NULL; one line; needs a username */
    const struct hg_link_tls *tls; /* or NULL */
    uint16_t keepalive_s;          /* 5 … 65535; 0: 15 */
    uint64_t epoch;                /* LEASE: for birth and will */
    /* SWITCH, which is MQTT 5 only; topics and will are copied */
    const struct hg_link_subscription *subscription;
    size_t subscription_count;
    struct hg_link_will will;
    struct hg_resolver *resolver; /* borrowed; may be NULL for an address */
};

/*
 * The loop's side. watch() is given a descriptor that belongs to the link:
 * it must dup() it at once and watch the dup for reading, because the link's
 * own one is closed before unwatch() is called. Readable, hung up and in
 * error all mean hg_link_readable(); writable, once after each want_write(),
 * means hg_link_writable(). unwatch() must close the dup, or the connection
 * stays half alive. None of them may call the link back.
 */
struct hg_link_loop {
    void *ctx;
    int (*watch)(void *ctx, int fd, struct hg_link *link); /* 0 or hg_err */
    void (*unwatch)(void *ctx, struct hg_link *link);
    void (*want_write)(void *ctx, struct hg_link *link);
};

/* One message as received; every pointer is borrowed for the call only. */
struct hg_link_message {
    struct hg_topic at; /* the topic taken apart; leaf NONE with SWITCH */
    const char *topic;
    const void *payload; /* may be NULL when len is 0 */
    size_t len;
    uint8_t qos;
    bool is_retained; /* proves nothing */
    bool is_own;      /* on <root>/gateway: we published it ourselves */
    const char *mac;  /* user property "mac"; NULL: none; "": several */
    const char *response_topic; /* NULL: none; "": no topic to publish to */
    const void *correlation;    /* or NULL */
    size_t correlation_len;
};

/*
 * Called from the driving functions only, never from a publish. They may
 * publish; they must not free the link.
 */
struct hg_link_handlers {
    void *ctx;
    /* the broker accepted us; what is published here leaves before the
     * subscriptions, and long before the birth, which follows when the broker
     * has confirmed them all */
    void (*on_up)(void *ctx, struct hg_link *link);
    /* it was up and is no more; reason is text for people */
    void (*on_down)(void *ctx, struct hg_link *link, const char *reason);
    /* an attempt failed; optional */
    void (*on_failed)(void *ctx, struct hg_link *link, const char *reason);
    /* telemetry, event, online, rpc, gateway; with SWITCH every message */
    void (*on_message)(void *ctx, struct hg_link *link,
                       const struct hg_link_message *message);
    /* after each message, when what the handlers published first has left:
     * the place for what may come after a revoke; optional */
    void (*on_written)(void *ctx, struct hg_link *link);
    /* on a permit topic, and not from us */
    void (*on_foreign_permit)(void *ctx, struct hg_link *link,
                              const struct hg_link_message *message);
    /* the broker refused a message of ours; optional */
    void (*on_refused)(void *ctx, struct hg_link *link, const char *reason);
};

/* -- life --------------------------------------------------------------*/

/*
 * Make a link; it stays down until the first hg_link_tick(). Reads the
 * password, certificate and key files now. On failure why says what to put
 * right: HG_ERR_INPUT, HG_ERR_RANGE, HG_ERR_SYSTEM (a file),
 * HG_ERR_DENIED (mode of the password file), HG_ERR_CRYPTO, HG_ERR_MEMORY.
 */
HG_MUST_CHECK int hg_link_new(const struct hg_link_config *config,
                              const struct hg_link_loop *loop,
                              const struct hg_link_handlers *handlers,
                              struct hg_buf *why, struct hg_link **ret_link);

/*
 * Drop the connection at once (the broker then publishes the will) and free.
 * Not from a handler. NULL is fine. No handler is called.
 */
void hg_link_free(struct hg_link *link);

/*
 * Say goodbye in order: retained online:false, then DISCONNECT, both as far
 * as the socket takes them now. Not from a handler. The link stays down for
 * good; on_down is not called. Wait for hg_link_unacked() to reach 0 before,
 * but not for ever.
 */
void hg_link_leave(struct hg_link *link);

/*
 * Read the files of user name, password and certificates anew, for a link
 * that lives: only these members of config and the host are looked at. Touches
 * no link, so that a helper thread may do it. Errors as of hg_link_new().
 */
struct hg_link_secrets;
HG_MUST_CHECK int hg_link_secrets_new(const struct hg_link_config *config,
                                      struct hg_buf *why,
                                      struct hg_link_secrets **ret_secrets);
void hg_link_secrets_free(struct hg_link_secrets *secrets); /* NULL is fine */
/* Use them from the next connection on; the present one goes on. */
void hg_link_renew(struct hg_link *link, struct hg_link_secrets *secrets_taken);

/*
 * Subscribe to <root>/+/online once more: the broker then repeats what is
 * retained there, also of rooms that were not known before. Nothing is done
 * when the link is down; it subscribes when it comes up.
 */
void hg_link_ask_online(struct hg_link *link);

/* -- driving -----------------------------------------------------------*/

void hg_link_readable(struct hg_link *link, struct hg_mono now);
void hg_link_writable(struct hg_link *link, struct hg_mono now);

/*
 * Keep-alive, time limits, connecting again, answers of the resolver. Call
 * it at least once a second, when the resolver wakes the loop, and when the
 * returned number of milliseconds is over (it changes only inside driving
 * functions; at most 1000).
 */
uint64_t hg_link_tick(struct hg_link *link, struct hg_mono now);

/* -- asking --------------------------------------------------------------*/

bool hg_link_is_up(const struct hg_link *link);
/* of the latest driving call: what a handler calls now */
struct hg_mono hg_link_now(const struct hg_link *link);
bool hg_link_is_v311(const struct hg_link *link);
const char *hg_link_root(const struct hg_link *link);
/* messages of this connection not yet written out (QoS 0) or acknowledged */
size_t hg_link_unacked(const struct hg_link *link);

struct hg_link_counts {
    uint64_t received;  /* PUBLISH packets */
    uint64_t misplaced; /* … on topics or rooms that cannot be ours */
    uint64_t published;
    uint64_t echoes;   /* own permits that an MQTT 3.1.1 broker sent back */
    uint64_t foreign;  /* permits from others */
    uint64_t refused;  /* own messages that the broker refused */
    uint64_t connects; /* times up */
    uint64_t failures; /* failed attempts */
};
struct hg_link_counts hg_link_counts(const struct hg_link *link);

/* -- publishing ------------------------------------------------------------*/

struct hg_link_publication {
    const char *topic;
    const void *payload;
    size_t len;              /* at most HG_LINK_PACKET_MAX / 2 */
    uint8_t qos;             /* 0 or 1 */
    bool is_retained;        /* refused on a permit topic, and by SWITCH */
    uint32_t expiry_s;       /* message expiry; 0: none; not with MQTT 3.1.1 */
    const char *mac;         /* user property, or NULL; MQTT 5 only */
    const void *correlation; /* or NULL; MQTT 5 only */
    size_t correlation_len;
};

/*
 * Publish now. Outside the handlers it leaves at once, inside them right
 * after the handler returns. A permit topic needs QoS 1 and no retain flag,
 * and with MQTT 3.1.1 is remembered, so that its echo is not taken for a
 * rival's.
 * HG_ERR_CLOSED: the link is not up, nothing was kept; HG_ERR_INPUT: bad
 * topic, or a combination that is refused; HG_ERR_RANGE: too long;
 * HG_ERR_FULL: too many unacknowledged (never for a permit); HG_ERR_MEMORY.
 * expiry_s is dropped with MQTT 3.1.1, mac and correlation are HG_ERR_INPUT
 * there.
 */
HG_MUST_CHECK int hg_link_publish(struct hg_link *link,
                                  const struct hg_link_publication *what);

/*
 * Encode, sign (mac may be NULL) and publish a permit or revoke of a room
 * with QoS 1, message expiry expiry_s. Errors as above and of
 * hg_permit_encode(), hg_topic_build(), hg_mac_sign().
 */
HG_MUST_CHECK int hg_link_send_permit(struct hg_link *link, const char *room,
                                      const struct hg_permit *permit,
                                      uint32_t expiry_s, struct hg_mac *mac);

/*
 * Our epoch was raised: birth and will say so from now on. When up, the
 * birth is published again at once; the will changes with the next
 * connection. HG_ERR_RANGE: HG_EPOCH_LIMIT or more.
 */
HG_MUST_CHECK int hg_link_set_epoch(struct hg_link *link, uint64_t epoch);

/* Publish the birth again, for example over another's. As publish. */
HG_MUST_CHECK int hg_link_announce(struct hg_link *link);

#endif
