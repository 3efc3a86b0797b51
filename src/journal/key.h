#ifndef HG_JOURNAL_KEY_H
#define HG_JOURNAL_KEY_H

/*
 * The Ed25519 key that signs heads (RFC 8032, pure: no context, no prehash).
 * The private key lives in key.pem (PKCS #8, mode 0600) and in OpenSSL's
 * memory; copies on the way are wiped. Inner to the module.
 */
#include "base/err.h"
#include "journal/head.h"
#include "journal/io.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_JOURNAL_KEY_BYTES     32
#define HG_JOURNAL_SIG_BYTES     64
#define HG_JOURNAL_MESSAGE_BYTES 128
#define HG_JOURNAL_PEM_BYTES     512

struct hg_journal_key {
    struct evp_pkey_st *pkey; /* OpenSSL's EVP_PKEY; NULL when released */
    uint8_t public_bytes[HG_JOURNAL_KEY_BYTES];
};

/*
 * Load key.pem of the folder, or make it; see that key.pub.pem belongs to it.
 * ret_is_new  a key was made
 * HG_ERR_DENIED   key.pem can be read or written by others
 * HG_ERR_CORRUPT  key.pem is no Ed25519 key, or key.pub.pem is another's
 * HG_ERR_SYSTEM, HG_ERR_CRYPTO, HG_ERR_RANGE
 */
HG_MUST_CHECK int hg_journal_key_open(const struct hg_journal_io *io,
                                      const char *dir, bool *ret_is_new,
                                      struct hg_journal_key *ret_key);
void hg_journal_key_release(struct hg_journal_key *key);

/* HG_ERR_CRYPTO */
HG_MUST_CHECK int hg_journal_key_sign(const struct hg_journal_key *key,
                                      const void *message, size_t len,
                                      uint8_t ret_sig[HG_JOURNAL_SIG_BYTES]);
/* HG_ERR_DENIED: not this key's signature; HG_ERR_CRYPTO */
HG_MUST_CHECK int
hg_journal_key_check(const uint8_t public_bytes[HG_JOURNAL_KEY_BYTES],
                     const void *message, size_t len,
                     const uint8_t sig[HG_JOURNAL_SIG_BYTES]);

/* The public key of key.pub.pem in the folder, as hex.
 * HG_ERR_NOT_FOUND: no such file; HG_ERR_CORRUPT, HG_ERR_SYSTEM */
HG_MUST_CHECK int hg_journal_key_read_public(const char *dir, char ret_hex[65]);

/* What is signed: n, newline, hash, newline, at. Returns its length. */
size_t hg_journal_head_message(const struct hg_journal_head *head,
                               char out[HG_JOURNAL_MESSAGE_BYTES]);

#endif
