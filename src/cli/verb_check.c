/*
 * check: the room check. First the look-in, as far as the gateway can see it,
 * then what the person vouches for, one by one, then the signature.
 */
#include "base/text.h"
#include "cli/out.h"
#include "cli/verbs.h"
#include "cli/watching.h"
#include "cli/when.h"
#include <string.h>

#define WAIT_DEFAULT_MS UINT64_C(600000) /* look_in_window_min's default */
#define LOOK_EVERY_MS   500
#define ANSWER_BYTES    80

struct check {
    struct hg_cli *cli;
    const struct hg_cli_args *args;
    const char *room;
    FILE *talk;     /* where a person reads; not stdout with --json */
    json_t *opened; /* the newest answer of check.open */
    char place_code[ANSWER_BYTES];
};

static int open_check(struct check *check)
{
    json_t *opened;
    int status = hg_cli_call(check->cli, "check.open",
                             json_pack("{s:s}", "room", check->room), &opened);

    if (status != 0)
        return status;
    json_decref(check->opened);
    check->opened = opened;
    return 0;
}

/* A line that the person types; false at the end of input. */
static bool read_answer(struct check *check, const char *question,
                        char answer[ANSWER_BYTES])
{
    size_t len;

    fputs(question, check->talk);
    fflush(check->talk);
    if (fgets(answer, ANSWER_BYTES, stdin) == NULL)
        return false;
    len = strcspn(answer, "\n");
    if (answer[len] == '\0' && len == ANSWER_BYTES - 1)
        return false; /* too long for any answer */
    answer[len] = '\0';
    return true;
}

/* -- the look-in -----------------------------------------------------------*/

static const json_t *evidence_of(const struct check *check)
{
    return json_object_get(check->opened, "evidence");
}

static bool is_satisfied(const struct check *check)
{
    return json_is_true(json_object_get(evidence_of(check), "satisfied"));
}

static int need_place_code(struct check *check)
{
    const char *given = check->args->value[HG_OPT_PLACE_CODE];

    if (given != NULL) {
        if (hg_text_copy(check->place_code, ANSWER_BYTES, given) == 0 &&
            given[0] != '\0')
            return 0;
        return hg_cli_usage(check->cli, "--place-code is no such code");
    }
    hg_cli_put_wrapped(check->talk, 0, 0,
                       hg_cli_text(evidence_of(check), "hint"));
    if (!check->cli->is_in_terminal)
        return hg_cli_usage(check->cli, "this room wants the code that is "
                                        "posted in it: --place-code CODE");
    if (read_answer(check, "Code posted in the room: ", check->place_code) &&
        check->place_code[0] != '\0')
        return 0;
    return hg_cli_fail(check->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                       "not signed: no code was given");
}

/* What the sensors say, when it is news. */
static void show_door(const struct check *check, const json_t *state,
                      char last[ANSWER_BYTES])
{
    bool is_fresh = json_is_true(json_object_get(state, "fresh"));
    const char *door = hg_cli_text(state, "door");
    char line[ANSWER_BYTES];

    snprintf(line, sizeof(line), "  the door is %s",
             !is_fresh         ? "not seen: no fresh reading"
             : door[0] == '\0' ? "unknown: its switch is in fault"
                               : door);
    if (strcmp(line, last) == 0)
        return;
    memcpy(last, line, sizeof(line));
    hg_cli_put(check->talk, line);
    fputc('\n', check->talk);
    fflush(check->talk);
}

static int say_no_evidence(const struct check *check)
{
    return hg_cli_fail(check->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                       "not signed, check-missing: the gateway has not seen "
                       "that somebody looked in. %s",
                       hg_cli_text(evidence_of(check), "hint"));
}

static int wait_for_look_in(struct check *check, uint64_t wait_ms)
{
    uint64_t begin_ms = hg_cli_mono_ms();
    char last[ANSWER_BYTES] = "";
    json_t *state;
    int status = hg_cli_watch_begin(check->cli, check->room, &state);

    while (status == 0) {
        int rc;

        show_door(check, state, last);
        status = open_check(check);
        if (status != 0 || is_satisfied(check))
            break;
        if (hg_cli_mono_ms() - begin_ms >= wait_ms || hg_cli_is_interrupted())
            status = say_no_evidence(check);
        rc = status == 0 ? hg_cli_watch_next(check->cli, LOOK_EVERY_MS, &state)
                         : 0;
        if (rc < 0)
            status = -rc;
    }
    json_decref(state);
    return status;
}

static int need_evidence(struct check *check)
{
    const char *wait = check->args->value[HG_OPT_WAIT];
    uint64_t wait_ms = WAIT_DEFAULT_MS;
    int status;

    if (wait != NULL && strcmp(wait, "0") == 0)
        wait_ms = 0;
    else if (wait != NULL && hg_text_to_duration(wait, &wait_ms) < 0)
        return hg_cli_usage(
            check->cli, "--wait wants a duration such as 5m, not '%s'", wait);
    if (strcmp(hg_cli_text(evidence_of(check), "kind"), "place-code") == 0)
        return need_place_code(check);
    if (is_satisfied(check))
        return 0;
    if (wait_ms == 0)
        return say_no_evidence(check);
    hg_cli_put_wrapped(check->talk, 0, 0,
                       hg_cli_text(evidence_of(check), "hint"));
    hg_cli_catch_interrupt();
    status = wait_for_look_in(check, wait_ms);
    if (status == 0)
        fputs("  the look-in was seen\n", check->talk);
    return status;
}

/* -- the statements --------------------------------------------------------*/

static void print_vouched(const struct check *check, const json_t *statements)
{
    const json_t *statement;
    size_t i;

    fputs("By --agree-all you vouch, as the person who looked in, that:\n",
          check->talk);
    json_array_foreach(statements, i, statement)
    {
        fputs("  - ", check->talk);
        hg_cli_put_wrapped(check->talk, 4, 4, hg_cli_text(statement, "text"));
    }
}

static int agree_one(struct check *check, const json_t *statement)
{
    char answer[ANSWER_BYTES];

    hg_cli_put_wrapped(check->talk, 0, 0, hg_cli_text(statement, "text"));
    for (;;) {
        if (!read_answer(check, "  Is it so? [y/n] ", answer))
            break;
        if (strcasecmp(answer, "y") == 0 || strcasecmp(answer, "yes") == 0)
            return 0;
        if (strcasecmp(answer, "n") == 0 || strcasecmp(answer, "no") == 0)
            break;
    }
    return hg_cli_fail(check->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                       "not signed: you did not agree that it is so: \"%s\" "
                       "Put it right, then check again.",
                       hg_cli_text(statement, "text"));
}

static int agree(struct check *check, json_t *ids)
{
    const json_t *statements = json_object_get(check->opened, "statements");
    bool is_all = hg_cli_has(check->args, HG_OPT_AGREE_ALL);
    const json_t *statement;
    size_t i;

    if (is_all)
        print_vouched(check, statements);
    json_array_foreach(statements, i, statement)
    {
        int status = is_all ? 0 : agree_one(check, statement);

        if (status != 0)
            return status;
        json_array_append(ids, json_object_get(statement, "id"));
    }
    return 0;
}

/* -- the signature ---------------------------------------------------------*/

static int sign(struct check *check, json_t *ids)
{
    char until[HG_CLI_WHEN_BYTES];
    json_t *params =
        json_pack("{s:s, s:O}", "check", hg_cli_text(check->opened, "check"),
                  "agreed", ids);
    json_t *result;
    int status;

    if (params != NULL && check->place_code[0] != '\0')
        json_object_set_new(params, "place_code",
                            json_string(check->place_code));
    status = hg_cli_call(check->cli, "check.sign", params, &result);
    if (status != 0)
        return status;
    if (check->cli->is_json)
        return hg_cli_give(check->cli, result);
    hg_cli_when_text(hg_cli_text(result, "until"), hg_cli_now_ms(), until);
    printf("%s: the room check is signed. It serves one heat, until %s, as\n"
           "long as the door stays closed.\n",
           check->room, until);
    json_decref(result);
    return HG_CLI_DONE;
}

int hg_cli_check(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct check check = { .cli = cli, .args = args, .room = args->word[0] };
    json_t *ids = json_array();
    int status;

    check.talk = cli->is_json ? stderr : stdout;
    if (!cli->is_in_terminal && !hg_cli_has(args, HG_OPT_AGREE_ALL)) {
        json_decref(ids);
        return hg_cli_usage(cli, "there is no terminal to ask a person at. "
                                 "--agree-all says that you have looked in and "
                                 "vouch for every statement");
    }
    status = open_check(&check);
    if (status == 0)
        status = need_evidence(&check);
    if (status == 0)
        status = agree(&check, ids);
    if (status == 0)
        status = sign(&check, ids);
    json_decref(ids);
    json_decref(check.opened);
    explicit_bzero(check.place_code, sizeof(check.place_code));
    return status;
}
