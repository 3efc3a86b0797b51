#ifndef HG_CONTROLLERS_POINTER_H
#define HG_CONTROLLERS_POINTER_H

/*
 * JSON Pointer (RFC 6901) as text: checked once, then followed in every
 * message. Pure.
 */
#include <jansson.h>
#include <stdbool.h>

#define HG_POINTER_BYTES 257 /* of a pointer; with NUL */

/*
 * Is this a JSON Pointer (RFC 6901 section 3) of at most 256 bytes of plain
 * UTF-8? "" is one: the whole document.
 */
bool hg_pointer_is_valid(const char *pointer);

/*
 * The value that a valid pointer leads to (section 4), borrowed from root;
 * NULL when there is none. "-" leads nowhere.
 */
const json_t *hg_pointer_find(const json_t *root, const char *pointer);

#endif
