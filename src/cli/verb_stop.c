/* stop: one room or all; every room is tried, whatever happens to another. */
#include "cli/out.h"
#include "cli/verbs.h"

/* Returns a status; a refusal is kept in failed. */
static int stop_one(struct hg_cli *cli, const char *room, json_t *stopped,
                    json_t *failed)
{
    struct hg_api_answer answer;
    int status =
        hg_cli_ask(cli, "heat.stop", json_pack("{s:s}", "room", room), &answer);

    if (status != 0)
        return status;
    if (answer.error == NULL) {
        json_array_append_new(stopped, json_string(room));
        if (!cli->is_json)
            printf("%s: stopped.\n", room);
    } else {
        status = HG_CLI_REFUSED;
        json_array_append_new(failed, json_pack("{s:s, s:O}", "room", room,
                                                "error", answer.error));
        if (!cli->is_json)
            (void)hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                              "%s: %s", room,
                              hg_cli_text(answer.error, "message"));
    }
    hg_api_answer_release(&answer);
    return status;
}

static int stop_all(struct hg_cli *cli)
{
    json_t *stopped = json_array();
    json_t *failed = json_array();
    json_t *list = NULL;
    int status = hg_cli_call(cli, "room.list", NULL, &list);
    const json_t *state;
    size_t i;

    json_array_foreach(json_object_get(list, "rooms"), i, state)
    {
        int one = stop_one(cli, hg_cli_text(state, "room"), stopped, failed);

        if (one > status)
            status = one;
        if (one == HG_CLI_NO_SERVICE)
            break; /* it was told; there is nobody to ask for the rest */
    }
    json_decref(list);
    if (cli->is_json && status < HG_CLI_NO_SERVICE && list != NULL)
        (void)hg_cli_give(
            cli, json_pack("{s:O, s:O}", "stopped", stopped, "failed", failed));
    json_decref(stopped);
    json_decref(failed);
    return status;
}

int hg_cli_stop(struct hg_cli *cli, const struct hg_cli_args *args)
{
    bool is_all = hg_cli_has(args, HG_OPT_ALL);
    json_t *result;
    int status;

    if (is_all == (args->word_count > 0))
        return hg_cli_usage(cli, "a room or --all is wanted");
    if (is_all)
        return stop_all(cli);
    status = hg_cli_call(cli, "heat.stop",
                         json_pack("{s:s}", "room", args->word[0]), &result);
    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, result);
    printf("%s: stopped. The next heat needs a new room check.\n",
           args->word[0]);
    json_decref(result);
    return HG_CLI_DONE;
}
