/* guest: codes of stays, issued, rotated, revoked, listed. */
#include "base/text.h"
#include "cli/codes.h"
#include "cli/stay.h"
#include "cli/verbs.h"
#include <string.h>

/* The card's questions and its file come before the code is made. */
static int make_with_card(struct hg_cli *cli, const struct hg_cli_args *args,
                          const char *method, json_t *params_taken)
{
    const char *path = args->value[HG_OPT_CARD];
    char text[HG_CARD_WHY_BYTES];
    struct hg_card_job card;
    struct hg_buf why;
    int status;

    if (cli->is_json && strcmp(path, "-") == 0) {
        json_decref(params_taken);
        return hg_cli_usage(cli, "--json wants --card FILE: stdout holds one "
                                 "document");
    }
    hg_buf_init(&why, text, sizeof(text));
    status = hg_card_job_begin(cli, json_object_get(params_taken, "rooms"),
                               args->value[HG_OPT_ADDRESS], &card);
    if (status == 0 && hg_card_job_open(&card, path, &why) < 0)
        status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                             "no code was made: %s", text);
    if (status == 0)
        status =
            hg_cli_codes_make(cli, method, json_incref(params_taken), &card);
    hg_card_job_release(&card);
    json_decref(params_taken);
    return status;
}

static int make(struct hg_cli *cli, const struct hg_cli_args *args,
                const char *method)
{
    char from[HG_WALL_TEXT_BYTES], until[HG_WALL_TEXT_BYTES];
    int64_t from_ms, until_ms;
    json_t *params;
    int status;

    if (args->room_count == 0)
        return hg_cli_usage(cli, "--room ROOM is wanted, once for each room");
    if (hg_cli_has(args, HG_OPT_ADDRESS) && !hg_cli_has(args, HG_OPT_CARD))
        return hg_cli_usage(cli, "--address is of a card: give --card too");
    status = hg_cli_stay_read(cli, args, &from_ms, &until_ms);
    if (status != 0)
        return status;
    hg_text_from_wall(from_ms, from);
    hg_text_from_wall(until_ms, until);
    params = json_pack("{s:o, s:s, s:s, s:s*}", "rooms",
                       hg_cli_codes_rooms(args), "from", from, "until", until,
                       "label", args->value[HG_OPT_LABEL]);
    if (!hg_cli_has(args, HG_OPT_CARD))
        return hg_cli_codes_make(cli, method, params, NULL);
    return make_with_card(cli, args, method, params);
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
