/*
 * A queue of messages on their way. Most rooms never have anything in it for
 * longer than one turn of the loop.
 */
#include "sim/channel.h"
#include "base/sat.h"
#include <stdlib.h>
#include <string.h>

struct hg_channel_entry {
    struct hg_channel_entry *next;
    uint64_t pushed_ms;
    bool is_event;
    size_t len;
    char text[];
};

static void queue(struct hg_channel *channel, bool is_event, const char *text,
                  uint64_t now_ms)
{
    size_t len = strlen(text);
    struct hg_channel_entry *entry = NULL;

    if (channel->queued < HG_CHANNEL_QUEUE)
        entry = malloc(sizeof(*entry) + len + 1);
    if (!entry) {
        channel->lost++;
        return;
    }
    entry->next = NULL;
    entry->pushed_ms = now_ms;
    entry->is_event = is_event;
    entry->len = len;
    memcpy(entry->text, text, len + 1);
    if (channel->tail)
        channel->tail->next = entry;
    else
        channel->head = entry;
    channel->tail = entry;
    channel->queued++;
}

static void keep(struct hg_channel *channel, const char *text)
{
    char *copy = strdup(text);

    if (!copy)
        return;
    free(channel->kept[channel->kept_at]);
    channel->kept[channel->kept_at] = copy;
    channel->kept_at = (channel->kept_at + 1) % HG_CHANNEL_KEPT;
    channel->replay_at = 0;
}

/* queue the oldest one kept, then the next, round and round */
static void replay(struct hg_channel *channel, uint64_t now_ms)
{
    for (unsigned i = 0; i < HG_CHANNEL_KEPT; i++) {
        unsigned at = (channel->kept_at + channel->replay_at) % HG_CHANNEL_KEPT;

        channel->replay_at = (channel->replay_at + 1) % HG_CHANNEL_KEPT;
        if (channel->kept[at]) {
            queue(channel, false, channel->kept[at], now_ms);
            return;
        }
    }
}

void hg_channel_push(struct hg_channel *channel,
                     const struct hg_simctl_message *message, uint32_t faults,
                     uint64_t now_ms)
{
    if (!message->is_event && faults & HG_SIMCTL_REPLAY) {
        replay(channel, now_ms);
        return;
    }
    queue(channel, message->is_event, message->text, now_ms);
    if (faults & HG_SIMCTL_DUPLICATE)
        queue(channel, message->is_event, message->text, now_ms);
    if (!message->is_event)
        keep(channel, message->text);
}

uint64_t hg_channel_deadline(const struct hg_channel *channel, uint64_t late_ms)
{
    if (!channel->head)
        return UINT64_MAX;
    return hg_sat_add_u64(channel->head->pushed_ms, late_ms);
}

bool hg_channel_pull(struct hg_channel *channel, uint64_t late_ms,
                     uint64_t now_ms, struct hg_simctl_message *ret_message)
{
    struct hg_channel_entry *entry = channel->head;

    if (!entry || now_ms < hg_channel_deadline(channel, late_ms))
        return false;
    channel->head = entry->next;
    if (!channel->head)
        channel->tail = NULL;
    channel->queued--;
    ret_message->is_event = entry->is_event;
    ret_message->len = entry->len;
    memcpy(ret_message->text, entry->text, entry->len + 1);
    free(entry);
    return true;
}

void hg_channel_release(struct hg_channel *channel)
{
    while (channel->head) {
        struct hg_channel_entry *next = channel->head->next;

        free(channel->head);
        channel->head = next;
    }
    for (unsigned i = 0; i < HG_CHANNEL_KEPT; i++)
        free(channel->kept[i]);
    memset(channel, 0, sizeof(*channel));
}
