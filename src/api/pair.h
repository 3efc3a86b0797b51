#ifndef HG_API_PAIR_H
#define HG_API_PAIR_H

/*
 * A certificate and its key for the TLS door, loaded and known to fit before
 * anybody is shown them. Loading touches no server, so that a helper thread
 * may do it.
 */
#include "base/buf.h"
#include "base/err.h"

struct hg_api_pair;

/*
 * Load a PEM chain and its key. HG_ERR_SYSTEM: they cannot be used, and why
 * says what to put right; HG_ERR_MEMORY.
 */
HG_MUST_CHECK int hg_api_pair_load(const char *cert_file, const char *key_file,
                                   struct hg_buf *why,
                                   struct hg_api_pair **ret_pair);
void hg_api_pair_free(struct hg_api_pair *pair); /* NULL is fine */

struct ssl_st;
/* Show this pair in a handshake that begins. 1: done, 0: it cannot be used. */
int hg_api_pair_show(const struct hg_api_pair *pair, struct ssl_st *ssl);

#endif
