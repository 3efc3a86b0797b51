#ifndef HG_ACCESS_TOKEN_H
#define HG_ACCESS_TOKEN_H

/*
 * Bearer tokens for programs. A session token "hgs_<place>_<secret>" lives in
 * memory only, 12 h of boot time, and dies with its credential. An
 * integrator's long-lived token "hgi_<id part>_<secret>" is kept in the store
 * of credentials. The secret has 256 bits (contract: 128); only SHA-256 of
 * the whole token is kept. The place or id part finds the one hash to
 * compare with, in constant time.
 */
#include "base/err.h"
#include "heatgate/tick.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_TOKENS_MAX         4096
#define HG_TOKEN_LIFE_MS      (UINT64_C(12) * 3600000)
#define HG_TOKEN_SECRET_BYTES 32
#define HG_TOKEN_HASH_BYTES   32
/* "hgs_" + 5 symbols + "_" + 64 hex digits + NUL */
#define HG_TOKEN_TEXT_BYTES (4 + 5 + 1 + 2 * HG_TOKEN_SECRET_BYTES + 1)

enum hg_token_kind { HG_TOKEN_NONE = 0, HG_TOKEN_SESSION, HG_TOKEN_LONG };

struct hg_token {
    enum hg_token_kind kind;
    uint32_t number; /* SESSION: place in the table; LONG: of the credential */
    uint8_t hash[HG_TOKEN_HASH_BYTES];
};

struct hg_tokens; /* the table of session tokens */

HG_MUST_CHECK int hg_tokens_new(struct hg_tokens **ret_tokens);
void hg_tokens_free(struct hg_tokens *tokens); /* NULL is fine */

/*
 * Make a token's text (a secret) and what is kept of it.
 * HG_ERR_CRYPTO: no randomness; HG_ERR_RANGE: number above 25 bits.
 */
HG_MUST_CHECK int hg_token_draw(enum hg_token_kind kind, uint32_t number,
                                char ret_text[HG_TOKEN_TEXT_BYTES],
                                struct hg_token *ret_token);

/* Read a token's text. HG_ERR_INPUT when it has not the form of one. */
HG_MUST_CHECK int hg_token_parse(const char *text, struct hg_token *ret_token);

/*
 * Open a session for a credential. The table is bounded: when it is full,
 * the session that was opened first makes way. HG_ERR_CRYPTO.
 */
HG_MUST_CHECK int hg_tokens_open(struct hg_tokens *tokens, uint32_t credential,
                                 struct hg_mono now,
                                 char ret_text[HG_TOKEN_TEXT_BYTES]);

/* The credential of a live session token. HG_ERR_DENIED for any other. */
HG_MUST_CHECK int hg_tokens_find(const struct hg_tokens *tokens,
                                 const struct hg_token *token,
                                 struct hg_mono now, uint32_t *ret_credential);

/* End every session of a credential. */
void hg_tokens_end(struct hg_tokens *tokens, uint32_t credential);

/* Live sessions, for /metrics. */
size_t hg_tokens_count(const struct hg_tokens *tokens, struct hg_mono now);

#endif
