/* journal.*: read records, sign the head. */
#include "access/access.h"
#include "journal/journal.h"
#include "service/handlers.h"
#include "service/service.h"
#include <string.h>

#define READ_DEFAULT 100
/* records looked at in one call, so that a filter cannot hold up the loop */
#define READ_LOOK_MAX 2000
/* an answer stays well below what a slow connection may have waiting */
#define READ_BYTES_MAX (128 * 1024)

struct reading {
    struct hg_service *service;
    const struct hg_api_caller *caller;
    const struct hg_credential *own; /* NULL on the admin socket */
    const char *room;                /* or NULL: any */
    uint64_t limit;
    size_t bytes;
    uint64_t last_n;
    json_t *records;
};

/* May this caller read a record about that room (NULL: about none)? */
static bool may_read(const struct reading *reading, const char *room)
{
    if (reading->room != NULL)
        return room != NULL && strcmp(room, reading->room) == 0;
    if (reading->caller->is_admin || reading->own->is_all_rooms)
        return true;
    return room != NULL && hg_access_may(reading->own, room);
}

static int take_line(void *arg, uint64_t n, const char *line, size_t len)
{
    struct reading *reading = arg;
    json_t *record;

    if (json_array_size(reading->records) >= reading->limit ||
        reading->bytes + len > READ_BYTES_MAX) {
        return 1;
    }
    record = json_loadb(line, len, 0, NULL);
    if (record == NULL)
        return HG_ERR_CORRUPT;
    reading->last_n = n;
    if (may_read(reading, json_string_value(json_object_get(record, "room")))) {
        reading->bytes += len;
        json_array_append(reading->records, record);
    }
    json_decref(record);
    return 0;
}

static void answer(const struct hg_api_call *call, struct reading *reading,
                   int err)
{
    json_t *result;

    if (err < 0) {
        json_decref(reading->records);
        hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                           "The journal could not be read. Verify it with "
                           "'heatgate journal verify'.",
                           NULL);
        return;
    }
    /* "next" is the "after" of the call that goes on from here */
    result =
        json_pack("{s:o, s:I, s:b, s:I}", "records", reading->records, "next",
                  (json_int_t)reading->last_n, "more",
                  (int)(reading->last_n < hg_record_durable(reading->service)),
                  "durable_n", (json_int_t)hg_record_durable(reading->service));
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the records.", NULL);
    else
        hg_api_reply_result(call->reply, result);
}

void hg_handle_journal_read(struct hg_service *service,
                            const struct hg_api_call *call)
{
    struct hg_journal_range range = { 0, READ_LOOK_MAX };
    struct reading reading;
    uint64_t limit = READ_DEFAULT;
    int err;

    memset(&reading, 0, sizeof(reading));
    (void)hg_call_whole(call, "after", &range.after_n);
    (void)hg_call_whole(call, "limit", &limit);
    reading.service = service;
    reading.caller = call->caller;
    reading.room = hg_call_text(call, "room");
    reading.limit = limit;
    reading.last_n = range.after_n;
    reading.records = json_array();
    if (!call->caller->is_admin) {
        reading.own = hg_access_find(service->access, call->caller->actor.id);
        if (reading.own == NULL || reading.own->is_ended) {
            json_decref(reading.records);
            hg_api_reply_error(call->reply, HG_RPC_NOT_ALLOWED,
                               "Your access has ended.", NULL);
            return;
        }
    }
    err = reading.records == NULL
              ? HG_ERR_MEMORY
              : hg_journal_read(service->journal, &range, take_line, &reading);
    answer(call, &reading, err);
}

void hg_handle_journal_head(struct hg_service *service,
                            const struct hg_api_call *call)
{
    char text[HG_JOURNAL_HEAD_TEXT_BYTES];
    struct hg_journal_head head;
    json_t *result;
    size_t len;

    if (hg_journal_sign_head(service->journal, service->now.wall.ms, &head) <
        0) {
        hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                           "There is no durable record to sign yet; ask again "
                           "in a moment.",
                           NULL);
        return;
    }
    len = hg_journal_head_format(&head, text);
    result = json_loadb(text, len, 0, NULL);
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the head.", NULL);
    else
        hg_api_reply_result(call->reply, result);
}
