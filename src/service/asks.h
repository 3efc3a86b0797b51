#ifndef HG_SERVICE_ASKS_H
#define HG_SERVICE_ASKS_H

/*
 * Requests under way: from the moment a request has been handed to a gate,
 * the hasher or the journal until its answer is complete. Answers that must
 * not be given before a record is durable wait here.
 */
#include "api/backend.h"
#include "base/err.h"
#include "heatgate/gate.h"
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_ASKS_MAX 8192 /* beyond: unavailable; stop is answered at once */

#define HG_ASK_NO_ROOM SIZE_MAX

struct hg_ask {
    uint64_t id;
    struct hg_api_reply *reply;
    enum hg_method method;
    size_t room;     /* index, or HG_ASK_NO_ROOM */
    uint64_t wait_n; /* answer when this record is durable; 0: not yet known */
    json_t *result;  /* … with this; owned */
    struct hg_ask *next;
};

struct hg_asks;

HG_MUST_CHECK int hg_asks_new(struct hg_asks **ret_asks);
/* Cancels what is left. NULL is fine. */
void hg_asks_free(struct hg_asks *asks);

/* Take a reply in; it is completed through here from then on.
 * HG_ERR_FULL, HG_ERR_MEMORY: the caller still has to complete it. */
HG_MUST_CHECK int hg_asks_add(struct hg_asks *asks, struct hg_api_reply *reply,
                              enum hg_method method, size_t room,
                              struct hg_ask **ret_ask);
/* By id; NULL: none. Borrowed until it is completed. */
struct hg_ask *hg_asks_find(struct hg_asks *asks, uint64_t id);

void hg_asks_result(struct hg_asks *asks, struct hg_ask *ask_taken,
                    json_t *result_taken);
void hg_asks_error(struct hg_asks *asks, struct hg_ask *ask_taken, int code,
                   const char *message, json_t *data_taken);
/* Let go of a request; the caller completes its reply. */
struct hg_api_reply *hg_asks_release(struct hg_asks *asks,
                                     struct hg_ask *ask_taken);
/* Give the result when record n is durable; 0: at once. */
void hg_asks_hold(struct hg_asks *asks, struct hg_ask *ask, uint64_t n,
                  json_t *result_taken);
/* Every held answer whose record is durable. */
void hg_asks_durable(struct hg_asks *asks, uint64_t durable_n);
/* The journal failed: every held answer becomes this error. */
void hg_asks_fail_held(struct hg_asks *asks, int code, const char *message);
size_t hg_asks_count(const struct hg_asks *asks);

#endif
