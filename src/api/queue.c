/* A bounded queue of outgoing texts. */
#include "api/queue.h"
#include <libwebsockets.h>
#include <stdlib.h>
#include <string.h>

void hg_queue_init(struct hg_queue *queue, size_t limit)
{
    memset(queue, 0, sizeof(*queue));
    queue->limit = limit;
}

void hg_queue_clear(struct hg_queue *queue)
{
    struct hg_queue_item *item;

    while ((item = hg_queue_take(queue)) != NULL)
        hg_queue_drop(item);
}

int hg_queue_add(struct hg_queue *queue, const char *text, size_t len)
{
    struct hg_queue_item *item;

    if (queue->bytes >= queue->limit)
        return HG_ERR_FULL;
    item = malloc(sizeof(*item) + LWS_PRE + len);
    if (item == NULL)
        return HG_ERR_MEMORY;
    item->next = NULL;
    item->len = len;
    memcpy(item->bytes + LWS_PRE, text, len);
    if (queue->last != NULL)
        queue->last->next = item;
    else
        queue->first = item;
    queue->last = item;
    queue->bytes += len;
    return 0;
}

struct hg_queue_item *hg_queue_take(struct hg_queue *queue)
{
    struct hg_queue_item *item = queue->first;

    if (item == NULL)
        return NULL;
    queue->first = item->next;
    if (queue->first == NULL)
        queue->last = NULL;
    queue->bytes -= item->len;
    return item;
}

void hg_queue_drop(struct hg_queue_item *item)
{
    if (item == NULL)
        return;
    explicit_bzero(item->bytes, LWS_PRE + item->len);
    free(item);
}
