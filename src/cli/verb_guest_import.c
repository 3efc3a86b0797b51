/*
 * guest import: follow a booking calendar. The file is read here, in the
 * program of the person who has it; the service only hears of stays.
 */
#include "access/calendar.h"
#include "base/text.h"
#include "cli/card_job.h"
#include "cli/import.h"
#include "cli/out.h"
#include "cli/stay.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define LABEL "import" /* names of guests are kept nowhere */

struct import {
    struct hg_cli *cli;
    const char *room;
    bool is_dry;
    int64_t now_ms;
    json_t *list;  /* guest.list of the room */
    json_t *told;  /* what was done, for --json */
    json_t *error; /* of the service, for --json, or NULL */
    size_t count[HG_IMPORT_NONE + 1];
    const char *cards; /* folder, or NULL */
    struct hg_card_job card;
    size_t cards_failed;
};

/* -- the file ---------------------------------------------------------------
 */

static int read_all(int fd, char *text, size_t len)
{
    while (len > 0) {
        ssize_t got = read(fd, text, len);

        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return HG_ERR_SYSTEM;
        text += got;
        len -= (size_t)got;
    }
    return 0;
}

static int read_file(const struct hg_cli *cli, const char *path,
                     char **ret_text, size_t *ret_len)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    struct stat info;
    char *text = NULL;
    int err = HG_ERR_SYSTEM;

    if (fd >= 0 && fstat(fd, &info) == 0) {
        errno = S_ISREG(info.st_mode) ? EFBIG : EINVAL;
        if (S_ISREG(info.st_mode) &&
            (uint64_t)info.st_size <= HG_CALENDAR_BYTES_MAX)
            text = calloc(1, (size_t)info.st_size + 1);
        if (text != NULL)
            err = read_all(fd, text, (size_t)info.st_size);
    }
    if (err < 0) {
        int status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                                 "%s could not be read: %s. A file of at most "
                                 "%zu bytes is wanted",
                                 path, strerror(errno), HG_CALENDAR_BYTES_MAX);

        free(text);
        if (fd >= 0)
            (void)close(fd); /* only read: nothing to lose */
        return status;
    }
    (void)close(fd);
    *ret_text = text;
    *ret_len = (size_t)info.st_size;
    return 0;
}

/* -- what the service says --------------------------------------------------
 */

static int minute_of(const char *text, int fallback)
{
    uint64_t hour, minute;
    char number[3] = "";

    if (strlen(text) != 5)
        return fallback;
    memcpy(number, text, 2);
    if (hg_text_to_u64(number, 0, 23, &hour) < 0 ||
        hg_text_to_u64(text + 3, 0, 59, &minute) < 0)
        return fallback;
    return (int)(hour * 60 + minute);
}

static int read_calendar(const struct import *import, const char *path,
                         struct hg_calendar *calendar)
{
    const json_t *place = json_object_get(import->list, "place");
    const char *zone = hg_cli_text(place, "timezone");
    struct hg_calendar_ask ask = {
        .room = import->room,
        .zone = zone[0] == '\0' ? NULL : zone,
        .check_in_min = minute_of(hg_cli_text(place, "check_in"), 15 * 60),
        .check_out_min = minute_of(hg_cli_text(place, "check_out"), 11 * 60),
        .now_ms = import->now_ms,
    };
    char said[HG_CALENDAR_WHY_BYTES];
    struct hg_buf why;
    char *text = NULL;
    int status = read_file(import->cli, path, &text, &ask.len);

    if (status != 0)
        return status;
    ask.text = text;
    hg_buf_init(&why, said, sizeof(said));
    if (hg_calendar_read(&ask, &why, calendar) < 0)
        status = hg_cli_fail(import->cli, HG_CLI_REFUSED, HG_CLI_CODE_USAGE,
                             "%s: %s.", path, said);
    free(text);
    return status;
}

static int find_room(struct import *import, const struct hg_cli_args *args,
                     json_t **ret_rooms)
{
    json_t *rooms, *list;
    int status;

    if (args->room_count > 1)
        return hg_cli_usage(import->cli,
                            "a calendar is of one room: give --room once");
    status = hg_cli_call(import->cli, "room.list", NULL, &list);
    if (status != 0)
        return status;
    rooms = json_object_get(list, "rooms");
    if (args->room_count == 1)
        import->room = args->room[0];
    else if (json_array_size(rooms) == 1)
        import->room = hg_cli_text(json_array_get(rooms, 0), "room");
    else
        status = hg_cli_usage(import->cli, "--room ROOM is wanted: there is "
                                           "more than one");
    if (status == 0)
        *ret_rooms = list; /* holds the name */
    else
        json_decref(list);
    return status;
}

/* -- doing ------------------------------------------------------------------
 */

/*
 * A call whose failure does not hide what was done before: with --json the
 * codes made so far and the error are one document.
 */
static int call(struct import *import, const char *method, json_t *params_taken,
                json_t **ret_result)
{
    struct hg_api_answer answer;
    int status;

    if (!import->cli->is_json)
        return hg_cli_call(import->cli, method, params_taken, ret_result);
    status = hg_cli_ask(import->cli, method, params_taken, &answer);
    if (status != 0) {
        /* the connection broke, and stdout has the error already */
        json_dumpf(import->told, stderr, JSON_COMPACT);
        fputc('\n', stderr);
        return status;
    }
    if (answer.error != NULL) {
        import->error = json_incref(answer.error);
        status = HG_CLI_REFUSED;
    } else {
        *ret_result = json_incref(answer.result);
    }
    hg_api_answer_release(&answer);
    return status;
}

static int issue(struct import *import, const struct hg_import_step *step,
                 json_t **ret_result)
{
    char from[HG_WALL_MS_TEXT_BYTES], until[HG_WALL_MS_TEXT_BYTES];

    hg_text_from_wall_ms(step->from_ms, from);
    hg_text_from_wall_ms(step->until_ms, until);
    return call(import, "guest.issue",
                json_pack("{s:[s], s:s, s:s, s:s, s:s}", "rooms", import->room,
                          "from", from, "until", until, "label", LABEL, "uid",
                          step->uid),
                ret_result);
}

static int act(struct import *import, const struct hg_import_step *step,
               json_t **ret_result)
{
    switch (step->deed) {
    case HG_IMPORT_ISSUE:
    case HG_IMPORT_MOVE:
        return issue(import, step, ret_result);
    case HG_IMPORT_REVOKE:
    case HG_IMPORT_PRUNE:
        return call(import, "guest.revoke", json_pack("{s:s}", "id", step->id),
                    ret_result);
    case HG_IMPORT_KEEP:
    case HG_IMPORT_GONE:
    case HG_IMPORT_ENDED:
    case HG_IMPORT_TOO_LONG:
    case HG_IMPORT_NONE:
        break;
    }
    return 0;
}

static void put_line(const struct import *import,
                     const struct hg_import_step *step, const char *id,
                     const char *code)
{
    char from[HG_CLI_WHEN_BYTES], until[HG_CLI_WHEN_BYTES];

    hg_cli_when(step->from_ms, import->now_ms, from);
    hg_cli_when(step->until_ms, import->now_ms, until);
    printf("%-9s %-16s %-16s %-10s %s\n", hg_import_word(step->deed), from,
           until, id[0] == '\0' ? "-" : id, code);
    fflush(stdout); /* a code that was made is shown, whatever comes next */
}

/*
 * ROOM-DATE-ID.html in the folder; path is "" when there is none. The code is
 * told whatever becomes of its card.
 */
static void put_card(struct import *import, const struct hg_import_step *step,
                     const json_t *made, char path[HG_CLI_PATH_BYTES])
{
    char date[HG_CLI_WHEN_BYTES], text[HG_CARD_WHY_BYTES] = "";
    struct hg_buf why;
    int len;

    path[0] = '\0';
    if (import->cards == NULL || hg_cli_text(made, "code")[0] == '\0')
        return;
    hg_cli_when_full(step->from_ms, date);
    hg_buf_init(&why, text, sizeof(text));
    len = snprintf(path, HG_CLI_PATH_BYTES, "%s/%s-%.10s-%s.html",
                   import->cards, import->room, date, hg_cli_text(made, "id"));
    if (len < HG_CLI_PATH_BYTES &&
        hg_card_job_open(&import->card, path, &why) == 0 &&
        hg_card_job_end(&import->card, made, &why) == 0)
        return;
    import->cards_failed++;
    fprintf(stderr,
            "heatgate guest import: no card for %s: ", hg_cli_text(made, "id"));
    hg_cli_put(stderr, len < HG_CLI_PATH_BYTES ? text : "the name is too long");
    fputc('\n', stderr);
    path[0] = '\0';
}

static void tell(struct import *import, const struct hg_import_step *step,
                 const json_t *result)
{
    char card[HG_CLI_PATH_BYTES];
    const char *code = hg_cli_text(result, "code");
    const char *id = hg_cli_text(result, "id");
    char from[HG_WALL_TEXT_BYTES], until[HG_WALL_TEXT_BYTES];

    if (id[0] == '\0')
        id = step->id;
    import->count[step->deed]++;
    put_card(import, step, result, card);
    if (!import->cli->is_json) {
        put_line(import, step, id, code);
        return;
    }
    hg_text_from_wall(step->from_ms, from);
    hg_text_from_wall(step->until_ms, until);
    json_array_append_new(
        import->told, json_pack("{s:s, s:s, s:s, s:s*, s:s*, s:s*}", "action",
                                hg_import_word(step->deed), "from", from,
                                "until", until, "id", id[0] == '\0' ? NULL : id,
                                "code", code[0] == '\0' ? NULL : code, "card",
                                card[0] == '\0' ? NULL : card));
}

static int carry_out(struct import *import, const struct hg_import_step *steps,
                     size_t count)
{
    int status = 0;

    if (!import->cli->is_json)
        printf("%-9s %-16s %-16s %-10s %s\n", "ACTION", "FROM", "UNTIL", "ID",
               "CODE");
    for (size_t i = 0; status == 0 && i < count; i++) {
        json_t *result = NULL;

        if (!import->is_dry)
            status = act(import, &steps[i], &result);
        if (status == 0)
            tell(import, &steps[i], result);
        hg_cli_wipe(json_object_get(result, "code"));
        json_decref(result);
    }
    return status;
}

static int put_end(struct import *import, const struct hg_calendar *calendar)
{
    const size_t *count = import->count;

    if (import->cli->is_json)
        return hg_cli_give(
            import->cli,
            json_pack("{s:O*, s:s, s:b, s:I, s:I, s:O}", "error", import->error,
                      "room", import->room, "dry_run", (int)import->is_dry,
                      "events", (json_int_t)calendar->events, "left_out",
                      (json_int_t)calendar->left_out, "stays", import->told));
    printf("%s%zu issued, %zu moved, %zu kept, %zu revoked; %zu over or too "
           "far ahead.\n",
           import->is_dry ? "Nothing was done. It would be: " : "",
           count[HG_IMPORT_ISSUE], count[HG_IMPORT_MOVE], count[HG_IMPORT_KEEP],
           count[HG_IMPORT_REVOKE] + count[HG_IMPORT_PRUNE],
           calendar->left_out);
    if (count[HG_IMPORT_GONE] > 0)
        printf("gone: not in the file any more; --prune ends these codes.\n");
    if (count[HG_IMPORT_ENDED] > 0)
        printf("ended: the code was ended; --renew makes new ones.\n");
    if (count[HG_IMPORT_TOO_LONG] > 0)
        printf("too-long: more than 366 days; no code is made.\n");
    if (count[HG_IMPORT_ISSUE] > 0 && !import->is_dry)
        printf("The codes will not be shown again.\n");
    return HG_CLI_DONE;
}

static int follow(struct import *import, const struct hg_cli_args *args,
                  const struct hg_calendar *calendar)
{
    struct hg_import_ask ask = { .calendar = calendar,
                                 .guests =
                                     json_object_get(import->list, "guests"),
                                 .now_ms = import->now_ms,
                                 .is_pruning = hg_cli_has(args, HG_OPT_PRUNE),
                                 .is_renewing =
                                     hg_cli_has(args, HG_OPT_RENEW) };
    struct hg_import_step *steps;
    size_t count;
    int status;

    if (ask.is_pruning && calendar->events == 0)
        return hg_cli_fail(import->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                           "the file holds no event at all, and --prune would "
                           "end every coming code. If that is meant, revoke "
                           "them one by one.");
    if (hg_import_plan(&ask, &steps, &count) < 0)
        return hg_cli_fail(import->cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                           "no memory for the import");
    import->told = json_array();
    status = carry_out(import, steps, count);
    free(steps);
    if (status == 0) {
        status = put_end(import, calendar);
        if (status == 0 && import->cards_failed > 0)
            status = HG_CLI_REFUSED;
    } else if (import->error != NULL) {
        (void)put_end(import, calendar);
    }
    json_decref(import->error);
    for (size_t i = 0; i < json_array_size(import->told); i++)
        hg_cli_wipe(json_object_get(json_array_get(import->told, i), "code"));
    json_decref(import->told);
    return status;
}

/* What is known of the room, and what its cards need. */
static int ask_service(struct import *import, const struct hg_cli_args *args)
{
    bool is_told;
    json_t *rooms;
    int status = hg_cli_zone_find(import->cli, &is_told);

    if (status == 0)
        status = hg_cli_call(import->cli, "guest.list",
                             json_pack("{s:s}", "room", import->room),
                             &import->list);
    if (status != 0 || import->cards == NULL)
        return status;
    rooms = json_pack("[s]", import->room);
    status = hg_card_job_begin(import->cli, rooms, args->value[HG_OPT_ADDRESS],
                               &import->card);
    json_decref(rooms);
    return status;
}

int hg_cli_guest_import(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct import import = { .cli = cli,
                             .is_dry = hg_cli_has(args, HG_OPT_DRY_RUN),
                             .cards = args->value[HG_OPT_CARDS],
                             .now_ms = hg_cli_now_ms() };
    struct hg_calendar calendar;
    json_t *rooms = NULL;
    int status = find_room(&import, args, &rooms);

    if (status != 0)
        return status;
    if (import.cards == NULL && hg_cli_has(args, HG_OPT_ADDRESS))
        status = hg_cli_usage(cli, "--address is of cards: give --cards too");
    else if (import.cards != NULL && access(import.cards, W_OK | X_OK) != 0)
        status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                             "%s, the folder for the cards: %s. Nothing was "
                             "imported",
                             import.cards, strerror(errno));
    if (status == 0)
        status = ask_service(&import, args);
    if (status == 0)
        status = read_calendar(&import, args->word[0], &calendar);
    if (status == 0) {
        status = follow(&import, args, &calendar);
        hg_calendar_release(&calendar);
    }
    hg_card_job_release(&import.card);
    json_decref(import.list);
    json_decref(rooms);
    return status;
}
