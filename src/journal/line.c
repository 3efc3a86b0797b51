/*
 * The frame of one journal line and its hash. Parsing accepts exactly what
 * line_begin writes, so that a rewritten line with another spelling does not
 * pass for one of ours.
 */
#include "journal/line.h"
#include <inttypes.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <string.h>

#define HASH_HEX 64U

const char hg_journal_hash_zero[HG_JOURNAL_HASH_TEXT_BYTES] =
    "0000000000000000000000000000000000000000000000000000000000000000";

size_t hg_journal_line_begin(uint64_t n, int64_t wall_ms, const char *prev,
                             char out[HG_JOURNAL_FRAME_BYTES])
{
    char at[HG_WALL_MS_TEXT_BYTES];
    int len;

    hg_text_from_wall_ms(wall_ms, at);
    len = snprintf(out, HG_JOURNAL_FRAME_BYTES,
                   "{\"n\":%" PRIu64 ",\"at\":\"%s\",\"prev\":\"%.64s\",", n,
                   at, prev);
    return (size_t)len; /* 20 + 24 + 64 digits at most: always fits */
}

/* -- reading -------------------------------------------------------------*/

struct cursor {
    const char *at;
    const char *end;
};

static bool take(struct cursor *cursor, const char *literal)
{
    size_t len = strlen(literal);

    if ((size_t)(cursor->end - cursor->at) < len ||
        memcmp(cursor->at, literal, len) != 0)
        return false;
    cursor->at += len;
    return true;
}

/* 1 to 12 digits without a leading zero */
static bool take_number(struct cursor *cursor, uint64_t *ret_n)
{
    uint64_t n = 0;
    int digits = 0;

    for (; cursor->at < cursor->end && digits < 12; digits++) {
        char c = *cursor->at;

        if (c < '0' || c > '9' || (digits == 0 && c == '0'))
            break;
        n = n * 10 + (uint64_t)(c - '0');
        cursor->at++;
    }
    if (digits == 0)
        return false;
    *ret_n = n;
    return true;
}

static bool take_time(struct cursor *cursor, struct hg_journal_frame *frame)
{
    const char *start = cursor->at;
    size_t len = HG_WALL_MS_TEXT_BYTES - 1;
    char ours[HG_WALL_MS_TEXT_BYTES];

    if ((size_t)(cursor->end - start) < len)
        return false;
    memcpy(frame->at, start, len);
    frame->at[len] = '\0';
    cursor->at += len;
    if (hg_text_to_wall(frame->at, &frame->at_ms) < 0)
        return false;
    /* RFC 3339 has other spellings of the same time; we write one */
    hg_text_from_wall_ms(frame->at_ms, ours);
    return memcmp(frame->at, ours, len) == 0;
}

static bool take_hash(struct cursor *cursor, const char **ret_hash)
{
    const char *start = cursor->at;

    if ((size_t)(cursor->end - start) < HASH_HEX)
        return false;
    for (size_t i = 0; i < HASH_HEX; i++) {
        char c = start[i];

        if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'f')))
            return false;
    }
    cursor->at += HASH_HEX;
    *ret_hash = start;
    return true;
}

/* Written without a branch per byte, so that compilers use wide registers. */
static bool has_control(const char *bytes, size_t len)
{
    unsigned int found = 0;

    for (size_t i = 0; i < len; i++)
        found |= (unsigned char)bytes[i] < 0x20;
    return found != 0;
}

int hg_journal_line_parse(const char *line, size_t len,
                          struct hg_journal_frame *ret_frame)
{
    struct cursor cursor = { line, line + len };
    struct hg_journal_frame frame = { 0 };

    if (!take(&cursor, "{\"n\":") || !take_number(&cursor, &frame.n) ||
        !take(&cursor, ",\"at\":\"") || !take_time(&cursor, &frame) ||
        !take(&cursor, "\",\"prev\":\"") || !take_hash(&cursor, &frame.prev) ||
        !take(&cursor, "\",\""))
        return HG_ERR_INPUT;
    if (cursor.at >= cursor.end || cursor.end[-1] != '}' ||
        has_control(cursor.at, (size_t)(cursor.end - cursor.at)))
        return HG_ERR_INPUT;
    *ret_frame = frame;
    return HG_OK;
}

int hg_journal_line_number(const char *line, size_t len, uint64_t *ret_n)
{
    struct cursor cursor = { line, line + len };
    uint64_t n = 0;

    if (!take(&cursor, "{\"n\":") || !take_number(&cursor, &n) ||
        !take(&cursor, ","))
        return HG_ERR_INPUT;
    *ret_n = n;
    return HG_OK;
}

/* -- hashing -------------------------------------------------------------*/

int hg_journal_digest_init(struct hg_journal_digest *digest)
{
    EVP_MD *md = EVP_MD_fetch(NULL, "SHA256", NULL);
    EVP_MD_CTX *ctx = EVP_MD_CTX_new();

    if (md == NULL || ctx == NULL || EVP_DigestInit_ex(ctx, md, NULL) != 1) {
        EVP_MD_CTX_free(ctx);
        EVP_MD_free(md);
        return HG_ERR_CRYPTO;
    }
    digest->md = md;
    digest->ctx = ctx;
    return HG_OK;
}

void hg_journal_digest_release(struct hg_journal_digest *digest)
{
    EVP_MD_CTX_free(digest->ctx);
    EVP_MD_free(digest->md);
    digest->ctx = NULL;
    digest->md = NULL;
}

int hg_journal_digest_line(struct hg_journal_digest *digest, const void *bytes,
                           size_t len, uint8_t ret[HG_JOURNAL_HASH_BYTES])
{
    uint8_t hash[EVP_MAX_MD_SIZE];
    unsigned int hash_len = 0;

    /* a NULL type keeps the algorithm and only starts over */
    if (EVP_DigestInit_ex(digest->ctx, NULL, NULL) != 1 ||
        EVP_DigestUpdate(digest->ctx, bytes, len) != 1 ||
        EVP_DigestFinal_ex(digest->ctx, hash, &hash_len) != 1 ||
        hash_len != HG_JOURNAL_HASH_BYTES)
        return HG_ERR_CRYPTO;
    memcpy(ret, hash, HG_JOURNAL_HASH_BYTES);
    return HG_OK;
}
