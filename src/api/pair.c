/* The pair of the TLS door; see pair.h. */
#include "api/pair.h"
#include "base/text.h"
#include <libwebsockets.h>
#include <stdlib.h>

struct hg_api_pair {
    SSL_CTX *ctx; /* holds certificate, chain and key; serves nobody */
};

static int load(SSL_CTX *ctx, const char *cert_file, const char *key_file,
                struct hg_buf *why)
{
    SSL_CTX_set_default_passwd_cb(ctx, hg_secret_no_phrase);
    if (SSL_CTX_use_certificate_chain_file(ctx, cert_file) != 1) {
        hg_buf_addf(why,
                    "%s: the TLS certificate cannot be loaded: it must be "
                    "PEM, and the service's user must be able to read it",
                    cert_file);
        return HG_ERR_SYSTEM;
    }
    if (SSL_CTX_use_PrivateKey_file(ctx, key_file, SSL_FILETYPE_PEM) != 1 ||
        SSL_CTX_check_private_key(ctx) != 1) {
        hg_buf_addf(why,
                    "%s: the TLS key cannot be loaded, or is not the one of "
                    "the certificate %s; replace both files, then reload",
                    key_file, cert_file);
        return HG_ERR_SYSTEM;
    }
    return 0;
}

int hg_api_pair_load(const char *cert_file, const char *key_file,
                     struct hg_buf *why, struct hg_api_pair **ret_pair)
{
    struct hg_api_pair *pair = calloc(1, sizeof(*pair));
    int err = HG_ERR_MEMORY;

    if (pair != NULL)
        pair->ctx = SSL_CTX_new(TLS_server_method());
    if (pair == NULL || pair->ctx == NULL)
        hg_buf_add(why, "out of memory");
    else
        err = load(pair->ctx, cert_file, key_file, why);
    ERR_clear_error(); /* lws would take what is left for its own */
    if (err < 0) {
        hg_api_pair_free(pair);
        return err;
    }
    *ret_pair = pair;
    return 0;
}

void hg_api_pair_free(struct hg_api_pair *pair)
{
    if (pair == NULL)
        return;
    SSL_CTX_free(pair->ctx);
    free(pair);
}

int hg_api_pair_show(const struct hg_api_pair *pair, struct ssl_st *ssl)
{
    STACK_OF(X509) *chain = NULL;

    SSL_certs_clear(ssl); /* a pair of another kind would stay beside it */
    SSL_CTX_get0_chain_certs(pair->ctx, &chain);
    return SSL_use_cert_and_key(ssl, SSL_CTX_get0_certificate(pair->ctx),
                                SSL_CTX_get0_privatekey(pair->ctx), chain,
                                1) == 1;
}
