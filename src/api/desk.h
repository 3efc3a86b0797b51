#ifndef HG_API_DESK_H
#define HG_API_DESK_H

/*
 * Where requests of one caller are checked, in this order: connection state,
 * role, fields, rooms; then the backend. Independent of the transport: the
 * server uses one desk for each WebSocket connection, and an MQTT link can
 * use one for each message (admit() reads the "token" beside "params").
 */
#include "api/backend.h"
#include "api/rooms.h"
#include "base/err.h"

/* Calls waiting for their answer; heat.stop is not counted against it. */
#define HG_API_CALLS_MAX 64

struct hg_api_desk;

struct hg_api_desk_ops {
    void *ctx;
    /* As in rpc.h. */
    void (*send)(void *ctx, const char *text, size_t len);
    void (*done)(void *ctx); /* or NULL */
    /*
     * Before the checks of each request: may sign the caller in, from members
     * of the request. NULL: nothing to do.
     */
    void (*admit)(void *ctx, struct hg_api_caller *caller,
                  const json_t *request);
    /*
     * Start or end watching a room that the caller may see. watch returns the
     * state to answer, a new reference, and NULL with a negative enum hg_err:
     * HG_ERR_FULL, HG_ERR_MEMORY. Both NULL: this transport has no watching.
     */
    json_t *(*watch)(void *ctx, size_t room, bool is_notification,
                     int *ret_err);
    void (*unwatch)(void *ctx, size_t room);
};

struct hg_api_desk_setup { /* borrowed until free, except ops (copied) */
    const struct hg_api_backend *backend;
    const struct hg_api_rooms *rooms;
    struct hg_api_desk_ops ops;
    struct hg_api_caller caller; /* copied: how it starts */
};

HG_MUST_CHECK int hg_api_desk_new(const struct hg_api_desk_setup *setup,
                                  struct hg_api_desk **ret_desk);
/* Replies still open become no-ops. NULL is fine. */
void hg_api_desk_free(struct hg_api_desk *desk);

/* One message in. HG_ERR_MEMORY: close the connection. */
HG_MUST_CHECK int hg_api_desk_receive(struct hg_api_desk *desk,
                                      const char *text, size_t len);

struct hg_api_caller *hg_api_desk_caller(struct hg_api_desk *desk);
/* Is a hello being judged right now? */
bool hg_api_desk_is_signing_in(const struct hg_api_desk *desk);
bool hg_api_desk_has_open_batch(const struct hg_api_desk *desk);

#endif
