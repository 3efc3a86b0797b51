#ifndef HG_SERVICE_LOOP_H
#define HG_SERVICE_LOOP_H

/*
 * The one loop: the libwebsockets context, the broker's sockets in it, and
 * the timers. Everything that decides or talks runs here.
 */
#include "base/buf.h"
#include "base/err.h"
#include "controllers/link.h"

struct hg_service;
struct hg_loop;
struct hg_wire;
struct lws_context;

/* Make the context. HG_ERR_SYSTEM, HG_ERR_MEMORY. */
HG_MUST_CHECK int hg_loop_new(struct hg_service *service,
                              struct hg_loop **ret_loop);
/* Destroy the context and all that is in it. NULL is fine. */
void hg_loop_free(struct hg_loop *loop);

struct lws_context *hg_loop_context(struct hg_loop *loop);
/* A place for one connection to the broker; the loop frees what is left of
 * them. HG_ERR_MEMORY */
HG_MUST_CHECK int hg_wire_new(struct hg_loop *loop, struct hg_wire **ret_wire);
/* After its link; not from a handler of it. NULL is fine. */
void hg_wire_free(struct hg_wire *wire);
/* What the connection's link needs of the loop. */
struct hg_link_loop hg_wire_for_link(struct hg_wire *wire);
/* The link exists: begin to drive it. It is borrowed. */
void hg_wire_start(struct hg_wire *wire, struct hg_link *link);
/* The connection changed or was used: its timer is set anew. */
void hg_wire_tick(struct hg_wire *wire);
/* The same for all: a helper may have an answer for any of them. */
void hg_loop_tick_links(struct hg_loop *loop);
/* The links are about to be freed. NULL is fine. */
void hg_loop_forget_links(struct hg_loop *loop);
/* The service is complete: begin all other timers. */
void hg_loop_start(struct hg_loop *loop);
/* Show what is due in the next turn, after what is going on now. */
void hg_loop_soon(struct hg_loop *loop);
/* Finish what hg_late_written() put off, in a millisecond or two. */
void hg_loop_later(struct hg_loop *loop);
/* One turn; false: the context is broken. */
bool hg_loop_turn(struct hg_loop *loop);

/*
 * Wake the loop; the only call here that another thread (or a signal
 * handler's flag) may follow up with. arg is the struct hg_service.
 */
void hg_wake_loop(void *arg);

#endif
