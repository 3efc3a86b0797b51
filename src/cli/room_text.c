/* A room's state in a line for people; see room_text.h. */
#include "cli/room_text.h"
#include "cli/cli.h"
#include "cli/out.h"
#include "cli/when.h"
#include <string.h>

#define BAR_COLUMNS 10

static void add_codes(const json_t *codes, struct hg_buf *text)
{
    for (size_t i = 0; i < json_array_size(codes); i++) {
        const char *code = json_string_value(json_array_get(codes, i));

        hg_buf_addf(text, "%s%s", i > 0 ? ", " : "", code == NULL ? "" : code);
    }
}

static void add_ready(const json_t *state, int64_t now_ms, struct hg_buf *text)
{
    const json_t *forecast = json_object_get(state, "forecast");
    const char *ready = hg_cli_text(forecast, "ready_at");
    char when[HG_CLI_WHEN_BYTES], span[HG_CLI_WHEN_BYTES];
    int64_t ms;

    if (hg_text_to_wall(ready, &ms) < 0)
        return;
    hg_cli_when(ms, now_ms, when);
    hg_cli_span(ms - now_ms, span);
    if (ms > now_ms + 60000)
        hg_buf_addf(text, ", ready %s (%s)", when, span);
    else
        hg_buf_add(text, ", ready now");
}

static void add_heat(const json_t *state, int64_t now_ms, struct hg_buf *text)
{
    const json_t *heat = json_object_get(state, "heat");
    double target = json_number_value(json_object_get(heat, "target_c"));
    char until[HG_CLI_WHEN_BYTES];

    hg_cli_when_text(hg_cli_text(heat, "ends_at"), now_ms, until);
    hg_buf_addf(text, "to %g C until %s", target, until);
    if (json_is_true(json_object_get(heat, "held")))
        hg_buf_add(text, ", held: close the door");
    else
        add_ready(state, now_ms, text);
}

static void add_plan(const json_t *plan, int64_t now_ms, struct hg_buf *text)
{
    const json_t *at_risk = json_object_get(plan, "at_risk");
    char ready[HG_CLI_WHEN_BYTES], starts[HG_CLI_WHEN_BYTES];

    hg_cli_when_text(hg_cli_text(plan, "ready_at"), now_ms, ready);
    hg_cli_when_text(hg_cli_text(plan, "starts_at"), now_ms, starts);
    hg_buf_addf(text, "%g C at %s, starts %s",
                json_number_value(json_object_get(plan, "target_c")), ready,
                starts);
    if (json_array_size(at_risk) > 0) {
        hg_buf_add(text, "; AT RISK: ");
        add_codes(at_risk, text);
    }
}

/* Which of light and fan are on. */
static void add_outputs(const json_t *state, struct hg_buf *text)
{
    static const char *const name[] = { "light", "fan" };
    const json_t *outputs = json_object_get(state, "outputs");

    for (size_t i = 0; i < HG_COUNT(name); i++)
        if (json_is_true(json_object_get(outputs, name[i])))
            hg_buf_addf(text, ", %s on", name[i]);
}

void hg_cli_room_doing(const json_t *state, int64_t now_ms, struct hg_buf *text)
{
    const json_t *lockouts = json_object_get(state, "lockouts");
    const json_t *plan = json_object_get(state, "plan");

    if (json_is_object(json_object_get(state, "heat"))) {
        add_heat(state, now_ms, text);
    } else if (json_array_size(lockouts) > 0) {
        hg_buf_add(text, "locked: ");
        add_codes(lockouts, text);
    } else if (json_is_object(plan)) {
        add_plan(plan, now_ms, text);
    } else if (json_is_true(json_object_get(state, "may_start"))) {
        hg_buf_add(text, "may start");
    } else {
        add_codes(json_object_get(state, "reasons"), text);
    }
    add_outputs(state, text);
}

/* "64.2/80 C [########..]", or without target only the air. */
static void add_air(const json_t *state, struct hg_buf *text)
{
    const json_t *air = json_object_get(state, "air_c");
    const json_t *heat = json_object_get(state, "heat");
    double target = json_number_value(json_object_get(heat, "target_c"));
    char celsius[HG_CLI_CELSIUS_BYTES], bar[HG_CLI_BAR_BYTES];

    if (!json_is_number(air) || !json_is_object(heat) || !(target > 0.0)) {
        hg_cli_celsius(json_is_number(air), json_number_value(air), celsius);
        hg_buf_addf(text, "%s", celsius);
        return;
    }
    hg_cli_bar(json_number_value(air) / target, BAR_COLUMNS, bar);
    hg_buf_addf(text, "%.1f/%g C %s", json_number_value(air), target, bar);
}

static void add_old_air(const json_t *state, int64_t now_ms,
                        struct hg_buf *text)
{
    const json_t *air = json_object_get(state, "air_c");
    char celsius[HG_CLI_CELSIUS_BYTES], seen[HG_CLI_WHEN_BYTES];

    hg_cli_celsius(json_is_number(air), json_number_value(air), celsius);
    hg_cli_when_text(hg_cli_text(state, "seen_at"), now_ms, seen);
    hg_buf_addf(text, "no fresh reading (last %s at %s)", celsius, seen);
}

/* In the order of what matters: a narrow terminal cuts at the end. */
static void add_live_heat(const json_t *state, int64_t now_ms,
                          struct hg_buf *text)
{
    const json_t *heat = json_object_get(state, "heat");
    const char *ready =
        hg_cli_text(json_object_get(state, "forecast"), "ready_at");
    char ends[HG_CLI_WHEN_BYTES], span[HG_CLI_WHEN_BYTES];
    int64_t ms;

    if (json_is_true(json_object_get(heat, "held"))) {
        hg_buf_add(text, ", HELD: close the door");
    } else if (hg_text_to_wall(ready, &ms) == 0) {
        hg_cli_span(ms - now_ms, span);
        hg_buf_addf(text, ", ready in %s", span);
    }
    hg_cli_when_text(hg_cli_text(heat, "ends_at"), now_ms, ends);
    hg_buf_addf(text, ", ends %s", ends);
}

void hg_cli_room_line(const json_t *state, int64_t now_ms, struct hg_buf *text)
{
    const char *door = hg_cli_text(state, "door");

    hg_buf_addf(text, "%s %s ", hg_cli_text(state, "room"),
                hg_cli_text(state, "phase"));
    if (json_is_true(json_object_get(state, "fresh"))) {
        add_air(state, text);
        hg_buf_addf(text, " door %s", door[0] == '\0' ? "unknown" : door);
    } else {
        add_old_air(state, now_ms, text);
    }
    if (json_is_object(json_object_get(state, "heat"))) {
        add_live_heat(state, now_ms, text);
        add_outputs(state, text);
    } else {
        hg_buf_add(text, ", ");
        hg_cli_room_doing(state, now_ms, text);
    }
}
