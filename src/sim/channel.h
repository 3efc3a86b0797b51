#ifndef HG_SIM_CHANNEL_H
#define HG_SIM_CHANNEL_H

/*
 * The way from a simulated controller to the broker, with its faults: it
 * delays, doubles, and replays. It remembers the last few telemetry messages
 * for replays. First in, first out. Pure but for the heap.
 */
#include "base/err.h"
#include "sim/controller.h"

#define HG_CHANNEL_QUEUE 256 /* delayed messages; further ones are lost */
#define HG_CHANNEL_KEPT  6   /* telemetry remembered for replays */

struct hg_channel_entry;

struct hg_channel { /* all zero: empty */
    struct hg_channel_entry *head, *tail;
    size_t queued;
    uint64_t lost; /* for want of memory or room */
    char *kept[HG_CHANNEL_KEPT];
    unsigned kept_at, replay_at;
};

/*
 * Hand over a message at now_ms; faults are bits of enum hg_simctl_fault.
 * With REPLAY, telemetry is kept back and an older one queued in its place
 * (none, when none is remembered). What does not fit counts as lost.
 */
void hg_channel_push(struct hg_channel *channel,
                     const struct hg_simctl_message *message, uint32_t faults,
                     uint64_t now_ms);

/* The next message that has waited late_ms; false: none yet. */
bool hg_channel_pull(struct hg_channel *channel, uint64_t late_ms,
                     uint64_t now_ms, struct hg_simctl_message *ret_message);

/* When the next pull can succeed; UINT64_MAX when nothing waits. */
uint64_t hg_channel_deadline(const struct hg_channel *channel,
                             uint64_t late_ms);

/* Free everything; empty afterwards. */
void hg_channel_release(struct hg_channel *channel);

#endif
