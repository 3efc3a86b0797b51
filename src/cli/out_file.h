#ifndef HG_CLI_OUT_FILE_H
#define HG_CLI_OUT_FILE_H

/*
 * A file that appears whole or not at all: written beside its place, synced,
 * then renamed. Mode 0600. Without a path it is stdout.
 */
#include "base/buf.h"
#include "base/err.h"
#include <stdbool.h>
#include <stdio.h>

#define HG_CLI_PATH_BYTES 4096

struct hg_cli_out_file {
    FILE *out;
    const char *path; /* borrowed; NULL: stdout */
    bool is_new;      /* never in the place of another */
    char temporary[HG_CLI_PATH_BYTES];
};

/* HG_ERR_SYSTEM, HG_ERR_RANGE (path too long); told in why. */
HG_MUST_CHECK int hg_cli_out_file_open(const char *path, struct hg_buf *why,
                                       struct hg_cli_out_file *file);
/* The same, but a file that is there already is an error, and stays. */
HG_MUST_CHECK int hg_cli_out_file_open_new(const char *path, struct hg_buf *why,
                                           struct hg_cli_out_file *file);
/* Sync and put in place. HG_ERR_SYSTEM, told in why; nothing is left then. */
HG_MUST_CHECK int hg_cli_out_file_commit(struct hg_cli_out_file *file,
                                         struct hg_buf *why);
/* Leave no trace. Fine after a failed commit. */
void hg_cli_out_file_drop(struct hg_cli_out_file *file);

#endif
