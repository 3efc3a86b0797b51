/* What the verbs about codes share; see codes.h. */
#include "cli/codes.h"
#include "base/text.h"
#include "cli/out.h"
#include "cli/when.h"
#include <string.h>

#define ID_COLUMNS    16
#define ROLE_COLUMNS  10
#define STATE_COLUMNS 6
#define ROOMS_BYTES   256

json_t *hg_cli_codes_rooms(const struct hg_cli_args *args)
{
    json_t *rooms = json_array();

    for (size_t i = 0; rooms != NULL && i < args->room_count; i++)
        json_array_append_new(rooms, json_string(args->room[i]));
    return rooms;
}

static void join(const json_t *list, char out[ROOMS_BYTES])
{
    struct hg_buf text;

    hg_buf_init(&text, out, ROOMS_BYTES);
    if (json_is_string(list)) /* "*" */
        hg_buf_add(&text, "all");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const char *one = json_string_value(json_array_get(list, i));

        hg_buf_addf(&text, "%s%s", i > 0 ? ", " : "", one == NULL ? "" : one);
    }
    if (text.is_cut) /* the last name that fits stays the last */
        hg_buf_add(&text, " ...");
}

static void put_row(const char *name, const char *text)
{
    printf("  %-8s ", name);
    hg_cli_put_wrapped(stdout, 11, 11, text);
}

static void when_full(const char *text, char out[HG_CLI_WHEN_BYTES])
{
    int64_t ms;

    if (hg_text_to_wall(text, &ms) == 0)
        hg_cli_when_full(ms, out);
    else
        snprintf(out, HG_CLI_WHEN_BYTES, "-");
}

static void show(const struct hg_cli *cli, const json_t *made)
{
    const char *strong = hg_cli_paint(cli->has_colour, HG_PAINT_STRONG);
    const char *plain = hg_cli_paint(cli->has_colour, HG_PAINT_NONE);
    const json_t *ended = json_object_get(made, "ended_ids");
    char from[HG_CLI_WHEN_BYTES], until[HG_CLI_WHEN_BYTES];
    char validity[2 * HG_CLI_WHEN_BYTES + 8], list[ROOMS_BYTES];

    printf("  %-8s %s%s%s\n", "code", strong, hg_cli_text(made, "code"), plain);
    if (hg_cli_text(made, "token")[0] != '\0')
        printf("  %-8s %s%s%s\n", "token", strong, hg_cli_text(made, "token"),
               plain);
    put_row("for", hg_cli_text(made, "role"));
    if (hg_cli_text(made, "label")[0] != '\0')
        put_row("label", hg_cli_text(made, "label"));
    join(json_object_get(made, "rooms"), list);
    put_row("rooms", list);
    when_full(hg_cli_text(made, "from"), from);
    when_full(hg_cli_text(made, "until"), until);
    snprintf(validity, sizeof(validity), "%s to %s", from, until);
    put_row("valid",
            hg_cli_text(made, "until")[0] == '\0' ? "until revoked" : validity);
    put_row("id", hg_cli_text(made, "id"));
    if (json_is_array(ended)) {
        join(ended, list);
        put_row("ended", list[0] == '\0' ? "no other code was live" : list);
    }
    printf("It will not be shown again.\n");
}

/* The code is told whatever becomes of its card: it is never told again. */
static int show_card(const struct hg_cli *cli, struct hg_card_job *card,
                     json_t *made)
{
    char text[HG_CARD_WHY_BYTES];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, text, sizeof(text));
    err = hg_card_job_end(card, made, &why);
    if (cli->is_json) {
        json_object_set_new(made, err == 0 ? "card" : "card_error",
                            json_string(err == 0 ? card->path : text));
        return err == 0 ? HG_CLI_DONE : HG_CLI_REFUSED;
    }
    if (err == 0 && card->path != NULL)
        printf("The card is in %s.\n", card->path);
    return err == 0
               ? HG_CLI_DONE
               : hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                             "the code is good, but it has no card: %s", text);
}

int hg_cli_codes_make(struct hg_cli *cli, const char *method,
                      json_t *params_taken, struct hg_card_job *card)
{
    json_t *made;
    int status = hg_cli_call(cli, method, params_taken, &made);

    if (status != 0)
        return status;
    if (!cli->is_json)
        show(cli, made);
    if (card != NULL)
        status = show_card(cli, card, made);
    if (cli->is_json) {
        int given = hg_cli_give(cli, json_incref(made));

        status = status == 0 ? given : status;
    }
    hg_cli_wipe(json_object_get(made, "code"));
    hg_cli_wipe(json_object_get(made, "token"));
    json_decref(made);
    return status;
}

static const char *state_of(const json_t *one, int64_t now_ms)
{
    int64_t ms;

    if (json_is_true(json_object_get(one, "ended")))
        return "ended";
    if (hg_text_to_wall(hg_cli_text(one, "from"), &ms) == 0 && ms > now_ms)
        return "later";
    if (hg_text_to_wall(hg_cli_text(one, "until"), &ms) == 0 && ms <= now_ms)
        return "over";
    return "live";
}

static void put_one(const json_t *one, int64_t now_ms, bool has_role)
{
    char from[HG_CLI_WHEN_BYTES], until[HG_CLI_WHEN_BYTES];
    char rooms[ROOMS_BYTES];

    hg_cli_put_cell(stdout, hg_cli_text(one, "id"),
                    hg_cli_width(hg_cli_text(one, "id")) > ID_COLUMNS
                        ? hg_cli_width(hg_cli_text(one, "id"))
                        : ID_COLUMNS);
    putchar(' ');
    hg_cli_put_cell(stdout, state_of(one, now_ms), STATE_COLUMNS);
    if (has_role) {
        hg_cli_put_cell(stdout, hg_cli_text(one, "role"), ROLE_COLUMNS);
        putchar(' ');
    } else {
        hg_cli_when_text(hg_cli_text(one, "from"), now_ms, from);
        hg_cli_when_text(hg_cli_text(one, "until"), now_ms, until);
        printf("%-16s %-16s ", from, until);
    }
    join(json_object_get(one, "rooms"), rooms);
    hg_cli_put(stdout, rooms);
    if (hg_cli_text(one, "label")[0] != '\0') {
        fputs("  ", stdout);
        hg_cli_put(stdout, hg_cli_text(one, "label"));
    }
    putchar('\n');
}

int hg_cli_codes_list(struct hg_cli *cli, const char *method,
                      json_t *params_taken, const char *member)
{
    bool has_role = strcmp(member, "staff") == 0;
    int64_t now_ms = hg_cli_now_ms();
    const json_t *list, *one;
    json_t *result;
    size_t i;
    int status = hg_cli_call(cli, method, params_taken, &result);

    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, result);
    list = json_object_get(result, member);
    if (has_role)
        printf("%-*s %-*s%-*s %s\n", ID_COLUMNS, "ID", STATE_COLUMNS, "STATE",
               ROLE_COLUMNS, "ROLE", "ROOMS  LABEL");
    else
        printf("%-*s %-*s%-16s %-16s %s\n", ID_COLUMNS, "ID", STATE_COLUMNS,
               "STATE", "FROM", "UNTIL", "ROOMS  LABEL");
    json_array_foreach(list, i, one)
    {
        put_one(one, now_ms, has_role);
    }
    json_decref(result);
    return HG_CLI_DONE;
}

int hg_cli_codes_revoke(struct hg_cli *cli, const char *method, const char *id)
{
    json_t *result;
    int status =
        hg_cli_call(cli, method, json_pack("{s:s}", "id", id), &result);

    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, result);
    printf("%s is revoked: its connections are closed, heat it had started "
           "is off.\n",
           hg_cli_text(result, "id"));
    json_decref(result);
    return HG_CLI_DONE;
}
