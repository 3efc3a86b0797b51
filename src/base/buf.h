#ifndef HG_BASE_BUF_H
#define HG_BASE_BUF_H

/*
 * A bounded text buffer on storage the caller gives. It always holds a
 * NUL-terminated string. What does not fit sets is_cut and is left out; the
 * caller asks once, at the end.
 */
#include <stdbool.h>
#include <stdarg.h>
#include <stddef.h>

struct hg_buf {
    char *bytes; /* borrowed storage */
    size_t cap;  /* size of the storage, at least 1 */
    size_t len;  /* bytes held, without the NUL; < cap */
    bool is_cut; /* something did not fit */
};

/* Start empty on storage of cap bytes (at least 1). */
void hg_buf_init(struct hg_buf *buf, char *storage, size_t cap);
/* Append; all of it or nothing. */
void hg_buf_add(struct hg_buf *buf, const char *text);
void hg_buf_add_bytes(struct hg_buf *buf, const void *bytes, size_t len);
void hg_buf_addf(struct hg_buf *buf, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
