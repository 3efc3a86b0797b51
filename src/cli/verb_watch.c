/* watch: a room live, until Ctrl-C, a phase, or once. */
#include "base/text.h"
#include "cli/out.h"
#include "cli/room_text.h"
#include "cli/verbs.h"
#include "cli/watching.h"
#include "cli/when.h"
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#define LINE_BYTES 512
#define WAIT_MS    500

static bool is_phase(const char *text)
{
    static const char *const phase[] = { "idle", "planned", "heating",
                                         "holding", "locked" };

    for (size_t i = 0; i < HG_COUNT(phase); i++)
        if (strcmp(phase[i], text) == 0)
            return true;
    return false;
}

static size_t terminal_columns(void)
{
    struct winsize size;

    if (ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 1 &&
        size.ws_col < HG_CLI_COLUMNS)
        return size.ws_col;
    return HG_CLI_COLUMNS;
}

/* One line that is overwritten; the last column stays free. */
static void show_live(const char *line)
{
    putchar('\r');
    hg_cli_put_cell(stdout, line, terminal_columns() - 1);
}

/* last: what was shown before; a line that says nothing new is left out. */
static void show(const struct hg_cli *cli, const json_t *state,
                 char last[LINE_BYTES])
{
    char storage[LINE_BYTES], now[HG_CLI_WHEN_BYTES];
    int64_t now_ms = hg_cli_now_ms();
    struct hg_buf line;

    if (cli->is_json) {
        json_dumpf(state, stdout, JSON_COMPACT);
        putchar('\n');
        fflush(stdout);
        return;
    }
    hg_buf_init(&line, storage, sizeof(storage));
    hg_cli_room_line(state, now_ms, &line);
    if (strcmp(storage, last) == 0)
        return;
    memcpy(last, storage, sizeof(storage));
    if (cli->is_out_terminal) {
        show_live(storage);
    } else {
        hg_cli_when(now_ms, now_ms, now);
        printf("%s ", now);
        hg_cli_put(stdout, storage);
        putchar('\n');
    }
    fflush(stdout);
}

static int follow(struct hg_cli *cli, const struct hg_cli_args *args,
                  json_t **state)
{
    const char *until = args->value[HG_OPT_UNTIL];
    char last[LINE_BYTES] = "";
    int rc = 1;

    for (;;) {
        if (rc > 0 || !cli->is_json) /* the time to ready moves by itself */
            show(cli, *state, last);
        if (hg_cli_has(args, HG_OPT_ONCE) || ferror(stdout) ||
            hg_cli_is_interrupted() ||
            (until != NULL && strcmp(hg_cli_text(*state, "phase"), until) == 0))
            return HG_CLI_DONE;
        rc = hg_cli_watch_next(cli, WAIT_MS, state);
        if (rc < 0)
            return -rc;
    }
}

int hg_cli_watch(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *until = args->value[HG_OPT_UNTIL];
    json_t *state = NULL;
    int status;

    if (until != NULL && !is_phase(until))
        return hg_cli_usage(cli,
                            "--until wants idle, planned, heating, holding or "
                            "locked, not '%s'",
                            until);
    status = hg_cli_watch_begin(cli, args->word[0], &state);
    if (status != 0)
        return status;
    hg_cli_catch_interrupt();
    status = follow(cli, args, &state);
    if (cli->is_out_terminal && !cli->is_json)
        putchar('\n');
    json_decref(state);
    return status;
}
