/* The options behind a verb, by getopt_long; which ones, its row says. */
#include "base/buf.h"
#include "cli/cli.h"
#include <getopt.h>
#include <string.h>

#define CODE(option) (256 + (int)(option))

static const struct {
    const char *name;
    bool has_value;
} options[HG_OPT_COUNT] = {
#define ROW(option, text, value) [HG_OPT_##option] = { text, value },
    HG_CLI_OPTION_LIST(ROW)
#undef ROW
};

static void fill_longopts(uint64_t wanted,
                          struct option longopts[HG_OPT_COUNT + 1])
{
    size_t count = 0;

    memset(longopts, 0, (HG_OPT_COUNT + 1) * sizeof(longopts[0]));
    for (int i = 0; i < HG_OPT_COUNT; i++) {
        if ((wanted & (UINT64_C(1) << i)) == 0)
            continue;
        longopts[count].name = options[i].name;
        longopts[count].has_arg =
            options[i].has_value ? required_argument : no_argument;
        longopts[count].val = CODE(i);
        count++;
    }
}

static int take_option(enum hg_cli_option option, const char *value,
                       struct hg_buf *why, struct hg_cli_args *args)
{
    bool may_repeat = option == HG_OPT_ROOM || !options[option].has_value;

    if (hg_cli_has(args, option) && !may_repeat) {
        hg_buf_addf(why, "--%s is given twice", options[option].name);
        return HG_ERR_INPUT;
    }
    args->value[option] = value == NULL ? "" : value;
    if (option != HG_OPT_ROOM)
        return 0;
    if (args->room_count == HG_CLI_ROOMS_MAX) {
        hg_buf_addf(why, "--room is given more than %d times",
                    HG_CLI_ROOMS_MAX);
        return HG_ERR_INPUT;
    }
    args->room[args->room_count++] = value;
    return 0;
}

static int say_unknown(char **argv, int code, struct hg_buf *why)
{
    /* getopt has gone past the argument it complains about */
    const char *what = optind > 0 ? argv[optind - 1] : "";

    if (code == ':')
        hg_buf_addf(why, "%s wants a value behind it", what);
    else
        hg_buf_addf(why, "%s is no option here", what);
    return HG_ERR_INPUT;
}

static int take_words(int argc, char **argv, const struct hg_cli_verb *verb,
                      struct hg_buf *why, struct hg_cli_args *args)
{
    for (; optind < argc; optind++) {
        if (args->word_count == verb->words_max) {
            hg_buf_addf(why, "'%s' is one word too many", argv[optind]);
            return HG_ERR_INPUT;
        }
        args->word[args->word_count++] = argv[optind];
    }
    if (args->word_count < verb->words_min && !hg_cli_has(args, HG_OPT_HELP)) {
        hg_buf_addf(why, "something is missing: heatgate %s %s", verb->name,
                    verb->usage);
        return HG_ERR_INPUT;
    }
    return 0;
}

int hg_cli_args_parse(int argc, char **argv, const struct hg_cli_verb *verb,
                      struct hg_buf *why, struct hg_cli_args *args)
{
    struct option longopts[HG_OPT_COUNT + 1];
    int code;

    memset(args, 0, sizeof(*args));
    fill_longopts(verb->options | HG_CLI_BIT(JSON) | HG_CLI_BIT(SOCKET) |
                      HG_CLI_BIT(HELP),
                  longopts);
    optind = 0; /* glibc: begin anew */
    opterr = 0;
    while ((code = getopt_long(argc, argv, ":h", longopts, NULL)) != -1) {
        int err;

        if (code == 'h')
            code = CODE(HG_OPT_HELP);
        if (code < CODE(0))
            return say_unknown(argv, code, why);
        err = take_option((enum hg_cli_option)(code - CODE(0)), optarg, why,
                          args);
        if (err < 0)
            return err;
    }
    return take_words(argc, argv, verb, why, args);
}
