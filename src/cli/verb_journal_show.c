/* journal show: records in lines for people, or as they are. */
#include "base/text.h"
#include "cli/out.h"
#include "cli/records.h"
#include "cli/verbs.h"
#include "cli/watching.h"
#include <string.h>

#define SHOW_DEFAULT 50
#define SHOW_MAX     1000000
#define FOLLOW_MS    1000
#define STOP         (-2)

struct showing {
    struct hg_cli *cli;
    json_t *kept;   /* the last ones, or all for a document; or NULL */
    uint64_t limit; /* 0: none */
    uint64_t count;
    bool is_tail; /* keep only the last ones */
};

static bool is_in_front(const char *name)
{
    static const char *const front[] = { "n",    "at",   "prev",
                                         "room", "kind", "actor" };

    for (size_t i = 0; i < HG_COUNT(front); i++)
        if (strcmp(front[i], name) == 0)
            return true;
    return false;
}

static void put_member(FILE *out, const char *name, const json_t *value)
{
    char *text;

    fprintf(out, " %s=", name);
    if (json_is_string(value)) {
        fputs(json_string_value(value), out);
        return;
    }
    text = json_dumps(value, JSON_COMPACT | JSON_ENCODE_ANY);
    fputs(text == NULL ? "?" : text, out);
    free(text);
}

static void put_record(const struct hg_cli *cli, json_t *record)
{
    const char *room = hg_cli_text(record, "room");
    char *text = NULL;
    size_t len = 0;
    FILE *out = open_memstream(&text, &len);
    const char *name;
    json_t *value;

    if (out == NULL)
        return;
    fprintf(out, "%6" JSON_INTEGER_FORMAT " %s %s %s by %s",
            json_integer_value(json_object_get(record, "n")),
            hg_cli_text(record, "at"), room[0] == '\0' ? "-" : room,
            hg_cli_text(record, "kind"), hg_cli_text(record, "actor"));
    json_object_foreach(record, name, value)
    {
        if (!is_in_front(name))
            put_member(out, name, value);
    }
    if (fclose(out) == 0 && cli->is_out_terminal) {
        hg_cli_put_wrapped(stdout, 0, 8, text + strspn(text, " "));
    } else if (text != NULL) {
        hg_cli_put(stdout, text);
        putchar('\n');
    }
    free(text);
}

static void put(const struct showing *showing, json_t *record)
{
    if (showing->cli->is_json) {
        json_dumpf(record, stdout, JSON_COMPACT);
        putchar('\n');
    } else {
        put_record(showing->cli, record);
    }
}

static int take(void *arg, json_t *record)
{
    struct showing *showing = arg;

    if (showing->kept == NULL) {
        put(showing, record);
    } else {
        json_array_append(showing->kept, record);
        if (showing->is_tail && json_array_size(showing->kept) > showing->limit)
            json_array_remove(showing->kept, 0);
    }
    showing->count++;
    if (ferror(stdout) || (!showing->is_tail && showing->limit != 0 &&
                           showing->count >= showing->limit))
        return STOP;
    return 0;
}

/* The end of what was there before; true with --json: as one document. */
static void put_kept(struct showing *showing, bool is_document)
{
    json_t *record;
    size_t i;

    if (is_document) {
        (void)hg_cli_give(showing->cli,
                          json_pack("{s:O}", "records", showing->kept));
    } else {
        json_array_foreach(showing->kept, i, record)
        {
            put(showing, record);
        }
    }
    json_decref(showing->kept);
    showing->kept = NULL;
}

static int follow(struct hg_cli *cli, struct hg_cli_pages *pages)
{
    int rc = 0;

    hg_cli_catch_interrupt();
    while (rc == 0 && !hg_cli_is_interrupted() && !ferror(stdout)) {
        json_t *notification = NULL;
        int err;

        fflush(stdout);
        /* nothing is watched: this only waits, and sees a hang-up */
        err = hg_api_client_next(cli->client, FOLLOW_MS, &notification);
        json_decref(notification);
        if (err == HG_ERR_CLOSED)
            return hg_cli_fail_client(cli, err);
        rc = hg_cli_records_read(cli, pages);
    }
    return rc;
}

static int take_number(const struct hg_cli *cli, const char *name,
                       const char *text, uint64_t max, uint64_t *ret)
{
    if (text == NULL || hg_text_to_u64(text, 0, max, ret) == 0)
        return 0;
    return hg_cli_usage(cli, "%s wants a whole number from 0 to %llu, not '%s'",
                        name, (unsigned long long)max, text);
}

/* Without --after: the newest ones; without a room that is near the end. */
static int go_to_tail(struct hg_cli *cli, const struct showing *showing,
                      struct hg_cli_pages *pages)
{
    uint64_t newest = 0;
    int status;

    if (pages->room != NULL)
        return 0;
    status = hg_cli_records_newest(cli, &newest);
    if (status == 0 && newest > showing->limit)
        pages->after_n = newest - showing->limit;
    return status;
}

int hg_cli_journal_show(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct showing showing = { .cli = cli };
    struct hg_cli_pages pages = { .take = take, .arg = &showing };
    bool is_following = hg_cli_has(args, HG_OPT_FOLLOW);
    int status;

    if (args->room_count > 1)
        return hg_cli_usage(cli, "only one --room can be shown at a time");
    pages.room = args->room_count == 1 ? args->room[0] : NULL;
    showing.is_tail = !hg_cli_has(args, HG_OPT_AFTER);
    showing.limit = showing.is_tail ? SHOW_DEFAULT : 0;
    status = take_number(cli, "--limit", args->value[HG_OPT_LIMIT], SHOW_MAX,
                         &showing.limit);
    if (status == 0)
        status = take_number(cli, "--after", args->value[HG_OPT_AFTER],
                             UINT64_C(9007199254740991), &pages.after_n);
    if (status == 0 && showing.is_tail)
        status = go_to_tail(cli, &showing, &pages);
    if (status != 0)
        return status;
    if (showing.is_tail || (cli->is_json && !is_following))
        showing.kept = json_array();
    status = hg_cli_records_read(cli, &pages);
    if (status <= 0 && showing.kept != NULL)
        put_kept(&showing, cli->is_json && !is_following);
    json_decref(showing.kept);
    showing.kept = NULL;
    if (showing.is_tail)
        showing.limit = 0; /* what is followed has none */
    showing.is_tail = false;
    if (status == 0 && is_following)
        status = follow(cli, &pages);
    return status == STOP ? HG_CLI_DONE : status;
}
