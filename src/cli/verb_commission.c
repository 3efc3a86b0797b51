/*
 * commission: walk a person on site through the record. The service judges;
 * this tells what to do, waits for real telemetry and says what was seen.
 */
#include "base/buf.h"
#include "cli/commission_photo.h"
#include "cli/commission_talk.h"
#include "cli/out.h"
#include "cli/verbs.h"
#include "cli/watching.h"
#include "cli/when.h"
#include <stdlib.h>
#include <string.h>

#define LOOK_EVERY_MS 500
/* what a thermometer may read, as the service takes it */
#define THERMOMETER_MIN_C (-40)
#define THERMOMETER_MAX_C 150
#define KEEP_OPEN_MS      6000 /* a little longer than the service wants */
#define WORD_BYTES        32
/* what a step's function returns besides an exit status */
#define STEP_DONE 0

static const char CAUTION[] =
    "This records that the room may be heated from afar. Remote operation may "
    "be restricted where you live: local codes, the heater's manual and "
    "licensed practice come first. Heatgate is no safety device: it replaces "
    "neither the hard-wired high-limit cut-out nor the hard-wired door "
    "switch.";

static const char *step_state(const struct hg_com_talk *talk, const char *step)
{
    return hg_cli_text(hg_com_step_of(talk, step), "state");
}

/* -- names ------------------------------------------------------------------*/

static const struct {
    const char *id, *question;
} NAMES[] = {
    { "heater", "Heater (maker's name and type): " },
    { "controller", "Its controller: " },
    { "cable", "Cross-section of all cables of the power module: " },
    { "electrician", "Electrician (name, firm): " },
};

static int do_names(struct hg_com_talk *talk)
{
    json_t *names = json_object();

    if (talk->answers != NULL) {
        json_decref(names);
        names = json_incref(json_object_get(talk->answers, "names"));
        if (json_is_object(names))
            return hg_com_do(talk, "names", names);
        json_decref(names);
        return hg_cli_usage(talk->cli, "the answers hold no \"names\"");
    }
    for (size_t i = 0; i < sizeof(NAMES) / sizeof(NAMES[0]); i++) {
        char answer[HG_CLI_ANSWER_BYTES];

        if (!hg_com_read_name(talk, NAMES[i].question, answer)) {
            json_decref(names);
            return hg_com_leave(talk);
        }
        json_object_set_new(names, NAMES[i].id, json_string(answer));
    }
    return hg_com_do(talk, "names", names);
}

/* -- placement --------------------------------------------------------------*/

static int do_placement(struct hg_com_talk *talk)
{
    const json_t *statements =
        json_object_get(hg_com_current(talk), "statements");
    json_t *agreed = json_array();

    for (size_t i = 0; i < json_array_size(statements); i++) {
        const json_t *statement = json_array_get(statements, i);

        if (hg_com_agrees(talk, hg_cli_text(statement, "text")))
            json_array_append(agreed, json_object_get(statement, "id"));
    }
    if (hg_cli_is_interrupted()) {
        json_decref(agreed);
        return hg_com_leave(talk);
    }
    return hg_com_do(talk, "placement", json_pack("{s:o}", "agreed", agreed));
}

/* -- waiting for telemetry --------------------------------------------------*/

struct shown { /* what was said last about the sensors */
    char door[WORD_BYTES], heater[WORD_BYTES];
    double air_c;
    bool has_air, has_any;
};

static bool is_news(const struct shown *now, const struct shown *last)
{
    double by_c = now->air_c - last->air_c;

    return !last->has_any || strcmp(now->door, last->door) != 0 ||
           strcmp(now->heater, last->heater) != 0 ||
           now->has_air != last->has_air || by_c >= 1 || by_c <= -1;
}

/* What the sensors show, when it is news: not each tenth of a degree. */
static void show_room(const struct hg_com_talk *talk, const json_t *room,
                      struct shown *last)
{
    const json_t *air = json_object_get(room, "air_c");
    const char *door = hg_cli_text(room, "door");
    const char *heater = hg_cli_text(room, "heater");
    char text[HG_CLI_CELSIUS_BYTES];
    struct shown now = { .air_c = json_number_value(air),
                         .has_air = json_is_number(air),
                         .has_any = true };

    snprintf(now.door, sizeof(now.door), "%s",
             door[0] == '\0' ? "unknown" : door);
    snprintf(now.heater, sizeof(now.heater), "%s",
             heater[0] == '\0' ? "unknown" : heater);
    if (!is_news(&now, last))
        return;
    *last = now;
    hg_cli_celsius(now.has_air, now.air_c, text);
    hg_com_sayf(talk, "seen: air %s, door %s, heater %s", text, now.door,
                now.heater);
}

static const char *instruction(const char *waits_for)
{
    static const struct {
        const char *word, *text;
    } TABLE[] = {
        { "quiet", "Leave the heater off for now: a permit from before has "
                   "to run out first." },
        { "start-heat", "Start the heater at its panel now. Stay on site." },
        { "rise", "The heater is reported on. Waiting for the air to rise." },
        { "open-door", "The heater is on. Open the door now, and keep it "
                       "open." },
        { "off", "The door is open. Is the heater off?" },
        { "keep-open", "The heater went off. Keep the door open for now." },
        { "close-door", "Close the door now." },
        { "after", "The door is closed. Looking on for 10 seconds." },
    };

    for (size_t i = 0; i < sizeof(TABLE) / sizeof(TABLE[0]); i++)
        if (strcmp(TABLE[i].word, waits_for) == 0)
            return TABLE[i].text;
    return NULL;
}

struct waiting {
    char word[WORD_BYTES]; /* told last */
    uint64_t since_ms;
};

/* Tell what is waited for, when that is news. */
static void tell_wait(const struct hg_com_talk *talk, const char *step,
                      struct waiting *waiting)
{
    const char *word = hg_cli_text(hg_com_step_of(talk, step), "waits_for");
    bool is_over = strcmp(word, "keep-open") == 0 &&
                   hg_cli_mono_ms() - waiting->since_ms >= KEEP_OPEN_MS;

    if (strcmp(waiting->word, "close-door") == 0 &&
        strcmp(word, "keep-open") == 0)
        return;
    if (strcmp(waiting->word, word) == 0) {
        if (!is_over)
            return;
        word = "close-door";
    }
    if (instruction(word) == NULL || strlen(word) >= sizeof(waiting->word))
        return;
    memset(waiting->word, 0, sizeof(waiting->word));
    memcpy(waiting->word, word, strlen(word));
    waiting->since_ms = hg_cli_mono_ms();
    if (talk->answers != NULL)
        fprintf(talk->out, "wait: %s\n", word);
    else
        hg_com_say(talk, instruction(word));
    fflush(talk->out);
}

/* Until the step is no longer watched, or (door) wants to be said more. */
static int wait_for(struct hg_com_talk *talk, const char *step, json_t **room)
{
    struct waiting waiting;
    struct shown last;

    memset(&last, 0, sizeof(last));
    memset(&waiting, 0, sizeof(waiting));
    while (strcmp(step_state(talk, step), "watching") == 0 &&
           strcmp(hg_cli_text(hg_com_step_of(talk, step), "waits_for"),
                  "say") != 0) {
        int rc;

        tell_wait(talk, step, &waiting);
        show_room(talk, *room, &last);
        if (hg_cli_is_interrupted())
            return hg_com_leave(talk);
        rc = hg_cli_watch_next(talk->cli, LOOK_EVERY_MS, room);
        if (rc >= 0)
            rc = -hg_com_ask(talk, "commission.state",
                             json_pack("{s:s}", "room", talk->room));
        if (rc < 0)
            return -rc;
    }
    show_room(talk, *room, &last);
    return STEP_DONE;
}

static int watch_step(struct hg_com_talk *talk, const char *step)
{
    json_t *room = NULL, *answer = NULL;
    int status = hg_com_do(talk, step, json_object());

    if (status == 0)
        status = hg_cli_watch_begin(talk->cli, talk->room, &room);
    if (status == 0)
        status = wait_for(talk, step, &room);
    json_decref(room);
    if (status == 0)
        status = hg_cli_call(talk->cli, "room.unwatch",
                             json_pack("{s:s}", "room", talk->room), &answer);
    json_decref(answer);
    return status;
}

static int do_heat(struct hg_com_talk *talk)
{
    return watch_step(talk, "heat");
}

static int do_cut(struct hg_com_talk *talk)
{
    return watch_step(talk, "cut");
}

/* -- door, sensor, module, photographs --------------------------------------*/

static int say_door(struct hg_com_talk *talk, const char *say, json_t **room)
{
    const json_t *step, *read;
    int status = hg_com_do(talk, "door", json_pack("{s:s}", "say", say));

    if (status == 0)
        status = wait_for(talk, "door", room);
    if (status != 0)
        return status;
    step = hg_com_step_of(talk, "door");
    read = json_object_get(step, "read");
    if (json_array_size(read) > 0)
        hg_com_sayf(
            talk, "you say %s, the gateway reads %s", say,
            json_string_value(json_array_get(read, json_array_size(read) - 1)));
    return 0;
}

static int do_door(struct hg_com_talk *talk)
{
    static const struct {
        const char *deed, *say, *text;
    } ROUND[] = {
        { "close-door", "closed", "Close the door of the hot room." },
        { "open-door", "open", "Open the door of the hot room." },
        { "close-door", "closed", "Close the door again." },
    };
    json_t *room = NULL;
    int status = hg_cli_watch_begin(talk->cli, talk->room, &room);

    for (size_t i = 0; status == 0 && i < sizeof(ROUND) / sizeof(ROUND[0]);
         i++) {
        if (!hg_com_deed(talk, ROUND[i].deed, ROUND[i].text))
            status = hg_com_leave(talk);
        else
            status = say_door(talk, ROUND[i].say, &room);
        if (strcmp(step_state(talk, "door"), "failed") == 0)
            break;
    }
    json_decref(room);
    return status;
}

static int do_sensor(struct hg_com_talk *talk)
{
    char answer[HG_CLI_ANSWER_BYTES];
    const json_t *given = json_object_get(talk->answers, "thermometer_c");
    char *end = answer;
    double celsius = json_number_value(given);

    if (talk->answers != NULL && !json_is_number(given))
        return hg_cli_usage(talk->cli, "the answers hold no \"thermometer_c\"");
    while (talk->answers == NULL && (end == answer || *end != '\0')) {
        if (!hg_com_read(talk, "  The thermometer reads, in C: ", answer))
            return hg_com_leave(talk);
        celsius = strtod(answer, &end);
        if (end == answer || *end != '\0' ||
            !(celsius >= THERMOMETER_MIN_C && celsius <= THERMOMETER_MAX_C)) {
            hg_com_sayf(talk, "a number from %d to %d is wanted",
                        THERMOMETER_MIN_C, THERMOMETER_MAX_C);
            end = answer;
        }
    }
    return hg_com_do(talk, "sensor",
                     json_pack("{s:f}", "thermometer_c", celsius));
}

static int do_module(struct hg_com_talk *talk)
{
    const json_t *step;
    int status = hg_com_do(talk, "module", json_object());

    if (status != 0)
        return status;
    step = hg_com_step_of(talk, "module");
    if (json_object_get(step, "module_max_c") == NULL &&
        json_object_get(step, "module_max_rh") == NULL)
        hg_com_sayf(talk, "this controller does not report its climate; your "
                          "statement about its place stands");
    return 0;
}

static int send_given(struct hg_com_talk *talk)
{
    const json_t *photos = json_object_get(talk->answers, "photos");
    int status = 0;

    for (size_t i = 0; status == 0 && i < json_array_size(photos); i++) {
        const json_t *photo = json_array_get(photos, i);

        status = hg_com_photo_send(talk, hg_cli_text(photo, "path"),
                                   hg_cli_text(photo, "label"));
    }
    return status;
}

/* A file that cannot be sent is told, and another one may be named. */
static int send_asked(struct hg_com_talk *talk)
{
    char path[HG_CLI_ANSWER_BYTES], label[HG_CLI_ANSWER_BYTES];

    for (;;) {
        int status;

        if (!hg_com_read(talk,
                         "  File of a photograph (empty: no more): ", path))
            return hg_com_leave(talk);
        if (path[0] == '\0')
            return 0;
        if (!hg_com_read_name(talk, "  What does it show? ", label))
            return hg_com_leave(talk);
        status = hg_com_photo_send(talk, path, label);
        if (status == 0)
            hg_com_sayf(talk, "stored: %s", label);
        else if (status == HG_CLI_NO_SERVICE)
            return status;
    }
}

static int do_photos(struct hg_com_talk *talk)
{
    int status = talk->answers != NULL ? send_given(talk) : send_asked(talk);

    return status != 0 ? status : hg_com_do(talk, "photos", json_object());
}

/* -- the walk ---------------------------------------------------------------*/

static const struct {
    const char *step;
    int (*run)(struct hg_com_talk *talk);
} STEPS[] = {
    { "names", do_names },   { "placement", do_placement }, { "door", do_door },
    { "sensor", do_sensor }, { "heat", do_heat },           { "cut", do_cut },
    { "module", do_module }, { "photos", do_photos },
};

static int fail_step(const struct hg_com_talk *talk, const char *step)
{
    const json_t *fault = json_object_get(hg_com_step_of(talk, step), "fault");

    return hg_cli_fail(talk->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                       "the step '%s' failed, %s: %s %s", step,
                       hg_cli_text(fault, "code"), hg_cli_text(fault, "text"),
                       hg_cli_text(fault, "remedy"));
}

/* 0: the step passed or is to be done again; else an exit status. */
static int after_step(struct hg_com_talk *talk, const char *step)
{
    char answer[HG_CLI_ANSWER_BYTES];
    const json_t *fault;

    if (strcmp(step_state(talk, step), "passed") == 0) {
        hg_com_sayf(talk, "%s: passed", step);
        return 0;
    }
    if (talk->answers != NULL)
        return fail_step(talk, step);
    fault = json_object_get(hg_com_step_of(talk, step), "fault");
    hg_com_sayf(talk, "FAILED, %s: %s %s", hg_cli_text(fault, "code"),
                hg_cli_text(fault, "text"), hg_cli_text(fault, "remedy"));
    if (hg_com_read(talk, "  Enter: do it again; q: leave. ", answer) &&
        strcasecmp(answer, "q") != 0)
        return 0;
    return hg_com_leave(talk);
}

/* Index of the next step; -1: none is left, -2: an unknown one. */
static int find_next(const struct hg_com_talk *talk)
{
    const char *next = hg_cli_text(hg_com_current(talk), "next");

    if (next[0] == '\0')
        return -1;
    for (size_t i = 0; i < sizeof(STEPS) / sizeof(STEPS[0]); i++)
        if (strcmp(STEPS[i].step, next) == 0)
            return (int)i;
    return -2;
}

static int walk(struct hg_com_talk *talk)
{
    int index = find_next(talk);

    while (index >= 0) {
        const char *step = STEPS[index].step;
        int status;

        fprintf(talk->out, "\n[%s] ", step);
        hg_cli_put_wrapped(talk->out, strlen(step) + 3, 0,
                           hg_cli_text(hg_com_step_of(talk, step), "text"));
        status = STEPS[index].run(talk);
        if (status == 0)
            status = after_step(talk, step);
        if (status != 0)
            return status;
        index = find_next(talk);
    }
    if (index == -1)
        return 0;
    return hg_cli_fail(talk->cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                       "the service wants a step that this heatgate does not "
                       "know: %s. Are both of one version?",
                       hg_cli_text(hg_com_current(talk), "next"));
}

/* The electrician of a door test is worth a line, but nothing waits for it. */
static json_t *proof_names(const struct hg_com_talk *talk)
{
    const json_t *names = json_object_get(talk->answers, "names");
    char answer[HG_CLI_ANSWER_BYTES];

    if (talk->answers != NULL)
        return json_pack(
            "{s:s*}", "electrician",
            json_string_value(json_object_get(names, "electrician")));
    if (hg_com_read(talk, "Who does the test (name, firm): ", answer) &&
        answer[0] != '\0')
        return json_pack("{s:s}", "electrician", answer);
    return json_object();
}

static int begin(struct hg_com_talk *talk, bool is_proof)
{
    const char *kind = is_proof ? "proof" : "full";
    const json_t *current;
    json_t *params;
    int status = hg_com_ask(talk, "commission.state",
                            json_pack("{s:s}", "room", talk->room));

    if (status != 0)
        return status;
    current = hg_com_current(talk);
    if (current == NULL) {
        params = json_pack("{s:s, s:s}", "room", talk->room, "kind", kind);
        if (is_proof)
            json_object_set_new(params, "names", proof_names(talk));
        return hg_com_ask(talk, "commission.begin", params);
    }
    if (strcmp(hg_cli_text(current, "kind"), kind) != 0)
        return hg_cli_fail(talk->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                           "%s is under way in this room. Go on with it "
                           "(heatgate commission %s%s) or drop it (heatgate "
                           "commission %s --abandon)",
                           is_proof ? "a whole commissioning" : "a door test",
                           talk->room, is_proof ? "" : " --proof", talk->room);
    hg_com_sayf(talk, "going on with the record that %s began at %s",
                hg_cli_text(current, "by"), hg_cli_text(current, "begun_at"));
    return 0;
}

static int finish(struct hg_com_talk *talk)
{
    json_t *result;
    int status = hg_cli_call(talk->cli, "commission.finish",
                             json_pack("{s:s}", "room", talk->room), &result);

    if (status != 0)
        return status;
    if (talk->cli->is_json)
        return hg_cli_give(talk->cli, result);
    printf("\n%s: recorded as number %lld of the journal, SHA-256\n%s\n"
           "The door test was proved at %s.\n"
           "Print the sheet: heatgate handover %s --out %s.html\n",
           talk->room,
           (long long)json_integer_value(json_object_get(result, "n")),
           hg_cli_text(result, "digest"), hg_cli_text(result, "proof_at"),
           talk->room, talk->room);
    json_decref(result);
    return HG_CLI_DONE;
}

static int abandon(struct hg_cli *cli, const char *room)
{
    json_t *state;
    int status = hg_cli_call(cli, "commission.abandon",
                             json_pack("{s:s}", "room", room), &state);

    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, state);
    printf("%s: the record under way was dropped. What was recorded before "
           "stands.\n",
           room);
    json_decref(state);
    return HG_CLI_DONE;
}

int hg_cli_commission(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct hg_com_talk talk = { .cli = cli, .room = args->word[0] };
    bool is_proof = hg_cli_has(args, HG_OPT_PROOF);
    int status;

    if (hg_cli_has(args, HG_OPT_ABANDON)) {
        if (is_proof || hg_cli_has(args, HG_OPT_ANSWERS))
            return hg_cli_usage(cli, "--abandon stands alone");
        return abandon(cli, args->word[0]);
    }
    status = hg_com_talk_begin(&talk, args->value[HG_OPT_ANSWERS]);
    if (status == 0) {
        hg_cli_catch_interrupt();
        hg_com_say(&talk, CAUTION);
        status = begin(&talk, is_proof);
    }
    if (status == 0)
        status = walk(&talk);
    if (status == 0)
        status = finish(&talk);
    hg_com_talk_end(&talk);
    return status;
}
