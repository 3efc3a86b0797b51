/* doctor --binding: what each pointer of a switch controller reads, live. */
#include "base/text.h"
#include "cli/out.h"
#include "cli/verbs.h"
#include "cli/watching.h"
#include "cli/when.h"
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SECONDS_DEFAULT 30
#define SECONDS_MAX     86400
#define LOOK_EVERY_MS   500
#define SIGNALS_MAX     16
#define SEEN_BYTES      192

struct looking {
    struct hg_cli *cli;
    const char *room;
    json_t *last; /* newest answer, owned */
    bool is_first;
    char seen[SIGNALS_MAX][SEEN_BYTES]; /* as last printed */
};

/* Is it read, and young where that matters? */
static bool is_well(const json_t *signal)
{
    return strcmp(hg_cli_text(signal, "state"), "ok") == 0 &&
           (!json_is_true(json_object_get(signal, "needed")) ||
            json_is_true(json_object_get(signal, "fresh")));
}

static void add_value(const json_t *signal, struct hg_buf *out)
{
    const json_t *value = json_object_get(signal, "value");

    if (json_is_string(value))
        hg_buf_add(out, json_string_value(value));
    else if (json_is_number(value))
        hg_buf_addf(out, "%.10g %s", json_number_value(value),
                    hg_cli_text(signal, "unit"));
    else
        hg_buf_add(out, "nothing");
}

/* What is printed again only when it changes: all but the age. */
static void describe(const json_t *signal, struct hg_buf *out)
{
    const char *raw = hg_cli_text(signal, "raw");

    hg_buf_addf(out, "%s -> ", raw[0] == '\0' ? "-" : raw);
    add_value(signal, out);
    if (strcmp(hg_cli_text(signal, "state"), "ok") != 0)
        hg_buf_addf(out, ": %s", hg_cli_text(signal, "text"));
    else if (!is_well(signal))
        hg_buf_add(out, ": too old");
}

static void put_age(const json_t *signal)
{
    const json_t *age = json_object_get(signal, "age_ms");

    if (json_is_integer(age))
        printf(", %.1f s old", (double)json_integer_value(age) / 1000);
    putchar('\n');
}

static void put_signal(const struct looking *looking, const json_t *signal,
                       const char *text)
{
    bool has_colour = looking->cli->has_colour;
    bool is_good = is_well(signal);

    printf("%s%-4s%s %-18s %s %s  %s",
           hg_cli_paint(has_colour, is_good ? HG_PAINT_GOOD : HG_PAINT_BAD),
           is_good ? "ok" : "fail", hg_cli_paint(has_colour, HG_PAINT_NONE),
           hg_cli_text(signal, "signal"), hg_cli_text(signal, "topic"),
           hg_cli_text(signal, "pointer"), text);
    put_age(signal);
}

/* A line for each signal that reads otherwise than when last printed. */
static void put_news(struct looking *looking)
{
    const json_t *signal;
    size_t i;

    json_array_foreach(json_object_get(looking->last, "signals"), i, signal)
    {
        char text[SEEN_BYTES];
        struct hg_buf buf;

        if (i >= SIGNALS_MAX)
            break;
        hg_buf_init(&buf, text, sizeof(text));
        describe(signal, &buf);
        if (strcmp(text, looking->seen[i]) == 0)
            continue;
        memcpy(looking->seen[i], text, sizeof(text));
        put_signal(looking, signal, text);
    }
    fflush(stdout);
}

static void put_progress(const struct looking *looking, uint64_t left_ms)
{
    if (looking->cli->is_err_terminal && !looking->cli->is_json)
        fprintf(stderr, "\r\033[Klistening, %u s left, Ctrl-C ends\r",
                (unsigned)((left_ms + 999) / 1000));
}

static int look(struct looking *looking)
{
    json_t *result = NULL;
    int status =
        hg_cli_call(looking->cli, "binding.read",
                    json_pack("{s:s}", "room", looking->room), &result);

    if (status != 0)
        return status;
    json_decref(looking->last);
    looking->last = result;
    if (!looking->cli->is_json)
        put_news(looking);
    return 0;
}

static int look_for(struct looking *looking, uint64_t seconds)
{
    uint64_t end_ms = hg_cli_mono_ms() + seconds * 1000;
    uint64_t now_ms;
    int status;

    hg_cli_catch_interrupt();
    do {
        status = look(looking);
        now_ms = hg_cli_mono_ms();
        if (status != 0 || now_ms >= end_ms)
            break;
        put_progress(looking, end_ms - now_ms);
        /* a signal ends the pause early */
        (void)poll(NULL, 0, LOOK_EVERY_MS);
    } while (!hg_cli_is_interrupted());
    if (looking->cli->is_err_terminal && !looking->cli->is_json)
        fputs("\r\033[K", stderr);
    return status;
}

static void put_remedy(const json_t *signal, const char *remedy)
{
    printf("%s: ", hg_cli_text(signal, "signal"));
    hg_cli_put_wrapped(stdout, strlen(hg_cli_text(signal, "signal")) + 2, 4,
                       remedy);
}

/* What is to be done, at the end; the status. */
static int conclude(const struct looking *looking)
{
    bool is_up = json_is_true(json_object_get(looking->last, "connected"));
    bool is_good = is_up;
    const json_t *signal;
    size_t i;

    json_array_foreach(json_object_get(looking->last, "signals"), i, signal)
    {
        const char *remedy = hg_cli_text(signal, "remedy");

        if (is_well(signal))
            continue;
        is_good = false;
        if (looking->cli->is_json)
            continue;
        put_remedy(signal,
                   remedy[0] != '\0'
                       ? remedy
                       : "It must be heard, not retained, at least every "
                         "stale_after_s. A device that only reports changes "
                         "needs a heartbeat.");
    }
    if (looking->cli->is_json)
        (void)hg_cli_give(looking->cli,
                          json_pack("{s:b, s:O}", "ok", (int)is_good, "binding",
                                    looking->last));
    else if (!is_up)
        printf("The room has no connection to the broker; heatgate doctor "
               "says more.\n");
    else
        printf("%s\n", is_good ? "Every signal is read."
                               : "Something is not read; see above.");
    return is_good ? HG_CLI_DONE : HG_CLI_REFUSED;
}

int hg_cli_doctor_binding(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct looking looking = { .cli = cli,
                               .room = args->value[HG_OPT_BINDING] };
    const char *given = args->value[HG_OPT_SECONDS];
    uint64_t seconds = SECONDS_DEFAULT;
    int status;

    if (given != NULL && hg_text_to_u64(given, 1, SECONDS_MAX, &seconds) < 0)
        return hg_cli_usage(cli, "--seconds takes a whole number from 1 to %d",
                            SECONDS_MAX);
    status = look_for(&looking, seconds);
    if (status == 0)
        status = conclude(&looking);
    json_decref(looking.last);
    return status;
}
