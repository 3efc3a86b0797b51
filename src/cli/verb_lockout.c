/* lockout: set and cleared by a person, with a note. */
#include "base/why.h"
#include "cli/out.h"
#include "cli/verbs.h"
#include <string.h>

static int call(struct hg_cli *cli, const char *method,
                const struct hg_cli_args *args, const char *lockout)
{
    json_t *params =
        json_pack("{s:s, s:s, s:s*}", "room", args->word[0], "note",
                  args->value[HG_OPT_NOTE], "lockout", lockout);
    const json_t *left;
    json_t *result;
    int status = hg_cli_call(cli, method, params, &result);

    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, result);
    left = json_object_get(result, "lockouts");
    if (json_array_size(left) == 0)
        printf("%s: no lockout is left. A new room check is needed before "
               "heat.\n",
               args->word[0]);
    for (size_t i = 0; i < json_array_size(left); i++) {
        const char *code = json_string_value(json_array_get(left, i));

        printf("%s: locked: %s: %s\n", args->word[0], code == NULL ? "" : code,
               hg_why_text(hg_why_find(code == NULL ? "" : code)));
    }
    json_decref(result);
    return HG_CLI_DONE;
}

static int need_note(const struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *note = args->value[HG_OPT_NOTE];

    if (note != NULL && note[strspn(note, " \t")] != '\0')
        return 0;
    return hg_cli_usage(cli, "--note TEXT is wanted: what you found and did; "
                             "it goes into the journal");
}

int hg_cli_lockout_set(struct hg_cli *cli, const struct hg_cli_args *args)
{
    int status = need_note(cli, args);

    if (status != 0)
        return status;
    return call(cli, "lockout.set", args,
                args->word_count > 1 ? args->word[1] : NULL);
}

/* The only lockout of the room, so that it need not be typed. */
static int find_only(struct hg_cli *cli, const char *room, json_t **ret_code)
{
    const json_t *lockouts;
    json_t *state;
    int status = hg_cli_call(cli, "room.state",
                             json_pack("{s:s}", "room", room), &state);

    if (status != 0)
        return status;
    lockouts = json_object_get(state, "lockouts");
    if (json_array_size(lockouts) == 1)
        *ret_code = json_incref(json_array_get(lockouts, 0));
    else if (json_array_size(lockouts) == 0)
        status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNKNOWN,
                             "%s has no lockout to clear", room);
    else
        status = hg_cli_usage(cli,
                              "%s has %zu lockouts; name the one to "
                              "clear (heatgate rooms lists them)",
                              room, json_array_size(lockouts));
    json_decref(state);
    return status;
}

int hg_cli_lockout_clear(struct hg_cli *cli, const struct hg_cli_args *args)
{
    json_t *only = NULL;
    int status = need_note(cli, args);

    if (status != 0)
        return status;
    if (args->word_count > 1)
        return call(cli, "lockout.clear", args, args->word[1]);
    status = find_only(cli, args->word[0], &only);
    if (status == 0)
        status = call(cli, "lockout.clear", args, json_string_value(only));
    json_decref(only);
    return status;
}
