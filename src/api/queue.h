#ifndef HG_API_QUEUE_H
#define HG_API_QUEUE_H

/*
 * Messages that wait until a connection can take them, first in first out. A
 * message is taken while less than the limit waits, so that one long answer
 * always gets through; the memory of a queue is the limit and one message.
 */
#include "base/err.h"
#include <stddef.h>

struct hg_queue_item {
    struct hg_queue_item *next;
    size_t len;
    unsigned char bytes[]; /* LWS_PRE of headroom, then the text */
};

struct hg_queue {
    struct hg_queue_item *first, *last;
    size_t bytes; /* of the texts waiting */
    size_t limit;
};

/* Start empty on zeroed memory or anew. */
void hg_queue_init(struct hg_queue *queue, size_t limit);
/* Wipe and free what waits. */
void hg_queue_clear(struct hg_queue *queue);
/* Append a copy. HG_ERR_FULL: the limit is reached; HG_ERR_MEMORY. */
HG_MUST_CHECK int hg_queue_add(struct hg_queue *queue, const char *text,
                               size_t len);
/* Take the oldest out, or NULL; the caller frees it with hg_queue_drop(). */
struct hg_queue_item *hg_queue_take(struct hg_queue *queue);
/* Wipe (it may hold a code or a token) and free. NULL is fine. */
void hg_queue_drop(struct hg_queue_item *item);

#endif
