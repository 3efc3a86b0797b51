#ifndef HG_API_SERVER_H
#define HG_API_SERVER_H

/*
 * The doors: WebSocket and HTTP on TCP or TLS, and the admin Unix socket, as
 * vhosts in the service's libwebsockets context. Everything an outsider can
 * grow has a limit; who does not read what was asked for is closed with a
 * reason and costs nobody else anything.
 *
 * Order of life: hg_api_context_setup(), lws_create_context(),
 * hg_api_server_new(), listen calls, the loop; at the end
 * hg_api_server_close_all(), a few turns of the loop, cancelled replies,
 * lws_context_destroy(), and only then hg_api_server_free().
 */
#include "api/backend.h"
#include "api/pair.h"
#include "api/rooms.h"
#include "base/buf.h"
#include "base/err.h"
#include <libwebsockets.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

#define HG_API_SUBPROTOCOL "heatgate.rpc.v1"
#define HG_API_PATH        "/v1/rpc"
#define HG_API_WHY_BYTES   512 /* enough for any why */

/* Close codes besides those of RFC 6455, 7.4.1. */
#define HG_API_CLOSE_ACCESS_ENDED 4001

struct hg_api_server;

/* 0 means the value in brackets. */
struct hg_api_limits {
    uint32_t connections;       /* TCP and TLS together [512] */
    uint32_t connections_admin; /* admin socket [64] */
    uint32_t per_address;       /* IPv6: per /64; loopback exempt [32] */
    uint32_t hello_ms;          /* from connecting to hello [10000] */
    uint32_t close_ms;          /* for a close to get through [5000] */
    uint32_t ping_s;            /* silence before a ping [30] */
    uint32_t hang_up_s;         /* silence before hanging up [60] */
    size_t queue_bytes;         /* waiting to be sent, a connection [256 Ki] */
    size_t watches;             /* of all connections together [65536] */
};

struct hg_api_server_setup {
    struct lws_context *context;          /* borrowed; outlived by the server */
    const struct hg_api_backend *backend; /* borrowed until free */
    struct hg_api_limits limits;
};

struct hg_api_listen {     /* borrowed for the call */
    const char *address;   /* IPv4 or IPv6 literal */
    uint32_t port;         /* 0: any free one */
    const char *cert_file; /* NULL: cleartext */
    const char *key_file;
    bool allow_cleartext; /* also where others than this host can listen in */
};

/*
 * Set what the API needs of the context: its options, and how long anybody
 * may take for a TLS handshake or request headers (5 s). Call it on a zeroed
 * info before the caller's own settings. fd_limit_per_thread must exceed
 * both limits of connections together by some 20; past it clients hang.
 */
void hg_api_context_setup(struct lws_context_creation_info *info);

/* HG_ERR_MEMORY; HG_ERR_INPUT: bad room names. */
HG_MUST_CHECK int hg_api_server_new(const struct hg_api_server_setup *setup,
                                    struct hg_api_server **ret_server);

/*
 * Open the TCP or TLS door, once.
 *
 * why  initialised; on failure a sentence: what happened, what to do
 *
 * HG_ERR_DENIED  cleartext beyond loopback that is not allowed
 * HG_ERR_INPUT   not an address
 * HG_ERR_SYSTEM  cannot listen, or certificate or key cannot be used
 * HG_ERR_EXISTS  open already
 */
HG_MUST_CHECK int hg_api_server_listen(struct hg_api_server *server,
                                       const struct hg_api_listen *listen,
                                       struct hg_buf *why);

/*
 * Open the admin door: a Unix socket of mode 0660. Root, this process's user
 * and members of its group act as owner; nobody else is let in. A file that
 * is there already is replaced: the caller holds the state directory's lock,
 * so it is a dead one.
 *
 * HG_ERR_RANGE   the path is longer than a socket's may be
 * HG_ERR_SYSTEM, HG_ERR_EXISTS as above; HG_ERR_EXISTS also when there is a
 *                file that is no socket
 */
HG_MUST_CHECK int hg_api_server_listen_admin(struct hg_api_server *server,
                                             const char *path,
                                             struct hg_buf *why);

/*
 * Show this certificate in every handshake from now on; connections that
 * stand go on. Of no use when the TLS door is not open.
 */
void hg_api_server_renew(struct hg_api_server *server,
                         struct hg_api_pair *pair_taken);

/*
 * The backend's rooms are others now: more of them, or other names. An index
 * stays the room's own. HG_ERR_MEMORY: nothing has changed here.
 */
HG_MUST_CHECK int hg_api_server_rooms_changed(struct hg_api_server *server);

/* The port of the TCP door; 0 when it is not open. */
uint32_t hg_api_server_port(const struct hg_api_server *server);

/* The rooms by name, for other users of desk.h; borrowed. */
const struct hg_api_rooms *
hg_api_server_rooms(const struct hg_api_server *server);

/*
 * The state of a room is (or may be) another now: its watchers will be sent
 * what changed for them, when their connections can take it. Cost: the
 * watchers of this room, no JSON is touched here.
 */
void hg_api_room_changed(struct hg_api_server *server, size_t room);

/*
 * Close every connection that is signed in as this actor, with a WebSocket
 * close code and a reason (cut to 120 bytes). Returns how many.
 */
size_t hg_api_close_actor(struct hg_api_server *server,
                          const struct hg_actor *actor, unsigned int code,
                          const char *reason);

/* Close every connection (1001) and let no new one in. */
void hg_api_server_close_all(struct hg_api_server *server);

/* Free after the context was destroyed. NULL is fine. */
void hg_api_server_free(struct hg_api_server *server);

/* Called for each WebSocket connection; false stops. Must not close any. */
typedef bool hg_api_each_caller(void *arg, const struct hg_api_caller *caller);
void hg_api_caller_for_each(const struct hg_api_server *server,
                            hg_api_each_caller *each, void *arg);

struct hg_api_counts {        /* for /metrics and doctor */
    size_t connections;       /* now, TCP and TLS, WebSocket or not */
    size_t connections_admin; /* now */
    size_t callers;           /* WebSocket connections now */
    size_t watches;           /* now */
    uint64_t accepted;
    uint64_t refused_full;      /* a limit of connections */
    uint64_t refused_peer;      /* the admin socket: not entitled */
    uint64_t refused_handshake; /* odd upgrades, foreign origins */
    uint64_t messages_in;
    uint64_t messages_out;
    uint64_t patches_out;
    uint64_t patches_made;  /* of these, made rather than shared */
    uint64_t closed_slow;   /* 1013 */
    uint64_t closed_broken; /* 1003, 1009 */
    uint64_t closed_silent; /* no hello in time */
};
void hg_api_server_count(const struct hg_api_server *server,
                         struct hg_api_counts *ret_counts);

#endif
