#ifndef HG_CONTROLLERS_JSON_IN_H
#define HG_CONTROLLERS_JSON_IN_H

/*
 * JSON from outside, for this module's decoders: limits before parsing, one
 * object at the top, and readers of strict types. Not for other modules.
 */
#include "base/buf.h"
#include "base/err.h"
#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

/*
 * Parse one object. The caller gives it back with json_decref().
 * HG_ERR_INPUT with why filled: too long, nested too deep, not JSON (RFC
 * 8259), repeated members, a NUL, invalid UTF-8, no object. A number that no
 * double can hold is read as an empty object, so that only the member which
 * has it is of a wrong type.
 */
HG_MUST_CHECK int hg_json_in_object(const void *payload, size_t len,
                                    struct hg_buf *why, json_t **ret_object);

/*
 * Parse any JSON value, or take what is no JSON for a text: one line of at
 * most HG_JSON_IN_TEXT_MAX bytes of plain UTF-8 that does not begin like an
 * object, an array or a string; blanks at its ends are left out. Limits and
 * errors as above.
 */
#define HG_JSON_IN_TEXT_MAX 256
HG_MUST_CHECK int hg_json_in_any(const void *payload, size_t len,
                                 struct hg_buf *why, json_t **ret_value);

/*
 * Is value a whole number from 0 to below limit (at most 2^53)? "7.0" is
 * one, as in JSON Schema 2020-12. ret_number is set only then.
 */
bool hg_json_in_u64(const json_t *value, uint64_t limit, uint64_t *ret_number);

/*
 * Is value a number? ret_number gets it times scale, rounded to the nearest
 * whole number (halves away from zero), or min or max when it lies beyond.
 */
bool hg_json_in_scaled(const json_t *value, double scale, double min,
                       double max, double *ret_number);

/*
 * Is value a string of 1 to cap - 1 visible ASCII characters other than '"'
 * and '\'? out is zero-padded to cap bytes; untouched if not.
 */
bool hg_json_in_plain(const json_t *value, char *out, size_t cap);

/*
 * Is the member "v" the contract's version? Fills why if not.
 */
bool hg_json_in_is_v1(const json_t *object, struct hg_buf *why);

#endif
