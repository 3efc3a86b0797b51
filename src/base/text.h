#ifndef HG_BASE_TEXT_H
#define HG_BASE_TEXT_H

/*
 * Small parsers and printers with a maximum on everything: numbers, hex,
 * room names, durations, RFC 3339 times. Parsers take a whole string (no
 * trailing text allowed), touch their output only on success and return 0 or
 * a negative enum hg_err. Nothing here reads a clock.
 */
#include "base/err.h"
#include "heatgate/tick.h"
#include <stddef.h>

#define HG_COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* Copy src into dst of cap bytes. HG_ERR_RANGE, dst untouched, if too long. */
HG_MUST_CHECK int hg_text_copy(char *dst, size_t cap, const char *src);

/* Decimal digits only, min <= value <= max. HG_ERR_INPUT, HG_ERR_RANGE. */
HG_MUST_CHECK int hg_text_to_u64(const char *text, uint64_t min, uint64_t max,
                                 uint64_t *ret_value);

/* Is it a room name: [a-z0-9][a-z0-9-]{0,31}? */
bool hg_text_is_room(const char *text);

/*
 * A duration "90m", "3h", "2h30m", "45s", or bare minutes "90": 1 s to
 * 366 days, units descending, each at most once. In milliseconds.
 */
HG_MUST_CHECK int hg_text_to_duration(const char *text, uint64_t *ret_ms);

/* RFC 3339 date-time with offset or Z; fraction kept to milliseconds. */
HG_MUST_CHECK int hg_text_to_wall(const char *text, int64_t *ret_ms);

/* "2026-01-09T17:22:31Z" (UTC, whole seconds, rounded down), for years
 * 1970 to 9999; other times print the nearest of those. */
#define HG_WALL_TEXT_BYTES 21
void hg_text_from_wall(int64_t ms, char out[HG_WALL_TEXT_BYTES]);
/* The same with milliseconds: "2026-01-09T17:22:31.042Z" */
#define HG_WALL_MS_TEXT_BYTES 25
void hg_text_from_wall_ms(int64_t ms, char out[HG_WALL_MS_TEXT_BYTES]);

/* Lower-case hex; out holds 2 * len + 1 bytes. */
void hg_hex_from_bytes(const uint8_t *bytes, size_t len, char *out);
/* Exactly 2 * len hex digits of either case. */
HG_MUST_CHECK int hg_hex_to_bytes(const char *text, uint8_t *ret_bytes,
                                  size_t len);

/* Do a and b hold the same len bytes? Takes the same time either way. */
bool hg_secret_equal(const void *a, const void *b, size_t len);

/*
 * OpenSSL's pem_password_cb that has no answer (-1): a key with a pass phrase
 * is refused, and stops no service at a prompt.
 */
int hg_secret_no_phrase(char *phrase, int size, int is_writing, void *ctx);

/* Is the whole string valid UTF-8 without NUL and C0 controls? */
bool hg_text_is_plain_utf8(const char *text, size_t len);

#endif
