/* journal export and journal head: what is to be kept elsewhere. */
#include "cli/out.h"
#include "cli/out_file.h"
#include "cli/records.h"
#include "cli/verbs.h"
#include <inttypes.h>

#define GAP (-2)

struct exporting {
    struct hg_cli_out_file file;
    uint64_t last_n;
    uint64_t count;
};

/*
 * One line as it is stored: the service writes records in jansson's compact
 * form with their members in order, and that form read and written again is
 * the same bytes.
 */
static int take(void *arg, json_t *record)
{
    struct exporting *exporting = arg;
    json_int_t n = json_integer_value(json_object_get(record, "n"));

    if (exporting->last_n != 0 && (uint64_t)n != exporting->last_n + 1)
        return GAP;
    exporting->last_n = (uint64_t)n;
    exporting->count++;
    if (json_dumpf(record, exporting->file.out, JSON_COMPACT) != 0 ||
        fputc('\n', exporting->file.out) == EOF)
        return HG_CLI_REFUSED; /* the commit says why */
    return 0;
}

static int tell(const struct hg_cli *cli, const struct exporting *exporting)
{
    if (exporting->file.path == NULL)
        return HG_CLI_DONE;
    if (cli->is_json)
        return hg_cli_give(
            cli, json_pack("{s:s, s:I, s:I}", "file", exporting->file.path,
                           "records", (json_int_t)exporting->count, "last_n",
                           (json_int_t)exporting->last_n));
    printf("%" PRIu64 " records, the newest %" PRIu64 ", are in %s.\n",
           exporting->count, exporting->last_n, exporting->file.path);
    return HG_CLI_DONE;
}

int hg_cli_journal_export(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct exporting exporting = { .count = 0 };
    struct hg_cli_pages pages = { .take = take, .arg = &exporting };
    const char *path = args->value[HG_OPT_OUT];
    char text[HG_CLI_PATH_BYTES + 256];
    struct hg_buf why;
    int status, err;

    hg_buf_init(&why, text, sizeof(text));
    if (cli->is_json && path == NULL)
        return hg_cli_usage(cli, "with --json the records need a file of "
                                 "their own: --out FILE");
    status = hg_cli_connect(cli);
    if (status != 0)
        return status;
    if (hg_cli_out_file_open(path, &why, &exporting.file) < 0)
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED, "%s",
                           text);
    status = hg_cli_records_read(cli, &pages);
    if (status == GAP)
        status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                             "record %" PRIu64 " is not followed by the next; "
                             "run 'heatgate journal verify'",
                             exporting.last_n);
    if (status != 0 && (path == NULL || ferror(exporting.file.out) == 0)) {
        hg_cli_out_file_drop(&exporting.file);
        return status;
    }
    err = hg_cli_out_file_commit(&exporting.file, &why);
    if (err < 0)
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED, "%s",
                           text);
    return tell(cli, &exporting);
}

int hg_cli_journal_head(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *path = args->value[HG_OPT_OUT];
    char text[HG_CLI_PATH_BYTES + 256];
    struct hg_cli_out_file file;
    struct hg_buf why;
    json_t *head;
    int status = hg_cli_call(cli, "journal.head", NULL, &head);
    int err;

    if (status != 0)
        return status;
    hg_buf_init(&why, text, sizeof(text));
    err = hg_cli_out_file_open(path, &why, &file);
    if (err == 0) {
        json_dumpf(head, file.out, JSON_COMPACT);
        fputc('\n', file.out);
        err = hg_cli_out_file_commit(&file, &why);
    }
    if (err < 0)
        status =
            hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED, "%s", text);
    else if (path != NULL && cli->is_json)
        status = hg_cli_give(cli, json_incref(head));
    else if (path != NULL)
        printf("The head of record %" JSON_INTEGER_FORMAT " is in %s. Keep it "
               "where nobody who can\nwrite the journal can write.\n",
               json_integer_value(json_object_get(head, "n")), path);
    json_decref(head);
    return status;
}
