#ifndef HG_API_INSIDE_H
#define HG_API_INSIDE_H

/*
 * What the files of the server share; nobody outside includes this.
 *   server.c     its life, its doors, its limits
 *   door.c       sockets come and go: limits, and who is there
 *   handshake.c  which upgrades are let through
 *   pair.c       certificates that came later
 *   http.c       the plain answers
 *   conn.c       one WebSocket connection
 */
#include "api/desk.h"
#include "api/pair.h"
#include "api/peers.h"
#include "api/queue.h"
#include "api/server.h"
#include "api/watch.h"

#define HG_CONN_REASON_BYTES 121 /* RFC 6455, 5.5: 125, less the code */

/* Of one listening socket; user pointer of its vhost. */
struct hg_api_gate {
    struct hg_api_server *server;
    struct lws_vhost *vhost;
    bool is_admin;
    bool is_tls;
};

/* Of one accepted socket, WebSocket or not; opaque user data of its wsi. */
struct hg_api_door {
    struct hg_api_gate *gate;
    struct hg_peer *peer; /* NULL on the admin socket */
    bool is_loopback;
    unsigned int uid; /* on the admin socket */
    char address[HG_API_ADDRESS_BYTES];
};

/* Of one HTTP transaction: a body that goes out in pieces; lws keeps it. */
struct hg_api_http {
    unsigned char *body; /* LWS_PRE of headroom first; NULL: none */
    size_t len, sent;
};

/* Of one WebSocket connection; lws keeps it, zeroed at first. */
struct hg_api_conn {
    struct hg_api_server *server;
    struct lws *wsi;
    struct hg_api_desk *desk; /* NULL before and after its life */
    struct hg_queue queue;
    struct hg_watch_list watches;
    lws_sorted_usec_list_t deadline; /* of hello, then of the close */
    unsigned char *rx;               /* a message that comes in pieces */
    size_t rx_len, rx_cap;
    bool is_closing;
    unsigned int close_code;
    char close_reason[HG_CONN_REASON_BYTES];
    struct hg_api_conn *prev, *next;
};

struct hg_api_server {
    struct lws_context *context;
    const struct hg_api_backend *backend;
    struct hg_api_limits limits; /* none is 0 */
    struct hg_api_rooms *rooms;
    struct hg_watch_board *board;
    struct hg_peers *peers;
    struct hg_api_gate tcp, admin;
    struct hg_api_pair *pair; /* shown instead of the first; NULL: the first */
    char admin_path[108];     /* "" when there is none */
    lws_retry_bo_t validity;
    bool is_closing;
    struct hg_api_conn *conns;
    uint64_t next_connection;
    struct hg_api_counts counts;
};

/* The protocols of every vhost: HTTP first, then ours. */
extern const struct lws_protocols hg_api_protocols[];

struct hg_api_gate *hg_api_gate_of(struct lws *wsi);
struct hg_api_door *hg_api_door_of(struct lws *wsi);

/* A vhost's TLS is made: let handshakes ask for the newest pair. */
void hg_api_server_set_tls(struct hg_api_gate *gate, void *ssl_ctx);

/* Callbacks that come before there is a request; see door.c. */
int hg_api_door_filter(struct lws *listener, int fd);
int hg_api_door_open(struct lws *wsi);
void hg_api_door_close(struct lws *wsi);

/* The status to refuse an upgrade with, and why; 0: let it through. */
unsigned int hg_api_handshake_check(struct lws *wsi, const char *upgrade,
                                    const char **ret_why);

/* lws callbacks of the two protocols */
int hg_api_http_callback(struct lws *wsi, enum lws_callback_reasons reason,
                         void *user, void *in, size_t len);
int hg_api_conn_callback(struct lws *wsi, enum lws_callback_reasons reason,
                         void *user, void *in, size_t len);

/* Close with a code and reason when what waits has been sent. */
void hg_api_conn_close(struct hg_api_conn *conn, unsigned int code,
                       const char *reason);

#endif
