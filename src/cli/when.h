#ifndef HG_CLI_WHEN_H
#define HG_CLI_WHEN_H

/*
 * Times as people type and read them. "Local" is the zone of this process
 * (TZ, else the system's). Nothing here reads a clock but hg_cli_now_ms().
 */
#include "base/err.h"
#include "base/text.h"
#include <stdbool.h>
#include <stdint.h>

/* Wall time now, in milliseconds since 1970 (UTC). */
int64_t hg_cli_now_ms(void);
/* Milliseconds of a clock that only goes forward. */
uint64_t hg_cli_mono_ms(void);

/*
 * RFC 3339, or HH:MM: the next local time of day that reads so, today or
 * tomorrow. HG_ERR_INPUT; HG_ERR_RANGE: there is no such time of day then
 * (clocks go forward).
 */
HG_MUST_CHECK int hg_cli_time(const char *text, int64_t now_ms,
                              int64_t *ret_ms);

/*
 * A date and time of ISO 8601: "2026-12-04T15:00", seconds optional, with
 * offset, Z, or neither; then it is local and *ret_is_local is set. Of two
 * local times that read the same (clocks go back) it is the earlier.
 * HG_ERR_INPUT; HG_ERR_RANGE: no such local time.
 */
HG_MUST_CHECK int hg_cli_date_time(const char *text, bool *ret_is_local,
                                   int64_t *ret_ms);

/* "17:52" when it is today, else "2026-12-04 15:00", local. */
#define HG_CLI_WHEN_BYTES 48
void hg_cli_when(int64_t ms, int64_t now_ms, char out[HG_CLI_WHEN_BYTES]);
/* "2026-12-04 15:00 +0100", local. */
void hg_cli_when_full(int64_t ms, char out[HG_CLI_WHEN_BYTES]);
/* hg_cli_when() of an RFC 3339 text; other text is copied, "" gives "-". */
void hg_cli_when_text(const char *text, int64_t now_ms,
                      char out[HG_CLI_WHEN_BYTES]);

/* "25m", "3h05m", "under 1m". */
void hg_cli_span(int64_t ms, char out[HG_CLI_WHEN_BYTES]);

#endif
