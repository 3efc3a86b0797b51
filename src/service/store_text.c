/*
 * Owns the growing text that rooms.json is put together in. A failure stays
 * in it, so that the caller asks once, at the end.
 */
#include "base/text.h"
#include "service/store_parts.h"
#include <stdlib.h>
#include <string.h>

static bool has_space(struct hg_store_text *text, size_t len)
{
    size_t cap = text->cap == 0 ? 65536 : text->cap;
    char *grown;

    if (text->is_short || len > HG_STORE_FILE_BYTES_MAX - text->len)
        return false;
    while (cap < text->len + len)
        cap *= 2;
    if (cap == text->cap)
        return true;
    grown = realloc(text->bytes, cap);
    if (grown == NULL)
        return false;
    text->bytes = grown;
    text->cap = cap;
    return true;
}

void hg_store_text_add(struct hg_store_text *text, const char *bytes,
                       size_t len)
{
    if (!has_space(text, len)) {
        text->is_short = true;
        return;
    }
    memcpy(text->bytes + text->len, bytes, len);
    text->len += len;
}

/* RFC 8259 section 7: quotation mark, reverse solidus, U+0000 to U+001F */
static void add_escaped(struct hg_store_text *text, char byte)
{
    static const char hex[] = "0123456789abcdef";
    unsigned char code = (unsigned char)byte;
    char unicode[6] = { '\\', 'u', '0', '0', hex[code >> 4], hex[code & 15] };
    char simple[2] = { '\\', byte };

    if (code < 0x20)
        hg_store_text_add(text, unicode, sizeof(unicode));
    else
        hg_store_text_add(text, simple, sizeof(simple));
}

void hg_store_text_add_string(struct hg_store_text *text, const char *string)
{
    bool is_utf8 = hg_text_is_plain_utf8(string, strlen(string));

    hg_store_text_add(text, "\"", 1);
    while (*string != '\0') {
        size_t span = strcspn(string, "\"\\");

        if (!is_utf8) /* or with control characters: byte by byte */
            span = 0;
        hg_store_text_add(text, string, span);
        string += span;
        if (*string == '\0')
            break;
        if (*string == '"' || *string == '\\' || (unsigned char)*string < 0x20)
            add_escaped(text, *string);
        else
            hg_store_text_add(text,
                              (unsigned char)*string < 0x80 ? string : "?", 1);
        string++;
    }
    hg_store_text_add(text, "\"", 1);
}

static int add_dumped(const char *bytes, size_t len, void *context)
{
    struct hg_store_text *text = context;

    hg_store_text_add(text, bytes, len);
    return text->is_short ? -1 : 0;
}

void hg_store_text_add_json(struct hg_store_text *text, const json_t *json)
{
    if (json_dump_callback(json, add_dumped, text,
                           JSON_COMPACT | JSON_ENCODE_ANY) < 0)
        text->is_short = true;
}
