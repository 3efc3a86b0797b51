/* From when to when a code is valid; see stay.h. */
#include "cli/stay.h"
#include "base/text.h"
#include "cli/records.h"
#include "cli/when.h"
#include <stdlib.h>
#include <string.h>
#include <time.h>

int hg_cli_stay_split(const char *stay, char ret_from[HG_CLI_STAY_BYTES],
                      char ret_until[HG_CLI_STAY_BYTES])
{
    const char *slash = strchr(stay, '/');
    size_t len = slash == NULL ? 0 : (size_t)(slash - stay);

    if (len == 0 || slash[1] == '\0' || strchr(slash + 1, '/') != NULL)
        return HG_ERR_INPUT;
    if (len >= HG_CLI_STAY_BYTES || strlen(slash + 1) >= HG_CLI_STAY_BYTES)
        return HG_ERR_RANGE;
    memcpy(ret_from, stay, len);
    ret_from[len] = '\0';
    memcpy(ret_until, slash + 1, strlen(slash + 1) + 1);
    return 0;
}

int hg_cli_zone_find(struct hg_cli *cli, bool *ret_is_told)
{
    json_t *start;
    const char *zone;
    int status = hg_cli_records_start(cli, &start);

    if (status != 0)
        return status;
    zone = hg_cli_text(json_object_get(start, "started"), "timezone");
    *ret_is_told = zone[0] != '\0' && setenv("TZ", zone, 1) == 0;
    if (*ret_is_told)
        tzset();
    json_decref(start);
    return 0;
}

/*
 * The zone that local times are meant in: the one the service recorded at its
 * start, else TZ. What the machine happens to be set to is no answer: the
 * manager's and the gateway's may differ.
 */
static int use_zone(struct hg_cli *cli)
{
    const char *tz = getenv("TZ");
    bool has_own = tz != NULL && tz[0] != '\0';
    bool is_told = false;
    int status = hg_cli_zone_find(cli, &is_told);

    if (status != 0 || is_told || has_own)
        return status;
    return hg_cli_usage(
        cli, "a time without offset needs a time zone: write the offset "
             "(2026-12-04T15:00+01:00), or set TZ (TZ=Europe/Berlin)");
}

static bool is_local(const char *text)
{
    bool is_local_time = false;
    int64_t ms;

    return hg_cli_date_time(text, &is_local_time, &ms) != HG_ERR_INPUT &&
           is_local_time;
}

static int read_one(const struct hg_cli *cli, const char *what,
                    const char *text, int64_t *ret_ms)
{
    bool is_local_time;
    int err = strlen(text) == 5
                  ? hg_cli_time(text, hg_cli_now_ms(), ret_ms)
                  : hg_cli_date_time(text, &is_local_time, ret_ms);

    if (err == HG_ERR_RANGE)
        return hg_cli_usage(cli, "%s: there is no such time: '%s'", what, text);
    if (err < 0)
        return hg_cli_usage(cli,
                            "%s wants a time such as 2026-12-04T15:00+01:00, "
                            "not '%s'",
                            what, text);
    return 0;
}

/* The two texts, from --stay or from --from and --until. */
static int find_texts(const struct hg_cli *cli, const struct hg_cli_args *args,
                      char from[HG_CLI_STAY_BYTES],
                      char until[HG_CLI_STAY_BYTES])
{
    const char *stay = args->value[HG_OPT_STAY];
    const char *given_from = args->value[HG_OPT_FROM];
    const char *given_until = args->value[HG_OPT_UNTIL];

    if (stay != NULL && (given_from != NULL || given_until != NULL))
        return hg_cli_usage(cli, "--stay stands for --from and --until; give "
                                 "one or the other");
    if (stay != NULL)
        return hg_cli_stay_split(stay, from, until) == 0
                   ? 0
                   : hg_cli_usage(cli,
                                  "--stay wants FROM/UNTIL such as "
                                  "2026-12-04T15:00/2026-12-07T11:00, not "
                                  "'%s'",
                                  stay);
    if (given_until == NULL)
        return hg_cli_usage(cli, "--stay FROM/UNTIL is wanted, or --until");
    if (hg_text_copy(from, HG_CLI_STAY_BYTES,
                     given_from == NULL ? "" : given_from) < 0 ||
        hg_text_copy(until, HG_CLI_STAY_BYTES, given_until) < 0)
        return hg_cli_usage(cli, "--from and --until want times");
    return 0;
}

int hg_cli_stay_read(struct hg_cli *cli, const struct hg_cli_args *args,
                     int64_t *ret_from_ms, int64_t *ret_until_ms)
{
    char from[HG_CLI_STAY_BYTES] = "";
    char until[HG_CLI_STAY_BYTES] = "";
    int64_t from_ms = hg_cli_now_ms();
    int64_t until_ms = 0;
    int status = find_texts(cli, args, from, until);

    if (status == 0 && (is_local(from) || is_local(until)))
        status = use_zone(cli);
    if (status == 0 && from[0] != '\0')
        status = read_one(cli, "the beginning", from, &from_ms);
    if (status == 0)
        status = read_one(cli, "the end", until, &until_ms);
    if (status == 0 && until_ms <= from_ms)
        status = hg_cli_usage(cli, "the stay ends before it begins");
    if (status != 0)
        return status;
    *ret_from_ms = from_ms;
    *ret_until_ms = until_ms;
    return 0;
}
