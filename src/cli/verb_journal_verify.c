/* journal verify: offline, without the service and without trusting it. */
#include "cli/out.h"
#include "cli/verbs.h"
#include "journal/verify.h"
#include <inttypes.h>

static void progress(void *arg, uint64_t done_bytes, uint64_t total_bytes)
{
    char bar[HG_CLI_BAR_BYTES];
    double fraction =
        total_bytes == 0 ? 1.0 : (double)done_bytes / (double)total_bytes;

    (void)arg;
    hg_cli_bar(fraction, 40, bar);
    fprintf(stderr, "\rverifying %s %3.0f %%", bar, fraction * 100.0);
    fflush(stderr);
}

static json_t *report_json(const struct hg_journal_report *report)
{
    json_t *json = json_pack(
        "{s:I, s:I, s:I, s:I, s:I, s:s, s:s, s:b, s:I, s:s}", "first_n",
        (json_int_t)report->first_n, "last_n", (json_int_t)report->last_n,
        "records", (json_int_t)report->records, "files",
        (json_int_t)report->segments, "bytes", (json_int_t)report->bytes,
        "hash", report->last_hash, "at", report->last_at, "head_checked",
        (int)report->is_head_checked, "head_n", (json_int_t)report->head_n,
        "key", report->head_key);

    if (json != NULL && report->what[0] != '\0') {
        json_object_set_new(json, "bad_n",
                            json_integer((json_int_t)report->bad_n));
        json_object_set_new(json, "bad_file", json_string(report->bad_file));
        json_object_set_new(json, "bad_line",
                            json_integer((json_int_t)report->bad_line));
    }
    return json;
}

static int tell_bad(const struct hg_cli *cli, int err,
                    const struct hg_journal_report *report)
{
    const char *what =
        report->what[0] != '\0' ? report->what : hg_err_text(err);

    if (cli->is_json)
        (void)hg_cli_give(cli, json_pack("{s:{s:i, s:s, s:o}}", "error", "code",
                                         HG_CLI_CODE_REFUSED, "message", what,
                                         "data", report_json(report)));
    else
        (void)hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED, "%s%s%s",
                          report->bad_file, report->bad_file[0] ? ": " : "",
                          what);
    if (!cli->is_json && report->last_n > 0)
        fprintf(stderr, "Good are records %" PRIu64 " to %" PRIu64 ".\n",
                report->first_n, report->last_n);
    return HG_CLI_REFUSED;
}

static void tell_good(const struct hg_journal_report *report, bool is_kept)
{
    printf("The journal is whole: records %" PRIu64 " to %" PRIu64
           " in %" PRIu64 " file%s, %" PRIu64 " bytes.\n",
           report->first_n, report->last_n, report->segments,
           report->segments == 1 ? "" : "s", report->bytes);
    printf("  newest  %s\n  hash    %s\n", report->last_at, report->last_hash);
    if (!report->is_head_checked) {
        printf("No signed head was checked: that records were cut off the end "
               "does not show.\nKeep a head elsewhere ('heatgate journal head "
               "--out FILE') and give it with --head.\n");
        return;
    }
    printf("  head    of record %" PRIu64 ", key %s\n", report->head_n,
           report->head_key);
    if (!is_kept)
        printf("This head lies in the same folder. It proves nothing against "
               "whoever can write\nthere; a head kept elsewhere does: "
               "--head FILE.\n");
}

int hg_cli_journal_verify(struct hg_cli *cli, const struct hg_cli_args *args)
{
    static struct hg_journal_report report; /* large */
    struct hg_journal_verify_options options = {
        .dir =
            args->word_count > 0 ? args->word[0] : HG_CLI_STATE_DIR "/journal",
        .head_path = args->value[HG_OPT_HEAD],
        .may_start_late = hg_cli_has(args, HG_OPT_ARCHIVED),
        .progress = cli->is_err_terminal && !cli->is_json ? progress : NULL,
    };
    int err = hg_journal_verify(&options, &report);

    if (options.progress != NULL)
        fprintf(stderr, "\r%*s\r", 70, "");
    if (err < 0)
        return tell_bad(cli, err, &report);
    if (cli->is_json)
        return hg_cli_give(cli, report_json(&report));
    tell_good(&report, options.head_path != NULL);
    return HG_CLI_DONE;
}
