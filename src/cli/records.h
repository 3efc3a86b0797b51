#ifndef HG_CLI_RECORDS_H
#define HG_CLI_RECORDS_H

/* Journal records, read page by page from the service. */
#include "cli/cli.h"

struct hg_cli_pages {
    uint64_t after_n;
    uint64_t until_n; /* stop behind this one; 0: at the newest */
    const char *room; /* NULL: any */
    /* Told each record in order; non-zero stops and is returned. */
    int (*take)(void *arg, json_t *record);
    void *arg;
};

/*
 * Read records from after_n on; after_n is moved along, so that a later call
 * goes on from there. 0, what take() returned, or an exit status after the
 * failure was told.
 */
HG_MUST_CHECK int hg_cli_records_read(struct hg_cli *cli,
                                      struct hg_cli_pages *pages);

/* Number of the newest durable record, 0 if there is none. */
HG_MUST_CHECK int hg_cli_records_newest(struct hg_cli *cli, uint64_t *ret_n);

/*
 * What the service recorded when it last started: {"started": the
 * gateway-started record or null, "waived": [rooms]}.
 */
HG_MUST_CHECK int hg_cli_records_start(struct hg_cli *cli, json_t **ret);

#endif
