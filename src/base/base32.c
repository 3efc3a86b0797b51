/*
 * Crockford base32 with its check symbol. Codes for people are built on it.
 * Lookups go by comparison, not by table, so that the time of decoding a
 * secret does not depend on which cache line its symbol lies in.
 */
#include "base/base32.h"

#define SYMBOLS_MAX   12
#define CHECK_MODULUS 37

/* value 0 to 31, then the five extra check symbols */
static const char ALPHABET[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ*~$=U";

_Static_assert(sizeof(ALPHABET) - 1 == CHECK_MODULUS, "a symbol a residue");

static char upper(char c)
{
    return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

/* The symbol that a typed character stands for. */
static char canon_symbol(char c)
{
    c = upper(c);
    if (c == 'I' || c == 'L')
        return '1';
    if (c == 'O')
        return '0';
    return c;
}

/* The place of c among the first count symbols of the alphabet, or -1. */
static int symbol_value(char c, int count)
{
    int value = -1;

    for (int i = 0; i < count; i++) {
        if (ALPHABET[i] == c)
            value = i;
    }
    return value;
}

void hg_base32_from_u64(uint64_t value, size_t symbols, char *out)
{
    if (symbols > SYMBOLS_MAX)
        symbols = SYMBOLS_MAX;
    for (size_t i = symbols; i > 0; i--) {
        out[i - 1] = ALPHABET[value & 31];
        value >>= 5;
    }
    out[symbols] = '\0';
}

int hg_base32_to_u64(const char *text, size_t symbols, uint64_t *ret_value)
{
    uint64_t value = 0;

    if (symbols < 1 || symbols > SYMBOLS_MAX)
        return HG_ERR_INPUT;
    for (size_t i = 0; i < symbols; i++) {
        int digit = symbol_value(canon_symbol(text[i]), 32);

        if (digit < 0)
            return HG_ERR_INPUT; /* also the NUL of a text too short */
        value = value << 5 | (uint64_t)digit;
    }
    if (text[symbols] != '\0')
        return HG_ERR_INPUT;
    *ret_value = value;
    return HG_OK;
}

char hg_base32_check(uint64_t value)
{
    return ALPHABET[value % CHECK_MODULUS];
}

/* How many symbols the typed code has; negative when one is no symbol. */
static int count_symbols(const char *typed, size_t cap, size_t *ret_count)
{
    size_t count = 0;

    for (const char *c = typed; *c != '\0'; c++) {
        if (*c == '-' || *c == ' ' || *c == '\t')
            continue;
        if (symbol_value(canon_symbol(*c), CHECK_MODULUS) < 0)
            return HG_ERR_INPUT;
        count++;
    }
    if (count >= cap)
        return HG_ERR_RANGE;
    *ret_count = count;
    return HG_OK;
}

int hg_base32_canon(const char *typed, char *ret_canon, size_t cap)
{
    size_t count;
    size_t len = 0;
    int err;

    err = count_symbols(typed, cap, &count);
    if (err < 0)
        return err;
    for (const char *c = typed; *c != '\0' && len < count; c++) {
        if (*c != '-' && *c != ' ' && *c != '\t')
            ret_canon[len++] = canon_symbol(*c);
    }
    ret_canon[len] = '\0';
    return HG_OK;
}
