#ifndef HG_API_RPC_H
#define HG_API_RPC_H

/*
 * JSON-RPC 2.0 without a transport: messages come in as text, requests go to
 * a handler, which answers at once or later; answers go out as text, those of
 * a batch together when the last is in. WebSocket, the admin socket and MQTT
 * all use it. Source: www.jsonrpc.org/specification (2013-01-04).
 *
 * Narrower than the specification, on purpose: at most HG_RPC_BATCH_MAX
 * requests a batch, HG_RPC_DEPTH_MAX levels of nesting, no member twice in
 * one object (RFC 7493, 2.3), ids of at most HG_RPC_ID_BYTES.
 */
#include "base/err.h"
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#define HG_RPC_MESSAGE_BYTES ((size_t)64 << 10)
#define HG_RPC_BATCH_MAX     20
#define HG_RPC_DEPTH_MAX     32
#define HG_RPC_ID_BYTES      256

enum hg_rpc_code {
    HG_RPC_PARSE_ERROR = -32700,
    HG_RPC_INVALID_REQUEST = -32600,
    HG_RPC_METHOD_NOT_FOUND = -32601,
    HG_RPC_INVALID_PARAMS = -32602,
    HG_RPC_INTERNAL_ERROR = -32603,
    HG_RPC_REFUSED = 1001, /* data.reasons */
    HG_RPC_SIGN_IN_REQUIRED = 1002,
    HG_RPC_NOT_ALLOWED = 1003,
    HG_RPC_UNKNOWN = 1004,
    HG_RPC_SLOW_DOWN = 1005, /* data.retry_after_s */
    HG_RPC_UNAVAILABLE = 1006
};

struct hg_rpc_port;  /* one end of a connection that speaks JSON-RPC */
struct hg_api_reply; /* the place of one answer; see backend.h */

struct hg_rpc_request { /* all borrowed for the call */
    const char *method;
    json_t *params;      /* object or array; NULL when absent */
    const json_t *whole; /* the request object, for members beside params */
    struct hg_api_reply *reply; /* to be completed exactly once */
};

struct hg_rpc_ops {
    void *ctx;
    /* One request. Must complete request->reply now or later. */
    void (*handle)(void *ctx, const struct hg_rpc_request *request);
    /* One message out: UTF-8, no NUL counted in len; borrowed. */
    void (*send)(void *ctx, const char *text, size_t len);
    /* A reply with a mark was completed; NULL: nobody wants to know. */
    void (*completed)(void *ctx, unsigned int mark);
    /*
     * Every request of one message is answered (after its send, if any). The
     * port may be freed in here. NULL: nobody wants to know.
     */
    void (*done)(void *ctx);
};

/*
 * Make a port. ops is copied, its ctx borrowed until free.
 * HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_rpc_port_new(const struct hg_rpc_ops *ops,
                                  struct hg_rpc_port **ret_port);

/*
 * Free a port. Replies still open become no-ops: whoever holds them may
 * complete them at any later time. NULL is fine.
 */
void hg_rpc_port_free(struct hg_rpc_port *port);

/*
 * Take in one message of len bytes. What is wrong with it is answered to the
 * sender. HG_ERR_MEMORY: it was dropped, wholly or in part, and the sender
 * cannot be told; close the connection.
 */
HG_MUST_CHECK int hg_rpc_port_receive(struct hg_rpc_port *port,
                                      const char *text, size_t len);

/* Replies not completed yet. */
size_t hg_rpc_port_open_count(const struct hg_rpc_port *port);

/* Is there a batch whose answers have not been sent yet? */
bool hg_rpc_port_has_open_batch(const struct hg_rpc_port *port);

/*
 * Text of a notification {"jsonrpc":"2.0","method":…,"params":…}, malloc'd,
 * with headroom bytes free before it. NULL: no memory.
 */
char *hg_rpc_notification(const char *method, const json_t *params,
                          size_t headroom, size_t *ret_len);

/* -- replies; the calls a backend makes are in backend.h -------------------*/

/* Have ops->completed called with this mark (not 0) on completion. */
void hg_rpc_reply_mark(struct hg_api_reply *reply, unsigned int mark);

/* Does nobody wait for the answer (the request carried no id)? */
bool hg_rpc_reply_is_notification(const struct hg_api_reply *reply);

/* ctx of the port's ops, or NULL when the connection is gone. */
void *hg_rpc_reply_ctx(const struct hg_api_reply *reply);

#endif
