#ifndef HG_CLI_WATCHING_H
#define HG_CLI_WATCHING_H

/* A room's state kept up to date by the service's patches (RFC 7396). */
#include "cli/cli.h"

/*
 * Watch a room. ret_state: a new reference to its state now. 0, or an exit
 * status after the failure was told.
 */
HG_MUST_CHECK int hg_cli_watch_begin(struct hg_cli *cli, const char *room,
                                     json_t **ret_state);

/*
 * Wait for the next change, at most timeout_ms.
 *
 * state  from hg_cli_watch_begin() or an earlier call; replaced by the new
 *        state, NULL on failure
 *
 * 1 it changed, 0 it did not, negative: an exit status, negated, after the
 * failure was told
 */
HG_MUST_CHECK int hg_cli_watch_next(struct hg_cli *cli, uint32_t timeout_ms,
                                    json_t **state);

/* From now on Ctrl-C and SIGTERM only set a mark. */
void hg_cli_catch_interrupt(void);
bool hg_cli_is_interrupted(void);

#endif
