#ifndef HG_CLI_CLI_H
#define HG_CLI_CLI_H

/*
 * What the verbs of `heatgate` share: the row of a verb in the one table, the
 * options it was given, the connection to the admin socket, and how an error
 * is told. A verb returns an exit status.
 */
#include "api/client.h"
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define HG_CLI_SOCKET     "/run/heatgate/admin.sock"
#define HG_CLI_STATE_DIR  "/var/lib/heatgate"
#define HG_CLI_ROOMS_MAX  64 /* as the API takes at a time */
#define HG_CLI_WORDS_MAX  3
#define HG_CLI_TIMEOUT_MS 10000

enum hg_cli_exit {
    HG_CLI_DONE = 0,
    HG_CLI_REFUSED = 1, /* asked and refused, or failed; reasons are told */
    HG_CLI_USAGE = 2,
    HG_CLI_NO_SERVICE = 3
};

/* error codes of ours in {"error":{"code":…}}: the contract's, section 2 */
#define HG_CLI_CODE_USAGE       (-32602)
#define HG_CLI_CODE_REFUSED     1001
#define HG_CLI_CODE_NOT_ALLOWED 1003
#define HG_CLI_CODE_UNKNOWN     1004
#define HG_CLI_CODE_UNAVAILABLE 1006

/* X(name, "long", takes a value?) */
#define HG_CLI_OPTION_LIST(X)                                                  \
    X(JSON, "json", false)                                                     \
    X(SOCKET, "socket", true)                                                  \
    X(HELP, "help", false)                                                     \
    X(VERSION, "version", false)                                               \
    X(ROOM, "room", true)                                                      \
    X(ALL, "all", false)                                                       \
    X(ALL_ROOMS, "all-rooms", false)                                           \
    X(UNTIL, "until", true)                                                    \
    X(ONCE, "once", false)                                                     \
    X(AGREE_ALL, "agree-all", false)                                           \
    X(PLACE_CODE, "place-code", true)                                          \
    X(WAIT, "wait", true)                                                      \
    X(TARGET, "target", true)                                                  \
    X(FOR, "for", true)                                                        \
    X(READY_BY, "ready-by", true)                                              \
    X(PREVIEW, "preview", false)                                               \
    X(CHANGE, "change", false)                                                 \
    X(UNPLAN, "unplan", false)                                                 \
    X(FROM, "from", true)                                                      \
    X(STAY, "stay", true)                                                      \
    X(LABEL, "label", true)                                                    \
    X(ROLE, "role", true)                                                      \
    X(NOTE, "note", true)                                                      \
    X(AFTER, "after", true)                                                    \
    X(LIMIT, "limit", true)                                                    \
    X(FOLLOW, "follow", false)                                                 \
    X(HEAD, "head", true)                                                      \
    X(ARCHIVED, "archived", false)                                             \
    X(OUT, "out", true)                                                        \
    X(STATE_DIR, "state-dir", true)                                            \
    X(MONTH, "month", true)                                                    \
    X(CSV, "csv", false)                                                       \
    X(HTML, "html", true)                                                      \
    X(DRY_RUN, "dry-run", false)                                               \
    X(RENEW, "renew", false)                                                   \
    X(PRUNE, "prune", false)                                                   \
    X(PROOF, "proof", false)                                                   \
    X(ANSWERS, "answers", true)                                                \
    X(ABANDON, "abandon", false)                                               \
    X(CARD, "card", true)                                                      \
    X(CARDS, "cards", true)                                                    \
    X(ADDRESS, "address", true)                                                \
    X(CODE, "code", true)                                                      \
    X(BINDING, "binding", true)                                                \
    X(SECONDS, "seconds", true)

enum hg_cli_option {
#define HG_CLI_OPTION_ENUM(name, text, has_value) HG_OPT_##name,
    HG_CLI_OPTION_LIST(HG_CLI_OPTION_ENUM)
#undef HG_CLI_OPTION_ENUM
        HG_OPT_COUNT
};

#define HG_CLI_BIT(name) (UINT64_C(1) << HG_OPT_##name)

struct hg_cli_args {
    const char *value[HG_OPT_COUNT];    /* NULL: not given; "": a flag, given */
    const char *room[HG_CLI_ROOMS_MAX]; /* each --room, in order */
    size_t room_count;
    const char *word[HG_CLI_WORDS_MAX]; /* behind the verb */
    size_t word_count;
};

struct hg_cli {
    const char *verb; /* "" before one was found */
    const char *socket;
    bool is_json;
    bool is_in_terminal; /* a person can be asked */
    bool is_out_terminal;
    bool is_err_terminal;
    bool has_colour;              /* on stdout */
    struct hg_api_client *client; /* NULL before the first call */
};

struct hg_cli_verb {
    const char *name; /* one word, or two */
    int (*run)(struct hg_cli *cli, const struct hg_cli_args *args);
    uint64_t options; /* of HG_CLI_BIT(), besides --json and --socket */
    uint8_t words_min, words_max;
    const char *usage; /* what stands behind the name */
    const char *brief; /* a few words, for the list */
    const char *help;  /* sentences and options; ends with a newline */
};

/* The table of verbs, in the order of the list; ends with a NULL name. */
extern const struct hg_cli_verb hg_cli_verbs[];

/* The program: parse, find the verb, run it. Returns the exit status. */
int hg_cli_main(int argc, char **argv);

/*
 * Read the options and words behind a verb. argv[0] is skipped; the order of
 * argv may change. args is overwritten.
 *
 * HG_ERR_INPUT  told in why, to go behind "heatgate VERB: "
 */
HG_MUST_CHECK int hg_cli_args_parse(int argc, char **argv,
                                    const struct hg_cli_verb *verb,
                                    struct hg_buf *why,
                                    struct hg_cli_args *args);

static inline bool hg_cli_has(const struct hg_cli_args *args,
                              enum hg_cli_option option)
{
    return args->value[option] != NULL;
}

/*
 * Tell a failure of our own, as {"error":{"code","message"}} on stdout with
 * --json, else as a sentence on stderr. Returns status.
 */
int hg_cli_fail(const struct hg_cli *cli, int status, int code,
                const char *format, ...) __attribute__((format(printf, 4, 5)));
/* The same for wrong use: status 2, and where to read on. */
int hg_cli_usage(const struct hg_cli *cli, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* The same for an error object of the service, with every reason. */
int hg_cli_fail_answer(const struct hg_cli *cli, const json_t *error);
/* Reasons of a refusal, one a line, behind a first line. */
void hg_cli_put_reasons(const struct hg_cli *cli, FILE *out,
                        const json_t *reasons);

/* Print a result as one line of JSON. Takes it over. Returns a status. */
int hg_cli_give(const struct hg_cli *cli, json_t *result_taken);

/*
 * Connect if that was not done yet. 0, or an exit status after the failure
 * was told.
 */
HG_MUST_CHECK int hg_cli_connect(struct hg_cli *cli);

/*
 * Call a method of the service.
 *
 * ret_result  a new reference; untouched unless 0 is returned
 *
 * 0, or an exit status after the failure or refusal was told.
 */
HG_MUST_CHECK int hg_cli_call(struct hg_cli *cli, const char *method,
                              json_t *params_taken, json_t **ret_result);

/* The same, but an error of the service is the caller's to tell. */
HG_MUST_CHECK int hg_cli_ask(struct hg_cli *cli, const char *method,
                             json_t *params_taken,
                             struct hg_api_answer *ret_answer);

/* Tell that the connection broke (err of the client). Returns a status. */
int hg_cli_fail_client(const struct hg_cli *cli, int err);

/* Overwrite the text of a JSON string that holds a secret. NULL is fine. */
void hg_cli_wipe(json_t *text);

/* Member as text, "" if it is none. */
const char *hg_cli_text(const json_t *object, const char *name);

#endif
