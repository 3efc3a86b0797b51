#ifndef HG_SIM_LINK_H
#define HG_SIM_LINK_H

/*
 * The simulator's connection to the broker, for one room or, under load, for
 * many. Driven from outside; every connection is a new one with a clean
 * start, so nothing is ever sent late by the library.
 */
#include "base/buf.h"
#include "base/err.h"
#include "sim/sign.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_SIMLINK_RETRY_MIN_MS 500
#define HG_SIMLINK_RETRY_MAX_MS 8000
#define HG_SIMLINK_CONNECT_MS   5000 /* to a full connection, else again */
#define HG_SIMLINK_TOPIC_BYTES  192

struct mosquitto;

struct hg_simlink_permit { /* or, with is_outputs, light and fan */
    bool is_outputs;
    const char *room;
    const char *topic;
    const char *payload;
    size_t len;
    bool is_retained;
    const char *mac; /* NULL: none */
};

struct hg_simlink {
    /* given by the owner, borrowed; fixed once open */
    const char *host;
    uint16_t port;
    bool is_v311;
    const char *root, *client_id;
    const char *command; /* last levels of the topics it hears: "permit" */
    const char *outputs; /* and of light and fan, or NULL */
    const char *username, *password; /* or NULL */
    const char *const *names;        /* the rooms whose permits it hears */
    size_t rooms;
    bool has_will;                 /* for names[0] */
    const struct hg_simsign *sign; /* of the will */
    void (*on_permit)(void *owner, const struct hg_simlink_permit *permit);
    void *owner;
    /* its own */
    struct mosquitto *mosq; /* NULL: closed */
    bool is_connected;      /* CONNACK was good */
    bool is_ready;          /* and every subscription is granted */
    bool is_ready_news;     /* became ready; the owner clears it */
    size_t subs_left;
    uint64_t opened_ms, retry_at_ms, retry_ms;
    const char *trouble; /* why it is not ready; a constant text, or NULL */
};

struct hg_simlink_out {
    const char *room, *leaf; /* topic <root>/<room>/<leaf> */
    const char *payload;
    size_t len;
    int qos;
    bool is_retained;
    const struct hg_simsign *sign; /* not set: unsigned */
    bool is_mac_wrong;             /* spoil the mac */
};

/* Begin to connect. HG_ERR_MEMORY, HG_ERR_CLOSED (trouble says why; tried
 * again from hg_simlink_drive()). */
HG_MUST_CHECK int hg_simlink_open(struct hg_simlink *link, uint64_t now_ms);

/* Close without a goodbye, as a lost cable: the broker sends the will. */
void hg_simlink_drop(struct hg_simlink *link);

/* Say goodbye, flush for a short while, close. No will is sent. */
void hg_simlink_leave(struct hg_simlink *link);

/* Descriptor to poll, -1: none; and whether to poll for writing too. */
int hg_simlink_fd(const struct hg_simlink *link);
bool hg_simlink_wants_write(const struct hg_simlink *link);

/*
 * Read, write, keep alive, reconnect when it is time. Calls on_permit. Call
 * it when the descriptor is ready and at least once a second.
 */
void hg_simlink_drive(struct hg_simlink *link, bool is_readable,
                      uint64_t now_ms);

/* HG_ERR_CLOSED unless ready; HG_ERR_MEMORY, HG_ERR_RANGE, HG_ERR_CRYPTO. */
HG_MUST_CHECK int hg_simlink_publish(struct hg_simlink *link,
                                     const struct hg_simlink_out *out);

#endif
