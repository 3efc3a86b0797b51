/* heat: start, plan, preview, change, unplan. */
#include "base/text.h"
#include "base/why.h"
#include "cli/out.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include <math.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define MINUTE_MS 60000

struct wish {
    struct hg_cli *cli;
    const struct hg_cli_args *args;
    const char *room;
    json_t *params;
    int64_t now_ms;
    int64_t asked_ends_ms; /* 0: not asked for */
};

static bool has(const struct wish *wish, enum hg_cli_option option)
{
    return hg_cli_has(wish->args, option);
}

/* -- what was asked --------------------------------------------------------*/

static int take_target(struct wish *wish)
{
    const char *text = wish->args->value[HG_OPT_TARGET];
    char *end = NULL;
    double celsius;

    if (text == NULL)
        return 0;
    celsius = strtod(text, &end);
    if (*end == 'C' && end > text)
        end++;
    if (end == text || *end != '\0' || !isfinite(celsius))
        return hg_cli_usage(wish->cli,
                            "--target wants degrees Celsius such as 80, not "
                            "'%s'",
                            text);
    json_object_set_new(wish->params, "target_c", json_real(celsius));
    return 0;
}

static int take_duration(struct wish *wish)
{
    const char *text = wish->args->value[HG_OPT_FOR];
    uint64_t ms;

    if (text == NULL)
        return 0;
    if (hg_text_to_duration(text, &ms) < 0 || ms % MINUTE_MS != 0)
        return hg_cli_usage(wish->cli,
                            "--for wants whole minutes or hours such as 90m, "
                            "3h or 2h30m, not '%s'",
                            text);
    wish->asked_ends_ms = wish->now_ms + (int64_t)ms;
    json_object_set_new(wish->params, "duration_min",
                        json_integer((json_int_t)(ms / MINUTE_MS)));
    return 0;
}

static int take_ready_by(struct wish *wish)
{
    const char *text = wish->args->value[HG_OPT_READY_BY];
    char out[HG_WALL_TEXT_BYTES];
    int64_t ms;

    if (text == NULL)
        return 0;
    if (hg_cli_time(text, wish->now_ms, &ms) < 0)
        return hg_cli_usage(wish->cli,
                            "--ready-by wants a time of day such as 17:30, or "
                            "RFC 3339 such as 2026-12-04T17:30:00+01:00, not "
                            "'%s'",
                            text);
    hg_text_from_wall(ms, out);
    json_object_set_new(wish->params, "ready_at", json_string(out));
    return 0;
}

/* Which options go together. */
static int look_at_options(const struct wish *wish)
{
    int kinds = has(wish, HG_OPT_CHANGE) + has(wish, HG_OPT_UNPLAN) +
                has(wish, HG_OPT_PREVIEW);
    bool has_wish = has(wish, HG_OPT_TARGET) || has(wish, HG_OPT_FOR);

    if (kinds > 1)
        return hg_cli_usage(wish->cli, "only one of --change, --unplan and "
                                       "--preview can be meant");
    if (has(wish, HG_OPT_UNPLAN) && (has_wish || has(wish, HG_OPT_READY_BY)))
        return hg_cli_usage(wish->cli, "--unplan takes nothing else");
    if (has(wish, HG_OPT_CHANGE) && has(wish, HG_OPT_READY_BY))
        return hg_cli_usage(wish->cli, "--ready-by is for a plan; to change "
                                       "one, --unplan it and plan anew");
    if (has(wish, HG_OPT_CHANGE) && !has_wish)
        return hg_cli_usage(wish->cli, "--change wants --target, --for or "
                                       "both");
    if (kinds == 0 && !(has(wish, HG_OPT_TARGET) && has(wish, HG_OPT_FOR)))
        return hg_cli_usage(wish->cli, "--target C and --for DURATION are "
                                       "wanted");
    return 0;
}

/* -- what came of it -------------------------------------------------------*/

static void caution(const struct hg_cli *cli)
{
    if (cli->is_out_terminal && !cli->is_json)
        hg_cli_put_wrapped(stdout, 0, 0,
                           "Caution: remote operation may be restricted where "
                           "you live; local codes, the heater's manual and "
                           "licensed practice come first.");
}

static void put_forecast(const json_t *forecast, int64_t now_ms)
{
    char ready[HG_CLI_WHEN_BYTES], low[HG_CLI_WHEN_BYTES],
        high[HG_CLI_WHEN_BYTES];

    if (!json_is_object(forecast)) {
        printf("When it will be ready cannot be said: there is no reading, or "
               "this heater\nwould not get there.\n");
        return;
    }
    hg_cli_when_text(hg_cli_text(forecast, "ready_at"), now_ms, ready);
    hg_cli_when_text(hg_cli_text(forecast, "low"), now_ms, low);
    hg_cli_when_text(hg_cli_text(forecast, "high"), now_ms, high);
    printf("Ready about %s (between %s and %s).\n", ready, low, high);
}

static int tell_heat(const struct wish *wish, const json_t *result)
{
    const char *ends_at = hg_cli_text(result, "ends_at");
    double target = json_number_value(json_object_get(result, "target_c"));
    char ends[HG_CLI_WHEN_BYTES];
    int64_t ms;

    hg_cli_when_text(ends_at, wish->now_ms, ends);
    printf("%s: heating to %g C until %s.\n", wish->room, target, ends);
    if (!has(wish, HG_OPT_CHANGE) && hg_text_to_wall(ends_at, &ms) == 0 &&
        ms + MINUTE_MS < wish->asked_ends_ms)
        printf("That is shorter than asked: it ends with the stay.\n");
    printf("Look on with 'heatgate watch %s', stop with 'heatgate stop %s'.\n",
           wish->room, wish->room);
    return HG_CLI_DONE;
}

/* Codes alone, told as the reasons that they stand for. */
static void put_codes(const struct hg_cli *cli, const json_t *codes)
{
    json_t *reasons = json_array();

    for (size_t i = 0; i < json_array_size(codes); i++) {
        const char *code = json_string_value(json_array_get(codes, i));
        enum hg_why why = hg_why_find(code == NULL ? "" : code);

        json_array_append_new(reasons, json_pack("{s:s?, s:s, s:s}", "code",
                                                 code, "text", hg_why_text(why),
                                                 "remedy", hg_why_remedy(why)));
    }
    hg_cli_put_reasons(cli, stdout, reasons);
    json_decref(reasons);
}

static int tell_plan(const struct wish *wish, const json_t *result)
{
    const json_t *at_risk = json_object_get(result, "at_risk");
    char starts[HG_CLI_WHEN_BYTES];

    hg_cli_when_text(hg_cli_text(result, "starts_at"), wish->now_ms, starts);
    printf("%s: planned; the heat starts at %s.\n", wish->room, starts);
    put_forecast(json_object_get(result, "forecast"), wish->now_ms);
    if (json_array_size(at_risk) > 0) {
        printf("AT RISK: as things are it would not start:\n");
        put_codes(wish->cli, at_risk);
    }
    return HG_CLI_DONE;
}

static int tell_preview(const struct wish *wish, const json_t *result)
{
    const json_t *reasons = json_object_get(result, "reasons");
    char starts[HG_CLI_WHEN_BYTES];

    if (json_is_true(json_object_get(result, "allowed")))
        printf("%s: this would be allowed now.\n", wish->room);
    else
        printf("%s: this would be refused now for %zu reason%s:\n", wish->room,
               json_array_size(reasons),
               json_array_size(reasons) == 1 ? "" : "s");
    hg_cli_put_reasons(wish->cli, stdout, reasons);
    if (has(wish, HG_OPT_READY_BY)) {
        hg_cli_when_text(hg_cli_text(result, "starts_at"), wish->now_ms,
                         starts);
        printf("It would start at %s.\n", starts);
    }
    if (has(wish, HG_OPT_TARGET))
        put_forecast(json_object_get(result, "forecast"), wish->now_ms);
    return HG_CLI_DONE;
}

static int tell_unplan(const struct wish *wish, const json_t *result)
{
    (void)result;
    printf("%s: the plan is dropped.\n", wish->room);
    return HG_CLI_DONE;
}

struct way {
    const char *method;
    int (*tell)(const struct wish *wish, const json_t *result);
    bool is_careful;
};

static struct way choose(const struct wish *wish)
{
    if (has(wish, HG_OPT_UNPLAN))
        return (struct way) { "heat.unplan", tell_unplan, false };
    if (has(wish, HG_OPT_CHANGE))
        return (struct way) { "heat.change", tell_heat, false };
    if (has(wish, HG_OPT_PREVIEW))
        return (struct way) { "heat.preview", tell_preview, false };
    if (has(wish, HG_OPT_READY_BY))
        return (struct way) { "heat.plan", tell_plan, true };
    return (struct way) { "heat.start", tell_heat, true };
}

/* A preview that says no is no failure, but scripts ask by its status. */
static int status_of(const json_t *result)
{
    const json_t *allowed = json_object_get(result, "allowed");

    return json_is_false(allowed) ? HG_CLI_REFUSED : HG_CLI_DONE;
}

int hg_cli_heat(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct wish wish = { .cli = cli, .args = args, .room = args->word[0] };
    struct way way;
    json_t *result;
    int status;

    wish.now_ms = hg_cli_now_ms();
    wish.params = json_pack("{s:s}", "room", wish.room);
    if ((status = look_at_options(&wish)) != 0 ||
        (status = take_target(&wish)) != 0 ||
        (status = take_duration(&wish)) != 0 ||
        (status = take_ready_by(&wish)) != 0) {
        json_decref(wish.params);
        return status;
    }
    way = choose(&wish);
    if (way.is_careful)
        caution(cli);
    status = hg_cli_call(cli, way.method, wish.params, &result);
    if (status != 0)
        return status;
    status = status_of(result);
    if (cli->is_json)
        (void)hg_cli_give(cli, json_incref(result));
    else
        (void)way.tell(&wish, result);
    json_decref(result);
    return status;
}
