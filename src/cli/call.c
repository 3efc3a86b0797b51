/* The connection to the admin socket and calls on it. */
#include "base/buf.h"
#include "cli/cli.h"

static int status_of(int err)
{
    switch (err) {
    case HG_ERR_RANGE:
        return HG_CLI_USAGE; /* the path of the socket is too long */
    case HG_ERR_DENIED:
    case HG_ERR_MEMORY:
        return HG_CLI_REFUSED;
    default:
        return HG_CLI_NO_SERVICE;
    }
}

int hg_cli_connect(struct hg_cli *cli)
{
    char text[HG_API_CLIENT_WHY_BYTES];
    struct hg_buf why;
    int err;

    if (cli->client != NULL)
        return 0;
    hg_buf_init(&why, text, sizeof(text));
    err =
        hg_api_client_open(cli->socket, HG_CLI_TIMEOUT_MS, &why, &cli->client);
    if (err == 0)
        return 0;
    return hg_cli_fail(cli, status_of(err),
                       err == HG_ERR_DENIED ? HG_CLI_CODE_NOT_ALLOWED
                                            : HG_CLI_CODE_UNAVAILABLE,
                       "%s", text);
}

int hg_cli_fail_client(const struct hg_cli *cli, int err)
{
    const char *why = hg_api_client_closed(cli->client);

    switch (err) {
    case HG_ERR_CLOSED:
        return hg_cli_fail(cli, HG_CLI_NO_SERVICE, HG_CLI_CODE_UNAVAILABLE,
                           "the service hung up (%s); whether it did what was "
                           "asked is not known. Look with 'heatgate rooms' "
                           "and at its log (journalctl -u heatgated).",
                           why[0] == '\0' ? "no reason given" : why);
    case HG_ERR_BUSY:
        return hg_cli_fail(cli, HG_CLI_NO_SERVICE, HG_CLI_CODE_UNAVAILABLE,
                           "the service gave no answer within %d s; whether "
                           "it did what was asked is not known. Look with "
                           "'heatgate rooms' and at its log (journalctl -u "
                           "heatgated).",
                           HG_CLI_TIMEOUT_MS / 1000);
    case HG_ERR_INPUT:
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                           "what answers at %s does not speak as heatgated "
                           "does. Is it the right socket?",
                           cli->socket);
    default:
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                           "the call failed: %s", hg_err_text(err));
    }
}

int hg_cli_ask(struct hg_cli *cli, const char *method, json_t *params_taken,
               struct hg_api_answer *ret_answer)
{
    int status = hg_cli_connect(cli);
    int err;

    if (status != 0) {
        json_decref(params_taken);
        return status;
    }
    err = hg_api_client_call(cli->client, method, params_taken, ret_answer);
    return err < 0 ? hg_cli_fail_client(cli, err) : 0;
}

int hg_cli_call(struct hg_cli *cli, const char *method, json_t *params_taken,
                json_t **ret_result)
{
    struct hg_api_answer answer;
    int status = hg_cli_ask(cli, method, params_taken, &answer);

    if (status != 0)
        return status;
    if (answer.error != NULL)
        status = hg_cli_fail_answer(cli, answer.error);
    else
        *ret_result = json_incref(answer.result);
    hg_api_answer_release(&answer);
    return status;
}
