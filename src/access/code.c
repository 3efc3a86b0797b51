/*
 * Codes for people: draw, print, parse. Owns their layout and nothing else;
 * what a code opens is the store's business.
 */
#include "access/code.h"
#include "base/base32.h"
#include "base/buf.h"
#include <openssl/crypto.h>
#include <openssl/rand.h>
#include <string.h>

#define CHECK_MODULUS 37
#define SECRET_BITS   (5 * HG_CODE_SECRET_SYMBOLS)
#define DRAWS_MAX     64 /* (4/37)^64: never, unless the generator is broken */
#define GROUP_1       5  /* symbols before the first dash */
#define GROUP_2       11 /* symbols before the second one */

static const struct {
    enum hg_role role;
    char letter;
} ROLES[] = {
    { HG_ROLE_GUEST, 'g' },      { HG_ROLE_CARETAKER, 'c' },
    { HG_ROLE_INTEGRATOR, 'i' }, { HG_ROLE_MANAGER, 'm' },
    { HG_ROLE_OWNER, 'o' },
};

/*
 * The check symbol of the 80-bit number id * 2^55 + secret. The residue is
 * put together from the parts, because no integer here holds the whole.
 */
static char check_symbol(uint32_t number, uint64_t secret)
{
    uint64_t shift = (UINT64_C(1) << SECRET_BITS) % CHECK_MODULUS;
    uint64_t residue = number % CHECK_MODULUS * shift + secret % CHECK_MODULUS;

    return hg_base32_check(residue);
}

static bool is_plain(char symbol)
{
    return strchr("*~$=", symbol) == NULL;
}

static int draw_once(uint32_t *ret_number, uint64_t *ret_secret)
{
    uint64_t secret;
    uint32_t number;

    if (RAND_bytes((unsigned char *)&number, sizeof(number)) != 1 ||
        RAND_priv_bytes((unsigned char *)&secret, sizeof(secret)) != 1)
        return HG_ERR_CRYPTO;
    *ret_number = number % HG_CODE_NUMBER_LIMIT;
    *ret_secret = secret & ((UINT64_C(1) << SECRET_BITS) - 1);
    OPENSSL_cleanse(&secret, sizeof(secret));
    return HG_OK;
}

int hg_code_draw(struct hg_code *ret_code)
{
    uint32_t number = 0;
    uint64_t secret = 0;
    int err = HG_ERR_CRYPTO;

    for (int draw = 0; draw < DRAWS_MAX; draw++) {
        err = draw_once(&number, &secret);
        if (err < 0)
            goto out;
        err = HG_ERR_CRYPTO;
        if (is_plain(check_symbol(number, secret))) {
            ret_code->number = number;
            hg_base32_from_u64(secret, HG_CODE_SECRET_SYMBOLS,
                               ret_code->secret);
            err = HG_OK;
            break;
        }
    }
out:
    OPENSSL_cleanse(&secret, sizeof(secret));
    return err;
}

/* The value of a secret part that came from here. */
static uint64_t secret_value(const struct hg_code *code)
{
    uint64_t value = 0;

    if (hg_base32_to_u64(code->secret, HG_CODE_SECRET_SYMBOLS, &value) < 0)
        return 0; /* not a secret of ours; the check symbol will not fit */
    return value;
}

void hg_code_print(const struct hg_code *code, char text[HG_CODE_TEXT_BYTES])
{
    char flat[HG_CODE_SYMBOLS + 1];
    char *to = text;

    hg_base32_from_u64(code->number, HG_CODE_ID_SYMBOLS, flat);
    memcpy(flat + HG_CODE_ID_SYMBOLS, code->secret, HG_CODE_SECRET_SYMBOLS);
    flat[HG_CODE_SYMBOLS - 1] = check_symbol(code->number, secret_value(code));
    for (size_t i = 0; i < HG_CODE_SYMBOLS; i++) {
        if (i == GROUP_1 || i == GROUP_2)
            *to++ = '-';
        *to++ = flat[i];
    }
    *to = '\0';
    OPENSSL_cleanse(flat, sizeof(flat));
}

/* Take the canonical symbols apart; all 17 are there. */
static int split(const char flat[HG_CODE_SYMBOLS + 1], struct hg_code *code)
{
    char id[HG_CODE_ID_SYMBOLS + 1] = { 0 };
    uint64_t number;
    uint64_t secret;
    int err;

    memcpy(id, flat, HG_CODE_ID_SYMBOLS);
    memcpy(code->secret, flat + HG_CODE_ID_SYMBOLS, HG_CODE_SECRET_SYMBOLS);
    code->secret[HG_CODE_SECRET_SYMBOLS] = '\0';
    err = hg_base32_to_u64(id, HG_CODE_ID_SYMBOLS, &number);
    if (err < 0)
        return err;
    err = hg_base32_to_u64(code->secret, HG_CODE_SECRET_SYMBOLS, &secret);
    if (err < 0)
        return err;
    code->number = (uint32_t)number;
    err = flat[HG_CODE_SYMBOLS - 1] == check_symbol(code->number, secret)
              ? HG_OK
              : HG_ERR_INPUT;
    OPENSSL_cleanse(&secret, sizeof(secret));
    return err;
}

int hg_code_parse(const char *typed, struct hg_code *ret_code)
{
    char flat[HG_CODE_SYMBOLS + 1] = { 0 };
    struct hg_code code = { 0 };
    int err = HG_ERR_INPUT;

    if (hg_base32_canon(typed, flat, sizeof(flat)) < 0 ||
        strlen(flat) != HG_CODE_SYMBOLS || split(flat, &code) < 0)
        goto out;
    *ret_code = code;
    err = HG_OK;
out:
    OPENSSL_cleanse(flat, sizeof(flat));
    hg_code_wipe(&code);
    return err;
}

void hg_code_wipe(struct hg_code *code)
{
    OPENSSL_cleanse(code, sizeof(*code));
}

void hg_code_print_id(uint32_t number, enum hg_role role, char id[HG_ID_BYTES])
{
    char symbols[HG_CODE_ID_SYMBOLS + 1];
    struct hg_buf buf;
    char letter = '?';

    for (size_t i = 0; i < sizeof(ROLES) / sizeof(ROLES[0]); i++) {
        if (ROLES[i].role == role && number < HG_CODE_NUMBER_LIMIT)
            letter = ROLES[i].letter;
    }
    hg_base32_from_u64(number, HG_CODE_ID_SYMBOLS, symbols);
    for (char *c = symbols; *c != '\0'; c++) {
        if (*c >= 'A' && *c <= 'Z')
            *c = (char)(*c - 'A' + 'a');
    }
    memset(id, 0, HG_ID_BYTES); /* the gate compares ids with their padding */
    hg_buf_init(&buf, id, HG_ID_BYTES);
    hg_buf_addf(&buf, "%c-%s", letter, letter == '?' ? "" : symbols);
}

int hg_code_parse_id(const char *id, uint32_t *ret_number,
                     enum hg_role *ret_role)
{
    uint64_t number;
    char letter = id[0];
    enum hg_role role = HG_ROLE_NONE;

    if (letter >= 'A' && letter <= 'Z')
        letter = (char)(letter - 'A' + 'a');
    for (size_t i = 0; i < sizeof(ROLES) / sizeof(ROLES[0]); i++) {
        if (letter == ROLES[i].letter)
            role = ROLES[i].role;
    }
    if (role == HG_ROLE_NONE || id[1] != '-' ||
        hg_base32_to_u64(id + 2, HG_CODE_ID_SYMBOLS, &number) < 0)
        return HG_ERR_INPUT;
    *ret_number = (uint32_t)number;
    *ret_role = role;
    return HG_OK;
}
