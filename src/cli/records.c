/* Journal records, read page by page; see records.h. */
#include "cli/records.h"
#include <string.h>

#define PAGE_RECORDS  1000
#define WINDOW_FIRST  500
#define STOPPED_EARLY (-1)
/* how long to wait for the first record of a service that just started */
#define START_TURNS   20
#define START_TURN_MS 100

static uint64_t member(const json_t *object, const char *name)
{
    json_int_t value = json_integer_value(json_object_get(object, name));

    return value < 0 ? 0 : (uint64_t)value;
}

static int take_page(struct hg_cli_pages *pages, const json_t *page)
{
    const json_t *records = json_object_get(page, "records");

    for (size_t i = 0; i < json_array_size(records); i++) {
        json_t *record = json_array_get(records, i);
        uint64_t n = member(record, "n");
        int rc;

        if (pages->until_n != 0 && n > pages->until_n)
            return STOPPED_EARLY;
        rc = pages->take(pages->arg, record);
        pages->after_n = n;
        if (rc != 0)
            return rc;
    }
    return 0;
}

int hg_cli_records_read(struct hg_cli *cli, struct hg_cli_pages *pages)
{
    for (;;) {
        json_t *params =
            json_pack("{s:I, s:i, s:s*}", "after", (json_int_t)pages->after_n,
                      "limit", PAGE_RECORDS, "room", pages->room);
        uint64_t before = pages->after_n;
        json_t *page;
        bool is_more;
        int rc = hg_cli_call(cli, "journal.read", params, &page);

        if (rc != 0)
            return rc;
        rc = take_page(pages, page);
        if (rc == 0)
            pages->after_n = member(page, "next");
        is_more = json_is_true(json_object_get(page, "more")) &&
                  pages->after_n > before;
        json_decref(page);
        if (rc != 0 || !is_more)
            return rc == STOPPED_EARLY ? 0 : rc;
        if (pages->until_n != 0 && pages->after_n >= pages->until_n)
            return 0;
    }
}

int hg_cli_records_newest(struct hg_cli *cli, uint64_t *ret_n)
{
    struct hg_api_answer answer;
    int status = hg_cli_ask(cli, "journal.head", NULL, &answer);

    if (status != 0)
        return status;
    /* an error says that nothing is durable yet */
    *ret_n = answer.error != NULL ? 0 : member(answer.result, "n");
    hg_api_answer_release(&answer);
    return 0;
}

static int take_start(void *arg, json_t *record)
{
    json_t *found = arg;
    const char *kind = hg_cli_text(record, "kind");

    if (strcmp(kind, "gateway-started") == 0) {
        json_object_set(found, "started", record);
        json_array_clear(json_object_get(found, "waived"));
    } else if (strcmp(kind, "commissioning-waived") == 0) {
        json_array_append(json_object_get(found, "waived"),
                          json_object_get(record, "room"));
    }
    return 0;
}

/* Backwards in growing steps: the last start is often near the end. */
static int find_start(struct hg_cli *cli, json_t *found)
{
    struct hg_cli_pages pages = { .take = take_start, .arg = found };
    uint64_t newest;
    int status = hg_cli_records_newest(cli, &newest);

    for (uint64_t window = WINDOW_FIRST; status == 0; window *= 4) {
        uint64_t begin = newest > window ? newest - window : 0;

        pages.after_n = begin;
        status = hg_cli_records_read(cli, &pages);
        if (begin == 0 || json_is_object(json_object_get(found, "started")))
            break;
        json_array_clear(json_object_get(found, "waived"));
    }
    return status;
}

int hg_cli_records_start(struct hg_cli *cli, json_t **ret)
{
    json_t *found = json_pack("{s:n, s:[]}", "started", "waived");
    int status = find_start(cli, found);

    /* a service that answers before its first record is on the disk */
    for (int turn = 0; status == 0 && turn < START_TURNS &&
                       !json_is_object(json_object_get(found, "started"));
         turn++) {
        json_t *notification = NULL;
        int err = hg_api_client_next(cli->client, START_TURN_MS, &notification);

        json_decref(notification);
        if (err == HG_ERR_CLOSED)
            status = hg_cli_fail_client(cli, err);
        else
            status = find_start(cli, found);
    }
    if (status == 0)
        *ret = json_incref(found);
    json_decref(found);
    return status;
}
