#ifndef HG_CONTROLLERS_LINK_IMPL_H
#define HG_CONTROLLERS_LINK_IMPL_H

/*
 * What link.c (life and connection), link_config.c (checks and files),
 * link_in.c (received messages) and link_out.c (publishing) share. Nobody
 * else includes it.
 */
#include "controllers/echo.h"
#include "controllers/link.h"
#include "controllers/link_tls.h"
#include <mosquitto.h>

#define HG_LINK_REASON_BYTES   320
#define HG_LINK_PASSWORD_BYTES 1025

struct link_subscription {
    char *topic;       /* owned */
    enum hg_leaf leaf; /* NONE: of a switch */
    int options;       /* MQTT 5 */
};

enum link_state {
    LINK_WAITING = 0, /* until retry_at */
    LINK_RESOLVING,
    LINK_CONNECTING, /* from the first SYN to the CONNACK */
    LINK_UP,
    LINK_LEFT /* for good */
};

/* What proves who we are, and who the broker is. Stays where it is. */
struct hg_link_secrets {
    char *username;
    char password[HG_LINK_PASSWORD_BYTES]; /* wiped on free */
    bool has_password, has_tls;
    struct hg_link_trust trust;
};

struct hg_link {
    /* as configured */
    char *host, *client_id, *root;
    bool is_v311;
    uint16_t port, keepalive_s;
    struct hg_link_secrets *secrets; /* of this connection or attempt */
    struct hg_link_secrets *next;    /* of the next one, or NULL: the same */
    struct hg_link_loop loop;
    struct hg_link_handlers handlers;
    struct hg_resolver *resolver;
    uint64_t epoch;
    bool is_switch;
    struct link_subscription subscription[HG_LINK_SUBSCRIPTIONS];
    size_t subscription_count;
    char *will_topic, *will_payload; /* of a switch */
    uint8_t will_qos;

    enum link_state state;
    struct hg_mono now; /* of the latest driving call */
    struct hg_mono retry_at, give_up_at, up_at, acked_at;
    uint32_t retry_ms;
    uint64_t ticket; /* RESOLVING */
    struct hg_resolver_answer found;
    size_t next_address;

    /* one connection */
    struct mosquitto *mosq;
    bool is_watched, is_flushing;
    bool is_accepted; /* CONNACK 0 */
    bool is_broken;   /* reason says why; the next driving call drops it */
    bool is_announced;
    int subscribe_mid[HG_LINK_SUBSCRIPTIONS]; /* 0: acknowledged */
    size_t subscribed;
    size_t unacked;
    struct hg_echo *echo;
    char reason[HG_LINK_REASON_BYTES];
    char library_error[160];

    struct hg_link_counts counts;
};

/* Copy and check the configuration, read its files. As hg_link_new(). */
HG_MUST_CHECK int hg_link_configure(struct hg_link *link,
                                    const struct hg_link_config *config,
                                    struct hg_buf *why);
void hg_link_unconfigure(struct hg_link *link);

/* libmosquitto's callbacks of received messages and of acknowledgements */
void hg_link_take_message(struct mosquitto *mosq, void *link,
                          const struct mosquitto_message *message,
                          const mosquitto_property *properties);
void hg_link_take_ack(struct mosquitto *mosq, void *link, int mid, int reason,
                      const mosquitto_property *properties);

/* The connection is of no more use; drop it with the next driving call. */
void hg_link_break(struct hg_link *link, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
