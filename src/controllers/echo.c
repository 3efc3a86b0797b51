/*
 * A ring of digests. Echoes come back nearly in the order of publishing, so
 * the search from the oldest on mostly ends at the first entry.
 */
#include "controllers/echo.h"
#include "base/text.h"
#include <openssl/sha.h>
#include <stdlib.h>
#include <string.h>

#define FIRST_CAP 64

struct entry {
    bool is_taken; /* its echo came, out of order */
    uint8_t digest[SHA256_DIGEST_LENGTH];
};

struct hg_echo {
    struct entry *entry; /* ring of cap entries */
    size_t cap;          /* a power of two */
    size_t first;        /* index of the oldest */
    size_t used;         /* entries from first on, taken ones included */
    size_t count;        /* those that are not taken */
};

static struct entry *at(struct hg_echo *echo, size_t i)
{
    return &echo->entry[(echo->first + i) & (echo->cap - 1)];
}

int hg_echo_new(struct hg_echo **ret_echo)
{
    struct hg_echo *echo = calloc(1, sizeof(*echo));

    if (echo == NULL)
        return HG_ERR_MEMORY;
    echo->entry = calloc(FIRST_CAP, sizeof(*echo->entry));
    if (echo->entry == NULL) {
        free(echo);
        return HG_ERR_MEMORY;
    }
    echo->cap = FIRST_CAP;
    *ret_echo = echo;
    return 0;
}

void hg_echo_free(struct hg_echo *echo)
{
    if (echo == NULL)
        return;
    free(echo->entry);
    free(echo);
}

void hg_echo_clear(struct hg_echo *echo)
{
    echo->first = 0;
    echo->used = 0;
    echo->count = 0;
}

/*
 * The digest over the digests of topic and payload, so that no byte can move
 * from the one to the other. False when OpenSSL fails.
 */
static bool digest_of(const char *topic, const void *payload, size_t len,
                      uint8_t digest[SHA256_DIGEST_LENGTH])
{
    uint8_t both[2 * SHA256_DIGEST_LENGTH];

    if (SHA256((const unsigned char *)topic, strlen(topic), both) == NULL ||
        SHA256(len != 0 ? payload : "", len, both + SHA256_DIGEST_LENGTH) ==
            NULL)
        return false;
    return SHA256(both, sizeof(both), digest) != NULL;
}

static void drop_oldest(struct hg_echo *echo)
{
    if (!at(echo, 0)->is_taken)
        echo->count--;
    echo->first = (echo->first + 1) & (echo->cap - 1);
    echo->used--;
}

/* Make room for one more entry. */
static int grow(struct hg_echo *echo)
{
    struct entry *entry;

    if (echo->used < echo->cap)
        return 0;
    if (echo->cap == HG_ECHO_MAX) {
        drop_oldest(echo);
        return 0;
    }
    entry = calloc(2 * echo->cap, sizeof(*entry));
    if (entry == NULL)
        return HG_ERR_MEMORY;
    for (size_t i = 0; i < echo->used; i++)
        entry[i] = *at(echo, i);
    free(echo->entry);
    echo->entry = entry;
    echo->cap *= 2;
    echo->first = 0;
    return 0;
}

int hg_echo_add(struct hg_echo *echo, const char *topic, const void *payload,
                size_t len)
{
    struct entry entry = { .is_taken = false };
    int err;

    if (!digest_of(topic, payload, len, entry.digest))
        return HG_ERR_CRYPTO;
    err = grow(echo);
    if (err < 0)
        return err;
    *at(echo, echo->used) = entry;
    echo->used++;
    echo->count++;
    return 0;
}

bool hg_echo_take(struct hg_echo *echo, const char *topic, const void *payload,
                  size_t len)
{
    uint8_t digest[SHA256_DIGEST_LENGTH];

    if (!digest_of(topic, payload, len, digest))
        return false;
    for (size_t i = 0; i < echo->used; i++) {
        struct entry *entry = at(echo, i);

        if (entry->is_taken ||
            memcmp(entry->digest, digest, sizeof(digest)) != 0)
            continue;
        entry->is_taken = true;
        echo->count--;
        while (echo->used > 0 && at(echo, 0)->is_taken)
            drop_oldest(echo);
        return true;
    }
    return false;
}

size_t hg_echo_count(const struct hg_echo *echo)
{
    return echo->count;
}
