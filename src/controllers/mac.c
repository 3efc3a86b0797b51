/* HMAC-SHA-256 of messages, on OpenSSL's EVP_MAC; the key stays in there. */
#include "controllers/mac.h"
#include "base/text.h"
#include <errno.h>
#include <fcntl.h>
#include <openssl/core_names.h>
#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/params.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define KEY_MAX_BYTES 1024
#define KEY_DIGITS    (2 * HG_MAC_KEY_BYTES)

struct hg_mac {
    EVP_MAC_CTX *ctx; /* keyed; wiped by OpenSSL when freed */
};

int hg_mac_new(const void *key, size_t len, struct hg_mac **ret_mac)
{
    char digest[] = "SHA256";
    OSSL_PARAM params[] = {
        OSSL_PARAM_construct_utf8_string(OSSL_MAC_PARAM_DIGEST, digest, 0),
        OSSL_PARAM_construct_end(),
    };
    struct hg_mac *mac = NULL;
    EVP_MAC *hmac = NULL;
    int err = HG_ERR_CRYPTO;

    if (len == 0 || len > KEY_MAX_BYTES)
        return HG_ERR_RANGE;
    mac = calloc(1, sizeof(*mac));
    if (mac == NULL)
        return HG_ERR_MEMORY;
    hmac = EVP_MAC_fetch(NULL, "HMAC", NULL);
    if (hmac == NULL)
        goto out;
    mac->ctx = EVP_MAC_CTX_new(hmac);
    if (mac->ctx == NULL || EVP_MAC_init(mac->ctx, key, len, params) != 1)
        goto out;

    *ret_mac = mac;
    mac = NULL;
    err = 0;
out:
    EVP_MAC_free(hmac); /* the context holds its own reference */
    hg_mac_free(mac);
    return err;
}

void hg_mac_free(struct hg_mac *mac)
{
    if (mac == NULL)
        return;
    EVP_MAC_CTX_free(mac->ctx);
    free(mac);
}

/* Open a key file that nobody else may read; says what is wrong in why. */
static int open_key(const char *path, struct hg_buf *why, int *ret_fd)
{
    struct stat st;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);

    if (fd < 0 || fstat(fd, &st) < 0) {
        hg_buf_addf(why, "%s: the key file cannot be read: %s", path,
                    strerror(errno));
        if (fd >= 0)
            (void)close(fd);
        return HG_ERR_SYSTEM;
    }
    if (!S_ISREG(st.st_mode)) {
        hg_buf_addf(why, "%s: the key file is not a regular file", path);
        goto denied;
    }
    if ((st.st_mode & 077) != 0) {
        hg_buf_addf(why,
                    "%s: mode %04o lets others read the key; run: chmod 600 "
                    "%s, and make a new key if others may have read it",
                    path, (unsigned)st.st_mode & 07777, path);
        goto denied;
    }
    if (st.st_uid != geteuid() && st.st_uid != 0) {
        hg_buf_addf(why, "%s: the key file belongs to another user; chown it",
                    path);
        goto denied;
    }
    *ret_fd = fd;
    return 0;
denied:
    (void)close(fd);
    return HG_ERR_DENIED;
}

/* Up to cap bytes; returns how many, or -1. */
static ssize_t read_some(int fd, char *bytes, size_t cap)
{
    size_t got = 0;

    while (got < cap) {
        ssize_t n = read(fd, bytes + got, cap - got);

        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return -1;
        if (n == 0)
            break;
        got += (size_t)n;
    }
    return (ssize_t)got;
}

int hg_mac_read(const char *path, struct hg_buf *why, struct hg_mac **ret_mac)
{
    char text[KEY_DIGITS + 2]; /* digits, newline, and one byte too many */
    uint8_t key[HG_MAC_KEY_BYTES];
    ssize_t got;
    int fd = -1;
    int err;

    err = open_key(path, why, &fd);
    if (err < 0)
        return err;
    got = read_some(fd, text, sizeof(text));
    if (got < 0) {
        hg_buf_addf(why, "%s: the key file cannot be read: %s", path,
                    strerror(errno));
        err = HG_ERR_SYSTEM;
        goto out;
    }
    if (got == KEY_DIGITS + 1 && text[KEY_DIGITS] == '\n')
        got = KEY_DIGITS;
    err = HG_ERR_INPUT;
    if (got == KEY_DIGITS) {
        text[KEY_DIGITS] = '\0';
        err = hg_hex_to_bytes(text, key, sizeof(key));
    }
    if (err < 0) {
        hg_buf_addf(why,
                    "%s: exactly %d hex digits are wanted; make a key with: "
                    "openssl rand -hex %d",
                    path, KEY_DIGITS, HG_MAC_KEY_BYTES);
        err = HG_ERR_INPUT;
        goto out;
    }
    err = hg_mac_new(key, sizeof(key), ret_mac);
    if (err < 0)
        hg_buf_addf(why, "%s: the key cannot be used: %s", path,
                    hg_err_text(err));
out:
    (void)close(fd);
    OPENSSL_cleanse(text, sizeof(text));
    OPENSSL_cleanse(key, sizeof(key));
    return err;
}

int hg_mac_over(struct hg_mac *mac, const struct hg_mac_part *part,
                size_t count, uint8_t ret_bytes[HG_MAC_BYTES])
{
    uint8_t bytes[HG_MAC_BYTES];
    size_t len = 0;

    /* no key: start again with the one already set */
    if (EVP_MAC_init(mac->ctx, NULL, 0, NULL) != 1)
        return HG_ERR_CRYPTO;
    for (size_t i = 0; i < count; i++) {
        if (part[i].len != 0 &&
            EVP_MAC_update(mac->ctx, part[i].bytes, part[i].len) != 1)
            return HG_ERR_CRYPTO;
    }
    if (EVP_MAC_final(mac->ctx, bytes, &len, sizeof(bytes)) != 1 ||
        len != sizeof(bytes))
        return HG_ERR_CRYPTO;
    memcpy(ret_bytes, bytes, sizeof(bytes));
    return 0;
}

int hg_mac_sign(struct hg_mac *mac, const char *topic, const void *payload,
                size_t len, char ret_text[HG_MAC_TEXT_BYTES])
{
    const struct hg_mac_part part[] = {
        { topic, strlen(topic) },
        { "\n", 1 },
        { payload, len },
    };
    uint8_t bytes[HG_MAC_BYTES];
    int err = hg_mac_over(mac, part, HG_COUNT(part), bytes);

    if (err < 0)
        return err;
    hg_hex_from_bytes(bytes, sizeof(bytes), ret_text);
    return 0;
}

int hg_mac_verify(struct hg_mac *mac, const char *topic, const void *payload,
                  size_t len, const char *text)
{
    char wanted[HG_MAC_TEXT_BYTES];
    int err;

    if (text == NULL ||
        strnlen(text, HG_MAC_TEXT_BYTES) != HG_MAC_TEXT_BYTES - 1)
        return HG_ERR_DENIED;
    err = hg_mac_sign(mac, topic, payload, len, wanted);
    if (err < 0)
        return err;
    return hg_secret_equal(wanted, text, HG_MAC_TEXT_BYTES - 1) ? 0
                                                                : HG_ERR_DENIED;
}
