#ifndef HG_CONTROLLERS_LINK_TLS_H
#define HG_CONTROLLERS_LINK_TLS_H

/*
 * The TLS side of the link. libmosquitto is given an address (names are
 * looked up elsewhere), so it cannot check the name on the certificate; this
 * context does, by X509_VERIFY_PARAM, whatever the library does. Part of
 * link.c, not for others.
 */
#include "base/buf.h"
#include "controllers/link.h"
#include <openssl/ssl.h>

struct hg_link_trust {
    SSL_CTX *ctx;
    char name[HG_RESOLVER_HOST_BYTES]; /* wanted on the certificate */
    char refusal[160]; /* why the last certificate was refused; or empty */
};

/*
 * Load authorities, certificate and key; TLS 1.2 or later. trust must stay
 * where it is until released. On failure why says what to put right:
 * HG_ERR_SYSTEM, HG_ERR_INPUT, HG_ERR_CRYPTO; trust is released then.
 */
HG_MUST_CHECK int hg_link_trust_init(struct hg_link_trust *trust,
                                     const struct hg_link_tls *tls,
                                     const char *host, struct hg_buf *why);
/* Zeroed or initialised; zeroed afterwards. */
void hg_link_trust_release(struct hg_link_trust *trust);

#endif
