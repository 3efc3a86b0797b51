#ifndef HG_PAGE_PAGE_H
#define HG_PAGE_PAGE_H

/*
 * The page for phones: the files of this folder as bytes in the program. It
 * holds nothing of a room or a person; all that it shows comes over the
 * WebSocket, after a sign-in.
 */
#include <stddef.h>

struct hg_page_file {
    const char *path; /* as in the request, exactly */
    const char *type; /* Content-Type */
    const char *etag; /* W/ and quoted, of the content */
    const unsigned char *bytes;
    size_t len;
    const unsigned char *gzip; /* the same, packed (RFC 1952) */
    size_t gzip_len;
};

/* Borrowed, for ever. NULL: there is no such file. */
const struct hg_page_file *hg_page_find(const char *path);

/* All files, for tests: NULL when index is past the last one. */
const struct hg_page_file *hg_page_get(size_t index);

#endif
