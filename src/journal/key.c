/*
 * The Ed25519 key that signs heads: made once, kept in the journal's folder,
 * never given out.
 */
#include "journal/key.h"
#include "base/text.h"
#include "journal/files.h"
#include <errno.h>
#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <string.h>
#include <sys/stat.h>

#define PRIVATE_NAME "key.pem"
#define PUBLIC_NAME  "key.pub.pem"

/* Without this OpenSSL would ask the terminal for a pass phrase. */
static int no_pass_phrase(char *out, int cap, int is_writing, void *arg)
{
    (void)out;
    (void)cap;
    (void)is_writing;
    (void)arg;
    return -1;
}

static int fill_public_bytes(struct hg_journal_key *key)
{
    size_t len = sizeof(key->public_bytes);

    if (EVP_PKEY_get_id(key->pkey) != EVP_PKEY_ED25519)
        return HG_ERR_CORRUPT;
    if (EVP_PKEY_get_raw_public_key(key->pkey, key->public_bytes, &len) != 1 ||
        len != HG_JOURNAL_KEY_BYTES)
        return HG_ERR_CRYPTO;
    return HG_OK;
}

/* -- PEM texts -----------------------------------------------------------*/

static int pem_to_key(const char *pem, size_t len, bool is_private,
                      EVP_PKEY **ret_pkey)
{
    BIO *bio = BIO_new_mem_buf(pem, (int)len);
    EVP_PKEY *pkey = NULL;

    if (bio == NULL)
        return HG_ERR_MEMORY;
    pkey = is_private ? PEM_read_bio_PrivateKey(bio, NULL, no_pass_phrase, NULL)
                      : PEM_read_bio_PUBKEY(bio, NULL, no_pass_phrase, NULL);
    (void)BIO_free(bio);
    if (pkey == NULL)
        return HG_ERR_CORRUPT;
    *ret_pkey = pkey;
    return HG_OK;
}

static int key_to_pem(EVP_PKEY *pkey, bool is_private,
                      char ret_pem[HG_JOURNAL_PEM_BYTES], size_t *ret_len)
{
    BIO *bio = BIO_new(BIO_s_secmem()); /* wiped when freed */
    int is_done = 0;
    int len = 0;

    if (bio == NULL)
        return HG_ERR_MEMORY;
    is_done = is_private ? PEM_write_bio_PKCS8PrivateKey(bio, pkey, NULL, NULL,
                                                         0, NULL, NULL)
                         : PEM_write_bio_PUBKEY(bio, pkey);
    if (is_done == 1)
        len = BIO_read(bio, ret_pem, HG_JOURNAL_PEM_BYTES - 1);
    (void)BIO_free(bio);
    if (len <= 0)
        return HG_ERR_CRYPTO;
    ret_pem[len] = '\0';
    *ret_len = (size_t)len;
    return HG_OK;
}

/* -- files ---------------------------------------------------------------*/

static int load_private(const char *dir, struct hg_journal_key *key)
{
    char path[HG_JOURNAL_PATH_BYTES];
    char pem[HG_JOURNAL_PEM_BYTES];
    struct stat stat;
    size_t len = 0;
    int err;

    err = hg_journal_path(dir, PRIVATE_NAME, path);
    if (err < 0)
        return err;
    if (lstat(path, &stat) != 0)
        return errno == ENOENT ? HG_ERR_NOT_FOUND : HG_ERR_SYSTEM;
    if (!S_ISREG(stat.st_mode) || (stat.st_mode & 077) != 0)
        return HG_ERR_DENIED;
    err = hg_journal_read_small(path, pem, sizeof(pem), &len);
    if (err == HG_OK)
        err = pem_to_key(pem, len, true, &key->pkey);
    else if (err == HG_ERR_RANGE)
        err = HG_ERR_CORRUPT;
    OPENSSL_cleanse(pem, sizeof(pem));
    return err == HG_OK ? fill_public_bytes(key) : err;
}

static int make_private(const struct hg_journal_io *io, const char *dir,
                        struct hg_journal_key *key)
{
    char pem[HG_JOURNAL_PEM_BYTES];
    size_t len = 0;
    int err;

    key->pkey = EVP_PKEY_Q_keygen(NULL, NULL, "ED25519");
    if (key->pkey == NULL)
        return HG_ERR_CRYPTO;
    err = key_to_pem(key->pkey, true, pem, &len);
    if (err == HG_OK) {
        struct hg_journal_small file = { dir, PRIVATE_NAME, pem, len, 0600 };

        err = hg_journal_replace(io, &file);
    }
    OPENSSL_cleanse(pem, sizeof(pem));
    return err == HG_OK ? fill_public_bytes(key) : err;
}

static int settle_public(const struct hg_journal_io *io, const char *dir,
                         const struct hg_journal_key *key)
{
    struct hg_journal_small file = { dir, PUBLIC_NAME, NULL, 0, 0600 };
    char pem[HG_JOURNAL_PEM_BYTES];
    char there[65];
    char ours[65];
    int err;

    hg_hex_from_bytes(key->public_bytes, HG_JOURNAL_KEY_BYTES, ours);
    err = hg_journal_key_read_public(dir, there);
    if (err == HG_OK)
        return strcmp(there, ours) == 0 ? HG_OK : HG_ERR_CORRUPT;
    if (err != HG_ERR_NOT_FOUND)
        return err;
    err = key_to_pem(key->pkey, false, pem, &file.len);
    if (err < 0)
        return err;
    file.bytes = pem;
    return hg_journal_replace(io, &file);
}

int hg_journal_key_open(const struct hg_journal_io *io, const char *dir,
                        bool *ret_is_new, struct hg_journal_key *ret_key)
{
    struct hg_journal_key key = { 0 };
    bool is_new = false;
    int err;

    err = load_private(dir, &key);
    if (err == HG_ERR_NOT_FOUND) {
        is_new = true;
        err = make_private(io, dir, &key);
    }
    if (err == HG_OK)
        err = settle_public(io, dir, &key);
    if (err < 0) {
        hg_journal_key_release(&key);
        return err;
    }
    *ret_is_new = is_new;
    *ret_key = key;
    return HG_OK;
}

void hg_journal_key_release(struct hg_journal_key *key)
{
    EVP_PKEY_free(key->pkey); /* wipes the private part */
    key->pkey = NULL;
}

int hg_journal_key_read_public(const char *dir, char ret_hex[65])
{
    char path[HG_JOURNAL_PATH_BYTES];
    char pem[HG_JOURNAL_PEM_BYTES];
    struct hg_journal_key key = { 0 };
    size_t len = 0;
    int err;

    err = hg_journal_path(dir, PUBLIC_NAME, path);
    if (err == HG_OK)
        err = hg_journal_read_small(path, pem, sizeof(pem), &len);
    if (err == HG_ERR_RANGE)
        err = HG_ERR_CORRUPT;
    if (err == HG_OK)
        err = pem_to_key(pem, len, false, &key.pkey);
    if (err == HG_OK)
        err = fill_public_bytes(&key);
    if (err == HG_OK)
        hg_hex_from_bytes(key.public_bytes, HG_JOURNAL_KEY_BYTES, ret_hex);
    hg_journal_key_release(&key);
    return err;
}

/* -- signatures ----------------------------------------------------------*/

int hg_journal_key_sign(const struct hg_journal_key *key, const void *message,
                        size_t len, uint8_t ret_sig[HG_JOURNAL_SIG_BYTES])
{
    uint8_t sig[HG_JOURNAL_SIG_BYTES];
    size_t sig_len = sizeof(sig);
    EVP_MD_CTX *ctx = EVP_MD_CTX_new();
    int err = HG_ERR_CRYPTO;

    if (ctx != NULL &&
        EVP_DigestSignInit(ctx, NULL, NULL, NULL, key->pkey) == 1 &&
        EVP_DigestSign(ctx, sig, &sig_len, message, len) == 1 &&
        sig_len == sizeof(sig)) {
        memcpy(ret_sig, sig, sizeof(sig));
        err = HG_OK;
    }
    EVP_MD_CTX_free(ctx);
    return err;
}

int hg_journal_key_check(const uint8_t public_bytes[HG_JOURNAL_KEY_BYTES],
                         const void *message, size_t len,
                         const uint8_t sig[HG_JOURNAL_SIG_BYTES])
{
    EVP_PKEY *pkey = EVP_PKEY_new_raw_public_key(
        EVP_PKEY_ED25519, NULL, public_bytes, HG_JOURNAL_KEY_BYTES);
    EVP_MD_CTX *ctx = EVP_MD_CTX_new();
    int err = HG_ERR_CRYPTO;

    if (pkey != NULL && ctx != NULL &&
        EVP_DigestVerifyInit(ctx, NULL, NULL, NULL, pkey) == 1)
        err =
            EVP_DigestVerify(ctx, sig, HG_JOURNAL_SIG_BYTES, message, len) == 1
                ? HG_OK
                : HG_ERR_DENIED;
    EVP_MD_CTX_free(ctx);
    EVP_PKEY_free(pkey);
    return err;
}
