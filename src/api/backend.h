#ifndef HG_API_BACKEND_H
#define HG_API_BACKEND_H

/*
 * What the API needs from the service behind it. The API checks who may call
 * what and the form of parameters; the backend decides and answers. room.list,
 * room.state, room.watch and room.unwatch are answered by the API itself from
 * room_state(); every other method comes to call().
 *
 * All calls are made by the loop's thread, and all answers are given there.
 */
#include "api/methods.h"
#include "api/rpc.h"
#include "heatgate/gate.h"
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_API_WHO_BYTES     80
#define HG_API_ADDRESS_BYTES 64

/* Who is at the other end of a connection. */
struct hg_api_caller {
    uint64_t connection; /* number of the connection; never used twice */
    bool is_admin;       /* the admin socket: signed in as owner from birth */
    bool is_signed_in;
    bool is_loopback;
    struct hg_actor actor;              /* owner on the admin socket: uid=N */
    char who[HG_API_WHO_BYTES];         /* "local:anna", "guest:g-…" */
    char address[HG_API_ADDRESS_BYTES]; /* numeric; "local" for Unix sockets */
};

/*
 * Sign the caller in: actor (its role decides what it may call) and the text
 * that people read. Call it before the result of hello is given. A caller
 * that is signed in already stays who it is.
 */
void hg_api_caller_sign_in(struct hg_api_caller *caller,
                           const struct hg_actor *actor, const char *who);

struct hg_api_call { /* borrowed for the call */
    enum hg_method method;
    /*
     * Who asks. Do not keep the pointer: for an answer that comes later ask
     * hg_api_reply_caller(), which knows whether the connection still lives.
     */
    struct hg_api_caller *caller;
    /*
     * Object; its members have passed the checks of methods.h. Rooms exist
     * and the caller may see them. json_incref() to keep it.
     */
    json_t *params;
    struct hg_api_reply *reply;
};

/*
 * Answer a call; each reply must be completed exactly once by one of these
 * three, at once or later, and must not be touched afterwards. When the
 * connection is gone they only free.
 *
 * result_taken, data_taken  taken over, also on failure; data may be NULL
 * message                   what happened, why, what to do; plain UTF-8
 */
void hg_api_reply_result(struct hg_api_reply *reply, json_t *result_taken);
void hg_api_reply_error(struct hg_api_reply *reply, int code,
                        const char *message, json_t *data_taken);
/* For shutdown: give up without an answer. */
void hg_api_reply_cancel(struct hg_api_reply *reply);

/* The caller who waits for it, or NULL when its connection is gone. */
struct hg_api_caller *hg_api_reply_caller(struct hg_api_reply *reply);

/* A file for browsers; holds no secret, changes only with the program. */
struct hg_api_file { /* all borrowed, for as long as the API lives */
    const char *type;
    const char *etag; /* weak: W/ and quoted, the same for both forms */
    const unsigned char *bytes;
    size_t len;
    const unsigned char *gzip; /* the same, packed (RFC 1952) */
    size_t gzip_len;
};

/* A view that no other caller shares. */
#define HG_API_VIEW_PRIVATE UINT64_C(0)

struct hg_api_backend {
    void *ctx;

    /* One call of a method that is_implemented() said yes to. */
    void (*call)(void *ctx, const struct hg_api_call *call);
    /* false: -32601. Not asked for hello and the methods of rooms. */
    bool (*is_implemented)(void *ctx, enum hg_method method);

    /*
     * Rooms: index 0 to room_count() - 1. An index is one room's for good;
     * after any change hg_api_server_rooms_changed() is called. A name of
     * NULL: there is no such room any more, and nobody may see it.
     */
    size_t (*room_count)(void *ctx);
    const char *(*room_name)(void *ctx, size_t room);
    /* May this caller know that the room exists? */
    bool (*may_see)(void *ctx, const struct hg_api_caller *caller, size_t room);
    /*
     * A new reference to the state (contract 3.2, with "rev") as this caller
     * may see it, not to be changed afterwards. NULL: no memory.
     */
    json_t *(*room_state)(void *ctx, const struct hg_api_caller *caller,
                          size_t room);
    /*
     * Callers with the same key see the same state of this room now, so that
     * it is made once for all of them. NULL function or
     * HG_API_VIEW_PRIVATE: nobody shares it.
     */
    uint64_t (*view_key)(void *ctx, const struct hg_api_caller *caller,
                         size_t room);

    /*
     * What is wrong with the gateway itself, for room.list: an array of
     * {code, level, since, text, remedy}. A NULL function: no such member.
     * NULL: no memory.
     */
    json_t *(*findings)(void *ctx, const struct hg_api_caller *caller);

    /* GET /healthz: 200 or 503, and one line of text. */
    int (*healthz)(void *ctx, char *text, size_t cap);
    /* Body of GET /metrics and GET /.well-known/wot, malloc'd; NULL: no
     * memory (503). A NULL function: 404. */
    char *(*metrics)(void *ctx);
    char *(*wot)(void *ctx);
    /* GET and HEAD of this path, if there is a file. A NULL function: none. */
    bool (*file)(void *ctx, const char *path, struct hg_api_file *ret_file);
    /* Is this a manager's or an owner's token? NULL: nobody's is. */
    bool (*bearer_may)(void *ctx, const char *token);
};

#endif
