/* report energy: who heated when, how much energy, and what it cost. */
#include "base/text.h"
#include "cli/out.h"
#include "cli/stay.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include <string.h>
#include <time.h>

#define PAGES_MAX  10000 /* a service that never ends would be broken */
#define BY_COLUMNS 20
#define TEXT_BYTES 64

struct range {
    int64_t from_ms, until_ms;
};

/* -- from when to when ------------------------------------------------------
 */

/* The first moment of a month, counted from 1900-01. */
static int month_start(int month, int64_t *ret_ms)
{
    char text[TEXT_BYTES];
    bool is_local;

    snprintf(text, sizeof(text), "%04d-%02d-01T00:00", month / 12 + 1900,
             month % 12 + 1);
    if (hg_cli_date_time(text, &is_local, ret_ms) == 0)
        return 0;
    /* where clocks go forward at midnight, the month begins at one */
    snprintf(text, sizeof(text), "%04d-%02d-01T01:00", month / 12 + 1900,
             month % 12 + 1);
    return hg_cli_date_time(text, &is_local, ret_ms);
}

static int read_month(const struct hg_cli *cli, const char *text, int *ret)
{
    uint64_t year, month;
    char number[5] = "";

    if (strlen(text) == 7 && text[4] == '-') {
        memcpy(number, text, 4);
        if (hg_text_to_u64(number, 1970, 9998, &year) == 0 &&
            hg_text_to_u64(text + 5, 1, 12, &month) == 0) {
            *ret = (int)(year - 1900) * 12 + (int)month - 1;
            return 0;
        }
    }
    return hg_cli_usage(cli, "--month wants a month such as 2026-12, not '%s'",
                        text);
}

static int this_month(void)
{
    time_t now = (time_t)(hg_cli_now_ms() / 1000);
    struct tm tm;

    memset(&tm, 0, sizeof(tm));
    (void)localtime_r(&now, &tm);
    return tm.tm_year * 12 + tm.tm_mon;
}

/* A day, or a time. */
static int read_time(const struct hg_cli *cli, const char *name,
                     const char *text, int64_t *ret_ms)
{
    char full[TEXT_BYTES];
    bool is_local;

    if (strlen(text) < 40) {
        snprintf(full, sizeof(full), "%s%s", text,
                 strlen(text) == 10 ? "T00:00" : "");
        if (hg_cli_date_time(full, &is_local, ret_ms) == 0)
            return 0;
    }
    return hg_cli_usage(cli,
                        "--%s wants a day or a time such as 2026-12-01 or "
                        "2026-12-04T15:00+01:00, not '%s'",
                        name, text);
}

static int read_range(const struct hg_cli *cli, const struct hg_cli_args *args,
                      struct range *range)
{
    const char *from = args->value[HG_OPT_FROM];
    const char *until = args->value[HG_OPT_UNTIL];
    int month = this_month();
    int status = 0;

    if (hg_cli_has(args, HG_OPT_MONTH) && (from != NULL || until != NULL))
        return hg_cli_usage(cli, "--month stands for --from and --until; give "
                                 "one or the other");
    if (until != NULL && from == NULL)
        return hg_cli_usage(cli, "--until wants --from beside it");
    if (hg_cli_has(args, HG_OPT_MONTH))
        status = read_month(cli, args->value[HG_OPT_MONTH], &month);
    if (status == 0 && from == NULL &&
        (month_start(month, &range->from_ms) < 0 ||
         month_start(month + 1, &range->until_ms) < 0))
        status = hg_cli_usage(cli, "there is no such month");
    if (status == 0 && from != NULL) {
        range->until_ms = hg_cli_now_ms() + 1000;
        status = read_time(cli, "from", from, &range->from_ms);
    }
    if (status == 0 && until != NULL)
        status = read_time(cli, "until", until, &range->until_ms);
    if (status == 0 && range->until_ms <= range->from_ms)
        status = hg_cli_usage(cli, "the time asked for ends before it begins");
    return status;
}

/* -- asking -----------------------------------------------------------------
 */

/* All of one room; what does not fit into an answer is in the next ones. */
static int ask_room(struct hg_cli *cli, const char *room,
                    const struct range *range, json_t **ret_report)
{
    char from[HG_WALL_TEXT_BYTES], until[HG_WALL_TEXT_BYTES];
    json_t *report = NULL;
    int status = 0;

    hg_text_from_wall(range->from_ms, from);
    hg_text_from_wall(range->until_ms, until);
    for (int page = 0; page < PAGES_MAX; page++) {
        json_t *answer;
        const char *next;

        status = hg_cli_call(cli, "report.energy",
                             json_pack("{s:s, s:s, s:s}", "room", room, "from",
                                       from, "until", until),
                             &answer);
        if (status != 0)
            break;
        next = hg_cli_text(answer, "next");
        snprintf(from, sizeof(from), "%s", next);
        if (report == NULL)
            report = json_incref(answer);
        else
            json_array_extend(json_object_get(report, "heats"),
                              json_object_get(answer, "heats"));
        json_decref(answer);
        if (from[0] == '\0')
            break;
    }
    if (status != 0) {
        json_decref(report);
        return status;
    }
    json_object_del(report, "next");
    *ret_report = report;
    return 0;
}

static void add_total(json_t *total, const json_t *report)
{
    static const char *const whole[] = { "heats", "energy_wh" };
    const json_t *one = json_object_get(report, "total");
    const json_t *cost = json_object_get(one, "cost");

    for (size_t i = 0; i < HG_COUNT(whole); i++)
        json_object_set_new(
            total, whole[i],
            json_integer(json_integer_value(json_object_get(total, whole[i])) +
                         json_integer_value(json_object_get(one, whole[i]))));
    json_object_set_new(total, "kwh",
                        json_real((double)json_integer_value(
                                      json_object_get(total, "energy_wh")) /
                                  1000.0));
    if (json_is_number(cost))
        json_object_set_new(
            total, "cost",
            json_real(json_number_value(json_object_get(total, "cost")) +
                      json_number_value(cost)));
}

static int ask_rooms(struct hg_cli *cli, const json_t *rooms,
                     const struct range *range, json_t **ret_all)
{
    json_t *all = json_pack("{s:[], s:{s:i, s:i, s:f, s:n}}", "rooms", "total",
                            "heats", 0, "energy_wh", 0, "kwh", 0.0, "cost");
    json_t *report, *room;
    size_t i;
    int status = 0;

    json_array_foreach(rooms, i, room)
    {
        status = ask_room(cli, json_string_value(room), range, &report);
        if (status != 0)
            break;
        add_total(json_object_get(all, "total"), report);
        json_array_append_new(json_object_get(all, "rooms"), report);
    }
    if (status != 0)
        json_decref(all);
    else
        *ret_all = all;
    return status;
}

/* Names of the rooms given, or of all. */
static int find_rooms(struct hg_cli *cli, const struct hg_cli_args *args,
                      json_t **ret_rooms)
{
    json_t *list, *state;
    json_t *rooms = json_array();
    size_t i;
    int status;

    for (i = 0; i < args->room_count; i++)
        json_array_append_new(rooms, json_string(args->room[i]));
    if (args->room_count > 0) {
        *ret_rooms = rooms;
        return 0;
    }
    status = hg_cli_call(cli, "room.list", NULL, &list);
    if (status != 0) {
        json_decref(rooms);
        return status;
    }
    json_array_foreach(json_object_get(list, "rooms"), i, state)
    {
        json_array_append(rooms, json_object_get(state, "room"));
    }
    json_decref(list);
    *ret_rooms = rooms;
    return 0;
}

/* -- telling ----------------------------------------------------------------
 */

static void money(const json_t *sum, const char *currency, char out[TEXT_BYTES])
{
    const json_t *cost = json_object_get(sum, "cost");

    if (!json_is_number(cost))
        snprintf(out, TEXT_BYTES, "-");
    else
        snprintf(out, TEXT_BYTES, "%.2f%s%s", json_number_value(cost),
                 currency[0] == '\0' ? "" : " ", currency);
}

static void put_sum(const char *name, const json_t *sum, const char *currency)
{
    char cost[TEXT_BYTES];

    money(sum, currency, cost);
    fputs("  ", stdout);
    hg_cli_put_cell(stdout, name, BY_COLUMNS + 22);
    printf(" %4" JSON_INTEGER_FORMAT " %10.3f %14s\n",
           json_integer_value(json_object_get(sum, "heats")),
           json_number_value(json_object_get(sum, "kwh")), cost);
}

static void put_heat(const json_t *heat, const char *currency, int64_t now_ms)
{
    const json_t *kwh = json_object_get(heat, "kwh");
    char began[HG_CLI_WHEN_BYTES], span[HG_CLI_WHEN_BYTES] = "running";
    char cost[TEXT_BYTES];
    int64_t from_ms, until_ms;

    hg_cli_when_text(hg_cli_text(heat, "started_at"), now_ms, began);
    if (hg_text_to_wall(hg_cli_text(heat, "started_at"), &from_ms) == 0 &&
        hg_text_to_wall(hg_cli_text(heat, "ended_at"), &until_ms) == 0)
        hg_cli_span(until_ms - from_ms, span);
    money(heat, currency, cost);
    printf("  %-16s %-9s ", began, span);
    hg_cli_put_cell(stdout, hg_cli_text(heat, "by"), BY_COLUMNS);
    if (json_is_number(kwh))
        printf(" %10.3f", json_number_value(kwh));
    else
        printf(" %10s", "-");
    printf(" %14s\n    %s  %s\n", cost, hg_cli_text(heat, "heat_id"),
           hg_cli_text(heat, "end"));
}

static void put_room(const json_t *report, int64_t now_ms)
{
    const char *currency = hg_cli_text(report, "currency");
    const json_t *one;
    size_t i;

    hg_cli_put(stdout, hg_cli_text(report, "room"));
    printf("\n  %-16s %-9s %-*s %10s %14s\n", "BEGAN", "LASTED", BY_COLUMNS,
           "BY", "KWH", "COST");
    json_array_foreach(json_object_get(report, "heats"), i, one)
    {
        put_heat(one, currency, now_ms);
    }
    printf("  %-*s %4s %10s %14s\n", BY_COLUMNS + 22, "SUMS", "HEATS", "KWH",
           "COST");
    json_array_foreach(json_object_get(report, "by"), i, one)
    {
        put_sum(hg_cli_text(one, "by"), one, currency);
    }
    json_array_foreach(json_object_get(report, "months"), i, one)
    {
        put_sum(hg_cli_text(one, "month"), one, currency);
    }
    put_sum("all", json_object_get(report, "total"), currency);
}

static void put_text(const json_t *all, const struct range *range)
{
    int64_t now_ms = hg_cli_now_ms();
    const json_t *rooms = json_object_get(all, "rooms");
    char from[HG_CLI_WHEN_BYTES], until[HG_CLI_WHEN_BYTES];
    const json_t *report;
    const char *currency = "";
    size_t i;

    hg_cli_when_full(range->from_ms, from);
    hg_cli_when_full(range->until_ms, until);
    printf("Heats that began from %s until %s\n", from, until);
    json_array_foreach(rooms, i, report)
    {
        putchar('\n');
        put_room(report, now_ms);
        currency = hg_cli_text(report, "currency");
    }
    if (json_array_size(rooms) > 1) {
        printf("\nall rooms\n");
        put_sum("all", json_object_get(all, "total"), currency);
    }
}

static void put_csv_heat(const json_t *report, const json_t *heat)
{
    const json_t *kwh = json_object_get(heat, "kwh");
    const json_t *cost = json_object_get(heat, "cost");

    /* ids, words and times: nothing in it needs quotes */
    printf("%s,%s,%s,%s,%s,%s,", hg_cli_text(report, "room"),
           hg_cli_text(heat, "heat_id"), hg_cli_text(heat, "by"),
           hg_cli_text(heat, "started_at"), hg_cli_text(heat, "ended_at"),
           hg_cli_text(heat, "end"));
    if (json_is_number(kwh))
        printf("%.3f", json_number_value(kwh));
    putchar(',');
    if (json_is_number(cost))
        printf("%.4f", json_number_value(cost));
    printf(",%s\r\n", hg_cli_text(report, "currency"));
}

static void put_csv(const json_t *all)
{
    const json_t *report, *heat;
    size_t i, j;

    printf("room,heat_id,by,started_at,ended_at,end,kwh,cost,currency\r\n");
    json_array_foreach(json_object_get(all, "rooms"), i, report)
    {
        json_array_foreach(json_object_get(report, "heats"), j, heat)
        {
            put_csv_heat(report, heat);
        }
    }
}

int hg_cli_report_energy(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct range range;
    json_t *rooms, *all;
    bool is_told;
    int status;

    if (cli->is_json && hg_cli_has(args, HG_OPT_CSV))
        return hg_cli_usage(cli, "--csv and --json exclude each other");
    status = hg_cli_zone_find(cli, &is_told);
    if (status == 0)
        status = read_range(cli, args, &range);
    if (status == 0)
        status = find_rooms(cli, args, &rooms);
    if (status != 0)
        return status;
    status = ask_rooms(cli, rooms, &range, &all);
    json_decref(rooms);
    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, all);
    if (hg_cli_has(args, HG_OPT_CSV))
        put_csv(all);
    else
        put_text(all, &range);
    json_decref(all);
    return HG_CLI_DONE;
}
