#ifndef HG_ACCESS_CODE_H
#define HG_ACCESS_CODE_H

/*
 * The code that a person types: an id part that names the credential, a
 * secret part, and a check symbol that catches typing mistakes before any
 * secret is tried. Printed as "7K2QF-9M4XZ8-TR1V0C": 5 symbols of id, 11 of
 * secret, 1 check symbol (Crockford base32, base/base32.h).
 *
 * The check symbol is the whole number modulo 37. Codes whose check symbol
 * would be one of * ~ $ = are not issued, because phones hide those keys;
 * that costs 0.17 of the 55 bits of secret, 54.8 remain (contract: 50).
 */
#include "base/err.h"
#include "heatgate/gate.h"
#include <stddef.h>
#include <stdint.h>

#define HG_CODE_ID_SYMBOLS     5
#define HG_CODE_SECRET_SYMBOLS 11
#define HG_CODE_SYMBOLS        (HG_CODE_ID_SYMBOLS + HG_CODE_SECRET_SYMBOLS + 1)
#define HG_CODE_SECRET_BYTES   (HG_CODE_SECRET_SYMBOLS + 1)
#define HG_CODE_TEXT_BYTES     (HG_CODE_SYMBOLS + 2 + 1) /* dashes, NUL */
#define HG_CODE_NUMBER_LIMIT   (UINT32_C(1) << (5 * HG_CODE_ID_SYMBOLS))

/* What people are told about a code that cannot be one. */
#define HG_CODE_TYPING_TEXT "that code has a typing mistake"

/* A code taken apart. Holds a secret: hg_code_wipe() when done. */
struct hg_code {
    uint32_t number; /* of the credential, < HG_CODE_NUMBER_LIMIT */
    char secret[HG_CODE_SECRET_BYTES]; /* symbols, upper case; what is hashed */
};

/*
 * Draw a new code: its secret from the system's generator, its number too.
 * Returns HG_ERR_CRYPTO, code untouched, when there is no randomness.
 */
HG_MUST_CHECK int hg_code_draw(struct hg_code *ret_code);

/* Print a code in groups with dashes; text then holds a secret. */
void hg_code_print(const struct hg_code *code, char text[HG_CODE_TEXT_BYTES]);

/*
 * Read a typed code: any case, with or without dashes and blanks, I, L and O
 * read as 1, 1 and 0. HG_ERR_INPUT for anything else: a wrong length, a
 * symbol that no code has, a check symbol that does not fit.
 */
HG_MUST_CHECK int hg_code_parse(const char *typed, struct hg_code *ret_code);

/* Overwrite a code in memory. */
void hg_code_wipe(struct hg_code *code);

/*
 * The id that is shown for a number and a role: "g-7k2qf" for a guest, "c-"
 * caretaker, "i-" integrator, "m-" manager, "o-" owner. Another role or a
 * number out of range prints "?-" and is never found again.
 */
void hg_code_print_id(uint32_t number, enum hg_role role, char id[HG_ID_BYTES]);

/* Read such an id (either case). HG_ERR_INPUT when it is none. */
HG_MUST_CHECK int hg_code_parse_id(const char *id, uint32_t *ret_number,
                                   enum hg_role *ret_role);

#endif
