/* JSON Pointers, one reference token at a time. */
#include "controllers/pointer.h"
#include "base/text.h"
#include <string.h>

#define INDEX_DIGITS_MAX 9 /* no message is as long as such an array */

bool hg_pointer_is_valid(const char *pointer)
{
    size_t len = strnlen(pointer, HG_POINTER_BYTES);

    if (len >= HG_POINTER_BYTES || !hg_text_is_plain_utf8(pointer, len))
        return false;
    if (len > 0 && pointer[0] != '/')
        return false;
    for (const char *at = strchr(pointer, '~'); at != NULL;
         at = strchr(at + 1, '~'))
        if (at[1] != '0' && at[1] != '1')
            return false;
    return true;
}

/* The token that begins at text, with ~1 and ~0 undone; where it ends. */
static const char *take_token(const char *text, char token[HG_POINTER_BYTES])
{
    size_t len = 0;

    for (; *text != '\0' && *text != '/'; text++) {
        char c = *text;

        if (c == '~')
            c = *++text == '1' ? '/' : '~';
        token[len++] = c;
    }
    token[len] = '\0';
    return text;
}

/* Section 4: digits without a leading zero. */
static const json_t *find_element(const json_t *array, const char *token)
{
    size_t len = strlen(token);
    uint64_t index;

    if (len == 0 || len > INDEX_DIGITS_MAX || (len > 1 && token[0] == '0') ||
        hg_text_to_u64(token, 0, UINT32_MAX, &index) < 0)
        return NULL;
    return json_array_get(array, (size_t)index);
}

const json_t *hg_pointer_find(const json_t *root, const char *pointer)
{
    char token[HG_POINTER_BYTES];
    const json_t *at = root;

    while (at != NULL && *pointer != '\0') {
        pointer = take_token(pointer + 1, token);
        if (json_is_object(at))
            at = json_object_get(at, token);
        else if (json_is_array(at))
            at = find_element(at, token);
        else
            at = NULL;
    }
    return at;
}
