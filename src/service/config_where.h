#ifndef HG_SERVICE_CONFIG_WHERE_H
#define HG_SERVICE_CONFIG_WHERE_H

/*
 * Maps a JSON Pointer (RFC 6901) to the line of its value, which the JSON
 * library does not tell, and finds keys that appear twice. Scans text that
 * the library has accepted; on any other text the answers mean nothing, but
 * nothing breaks. Values more than HG_WHERE_DEPTH levels down, or past
 * HG_WHERE_ENTRIES_MAX of them, have the line of the nearest known one above.
 */
#include "base/buf.h"
#include "base/err.h"
#include <stddef.h>
#include <stdint.h>

#define HG_WHERE_DEPTH       32
#define HG_WHERE_ENTRIES_MAX (1u << 20)

struct hg_where;

/* text is borrowed until hg_where_free(). HG_ERR_MEMORY; HG_ERR_RANGE: 4 GiB
 * or more. */
HG_MUST_CHECK int hg_where_new(const char *text, size_t len,
                               struct hg_where **ret_where);
void hg_where_free(struct hg_where *where);

/*
 * The line, counted from 1, in which the value at the pointer begins; of a
 * key that appears twice the last one, which is the one in force. A pointer
 * that leads nowhere has the line of what is nearest above it.
 */
uint32_t hg_where_line(const struct hg_where *where, const char *pointer);

/*
 * Walk over the keys that appear a second or further time.
 *
 * cursor    0 at first; moved along
 * pointer   emptied, then filled with the JSON Pointer
 *
 * Returns the line of the repeated key's value, 0 at the end.
 */
uint32_t hg_where_next_twice(const struct hg_where *where, size_t *cursor,
                             struct hg_buf *pointer);

/* Append "/" and the key, escaped by RFC 6901 section 3, to a pointer. */
void hg_where_push(struct hg_buf *pointer, const char *key);

#endif
