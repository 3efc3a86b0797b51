/*
 * The signed head: its text, a strict little reader for it, and the check of
 * its signature. The reader knows one flat object of five members; there is
 * no need for a JSON library in whoever only verifies.
 */
#include "journal/head.h"
#include "base/text.h"
#include "journal/key.h"
#include <ctype.h>
#include <inttypes.h>
#include <openssl/evp.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

size_t hg_journal_head_format(const struct hg_journal_head *head,
                              char out[HG_JOURNAL_HEAD_TEXT_BYTES])
{
    int len = snprintf(out, HG_JOURNAL_HEAD_TEXT_BYTES,
                       "{\"n\":%" PRIu64 ",\"hash\":\"%.64s\",\"at\":\"%.35s\","
                       "\"key\":\"%.64s\",\"sig\":\"%.128s\"}",
                       head->n, head->hash, head->at, head->key, head->sig);

    return (size_t)len; /* about 370 at most: always fits */
}

/* -- reading -------------------------------------------------------------*/

struct cursor {
    const char *at;
    const char *end;
};

static void skip_space(struct cursor *cursor)
{
    while (cursor->at < cursor->end &&
           (*cursor->at == ' ' || *cursor->at == '\t' || *cursor->at == '\n' ||
            *cursor->at == '\r'))
        cursor->at++;
}

/* One character with white space around it. */
static bool take(struct cursor *cursor, char wanted)
{
    skip_space(cursor);
    if (cursor->at == cursor->end || *cursor->at != wanted)
        return false;
    cursor->at++;
    skip_space(cursor);
    return true;
}

/* A string without escapes, fewer than cap bytes; none of ours needs any. */
static bool take_text(struct cursor *cursor, char *out, size_t cap)
{
    size_t len = 0;

    if (cursor->at == cursor->end || *cursor->at != '"')
        return false;
    cursor->at++;
    while (cursor->at < cursor->end && *cursor->at != '"') {
        unsigned char c = (unsigned char)*cursor->at++;

        if (c < 0x20 || c > 0x7e || c == '\\' || len + 1 >= cap)
            return false;
        out[len++] = (char)c;
    }
    if (cursor->at == cursor->end)
        return false;
    cursor->at++;
    out[len] = '\0';
    return true;
}

static bool take_number(struct cursor *cursor, uint64_t *ret_n)
{
    char digits[20];
    size_t len = 0;

    while (cursor->at < cursor->end && *cursor->at >= '0' &&
           *cursor->at <= '9') {
        if (len + 1 >= sizeof(digits))
            return false;
        digits[len++] = *cursor->at++;
    }
    digits[len] = '\0';
    if (len == 0 || digits[0] == '0')
        return false;
    return hg_text_to_u64(digits, 1, UINT64_MAX, ret_n) == HG_OK;
}

static bool take_hex(struct cursor *cursor, char *out, size_t cap)
{
    if (!take_text(cursor, out, cap) || strlen(out) != cap - 1)
        return false;
    for (char *c = out; *c != '\0'; c++) {
        *c = (char)tolower((unsigned char)*c);
        if (!isxdigit((unsigned char)*c))
            return false;
    }
    return true;
}

enum member {
    MEMBER_N = 1 << 0,
    MEMBER_HASH = 1 << 1,
    MEMBER_AT = 1 << 2,
    MEMBER_KEY = 1 << 3,
    MEMBER_SIG = 1 << 4,
    MEMBER_ALL = (1 << 5) - 1
};

/* The value of a named member; its bit, or 0 when name or value is wrong. */
static unsigned int take_value(struct cursor *cursor, const char *name,
                               struct hg_journal_head *head)
{
    int64_t at_ms;

    if (strcmp(name, "n") == 0)
        return take_number(cursor, &head->n) ? MEMBER_N : 0;
    if (strcmp(name, "hash") == 0)
        return take_hex(cursor, head->hash, sizeof(head->hash)) ? MEMBER_HASH
                                                                : 0;
    if (strcmp(name, "at") == 0) {
        if (!take_text(cursor, head->at, sizeof(head->at)) ||
            hg_text_to_wall(head->at, &at_ms) < 0)
            return 0;
        return MEMBER_AT;
    }
    if (strcmp(name, "key") == 0)
        return take_hex(cursor, head->key, sizeof(head->key)) ? MEMBER_KEY : 0;
    if (strcmp(name, "sig") == 0)
        return take_hex(cursor, head->sig, sizeof(head->sig)) ? MEMBER_SIG : 0;
    return 0;
}

int hg_journal_head_parse(const char *text, size_t len,
                          struct hg_journal_head *ret_head)
{
    struct cursor cursor = { text, text + len };
    struct hg_journal_head head = { 0 };
    unsigned int seen = 0;

    if (len > HG_JOURNAL_HEAD_TEXT_BYTES || !take(&cursor, '{'))
        return HG_ERR_INPUT;
    do {
        char name[8];
        unsigned int member;

        if (!take_text(&cursor, name, sizeof(name)) || !take(&cursor, ':'))
            return HG_ERR_INPUT;
        member = take_value(&cursor, name, &head);
        if (member == 0 || (seen & member) != 0)
            return HG_ERR_INPUT;
        seen |= member;
    } while (take(&cursor, ','));
    if (!take(&cursor, '}') || cursor.at != cursor.end || seen != MEMBER_ALL)
        return HG_ERR_INPUT;
    *ret_head = head;
    return HG_OK;
}

/* -- the signature -------------------------------------------------------*/

size_t hg_journal_head_message(const struct hg_journal_head *head,
                               char out[HG_JOURNAL_MESSAGE_BYTES])
{
    int len =
        snprintf(out, HG_JOURNAL_MESSAGE_BYTES, "%" PRIu64 "\n%.64s\n%.35s",
                 head->n, head->hash, head->at);

    return (size_t)len; /* 20 + 64 + 35 at most: always fits */
}

int hg_journal_head_check(const struct hg_journal_head *head)
{
    char message[HG_JOURNAL_MESSAGE_BYTES];
    uint8_t key[HG_JOURNAL_KEY_BYTES];
    uint8_t sig[HG_JOURNAL_SIG_BYTES];
    size_t len = hg_journal_head_message(head, message);

    if (hg_hex_to_bytes(head->key, key, sizeof(key)) < 0 ||
        hg_hex_to_bytes(head->sig, sig, sizeof(sig)) < 0)
        return HG_ERR_DENIED;
    return hg_journal_key_check(key, message, len, sig);
}
