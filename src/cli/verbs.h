#ifndef HG_CLI_VERBS_H
#define HG_CLI_VERBS_H

/* One function a verb, each in a file of its own; the rows are in table.c. */
#include "cli/cli.h"

typedef int hg_cli_run(struct hg_cli *cli, const struct hg_cli_args *args);

hg_cli_run hg_cli_rooms, hg_cli_journal_verify;

#endif
