#ifndef HG_SIM_SIGN_H
#define HG_SIM_SIGN_H

/*
 * Message authenticity of a simulated room (contract section 1): lower-case
 * hex HMAC-SHA-256 over topic, newline, payload. Written apart from the
 * gateway's own, so that each is a check of the other.
 */
#include "base/buf.h"
#include "base/err.h"
#include <stddef.h>
#include <stdint.h>

#define HG_SIMSIGN_TEXT_BYTES    65   /* of a mac with NUL */
#define HG_SIMSIGN_MESSAGE_BYTES 2048 /* topic and payload at most */

struct hg_simsign { /* all zero: no key, nothing is signed or checked */
    bool is_set;
    uint8_t key[32];
};

/*
 * Read a key file: 64 hex digits, mode 0600 or narrower. On failure why says
 * what is wrong and what to do. HG_ERR_SYSTEM, HG_ERR_DENIED, HG_ERR_INPUT.
 */
HG_MUST_CHECK int hg_simsign_read(const char *path, struct hg_buf *why,
                                  struct hg_simsign *ret_sign);

/* The mac of a message. HG_ERR_RANGE: too long; HG_ERR_CRYPTO. */
HG_MUST_CHECK int hg_simsign_make(const struct hg_simsign *sign,
                                  const char *topic, const void *payload,
                                  size_t len,
                                  char ret_text[HG_SIMSIGN_TEXT_BYTES]);

/* 0: text is the mac of it. HG_ERR_DENIED: it is not, or NULL. */
HG_MUST_CHECK int hg_simsign_check(const struct hg_simsign *sign,
                                   const char *topic, const void *payload,
                                   size_t len, const char *text);

#endif
