/* The address at which people reach the service; see url.h. */
#include "base/url.h"
#include "base/text.h"
#include <stddef.h>
#include <string.h>

#define DIGITS  "0123456789"
#define LETTERS "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
#define NAME    LETTERS DIGITS ".-"
#define PATH    LETTERS DIGITS "/._~%-"

/* Bytes of the host at the begin of text; 0: there is none. */
static size_t host_len(const char *text)
{
    size_t len;

    if (text[0] != '[') {
        len = strspn(text, NAME);
        return len > 0 && strchr(".-", text[0]) == NULL ? len : 0;
    }
    len = strspn(text + 1, DIGITS "abcdefABCDEF:.");
    return len >= 2 && text[1 + len] == ']' ? len + 2 : 0;
}

static bool is_here(const char *host, size_t len)
{
    static const char *const NAMES[] = { "localhost", "[::1]" };

    for (size_t i = 0; i < HG_COUNT(NAMES); i++)
        if (strlen(NAMES[i]) == len && strncmp(host, NAMES[i], len) == 0)
            return true;
    return len >= 7 && strncmp(host, "127.", 4) == 0 &&
           strspn(host, DIGITS ".") >= len;
}

/* ":8443", or nothing; the rest, or NULL when it is no port. */
static const char *skip_port(const char *text)
{
    char number[6] = "";
    uint64_t port;
    size_t len;

    if (text[0] != ':')
        return text;
    len = strspn(++text, DIGITS);
    if (len == 0 || len >= sizeof(number))
        return NULL;
    memcpy(number, text, len);
    return hg_text_to_u64(number, 1, 65535, &port) == 0 ? text + len : NULL;
}

bool hg_url_is_public(const char *text)
{
    bool is_secret = strncmp(text, "https://", 8) == 0;
    const char *host = text + (is_secret ? 8 : 7);
    const char *rest;
    size_t len;

    if (strlen(text) > HG_URL_BYTES_MAX ||
        (!is_secret && strncmp(text, "http://", 7) != 0))
        return false;
    len = host_len(host);
    if (len == 0 || (!is_secret && !is_here(host, len)))
        return false;
    rest = skip_port(host + len);
    return rest != NULL && (rest[0] == '\0' || rest[0] == '/') &&
           rest[strspn(rest, PATH)] == '\0';
}
