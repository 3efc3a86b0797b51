/* A room's state kept up to date; see watching.h. */
#include "cli/watching.h"
#include "api/patch.h"
#include <signal.h>
#include <string.h>

/* a signal handler can reach nothing else */
static volatile sig_atomic_t is_interrupted;

static void on_signal(int number)
{
    (void)number;
    is_interrupted = 1;
}

void hg_cli_catch_interrupt(void)
{
    struct sigaction action;

    memset(&action, 0, sizeof(action));
    action.sa_handler = on_signal; /* no SA_RESTART: waits end early */
    (void)sigaction(SIGINT, &action, NULL);
    (void)sigaction(SIGTERM, &action, NULL);
}

bool hg_cli_is_interrupted(void)
{
    return is_interrupted != 0;
}

int hg_cli_watch_begin(struct hg_cli *cli, const char *room, json_t **ret_state)
{
    return hg_cli_call(cli, "room.watch", json_pack("{s:s}", "room", room),
                       ret_state);
}

static json_int_t rev_of(const json_t *object)
{
    return json_integer_value(json_object_get(object, "rev"));
}

/* Some patches were lost: ask for the whole state again. */
static int begin_anew(struct hg_cli *cli, json_t **state)
{
    json_t *room = json_incref(json_object_get(*state, "room"));
    int status;

    json_decref(*state);
    *state = NULL;
    status =
        hg_cli_call(cli, "room.state", json_pack("{s:o}", "room", room), state);
    return status == 0 ? 1 : -status;
}

static int apply(struct hg_cli *cli, json_t *params, json_t **state)
{
    const char *room = hg_cli_text(params, "room");
    json_t *patched = NULL;
    int err;

    if (strcmp(room, hg_cli_text(*state, "room")) != 0 ||
        rev_of(params) <= rev_of(*state))
        return 0;
    err = hg_patch_apply(*state, json_object_get(params, "patch"), &patched);
    *state = NULL;
    if (err < 0)
        return -hg_cli_fail_client(cli, err);
    *state = patched;
    return 1;
}

int hg_cli_watch_next(struct hg_cli *cli, uint32_t timeout_ms, json_t **state)
{
    json_t *notification;
    int err = hg_api_client_next(cli->client, timeout_ms, &notification);
    int rc = 0;

    if (err == HG_ERR_BUSY)
        return 0;
    if (err == HG_ERR_FULL)
        return begin_anew(cli, state);
    if (err < 0)
        return -hg_cli_fail_client(cli, err);
    if (strcmp(hg_cli_text(notification, "method"), "room.patch") == 0)
        rc = apply(cli, json_object_get(notification, "params"), state);
    json_decref(notification);
    return rc;
}
