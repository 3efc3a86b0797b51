#ifndef HG_CONTROLLERS_MAC_H
#define HG_CONTROLLERS_MAC_H

/*
 * Message authenticity (contract 1): lower-case hex HMAC-SHA-256 (RFC 2104)
 * over the topic, a newline and the payload bytes. One object holds one key;
 * it is wiped on free. Not for use by two threads at a time.
 */
#include "base/buf.h"
#include "base/err.h"
#include <stddef.h>
#include <stdint.h>

#define HG_MAC_KEY_BYTES  32
#define HG_MAC_BYTES      32
#define HG_MAC_TEXT_BYTES 65 /* hex digits and NUL */

struct hg_mac; /* a key, ready for use */

struct hg_mac_part {
    const void *bytes;
    size_t len;
};

/*
 * Make one from a key of 1 to 1024 bytes, which the caller wipes.
 * HG_ERR_RANGE, HG_ERR_MEMORY, HG_ERR_CRYPTO.
 */
HG_MUST_CHECK int hg_mac_new(const void *key, size_t len,
                             struct hg_mac **ret_mac);
/* Wipe and free; NULL is fine. */
void hg_mac_free(struct hg_mac *mac);

/*
 * Make one from a key file: 64 hex digits, at most one newline after them,
 * readable by its owner only (mode 0600 or narrower). On failure why says
 * what is wrong with the file and what to do; HG_ERR_SYSTEM (cannot be
 * read), HG_ERR_DENIED (mode or owner), HG_ERR_INPUT (contents),
 * HG_ERR_MEMORY, HG_ERR_CRYPTO.
 */
HG_MUST_CHECK int hg_mac_read(const char *path, struct hg_buf *why,
                              struct hg_mac **ret_mac);

/* The plain HMAC over parts, one after the other. HG_ERR_CRYPTO. */
HG_MUST_CHECK int hg_mac_over(struct hg_mac *mac,
                              const struct hg_mac_part *part, size_t count,
                              uint8_t ret_bytes[HG_MAC_BYTES]);

/* The value of the user property "mac" of a message. HG_ERR_CRYPTO. */
HG_MUST_CHECK int hg_mac_sign(struct hg_mac *mac, const char *topic,
                              const void *payload, size_t len,
                              char ret_text[HG_MAC_TEXT_BYTES]);

/*
 * Is text the mac of that message? 0: yes. HG_ERR_DENIED: no, or text is
 * NULL, or not 64 lower-case hex digits; HG_ERR_CRYPTO. Takes the same time
 * for every wrong text of the right form.
 */
HG_MUST_CHECK int hg_mac_verify(struct hg_mac *mac, const char *topic,
                                const void *payload, size_t len,
                                const char *text);

#endif
