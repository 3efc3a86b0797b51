/*
 * The program: options before the verb, the verb by its one or two words, its
 * own options, and that what was printed really got out.
 */
#include "cli/cli.h"
#include "base/buf.h"
#include "cli/out.h"
#include "heatgate/version.h"
#include <errno.h>
#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define WHY_BYTES       512
#define HELP_LINE_BYTES 1024

static void print_list(void)
{
    printf("usage: heatgate [--socket PATH] [--json] VERB ...\n"
           "Remote heat behind a room check, an interlock and a deadline.\n\n");
    for (const struct hg_cli_verb *v = hg_cli_verbs; v->name != NULL; v++)
        printf("  %-16s %s\n", v->name, v->brief);
    printf(
        "\n  heatgate help VERB      what a verb does and takes\n"
        "  --socket PATH           the service's admin socket (%s;\n"
        "                          HEATGATE_SOCKET in the environment)\n"
        "  --json                  one JSON document on stdout: the result,\n"
        "                          or {\"error\":...}; before or behind the "
        "verb\n"
        "  --help, --version\n\n"
        "Exit status: 0 done, 1 refused (the reasons are printed), 2 wrong "
        "use,\n"
        "3 no service.\n",
        HG_CLI_SOCKET);
}

/* Prose is broken into lines here; lines that are indented stand as they
 * are. */
static void print_help(const struct hg_cli_verb *verb)
{
    const char *line = verb->help;

    printf("usage: heatgate %s%s%s\n\n", verb->name,
           verb->usage[0] == '\0' ? "" : " ", verb->usage);
    while (*line != '\0') {
        size_t len = strcspn(line, "\n");
        char text[HELP_LINE_BYTES];

        snprintf(text, sizeof(text), "%.*s", (int)len, line);
        if (text[0] == ' ')
            printf("%s\n", text);
        else
            hg_cli_put_wrapped(stdout, 0, 0, text);
        line += len + (line[len] == '\n');
    }
}

/* Does the verb's name begin with these words? How many, or 0. */
static int match(const struct hg_cli_verb *verb, int argc, char **argv)
{
    const char *blank = strchr(verb->name, ' ');
    size_t len =
        blank == NULL ? strlen(verb->name) : (size_t)(blank - verb->name);

    if (argc < 1 || strlen(argv[0]) != len ||
        strncmp(verb->name, argv[0], len) != 0)
        return 0;
    if (blank == NULL)
        return 1;
    return argc >= 2 && strcmp(blank + 1, argv[1]) == 0 ? 2 : 0;
}

static const struct hg_cli_verb *find(int argc, char **argv, int *ret_words)
{
    for (const struct hg_cli_verb *v = hg_cli_verbs; v->name != NULL; v++) {
        int words = match(v, argc, argv);

        if (words == 0)
            continue;
        *ret_words = words;
        return v;
    }
    return NULL;
}

/* "guest" alone: which ones are there? False: no verb begins so. */
static bool list_group(const char *noun, struct hg_buf *names)
{
    size_t len = strlen(noun);

    for (const struct hg_cli_verb *v = hg_cli_verbs; v->name != NULL; v++) {
        if (strncmp(v->name, noun, len) != 0 || v->name[len] != ' ')
            continue;
        hg_buf_addf(names, "%s%s", names->len > 0 ? ", " : "",
                    v->name + len + 1);
    }
    return names->len > 0;
}

static int say_no_verb(const struct hg_cli *cli, int argc, char **argv)
{
    char storage[256];
    struct hg_buf names;

    hg_buf_init(&names, storage, sizeof(storage));
    if (argc < 1)
        return hg_cli_usage(cli, "a verb is wanted");
    if (list_group(argv[0], &names))
        return hg_cli_usage(cli, "%s what? One of: %s", argv[0], storage);
    return hg_cli_usage(cli, "there is no verb '%s'", argv[0]);
}

static int help(const struct hg_cli *cli, int argc, char **argv)
{
    const struct hg_cli_verb *verb;
    int words;
    int found = 0;

    if (argc < 1) {
        print_list();
        return HG_CLI_DONE;
    }
    verb = find(argc, argv, &words);
    if (verb != NULL) {
        print_help(verb);
        return HG_CLI_DONE;
    }
    for (verb = hg_cli_verbs; argc == 1 && verb->name != NULL; verb++) {
        size_t len = strlen(argv[0]);

        if (strncmp(verb->name, argv[0], len) != 0 || verb->name[len] != ' ')
            continue;
        printf("%s", found++ > 0 ? "\n" : "");
        print_help(verb);
    }
    return found > 0 ? HG_CLI_DONE : say_no_verb(cli, argc, argv);
}

static void take_common(struct hg_cli *cli, const struct hg_cli_args *args)
{
    cli->is_json = cli->is_json || hg_cli_has(args, HG_OPT_JSON);
    if (hg_cli_has(args, HG_OPT_SOCKET))
        cli->socket = args->value[HG_OPT_SOCKET];
}

static int run(struct hg_cli *cli, int argc, char **argv)
{
    char text[WHY_BYTES];
    const struct hg_cli_verb *verb;
    struct hg_cli_args args;
    struct hg_buf why;
    int words = 0;
    int err;

    if (argc >= 1 && strcmp(argv[0], "help") == 0)
        return help(cli, argc - 1, argv + 1);
    verb = find(argc, argv, &words);
    if (verb == NULL)
        return say_no_verb(cli, argc, argv);
    cli->verb = verb->name;
    hg_buf_init(&why, text, sizeof(text));
    err = hg_cli_args_parse(argc - words + 1, argv + words - 1, verb, &why,
                            &args);
    take_common(cli, &args);
    /* of wrong use nothing else may have been read yet */
    for (int i = words; err < 0 && i < argc; i++)
        cli->is_json = cli->is_json || strcmp(argv[i], "--json") == 0;
    if (err < 0)
        return hg_cli_usage(cli, "%s", text);
    if (hg_cli_has(&args, HG_OPT_HELP)) {
        print_help(verb);
        return HG_CLI_DONE;
    }
    return verb->run(cli, &args);
}

/* Options before the verb. 0, or what to return plus one. */
static int take_early(struct hg_cli *cli, int argc, char **argv)
{
    static const struct option longopts[] = {
        { "json", no_argument, NULL, 'j' },
        { "socket", required_argument, NULL, 's' },
        { "help", no_argument, NULL, 'h' },
        { "version", no_argument, NULL, 'v' },
        { NULL, 0, NULL, 0 },
    };
    int code;

    optind = 0; /* glibc: begin anew */
    opterr = 0;
    while ((code = getopt_long(argc, argv, "+:h", longopts, NULL)) != -1) {
        switch (code) {
        case 'j':
            cli->is_json = true;
            break;
        case 's':
            cli->socket = optarg;
            break;
        case 'h':
            print_list();
            return 1 + HG_CLI_DONE;
        case 'v':
            printf("heatgate %s\n", HG_VERSION);
            return 1 + HG_CLI_DONE;
        default:
            return 1 + hg_cli_usage(cli, "%s %s", argv[optind - 1],
                                    code == ':' ? "wants a value behind it"
                                                : "is no option");
        }
    }
    return 0;
}

static void begin(struct hg_cli *cli)
{
    const char *socket = getenv("HEATGATE_SOCKET");
    const char *no_colour = getenv("NO_COLOR");
    const char *term = getenv("TERM");

    memset(cli, 0, sizeof(*cli));
    cli->verb = "";
    cli->socket = socket == NULL || socket[0] == '\0' ? HG_CLI_SOCKET : socket;
    cli->is_in_terminal = isatty(STDIN_FILENO) == 1;
    cli->is_out_terminal = isatty(STDOUT_FILENO) == 1;
    cli->is_err_terminal = isatty(STDERR_FILENO) == 1;
    cli->has_colour = cli->is_out_terminal &&
                      (no_colour == NULL || no_colour[0] == '\0') &&
                      (term == NULL || strcmp(term, "dumb") != 0);
}

int hg_cli_main(int argc, char **argv)
{
    struct hg_cli cli;
    int status;

    begin(&cli);
    status = take_early(&cli, argc, argv);
    status = status > 0 ? status - 1 : run(&cli, argc - optind, argv + optind);
    hg_api_client_free(cli.client);
    if (fflush(stdout) != 0 || ferror(stdout) != 0) {
        if (errno != EPIPE) /* a reader that left wants no more words */
            fprintf(stderr,
                    "heatgate: the output could not be written: %s. "
                    "What was asked may be done all the same.\n",
                    strerror(errno));
        if (status == HG_CLI_DONE)
            status = HG_CLI_REFUSED;
    }
    return status;
}
