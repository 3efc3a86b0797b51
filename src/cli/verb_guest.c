/* guest: codes of stays, issued, rotated, revoked, listed. */
#include "base/text.h"
#include "cli/codes.h"
#include "cli/stay.h"
#include "cli/verbs.h"

static int make(struct hg_cli *cli, const struct hg_cli_args *args,
                const char *method)
{
    char from[HG_WALL_TEXT_BYTES], until[HG_WALL_TEXT_BYTES];
    int64_t from_ms, until_ms;
    json_t *params;
    int status;

    if (args->room_count == 0)
        return hg_cli_usage(cli, "--room ROOM is wanted, once for each room");
    status = hg_cli_stay_read(cli, args, &from_ms, &until_ms);
    if (status != 0)
        return status;
    hg_text_from_wall(from_ms, from);
    hg_text_from_wall(until_ms, until);
    params = json_pack("{s:o, s:s, s:s, s:s*}", "rooms",
                       hg_cli_codes_rooms(args), "from", from, "until", until,
                       "label", args->value[HG_OPT_LABEL]);
    return hg_cli_codes_make(cli, method, params);
}

int hg_cli_guest_issue(struct hg_cli *cli, const struct hg_cli_args *args)
{
    return make(cli, args, "guest.issue");
}

int hg_cli_guest_rotate(struct hg_cli *cli, const struct hg_cli_args *args)
{
    return make(cli, args, "guest.rotate");
}

int hg_cli_guest_revoke(struct hg_cli *cli, const struct hg_cli_args *args)
{
    return hg_cli_codes_revoke(cli, "guest.revoke", args->word[0]);
}

int hg_cli_guest_list(struct hg_cli *cli, const struct hg_cli_args *args)
{
    if (args->room_count > 1)
        return hg_cli_usage(cli, "only one --room can be listed at a time");
    return hg_cli_codes_list(
        cli, "guest.list",
        json_pack("{s:s*}", "room",
                  args->room_count == 1 ? args->room[0] : NULL),
        "guests");
}
