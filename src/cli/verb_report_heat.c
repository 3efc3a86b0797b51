/* report heat: the course of one heat, for people, tables and printers. */
#include "base/text.h"
#include "cli/out.h"
#include "cli/out_file.h"
#include "cli/report_page.h"
#include "cli/stay.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include <string.h>

#define LINES_MAX 24

static void put_when(const char *name, const char *text)
{
    char when[HG_CLI_WHEN_BYTES] = "-";
    int64_t ms;

    if (hg_text_to_wall(text, &ms) == 0)
        hg_cli_when_full(ms, when);
    printf("  %-8s %s\n", name, when);
}

static void put_fact(const char *name, const char *text)
{
    printf("  %-8s ", name);
    hg_cli_put(stdout, text[0] == '\0' ? "-" : text);
    putchar('\n');
}

static void put_line(const struct hg_report_sample *sample)
{
    char air[HG_CLI_CELSIUS_BYTES], target[HG_CLI_CELSIUS_BYTES];
    char ready[HG_CLI_WHEN_BYTES] = "-";
    char after[HG_CLI_WHEN_BYTES];

    hg_cli_celsius(sample->has_air, sample->air_c, air);
    hg_cli_celsius(true, sample->target_c, target);
    snprintf(after, sizeof(after), "%02d:%02d:%02d", (int)sample->t_s / 3600,
             (int)sample->t_s / 60 % 60, (int)sample->t_s % 60);
    if (sample->ready_s > sample->t_s)
        hg_cli_span((int64_t)(sample->ready_s - sample->t_s) * 1000, ready);
    printf("  %-9s %-8s %-8s %-7s %-7s %-7s %s\n", after, air, target,
           sample->is_open ? "open" : "closed",
           sample->has_permit ? "yes" : "no", sample->is_on ? "on" : "off",
           ready);
}

/* Every change of door or permit is shown, and some lines between. */
static void put_course(const json_t *report)
{
    size_t count = json_array_size(json_object_get(report, "samples"));
    size_t every = count / LINES_MAX + 1;
    struct hg_report_sample sample, last;

    memset(&last, 0, sizeof(last));
    printf("  %-9s %-8s %-8s %-7s %-7s %-7s %s\n", "AFTER", "AIR", "TARGET",
           "DOOR", "PERMIT", "HEATER", "READY IN");
    for (size_t i = 0; hg_report_sample(report, i, &sample); i++) {
        if (i % every == 0 || i + 1 == count ||
            sample.is_open != last.is_open ||
            sample.has_permit != last.has_permit)
            put_line(&sample);
        last = sample;
    }
}

static void put_text(const json_t *report)
{
    double kwh =
        json_number_value(json_object_get(report, "energy_wh")) / 1000.0;
    const json_t *price = json_object_get(report, "price_per_kwh");

    put_fact("heat", hg_cli_text(report, "heat_id"));
    put_fact("room", hg_cli_text(report, "room"));
    put_fact("by", hg_cli_text(report, "by"));
    put_when("began", hg_cli_text(report, "started_at"));
    put_when("ended", hg_cli_text(report, "ended_at"));
    put_fact("end", hg_cli_text(report, "end"));
    printf("  %-8s %.3f kWh\n", "energy", kwh);
    if (json_is_number(price))
        printf("  %-8s %.2f %s\n", "cost", kwh * json_number_value(price),
               hg_cli_text(report, "currency"));
    put_course(report);
}

static void put_csv(const json_t *report)
{
    struct hg_report_sample sample;

    printf("t_s,air_c,target_c,door_open,permit,heater_on,ready_s,low_s,"
           "high_s\r\n");
    for (size_t i = 0; hg_report_sample(report, i, &sample); i++) {
        printf("%.0f,", sample.t_s);
        if (sample.has_air)
            printf("%.1f", sample.air_c);
        printf(",%.1f,%d,%d,%d,", sample.target_c, sample.is_open,
               sample.has_permit, sample.is_on);
        if (sample.ready_s > 0.0)
            printf("%.0f,%.0f,%.0f\r\n", sample.ready_s, sample.low_s,
                   sample.high_s);
        else
            printf(",,\r\n");
    }
}

static int put_page(struct hg_cli *cli, const json_t *report, const char *path)
{
    struct hg_cli_out_file file;
    char text[512];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, text, sizeof(text));
    err = hg_cli_out_file_open(path, &why, &file);
    if (err == 0) {
        hg_report_page(report, file.out);
        err = hg_cli_out_file_commit(&file, &why);
        hg_cli_out_file_drop(&file);
    }
    if (err < 0)
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE, "%s",
                           text);
    if (cli->is_json)
        return hg_cli_give(cli, json_pack("{s:s, s:O}", "html", path, "heat_id",
                                          json_object_get(report, "heat_id")));
    printf("%s was written. Print it, or open it in a browser.\n", path);
    return HG_CLI_DONE;
}

int hg_cli_report_heat(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *html = args->value[HG_OPT_HTML];
    bool is_csv = hg_cli_has(args, HG_OPT_CSV);
    bool is_told;
    json_t *report;
    int status;

    if (is_csv && (cli->is_json || html != NULL))
        return hg_cli_usage(cli, "--csv goes with neither --json nor --html");
    status = hg_cli_zone_find(cli, &is_told);
    if (status == 0)
        status =
            hg_cli_call(cli, "report.heat",
                        json_pack("{s:s}", "heat_id", args->word[0]), &report);
    if (status != 0)
        return status;
    if (html != NULL)
        status = put_page(cli, report, html);
    else if (cli->is_json)
        return hg_cli_give(cli, report);
    else if (is_csv)
        put_csv(report);
    else
        put_text(report);
    json_decref(report);
    return status;
}
