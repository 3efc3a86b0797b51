#ifndef HG_BASE_BASE32_H
#define HG_BASE_BASE32_H

/*
 * Crockford base32 with its check symbol, as codes for people use it: typed
 * in any case, dashes and blanks ignored, I and L read as 1, O as 0.
 * Source: Douglas Crockford, "Base 32", crockford.com/base32.html.
 */
#include "base/err.h"
#include <stddef.h>
#include <stdint.h>

/*
 * Encode the low symbols * 5 bits of value as that many symbols, most
 * significant first, upper case. symbols is 1 to 12; out holds symbols + 1.
 */
void hg_base32_from_u64(uint64_t value, size_t symbols, char *out);

/*
 * Decode exactly symbols symbols (1 to 12) of either case; no dashes here.
 * HG_ERR_INPUT: a character that is none, or another length.
 */
HG_MUST_CHECK int hg_base32_to_u64(const char *text, size_t symbols,
                                   uint64_t *ret_value);

/* The check symbol of value: value modulo 37 in 0-9A-Z less ILOU, *~$=U. */
char hg_base32_check(uint64_t value);

/*
 * Canonical form of a typed code: upper case, dashes and blanks removed, I,
 * L, O replaced. The output holds at most cap - 1 characters.
 * HG_ERR_INPUT: a character that no code has; HG_ERR_RANGE: too long.
 */
HG_MUST_CHECK int hg_base32_canon(const char *typed, char *ret_canon,
                                  size_t cap);

#endif
