#ifndef HG_CLI_CODES_H
#define HG_CLI_CODES_H

/* What the verbs about codes share: rooms, the one showing, lists. */
#include "cli/card_job.h"
#include "cli/cli.h"

/* The array of --room, a new reference; NULL: no memory. */
json_t *hg_cli_codes_rooms(const struct hg_cli_args *args);

/*
 * Call a method that makes a code and show it, once; print its card if there
 * is one (begun, or NULL). params is taken over. Returns a status.
 */
int hg_cli_codes_make(struct hg_cli *cli, const char *method,
                      json_t *params_taken, struct hg_card_job *card);

/* List credentials: the array `member` of the method's result. */
int hg_cli_codes_list(struct hg_cli *cli, const char *method,
                      json_t *params_taken, const char *member);

/* Revoke by id. */
int hg_cli_codes_revoke(struct hg_cli *cli, const char *method, const char *id);

#endif
