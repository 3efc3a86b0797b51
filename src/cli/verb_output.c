/* output: light and fan of a room. */
#include "cli/out.h"
#include "cli/verbs.h"
#include <string.h>

int hg_cli_output(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *name = args->word[1];
    bool is_on = strcmp(args->word[2], "on") == 0;
    json_t *result;
    int status;

    if (strcmp(name, "light") != 0 && strcmp(name, "fan") != 0)
        return hg_cli_usage(cli, "'%s' is no output; light or fan is wanted",
                            name);
    if (!is_on && strcmp(args->word[2], "off") != 0)
        return hg_cli_usage(cli, "'%s' is neither on nor off", args->word[2]);
    status = hg_cli_call(cli, "output.set",
                         json_pack("{s:s, s:s, s:b}", "room", args->word[0],
                                   "output", name, "on", (int)is_on),
                         &result);
    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, result);
    printf("%s: the %s is switched %s.\n", args->word[0], name,
           is_on ? "on" : "off");
    json_decref(result);
    return HG_CLI_DONE;
}
