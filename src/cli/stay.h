#ifndef HG_CLI_STAY_H
#define HG_CLI_STAY_H

/* From when to when a code is valid, as --stay or --from and --until say. */
#include "cli/cli.h"

/*
 * Read the stay; local times are those of the service's time zone, when it
 * tells one, else of TZ. The zone stays in use for printing.
 *
 * 0, or an exit status after the failure was told: nothing given, not times,
 * or local times and no zone.
 */
HG_MUST_CHECK int hg_cli_stay_read(struct hg_cli *cli,
                                   const struct hg_cli_args *args,
                                   int64_t *ret_from_ms, int64_t *ret_until_ms);

/*
 * Use the time zone that the service recorded at its start for local times
 * from here on. *ret_is_told is false when it tells none; then nothing has
 * changed. 0, or an exit status after the failure was told.
 */
HG_MUST_CHECK int hg_cli_zone_find(struct hg_cli *cli, bool *ret_is_told);

/*
 * Split an ISO 8601 interval FROM/UNTIL into its two texts.
 * HG_ERR_INPUT: not two parts; HG_ERR_RANGE: longer than any time.
 */
#define HG_CLI_STAY_BYTES 64
HG_MUST_CHECK int hg_cli_stay_split(const char *stay,
                                    char ret_from[HG_CLI_STAY_BYTES],
                                    char ret_until[HG_CLI_STAY_BYTES]);

#endif
