/* guest card: a hand-out for a code that the manager has at hand. */
#include "base/text.h"
#include "cli/card_job.h"
#include "cli/verbs.h"
#include <string.h>

#define ID_SYMBOLS 5 /* of a code; they name it and are no secret */

/* What stands for the code: the option, or a line of stdin for "-". */
static int read_code(const struct hg_cli *cli, const char *given,
                     char code[HG_CARD_CODE_BYTES])
{
    if (given == NULL)
        return hg_cli_usage(cli, "--code CODE is wanted; - reads it from "
                                 "stdin, so that no list of processes shows "
                                 "it");
    if (strcmp(given, "-") != 0)
        return hg_text_copy(code, HG_CARD_CODE_BYTES, given) == 0
                   ? 0
                   : hg_cli_usage(cli, "--code: that is too long for a code");
    if (fgets(code, HG_CARD_CODE_BYTES, stdin) == NULL)
        return hg_cli_usage(cli, "there was no code on stdin");
    code[strcspn(code, "\r\n")] = '\0';
    return 0;
}

/* "g-7k2qf" of "7K2QF-…", typed in any way (access/code.h). */
static void make_id(const char *code, char id[ID_SYMBOLS + 3])
{
    size_t len = 2;

    memcpy(id, "g-", 3);
    for (; *code != '\0' && len < ID_SYMBOLS + 2; code++) {
        char symbol = *code;

        if (symbol == '-' || symbol == ' ')
            continue;
        if (symbol >= 'A' && symbol <= 'Z')
            symbol = (char)(symbol - 'A' + 'a');
        if (symbol == 'i' || symbol == 'l')
            symbol = '1';
        id[len++] = symbol == 'o' ? '0' : symbol;
    }
    id[len] = '\0';
}

/* Is a 1003 only the stay that has not begun? */
static bool is_early(const json_t *error)
{
    const json_t *reasons =
        json_object_get(json_object_get(error, "data"), "reasons");

    return json_integer_value(json_object_get(error, "code")) ==
               HG_CLI_CODE_NOT_ALLOWED &&
           json_array_size(reasons) == 1 &&
           strcmp(hg_cli_text(json_array_get(reasons, 0), "code"),
                  "outside-stay") == 0;
}

/*
 * Is the code right? Asked on a connection of its own, which it signs in. One
 * whose stay is to come is told apart from a wrong one.
 */
static int prove(struct hg_cli *cli, const char *code)
{
    struct hg_cli other = *cli;
    struct hg_api_answer answer;
    int status;

    other.client = NULL;
    status =
        hg_cli_ask(&other, "hello", json_pack("{s:s}", "code", code), &answer);
    if (status == 0) {
        if (answer.error != NULL && !is_early(answer.error))
            status = hg_cli_fail_answer(cli, answer.error);
        else
            hg_cli_wipe(json_object_get(answer.result, "token"));
        hg_api_answer_release(&answer);
    }
    hg_api_client_free(other.client);
    return status;
}

/* The stay of the code, as guest.issue would tell it. */
static int find_made(struct hg_cli *cli, const char *room, const char *code,
                     json_t **ret_made)
{
    char id[ID_SYMBOLS + 3];
    json_t *list, *guest, *found = NULL;
    size_t i;
    int status =
        hg_cli_call(cli, "guest.list", json_pack("{s:s}", "room", room), &list);

    if (status != 0)
        return status;
    make_id(code, id);
    json_array_foreach(json_object_get(list, "guests"), i, guest)
    {
        if (strcmp(hg_cli_text(guest, "id"), id) == 0 &&
            !json_is_true(json_object_get(guest, "ended")))
            found = guest;
    }
    if (found == NULL)
        status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNKNOWN,
                             "that is no live guest code of %s; see "
                             "'heatgate guest list --room %s'",
                             room, room);
    else
        *ret_made = json_pack("{s:s, s:s, s:O, s:O}", "code", code, "id", id,
                              "from", json_object_get(found, "from"), "until",
                              json_object_get(found, "until"));
    json_decref(list);
    return status;
}

static int print(struct hg_cli *cli, const struct hg_cli_args *args,
                 struct hg_card_job *job, const json_t *made)
{
    char text[HG_CARD_WHY_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, text, sizeof(text));
    if (hg_card_job_open(job, args->value[HG_OPT_OUT], &why) < 0 ||
        hg_card_job_end(job, made, &why) < 0)
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE, "%s",
                           text);
    if (cli->is_json)
        return hg_cli_give(cli, json_pack("{s:s, s:s}", "card", job->path, "id",
                                          hg_cli_text(made, "id")));
    if (job->path != NULL)
        printf("The card is in %s. It holds the code: keep it like a key.\n",
               job->path);
    return HG_CLI_DONE;
}

int hg_cli_guest_card(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *out = args->value[HG_OPT_OUT];
    char code[HG_CARD_CODE_BYTES] = "";
    struct hg_card_job job;
    json_t *rooms, *made = NULL;
    int status;

    if (cli->is_json && (out == NULL || strcmp(out, "-") == 0))
        return hg_cli_usage(cli, "--json wants --out FILE: stdout holds one "
                                 "document");
    status = read_code(cli, args->value[HG_OPT_CODE], code);
    if (status != 0)
        return status;
    rooms = json_pack("[s]", args->word[0]);
    status = hg_card_job_begin(cli, rooms, args->value[HG_OPT_ADDRESS], &job);
    if (status == 0)
        status = prove(cli, code);
    if (status == 0)
        status = find_made(cli, args->word[0], code, &made);
    if (status == 0)
        status = print(cli, args, &job, made);
    hg_cli_wipe(json_object_get(made, "code"));
    json_decref(made);
    hg_card_job_release(&job);
    json_decref(rooms);
    explicit_bzero(code, sizeof(code));
    return status;
}
