#ifndef HG_CONTROLLERS_SWITCH_LINK_H
#define HG_CONTROLLERS_SWITCH_LINK_H

/*
 * A foreign, switch-type controller at the end of an MQTT connection of its
 * own. The connection's will is the off payload, so the broker switches off
 * when this process is gone; off is also the first thing that is said on
 * every connection and the last before it is left. Messages become the gate's
 * events by the binding, permits become on and off by the drive.
 *
 * Boot marks are made up, one for each connection and for each restart that
 * the controller shows; numbers count arrivals. Presence is: every needed
 * signal was heard live within stale_after_ms.
 */
#include "controllers/binding.h"
#include "controllers/drive.h"
#include "controllers/link.h"

struct hg_switch;

struct hg_switch_config {
    const struct hg_binding *binding; /* copied */
    uint32_t stale_after_ms;
    uint64_t life; /* never the same in two lives of the service: the epoch */
    /* broker and client id; kind, topics, will and keepalive are filled in */
    struct hg_link_config link;
};

/* Called from the driving functions of the link and hg_switch_tick(). */
struct hg_switch_handlers {
    void *ctx;
    void (*on_up)(void *ctx, struct hg_switch *sw);
    void (*on_down)(void *ctx, struct hg_switch *sw, const char *reason);
    void (*on_failed)(void *ctx, struct hg_switch *sw, const char *reason);
    /* presence, telemetry, local: for the gate; at is the caller's to set */
    void (*on_event)(void *ctx, struct hg_switch *sw, struct hg_event *event);
    /* what the handlers published has left */
    void (*on_written)(void *ctx, struct hg_switch *sw);
    /* a command that was not ours; is_on: anything but off */
    void (*on_foreign)(void *ctx, struct hg_switch *sw, bool is_on);
    /* signals of HG_SIGNAL_BIT() that could not be read */
    void (*on_bad)(void *ctx, struct hg_switch *sw, uint32_t signals);
    void (*on_refused)(void *ctx, struct hg_switch *sw, const char *reason);
};

/* Errors as hg_link_new(). The config may go afterwards. */
HG_MUST_CHECK int hg_switch_new(const struct hg_switch_config *config,
                                const struct hg_link_loop *loop,
                                const struct hg_switch_handlers *handlers,
                                struct hg_buf *why, struct hg_switch **ret_sw);
/* The broker publishes the off. NULL is fine. */
void hg_switch_free(struct hg_switch *sw);
/* Say off, and a goodbye with which the broker says off once more. */
void hg_switch_leave(struct hg_switch *sw);

/* The connection, to be driven by the loop. */
struct hg_link *hg_switch_link(struct hg_switch *sw);

/*
 * Carry out a permit or a revoke. As hg_link_publish(); a permit that could
 * not be sent is not sent later.
 */
HG_MUST_CHECK int hg_switch_send_permit(struct hg_switch *sw,
                                        const struct hg_permit *permit,
                                        struct hg_mono now);

/* From now on signals grow old at this age. */
void hg_switch_set_stale(struct hg_switch *sw, uint32_t stale_after_ms);

/* Ages, leases, offs to repeat: call it some times a second. */
void hg_switch_tick(struct hg_switch *sw, struct hg_mono now);

const struct hg_binding *hg_switch_binding(const struct hg_switch *sw);
const struct hg_binding_reads *hg_switch_reads(const struct hg_switch *sw);
/* What hg_binding_missing() says now. */
uint32_t hg_switch_missing(const struct hg_switch *sw, struct hg_mono now);
/* Is a permit of ours in force? */
bool hg_switch_may_heat(struct hg_switch *sw, struct hg_mono now);
/* A boot mark and the next number, for an event that the caller makes. */
void hg_switch_number(struct hg_switch *sw, char boot[HG_BOOT_BYTES],
                      uint64_t *ret_seq);

#endif
