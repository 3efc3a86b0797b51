/*
 * Bearer tokens and the table of sessions. Never stores a token, only its
 * SHA-256; a token has 256 random bits, so a fast hash is enough.
 */
#include "access/token.h"
#include "base/base32.h"
#include "base/sat.h"
#include "base/text.h"
#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/rand.h>
#include <stdlib.h>
#include <string.h>

#define PREFIX_BYTES   4
#define NUMBER_SYMBOLS 5
#define NUMBER_LIMIT   (UINT32_C(1) << (5 * NUMBER_SYMBOLS))
#define SECRET_AT      (PREFIX_BYTES + NUMBER_SYMBOLS + 1)

static const char SESSION_PREFIX[] = "hgs_";
static const char LONG_PREFIX[] = "hgi_";

struct session { /* is_open false: a free place */
    bool is_open;
    uint32_t credential;
    struct hg_mono opened_at;
    uint8_t hash[HG_TOKEN_HASH_BYTES];
};

struct hg_tokens {
    struct session session[HG_TOKENS_MAX];
};

int hg_tokens_new(struct hg_tokens **ret_tokens)
{
    struct hg_tokens *tokens = calloc(1, sizeof(*tokens));

    if (tokens == NULL)
        return HG_ERR_MEMORY;
    *ret_tokens = tokens;
    return HG_OK;
}

void hg_tokens_free(struct hg_tokens *tokens)
{
    if (tokens == NULL)
        return;
    OPENSSL_cleanse(tokens, sizeof(*tokens));
    free(tokens);
}

static int hash_text(const char *text, uint8_t hash[HG_TOKEN_HASH_BYTES])
{
    if (EVP_Digest(text, strlen(text), hash, NULL, EVP_sha256(), NULL) != 1)
        return HG_ERR_CRYPTO;
    return HG_OK;
}

int hg_token_draw(enum hg_token_kind kind, uint32_t number,
                  char ret_text[HG_TOKEN_TEXT_BYTES],
                  struct hg_token *ret_token)
{
    const char *prefix = kind == HG_TOKEN_LONG ? LONG_PREFIX : SESSION_PREFIX;
    struct hg_token token = { .kind = kind, .number = number };
    uint8_t secret[HG_TOKEN_SECRET_BYTES];
    char text[HG_TOKEN_TEXT_BYTES];
    int err = HG_ERR_CRYPTO;

    if (kind == HG_TOKEN_NONE || number >= NUMBER_LIMIT)
        return HG_ERR_RANGE;
    if (RAND_priv_bytes(secret, sizeof(secret)) != 1)
        goto out;
    memcpy(text, prefix, PREFIX_BYTES);
    hg_base32_from_u64(number, NUMBER_SYMBOLS, text + PREFIX_BYTES);
    text[SECRET_AT - 1] = '_';
    hg_hex_from_bytes(secret, sizeof(secret), text + SECRET_AT);
    err = hash_text(text, token.hash);
    if (err < 0)
        goto out;
    memcpy(ret_text, text, sizeof(text));
    *ret_token = token;
out:
    OPENSSL_cleanse(secret, sizeof(secret));
    OPENSSL_cleanse(text, sizeof(text));
    return err;
}

static enum hg_token_kind kind_of(const char *text)
{
    if (strncmp(text, SESSION_PREFIX, PREFIX_BYTES) == 0)
        return HG_TOKEN_SESSION;
    if (strncmp(text, LONG_PREFIX, PREFIX_BYTES) == 0)
        return HG_TOKEN_LONG;
    return HG_TOKEN_NONE;
}

int hg_token_parse(const char *text, struct hg_token *ret_token)
{
    struct hg_token token = { .kind = HG_TOKEN_NONE };
    char symbols[NUMBER_SYMBOLS + 1] = { 0 };
    uint64_t number;
    int err;

    if (strnlen(text, HG_TOKEN_TEXT_BYTES) != HG_TOKEN_TEXT_BYTES - 1 ||
        text[SECRET_AT - 1] != '_')
        return HG_ERR_INPUT;
    token.kind = kind_of(text);
    if (token.kind == HG_TOKEN_NONE)
        return HG_ERR_INPUT;
    memcpy(symbols, text + PREFIX_BYTES, NUMBER_SYMBOLS);
    if (hg_base32_to_u64(symbols, NUMBER_SYMBOLS, &number) < 0)
        return HG_ERR_INPUT;
    token.number = (uint32_t)number;
    err = hash_text(text, token.hash);
    if (err < 0)
        return err;
    *ret_token = token;
    return HG_OK;
}

static bool is_live(const struct session *session, struct hg_mono now)
{
    return session->is_open &&
           hg_mono_since(now, session->opened_at) < HG_TOKEN_LIFE_MS;
}

/* A place that is free or expired, else that of the oldest session. */
static uint32_t choose_place(const struct hg_tokens *tokens, struct hg_mono now)
{
    uint32_t oldest = 0;

    for (uint32_t i = 0; i < HG_TOKENS_MAX; i++) {
        const struct session *session = &tokens->session[i];

        if (!is_live(session, now))
            return i;
        if (session->opened_at.ms < tokens->session[oldest].opened_at.ms)
            oldest = i;
    }
    return oldest;
}

int hg_tokens_open(struct hg_tokens *tokens, uint32_t credential,
                   struct hg_mono now, char ret_text[HG_TOKEN_TEXT_BYTES])
{
    uint32_t place = choose_place(tokens, now);
    struct session *session = &tokens->session[place];
    struct hg_token token;
    int err = hg_token_draw(HG_TOKEN_SESSION, place, ret_text, &token);

    if (err < 0)
        return err;
    session->is_open = true;
    session->credential = credential;
    session->opened_at = now;
    memcpy(session->hash, token.hash, sizeof(session->hash));
    return HG_OK;
}

int hg_tokens_find(const struct hg_tokens *tokens, const struct hg_token *token,
                   struct hg_mono now, uint32_t *ret_credential)
{
    const struct session *session;
    bool is_equal;

    if (token->kind != HG_TOKEN_SESSION || token->number >= HG_TOKENS_MAX)
        return HG_ERR_DENIED;
    session = &tokens->session[token->number];
    is_equal = hg_secret_equal(session->hash, token->hash, HG_TOKEN_HASH_BYTES);
    if (!is_equal || !is_live(session, now))
        return HG_ERR_DENIED;
    *ret_credential = session->credential;
    return HG_OK;
}

void hg_tokens_end(struct hg_tokens *tokens, uint32_t credential)
{
    for (size_t i = 0; i < HG_TOKENS_MAX; i++) {
        struct session *session = &tokens->session[i];

        if (session->is_open && session->credential == credential)
            OPENSSL_cleanse(session, sizeof(*session));
    }
}

size_t hg_tokens_count(const struct hg_tokens *tokens, struct hg_mono now)
{
    size_t count = 0;

    for (size_t i = 0; i < HG_TOKENS_MAX; i++) {
        if (is_live(&tokens->session[i], now))
            count++;
    }
    return count;
}
