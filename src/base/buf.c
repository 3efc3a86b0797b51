/*
 * The bounded text buffer. A piece that does not fit is left out whole, so
 * that no reader meets half a number; is_cut remembers it.
 */
#include "base/buf.h"
#include <stdio.h>
#include <string.h>

void hg_buf_init(struct hg_buf *buf, char *storage, size_t cap)
{
    buf->bytes = storage;
    buf->cap = cap;
    buf->len = 0;
    buf->is_cut = false;
    storage[0] = '\0';
}

void hg_buf_add(struct hg_buf *buf, const char *text)
{
    hg_buf_add_bytes(buf, text, strlen(text));
}

void hg_buf_add_bytes(struct hg_buf *buf, const void *bytes, size_t len)
{
    if (len == 0)
        return;
    if (len > buf->cap - buf->len - 1) {
        buf->is_cut = true;
        return;
    }
    memcpy(buf->bytes + buf->len, bytes, len);
    buf->len += len;
    buf->bytes[buf->len] = '\0';
}

void hg_buf_addf(struct hg_buf *buf, const char *format, ...)
{
    size_t free_bytes = buf->cap - buf->len;
    va_list args;
    int len;

    va_start(args, format);
    len = vsnprintf(buf->bytes + buf->len, free_bytes, format, args);
    va_end(args);
    if (len < 0 || (size_t)len >= free_bytes) {
        buf->bytes[buf->len] = '\0'; /* take back the part that was printed */
        buf->is_cut = true;
        return;
    }
    buf->len += (size_t)len;
}
