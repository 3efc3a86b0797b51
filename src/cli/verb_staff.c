/* staff: codes of managers, integrators and caretakers. */
#include "cli/codes.h"
#include "cli/verbs.h"
#include <string.h>

int hg_cli_staff_issue(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *role = args->value[HG_OPT_ROLE];
    bool is_all = hg_cli_has(args, HG_OPT_ALL_ROOMS);

    if (role == NULL ||
        (strcmp(role, "manager") != 0 && strcmp(role, "integrator") != 0 &&
         strcmp(role, "caretaker") != 0))
        return hg_cli_usage(cli, "--role manager, integrator or caretaker is "
                                 "wanted");
    if (is_all == (args->room_count > 0))
        return hg_cli_usage(cli, "--room ROOM (once for each) or --all-rooms "
                                 "is wanted");
    return hg_cli_codes_make(
        cli, "staff.issue",
        json_pack("{s:s, s:o, s:s*}", "role", role, "rooms",
                  is_all ? json_string("*") : hg_cli_codes_rooms(args), "label",
                  args->value[HG_OPT_LABEL]),
        NULL);
}

int hg_cli_staff_revoke(struct hg_cli *cli, const struct hg_cli_args *args)
{
    return hg_cli_codes_revoke(cli, "staff.revoke", args->word[0]);
}

int hg_cli_staff_list(struct hg_cli *cli, const struct hg_cli_args *args)
{
    (void)args;
    return hg_cli_codes_list(cli, "staff.list", NULL, "staff");
}
