/*
 * Which upgrades are let through. The library accepts other versions,
 * malformed keys and clients that name no subprotocol; we do not (RFC 6455,
 * 4.2.1), and we answer with the reason instead of hanging up.
 */
#include "api/inside.h"
#include <ctype.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#define HEADER_BYTES 300
#define KEY_CHARS    24 /* base64 of 16 bytes */

/* A header's value into text; false when absent, empty or too long. */
static bool header(struct lws *wsi, enum lws_token_indexes token, char *text,
                   size_t cap)
{
    int len = lws_hdr_total_length(wsi, token);

    if (len <= 0 || (size_t)len >= cap)
        return false;
    return lws_hdr_copy(wsi, text, (int)cap, token) > 0;
}

static bool is_base64(char c)
{
    return isalnum((unsigned char)c) || c == '+' || c == '/';
}

/* 22 symbols and "==", the last symbol with its low 4 bits zero */
static bool is_key(const char *key)
{
    if (strlen(key) != KEY_CHARS || strcmp(key + 22, "==") != 0)
        return false;
    for (size_t i = 0; i < 22; i++) {
        if (!is_base64(key[i]))
            return false;
    }
    return strchr("AQgw", key[21]) != NULL;
}

/* Is the subprotocol among those that the client offers? */
static bool offers_us(char *offer)
{
    char *rest = offer;
    char *item;

    while ((item = strsep(&rest, ",")) != NULL) {
        size_t len;

        item += strspn(item, " \t");
        len = strcspn(item, " \t");
        if (len == strlen(HG_API_SUBPROTOCOL) &&
            strncmp(item, HG_API_SUBPROTOCOL, len) == 0 &&
            item[len + strspn(item + len, " \t")] == '\0')
            return true;
    }
    return false;
}

/* Only browsers send an origin; it must be the host that they asked. */
static bool is_own_origin(struct lws *wsi)
{
    char origin[HEADER_BYTES];
    char host[HEADER_BYTES];
    const char *authority;

    if (lws_hdr_total_length(wsi, WSI_TOKEN_ORIGIN) == 0)
        return true;
    if (!header(wsi, WSI_TOKEN_ORIGIN, origin, sizeof(origin)) ||
        !header(wsi, WSI_TOKEN_HOST, host, sizeof(host)))
        return false;
    authority = strstr(origin, "://");
    return authority != NULL && strcasecmp(authority + 3, host) == 0;
}

static bool is_our_path(struct lws *wsi)
{
    char *uri = NULL;
    int len = 0;

    return lws_http_get_uri_and_method(wsi, &uri, &len) == LWSHUMETH_GET &&
           len == (int)strlen(HG_API_PATH) &&
           strncmp(uri, HG_API_PATH, (size_t)len) == 0;
}

unsigned int hg_api_handshake_check(struct lws *wsi, const char *upgrade,
                                    const char **ret_why)
{
    char text[HEADER_BYTES];

    *ret_why = "Only an upgrade to websocket is known here.\n";
    if (strcasecmp(upgrade, "websocket") != 0)
        return HTTP_STATUS_BAD_REQUEST;
    *ret_why = "There is no WebSocket here; it is at " HG_API_PATH ".\n";
    if (!is_our_path(wsi))
        return HTTP_STATUS_NOT_FOUND;
    *ret_why = "Sec-WebSocket-Version must be 13.\n";
    if (!header(wsi, WSI_TOKEN_VERSION, text, sizeof(text)) ||
        strcmp(text, "13") != 0)
        return 426;
    *ret_why = "Sec-WebSocket-Key must be 16 bytes in base64.\n";
    if (!header(wsi, WSI_TOKEN_KEY, text, sizeof(text)) || !is_key(text))
        return HTTP_STATUS_BAD_REQUEST;
    *ret_why = "Name the subprotocol " HG_API_SUBPROTOCOL
               " in Sec-WebSocket-Protocol.\n";
    if (!header(wsi, WSI_TOKEN_PROTOCOL, text, sizeof(text)) ||
        !offers_us(text))
        return HTTP_STATUS_BAD_REQUEST;
    *ret_why = "Pages of another origin may not connect.\n";
    if (!is_own_origin(wsi))
        return HTTP_STATUS_FORBIDDEN;
    return 0;
}
