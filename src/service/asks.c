/* Requests under way; see asks.h. */
#include "service/asks.h"
#include <stdlib.h>

#define BUCKETS 256 /* a power of two */

struct hg_asks {
    uint64_t last_id;
    size_t count;
    size_t held; /* of these, waiting for a record */
    struct hg_ask *bucket[BUCKETS];
};

int hg_asks_new(struct hg_asks **ret_asks)
{
    struct hg_asks *asks = calloc(1, sizeof(*asks));

    if (asks == NULL)
        return HG_ERR_MEMORY;
    *ret_asks = asks;
    return 0;
}

static struct hg_ask **slot_of(struct hg_asks *asks, uint64_t id)
{
    return &asks->bucket[id & (BUCKETS - 1)];
}

static void remove_ask(struct hg_asks *asks, struct hg_ask *ask)
{
    struct hg_ask **link = slot_of(asks, ask->id);

    while (*link != ask)
        link = &(*link)->next;
    *link = ask->next;
    asks->count--;
    if (ask->wait_n != 0)
        asks->held--;
    json_decref(ask->result);
    free(ask);
}

void hg_asks_free(struct hg_asks *asks)
{
    if (asks == NULL)
        return;
    for (size_t i = 0; i < BUCKETS; i++)
        while (asks->bucket[i] != NULL) {
            hg_api_reply_cancel(asks->bucket[i]->reply);
            remove_ask(asks, asks->bucket[i]);
        }
    free(asks);
}

int hg_asks_add(struct hg_asks *asks, struct hg_api_reply *reply,
                enum hg_method method, size_t room, struct hg_ask **ret_ask)
{
    struct hg_ask *ask;
    struct hg_ask **slot;

    if (asks->count >= HG_ASKS_MAX)
        return HG_ERR_FULL;
    ask = calloc(1, sizeof(*ask));
    if (ask == NULL)
        return HG_ERR_MEMORY;
    ask->id = ++asks->last_id;
    ask->reply = reply;
    ask->method = method;
    ask->room = room;
    slot = slot_of(asks, ask->id);
    ask->next = *slot;
    *slot = ask;
    asks->count++;
    *ret_ask = ask;
    return 0;
}

struct hg_ask *hg_asks_find(struct hg_asks *asks, uint64_t id)
{
    struct hg_ask *ask = *slot_of(asks, id);

    while (ask != NULL && ask->id != id)
        ask = ask->next;
    return ask;
}

void hg_asks_result(struct hg_asks *asks, struct hg_ask *ask_taken,
                    json_t *result_taken)
{
    struct hg_api_reply *reply = ask_taken->reply;

    remove_ask(asks, ask_taken);
    if (result_taken == NULL)
        hg_api_reply_error(reply, HG_RPC_INTERNAL_ERROR,
                           "The answer could not be made: no memory. What was "
                           "asked for may have been done; look at the room.",
                           NULL);
    else
        hg_api_reply_result(reply, result_taken);
}

void hg_asks_error(struct hg_asks *asks, struct hg_ask *ask_taken, int code,
                   const char *message, json_t *data_taken)
{
    struct hg_api_reply *reply = ask_taken->reply;

    remove_ask(asks, ask_taken);
    hg_api_reply_error(reply, code, message, data_taken);
}

struct hg_api_reply *hg_asks_release(struct hg_asks *asks,
                                     struct hg_ask *ask_taken)
{
    struct hg_api_reply *reply = ask_taken->reply;

    remove_ask(asks, ask_taken);
    return reply;
}

void hg_asks_hold(struct hg_asks *asks, struct hg_ask *ask, uint64_t n,
                  json_t *result_taken)
{
    if (n == 0 || result_taken == NULL) {
        hg_asks_result(asks, ask, result_taken);
        return;
    }
    ask->wait_n = n;
    ask->result = result_taken;
    asks->held++;
}

/* The held answer of the lowest record up to n; NULL: none. */
static struct hg_ask *next_held(struct hg_asks *asks, uint64_t n)
{
    struct hg_ask *first = NULL;

    if (asks->held == 0)
        return NULL;
    for (size_t i = 0; i < BUCKETS; i++)
        for (struct hg_ask *ask = asks->bucket[i]; ask != NULL; ask = ask->next)
            if (ask->wait_n != 0 && ask->wait_n <= n &&
                (first == NULL || ask->wait_n < first->wait_n))
                first = ask;
    return first;
}

void hg_asks_durable(struct hg_asks *asks, uint64_t durable_n)
{
    struct hg_ask *ask;

    while ((ask = next_held(asks, durable_n)) != NULL) {
        json_t *result = ask->result;

        ask->result = NULL;
        hg_asks_result(asks, ask, result);
    }
}

void hg_asks_fail_held(struct hg_asks *asks, int code, const char *message)
{
    struct hg_ask *ask;

    while ((ask = next_held(asks, UINT64_MAX)) != NULL)
        hg_asks_error(asks, ask, code, message, NULL);
}

size_t hg_asks_count(const struct hg_asks *asks)
{
    return asks->count;
}
