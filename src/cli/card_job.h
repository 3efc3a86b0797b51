#ifndef HG_CLI_CARD_JOB_H
#define HG_CLI_CARD_JOB_H

/*
 * A card from its first question to its file. What can go wrong is found out
 * before the code is made, as a code is shown only once:
 *   begin (rooms, address) - open (the file) - make the code - end (print)
 */
#include "cli/card.h"
#include "cli/cli.h"
#include "cli/out_file.h"

#define HG_CARD_WHY_BYTES 512

struct hg_card_job {
    struct hg_cli *cli;
    json_t *place[HG_CARD_ROOMS_MAX]; /* of guest.list */
    size_t room_count;
    const char *address; /* borrowed of the arguments or of a place */
    const char *path;    /* borrowed; NULL: text to stdout */
    struct hg_cli_out_file file;
};

/*
 * Ask what guests of these rooms are told. address stands before the
 * service's; NULL: the service's. Local times are those of the service's
 * time zone from here on, when it tells one.
 *
 * 0, or an exit status after the failure was told; release it in both cases.
 */
HG_MUST_CHECK int hg_card_job_begin(struct hg_cli *cli, const json_t *rooms,
                                    const char *address,
                                    struct hg_card_job *job);

/*
 * The file of the next card; NULL or "-": text to stdout. A file that is
 * there already is left alone. HG_ERR_SYSTEM, HG_ERR_RANGE, told in why.
 */
HG_MUST_CHECK int hg_card_job_open(struct hg_card_job *job, const char *path,
                                   struct hg_buf *why);

/*
 * Print the card of a code: {"code","id","from","until"} of guest.issue, and
 * put the file in place. Errors are told in why; then there is no file.
 */
HG_MUST_CHECK int hg_card_job_end(struct hg_card_job *job, const json_t *made,
                                  struct hg_buf *why);

/* Leave no trace of a card that was not ended; free. */
void hg_card_job_release(struct hg_card_job *job);

#endif
