/* Certificates of the link: what is trusted, and for which name. */
#include "controllers/link_tls.h"
#include "base/text.h"
#include <openssl/err.h>
#include <openssl/x509v3.h>
#include <string.h>
#include <unistd.h>

/* Append OpenSSL's own words for the latest error, and empty its queue. */
static void add_reason(struct hg_buf *why)
{
    unsigned long code = ERR_peek_last_error();
    const char *text = code != 0 ? ERR_reason_error_string(code) : NULL;

    hg_buf_add(why, text != NULL ? text : "unknown reason");
    ERR_clear_error();
}

/*
 * Keep the words for a refused certificate, for the reason that people are
 * told; the decision itself is OpenSSL's.
 */
static int keep_refusal(int is_good, X509_STORE_CTX *store)
{
    const SSL *ssl =
        X509_STORE_CTX_get_ex_data(store, SSL_get_ex_data_X509_STORE_CTX_idx());
    struct hg_link_trust *trust =
        ssl != NULL ? SSL_CTX_get_app_data(SSL_get_SSL_CTX(ssl)) : NULL;
    struct hg_buf text;

    if (is_good || trust == NULL)
        return is_good;
    hg_buf_init(&text, trust->refusal, sizeof(trust->refusal));
    hg_buf_add(&text,
               X509_verify_cert_error_string(X509_STORE_CTX_get_error(store)));
    return is_good;
}

/*
 * libmosquitto announces the address as the server name; name the host
 * instead, before the first message is made (RFC 6066 section 3 allows names
 * only). The callback's type says const, and SSL_set_… cannot take that.
 */
static void announce_name(const SSL *ssl, int where, int value)
{
    struct hg_link_trust *trust = SSL_CTX_get_app_data(SSL_get_SSL_CTX(ssl));
    union {
        const SSL *given;
        SSL *usable;
    } same = { .given = ssl };

    (void)value;
    if ((where & SSL_CB_HANDSHAKE_START) == 0 || SSL_is_init_finished(ssl))
        return;
    /* a failure leaves the old name: the check of the certificate decides */
    (void)SSL_set_tlsext_host_name(
        same.usable, hg_resolver_is_address(trust->name) ? NULL : trust->name);
}

static int set_name(struct hg_link_trust *trust, struct hg_buf *why)
{
    X509_VERIFY_PARAM *param = SSL_CTX_get0_param(trust->ctx);
    int is_set;

    X509_VERIFY_PARAM_set_hostflags(param,
                                    X509_CHECK_FLAG_NO_PARTIAL_WILDCARDS);
    if (hg_resolver_is_address(trust->name))
        is_set = X509_VERIFY_PARAM_set1_ip_asc(param, trust->name);
    else
        is_set = X509_VERIFY_PARAM_set1_host(param, trust->name, 0);
    if (is_set == 1)
        return 0;
    hg_buf_addf(why, "\"%s\" cannot be a name on a certificate", trust->name);
    return HG_ERR_INPUT;
}

static int load_authorities(struct hg_link_trust *trust, const char *file,
                            struct hg_buf *why)
{
    int is_loaded = file != NULL ? SSL_CTX_load_verify_file(trust->ctx, file)
                                 : SSL_CTX_set_default_verify_paths(trust->ctx);

    if (is_loaded == 1)
        return 0;
    hg_buf_addf(why, "%s: the authorities' certificates cannot be loaded: ",
                file != NULL ? file : "the system's store");
    add_reason(why);
    return HG_ERR_SYSTEM;
}

static int load_own(struct hg_link_trust *trust, const struct hg_link_tls *tls,
                    struct hg_buf *why)
{
    if (tls->cert_file == NULL && tls->key_file == NULL)
        return 0;
    if (tls->cert_file == NULL || tls->key_file == NULL) {
        hg_buf_add(why, "a client certificate needs both its certificate "
                        "file and its key file");
        return HG_ERR_INPUT;
    }
    if (SSL_CTX_use_certificate_chain_file(trust->ctx, tls->cert_file) != 1) {
        hg_buf_addf(why,
                    "%s: the certificate cannot be loaded: ", tls->cert_file);
        add_reason(why);
        return HG_ERR_SYSTEM;
    }
    if (SSL_CTX_use_PrivateKey_file(trust->ctx, tls->key_file,
                                    SSL_FILETYPE_PEM) != 1 ||
        SSL_CTX_check_private_key(trust->ctx) != 1) {
        hg_buf_addf(why, "%s: the key cannot be used with %s: ", tls->key_file,
                    tls->cert_file);
        add_reason(why);
        return HG_ERR_SYSTEM;
    }
    return 0;
}

int hg_link_trust_init(struct hg_link_trust *trust,
                       const struct hg_link_tls *tls, const char *host,
                       struct hg_buf *why)
{
    int err;

    memset(trust, 0, sizeof(*trust));
    err = hg_text_copy(trust->name, sizeof(trust->name),
                       tls->name != NULL ? tls->name : host);
    if (err < 0) {
        hg_buf_add(why, "the name for the certificate is too long");
        return err;
    }
    ERR_clear_error();
    trust->ctx = SSL_CTX_new(TLS_client_method());
    if (trust->ctx == NULL ||
        SSL_CTX_set_min_proto_version(trust->ctx, TLS1_2_VERSION) != 1) {
        hg_buf_add(why, "TLS cannot be set up: ");
        add_reason(why);
        err = HG_ERR_CRYPTO;
        goto out;
    }
    (void)SSL_CTX_set_options(trust->ctx,
                              SSL_OP_NO_COMPRESSION | SSL_OP_NO_RENEGOTIATION);
    SSL_CTX_set_verify(trust->ctx, SSL_VERIFY_PEER, keep_refusal);
    (void)SSL_CTX_set_app_data(trust->ctx, trust);
    SSL_CTX_set_info_callback(trust->ctx, announce_name);
    SSL_CTX_set_default_passwd_cb(trust->ctx, hg_secret_no_phrase);
    err = set_name(trust, why);
    if (err == 0)
        err = load_authorities(trust, tls->ca_file, why);
    if (err == 0)
        err = load_own(trust, tls, why);
out:
    if (err < 0)
        hg_link_trust_release(trust);
    return err;
}

void hg_link_trust_release(struct hg_link_trust *trust)
{
    SSL_CTX_free(trust->ctx);
    memset(trust, 0, sizeof(*trust));
}
