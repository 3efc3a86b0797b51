/*
 * One-shot HMAC of OpenSSL over a bounded copy of the message. The key stays
 * in the caller's struct, who wipes it.
 */
#include "sim/sign.h"
#include "base/text.h"
#include <errno.h>
#include <fcntl.h>
#include <openssl/evp.h>
#include <openssl/hmac.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* digits, perhaps a newline, a byte to notice more, NUL */
#define FILE_BYTES (64 + 1 + 1 + 1)

static int read_text(const char *path, struct hg_buf *why,
                     char text[FILE_BYTES])
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    int err = HG_ERR_SYSTEM;
    struct stat info;
    ssize_t got;

    if (fd < 0 || fstat(fd, &info) < 0) {
        hg_buf_addf(why, "cannot read key file %s: %s", path, strerror(errno));
        goto out;
    }
    if (!S_ISREG(info.st_mode) || info.st_mode & 077) {
        hg_buf_addf(why,
                    "key file %s can be read by others; set its mode "
                    "to 0600",
                    path);
        err = HG_ERR_DENIED;
        goto out;
    }
    got = read(fd, text, FILE_BYTES - 1);
    if (got < 0) {
        hg_buf_addf(why, "cannot read key file %s: %s", path, strerror(errno));
        goto out;
    }
    text[got] = '\0';
    if (got > 0 && text[got - 1] == '\n')
        text[got - 1] = '\0';
    err = HG_OK;
out:
    if (fd >= 0)
        close(fd);
    return err;
}

int hg_simsign_read(const char *path, struct hg_buf *why,
                    struct hg_simsign *ret_sign)
{
    char text[FILE_BYTES] = { 0 };
    int err = read_text(path, why, text);

    if (err == HG_OK) {
        err = hg_hex_to_bytes(text, ret_sign->key, sizeof(ret_sign->key));
        if (err < 0)
            hg_buf_addf(why, "key file %s must hold 64 hex digits", path);
        else
            ret_sign->is_set = true;
    }
    explicit_bzero(text, sizeof(text));
    return err;
}

int hg_simsign_make(const struct hg_simsign *sign, const char *topic,
                    const void *payload, size_t len,
                    char ret_text[HG_SIMSIGN_TEXT_BYTES])
{
    uint8_t message[HG_SIMSIGN_MESSAGE_BYTES];
    uint8_t mac[EVP_MAX_MD_SIZE];
    unsigned mac_len = 0;
    size_t topic_len = strlen(topic);

    if (topic_len + 1 > sizeof(message) ||
        len > sizeof(message) - topic_len - 1)
        return HG_ERR_RANGE;
    for (size_t i = 0; i < topic_len; i++)
        message[i] = (uint8_t)topic[i];
    message[topic_len] = '\n';
    if (len)
        memcpy(message + topic_len + 1, payload, len);
    if (!HMAC(EVP_sha256(), sign->key, sizeof(sign->key), message,
              topic_len + 1 + len, mac, &mac_len) ||
        mac_len != 32)
        return HG_ERR_CRYPTO;
    hg_hex_from_bytes(mac, mac_len, ret_text);
    return HG_OK;
}

int hg_simsign_check(const struct hg_simsign *sign, const char *topic,
                     const void *payload, size_t len, const char *text)
{
    char want[HG_SIMSIGN_TEXT_BYTES];
    int err = hg_simsign_make(sign, topic, payload, len, want);

    if (err < 0)
        return err;
    if (!text || strlen(text) != sizeof(want) - 1 ||
        !hg_secret_equal(text, want, sizeof(want) - 1))
        return HG_ERR_DENIED;
    return HG_OK;
}
