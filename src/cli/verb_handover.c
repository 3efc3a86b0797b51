/* handover: the printable sheet of a commissioned room, one HTML file. */
#include "cli/commission_photo.h"
#include "cli/handover_page.h"
#include "cli/out_file.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include <string.h>

#define WHY_BYTES 512

static int put_photo(void *context, const char *room, const char *sha256,
                     FILE *out)
{
    return hg_com_photo_put(context, room, sha256, out);
}

static int tell(const struct hg_cli *cli, const char *path, const json_t *state)
{
    const json_t *done = json_object_get(state, "done");
    const json_t *photos =
        json_object_get(json_object_get(done, "record"), "photos");

    if (path == NULL)
        return HG_CLI_DONE;
    if (cli->is_json)
        return hg_cli_give(cli,
                           json_pack("{s:s, s:O, s:O, s:I}", "file", path, "n",
                                     json_object_get(done, "n"), "digest",
                                     json_object_get(done, "digest"), "photos",
                                     (json_int_t)json_array_size(photos)));
    printf("%s: the sheet is in %s. Print it and leave it at the heater's "
           "board.\n",
           hg_cli_text(state, "room"), path);
    return HG_CLI_DONE;
}

static int write_sheet(struct hg_cli *cli, const char *path,
                       const json_t *state)
{
    struct hg_handover_photos photos = { put_photo, cli };
    struct hg_cli_out_file file;
    char text[WHY_BYTES];
    struct hg_buf why;
    int status;

    hg_buf_init(&why, text, sizeof(text));
    if (hg_cli_out_file_open(path, &why, &file) < 0)
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE, "%s",
                           text);
    status = hg_handover_page(state, hg_cli_now_ms(), &photos, file.out);
    if (status != 0) {
        hg_cli_out_file_drop(&file);
        return status;
    }
    if (hg_cli_out_file_commit(&file, &why) < 0)
        return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE, "%s",
                           text);
    return tell(cli, path, state);
}

int hg_cli_handover(struct hg_cli *cli, const struct hg_cli_args *args)
{
    const char *path = args->value[HG_OPT_OUT];
    json_t *state;
    int status;

    if (cli->is_json && path == NULL)
        return hg_cli_usage(cli, "--json wants --out FILE: stdout holds one "
                                 "document");
    status = hg_cli_call(cli, "commission.state",
                         json_pack("{s:s}", "room", args->word[0]), &state);
    if (status != 0)
        return status;
    if (json_is_object(json_object_get(state, "done")))
        status = write_sheet(cli, path, state);
    else
        status = hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                             "not-commissioned: there is no finished record of "
                             "this room to print. On site: heatgate commission "
                             "%s",
                             args->word[0]);
    json_decref(state);
    return status;
}
