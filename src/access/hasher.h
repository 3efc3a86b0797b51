#ifndef HG_ACCESS_HASHER_H
#define HG_ACCESS_HASHER_H

/*
 * One helper thread that runs scrypt (RFC 7914), so that the loop never
 * waits for it. Jobs go in and come out in the same order; a fixed number
 * of places bounds both. All calls but the wake come from the loop's thread.
 *
 * The helper only derives; the loop compares when it polls, against what the
 * store says then, so that a credential ended meanwhile cannot sign in. An
 * unknown id is hashed against a dummy salt and costs the same time.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_HASHER_JOBS         32 /* waiting, running and not yet polled */
#define HG_HASHER_SALT_BYTES   16
#define HG_HASHER_KEY_BYTES    32
#define HG_HASHER_SECRET_BYTES 64 /* longest secret, with NUL */

struct hg_hasher;

/* Called from the helper's thread when a result is ready: a wake-up only. */
typedef void hg_hasher_wake(void *wake_arg);

struct hg_hasher_cost {
    uint64_t n, r, p;
};

/* N=2^15 r=8 p=1: 32 MiB and some tens of milliseconds (contract 6) */
struct hg_hasher_cost hg_hasher_cost(void);

struct hg_hasher_input {
    const void *secret; /* borrowed for the call */
    size_t secret_len;
    const void *salt;
    size_t salt_len;
};

struct hg_hasher_result {
    uint64_t ticket;
    int err; /* 0, HG_ERR_CRYPTO or HG_ERR_MEMORY; key is all zero then */
    uint8_t key[HG_HASHER_KEY_BYTES];
};

/*
 * scrypt, right here, of key_len bytes; what the helper runs for each job.
 * HG_ERR_CRYPTO when OpenSSL refuses: a cost that is no power of two or needs
 * more than 64 MiB, or no memory. ret_key is untouched then.
 */
HG_MUST_CHECK int hg_hasher_scrypt(const struct hg_hasher_cost *cost,
                                   const struct hg_hasher_input *input,
                                   uint8_t *ret_key, size_t key_len);

/*
 * Start the helper. wake may be NULL. The helper blocks all signals.
 * HG_ERR_MEMORY, or HG_ERR_SYSTEM when no thread can be made.
 */
HG_MUST_CHECK int hg_hasher_new(hg_hasher_wake *wake, void *wake_arg,
                                struct hg_hasher **ret_hasher);

/* Stop, wait for the running job (well below a second), wipe. NULL is fine. */
void hg_hasher_free(struct hg_hasher *hasher);

/*
 * Queue one derivation of a NUL-terminated secret (copied, wiped after use).
 * HG_ERR_BUSY: all places are taken; HG_ERR_RANGE: a secret too long.
 */
HG_MUST_CHECK int hg_hasher_submit(struct hg_hasher *hasher, uint64_t ticket,
                                   const char *secret,
                                   const uint8_t salt[HG_HASHER_SALT_BYTES]);

/*
 * Take the oldest result, if there is one; never waits. The key is a secret:
 * the caller wipes the result.
 */
bool hg_hasher_poll(struct hg_hasher *hasher,
                    struct hg_hasher_result *ret_result);

#endif
