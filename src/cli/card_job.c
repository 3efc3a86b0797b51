/* A card from its first question to its file; see card_job.h. */
#include "cli/card_job.h"
#include "base/text.h"
#include <stdlib.h>
#include <string.h>
#include <time.h>

static int find_place(struct hg_card_job *job, const char *room)
{
    json_t *list, *place;
    int status = hg_cli_call(job->cli, "guest.list",
                             json_pack("{s:s}", "room", room), &list);

    if (status != 0)
        return status;
    place = json_object_get(list, "place");
    if (json_is_object(place))
        job->place[job->room_count++] = json_incref(place);
    else
        status = hg_cli_fail(job->cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                             "the service tells nothing about %s for a card: "
                             "it is of an older version. Restart it.",
                             room);
    json_decref(list);
    return status;
}

static int find_address(struct hg_card_job *job, const char *address)
{
    if (address == NULL)
        address = hg_cli_text(job->place[0], "public_url");
    job->address = address;
    if (hg_url_is_public(address))
        return 0;
    if (address[0] == '\0')
        return hg_cli_usage(job->cli,
                            "the card needs the address at which guests "
                            "reach the service: --address https://HOST:PORT, "
                            "or public_url in the configuration");
    return hg_cli_usage(job->cli,
                        "--address wants https://HOST[:PORT][/PATH], not '%s': "
                        "a code must not travel in clear text (http:// only of "
                        "this host, for trials)",
                        address);
}

int hg_card_job_begin(struct hg_cli *cli, const json_t *rooms,
                      const char *address, struct hg_card_job *job)
{
    const char *zone;
    int status = 0;

    memset(job, 0, sizeof(*job));
    job->cli = cli;
    if (json_array_size(rooms) == 0 ||
        json_array_size(rooms) > HG_CARD_ROOMS_MAX)
        return hg_cli_usage(cli, "a card is for 1 to %d rooms",
                            HG_CARD_ROOMS_MAX);
    for (size_t i = 0; status == 0 && i < json_array_size(rooms); i++)
        status = find_place(job, json_string_value(json_array_get(rooms, i)));
    if (status == 0)
        status = find_address(job, address);
    if (status != 0)
        return status;
    zone = hg_cli_text(job->place[0], "timezone");
    if (zone[0] != '\0' && setenv("TZ", zone, 1) == 0)
        tzset();
    return 0;
}

int hg_card_job_open(struct hg_card_job *job, const char *path,
                     struct hg_buf *why)
{
    if (path != NULL && strcmp(path, "-") == 0)
        path = NULL;
    job->path = path;
    return hg_cli_out_file_open_new(path, why, &job->file);
}

static enum hg_card_evidence evidence_of(const json_t *place)
{
    const char *word = hg_cli_text(place, "check_evidence");

    if (strcmp(word, "panel") == 0)
        return HG_CARD_PANEL;
    return strcmp(word, "place-code") == 0 ? HG_CARD_PLACE_CODE
                                           : HG_CARD_DOOR_CYCLE;
}

int hg_card_job_end(struct hg_card_job *job, const json_t *made,
                    struct hg_buf *why)
{
    struct hg_card card = { .code = hg_cli_text(made, "code"),
                            .id = hg_cli_text(made, "id"),
                            .address = job->address,
                            .room_count = job->room_count };
    int err = HG_ERR_INPUT;

    for (size_t i = 0; i < job->room_count; i++) {
        card.room[i].label = hg_cli_text(job->place[i], "label");
        card.room[i].evidence = evidence_of(job->place[i]);
    }
    if (hg_text_to_wall(hg_cli_text(made, "from"), &card.from_ms) == 0 &&
        hg_text_to_wall(hg_cli_text(made, "until"), &card.until_ms) == 0)
        err = job->path == NULL
                  ? hg_card_text(&card, job->cli->has_colour, job->file.out)
                  : hg_card_page(&card, job->file.out);
    if (err == 0)
        err = hg_cli_out_file_commit(&job->file, why);
    else
        hg_buf_addf(why, "it could not be printed (%s)", hg_err_text(err));
    hg_cli_out_file_drop(&job->file);
    return err;
}

void hg_card_job_release(struct hg_card_job *job)
{
    hg_cli_out_file_drop(&job->file);
    for (size_t i = 0; i < job->room_count; i++)
        json_decref(job->place[i]);
    memset(job, 0, sizeof(*job));
}
