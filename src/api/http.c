/*
 * The plain HTTP answers: files, health, metrics, Thing Description, and a
 * reasoned no to everything else. Also the first protocol of each vhost, which
 * hears of sockets before there is a request.
 */
#include "api/inside.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HEADERS_BYTES 1024
#define SHORT_BYTES   512
#define TOKEN_BYTES   300
#define PIECE_BYTES   ((size_t)16 << 10)
#define TEXT_PLAIN    "text/plain; charset=utf-8"
#define OPENMETRICS                                                            \
    "application/openmetrics-text; version=1.0.0; "                            \
    "charset=utf-8"

struct header {
    const char *name, *value;
};

/* Answers about now: nobody keeps them, nothing in them may act. */
static const struct header answer_headers[] = {
    { "cache-control:", "no-store" },
    { "content-security-policy:",
      "default-src 'none'; base-uri 'none'; form-action 'none'; "
      "frame-ancestors 'none'" },
    { "x-content-type-options:", "nosniff" },
    { "referrer-policy:", "no-referrer" },
    { NULL, NULL },
};

/*
 * Files: the same for everybody, so a browser may keep them, but asks each
 * time whether they are still right. 'self' is also this host's WebSocket
 * (Content Security Policy Level 3, 6.7.2.8).
 */
static const struct header file_headers[] = {
    { "cache-control:", "no-cache" },
    { "vary:", "accept-encoding" },
    { "content-security-policy:",
      "default-src 'none'; script-src 'self'; style-src 'self'; "
      "img-src 'self'; connect-src 'self'; base-uri 'none'; "
      "form-action 'none'; frame-ancestors 'none'; "
      "require-trusted-types-for 'script'; trusted-types 'none'" },
    { "x-content-type-options:", "nosniff" },
    { "referrer-policy:", "no-referrer" },
    { NULL, NULL },
};

/* What stands before a body. */
struct head {
    unsigned int status;
    const char *type;
    size_t len;
    const char *etag; /* of a file; NULL: an answer about now */
    bool is_gzip;
};

static int add_header(struct lws *wsi, const char *name, const char *value,
                      unsigned char **p, unsigned char *end)
{
    return lws_add_http_header_by_name(wsi, (const unsigned char *)name,
                                       (const unsigned char *)value,
                                       (int)strlen(value), p, end);
}

/* The header that the status asks for, if any. */
static int add_status_header(struct lws *wsi, unsigned int status,
                             unsigned char **p, unsigned char *end)
{
    if (status == HTTP_STATUS_METHOD_NOT_ALLOWED)
        return add_header(wsi, "allow:", "GET", p, end);
    if (status == HTTP_STATUS_UNAUTHORIZED)
        return add_header(wsi, "www-authenticate:", "Bearer", p, end);
    if (status == 426)
        return add_header(wsi, "connection:", "upgrade", p, end) != 0 ||
               add_header(wsi, "upgrade:", "websocket", p, end) != 0 ||
               add_header(wsi, "sec-websocket-version:", "13", p, end) != 0;
    return 0;
}

/* The length of what is not sent with 304 is not told (RFC 9110, 8.6). */
static int add_content_headers(struct lws *wsi, const struct head *head,
                               unsigned char **p, unsigned char *end)
{
    if (head->etag != NULL && add_header(wsi, "etag:", head->etag, p, end) != 0)
        return 1;
    if (head->is_gzip &&
        add_header(wsi, "content-encoding:", "gzip", p, end) != 0)
        return 1;
    return head->status != HTTP_STATUS_NOT_MODIFIED &&
           (add_header(wsi, "content-type:", head->type, p, end) != 0 ||
            lws_add_http_header_content_length(wsi, head->len, p, end) != 0);
}

static int add_headers(struct lws *wsi, const struct head *head,
                       unsigned char **p)
{
    const struct header *header =
        head->etag != NULL ? file_headers : answer_headers;
    unsigned char *end = *p + HEADERS_BYTES;

    if (lws_add_http_header_status(wsi, head->status, p, end) != 0 ||
        add_content_headers(wsi, head, p, end) != 0)
        return 1;
    for (; header->name != NULL; header++) {
        if (add_header(wsi, header->name, header->value, p, end) != 0)
            return 1;
    }
    return add_status_header(wsi, head->status, p, end) != 0 ||
           lws_finalize_http_header(wsi, p, end) != 0;
}

/* Headers and a short body, in one write. 0: it went out. */
static int send_short(struct lws *wsi, unsigned int status, const char *text)
{
    unsigned char out[LWS_PRE + HEADERS_BYTES + SHORT_BYTES];
    unsigned char *start = out + LWS_PRE;
    unsigned char *p = start;
    size_t len = strnlen(text, SHORT_BYTES);
    struct head head = { status, TEXT_PLAIN, len, NULL, false };

    if (add_headers(wsi, &head, &p) != 0)
        return -1;
    start[7] = '1'; /* HTTP/1.1, which lws has not seen yet in upgrades */
    memcpy(p, text, len);
    p += len;
    return lws_write(wsi, start, (size_t)(p - start), LWS_WRITE_HTTP_HEADERS) <
                   0
               ? -1
               : 0;
}

/* Answer and end the transaction; what the callback returns. */
static int answer_short(struct lws *wsi, unsigned int status, const char *text)
{
    if (send_short(wsi, status, text) < 0 ||
        lws_http_transaction_completed(wsi) != 0)
        return -1;
    return 0;
}

static int send_head(struct lws *wsi, const struct head *head)
{
    unsigned char out[LWS_PRE + HEADERS_BYTES];
    unsigned char *p = out + LWS_PRE;

    if (add_headers(wsi, head, &p) != 0)
        return -1;
    return lws_write(wsi, out + LWS_PRE, (size_t)(p - out) - LWS_PRE,
                     LWS_WRITE_HTTP_HEADERS) < 0
               ? -1
               : 0;
}

/* Answer with a body of any length, which is copied; NULL: 503. */
static int answer_long(struct lws *wsi, struct hg_api_http *http,
                       const struct head *head, const void *bytes)
{
    free(http->body);
    http->body = bytes == NULL ? NULL : malloc(LWS_PRE + head->len);
    if (http->body == NULL)
        return answer_short(wsi, HTTP_STATUS_SERVICE_UNAVAILABLE,
                            "No memory for this now. Try again later.\n");
    memcpy(http->body + LWS_PRE, bytes, head->len);
    http->len = head->len;
    http->sent = 0;
    if (send_head(wsi, head) < 0)
        return -1;
    lws_callback_on_writable(wsi);
    return 0;
}

static int send_piece(struct lws *wsi, struct hg_api_http *http)
{
    size_t left = http->len - http->sent;
    size_t len = left < PIECE_BYTES ? left : PIECE_BYTES;

    if (http->body == NULL)
        return 0;
    if (lws_write(wsi, http->body + LWS_PRE + http->sent, len,
                  len == left ? LWS_WRITE_HTTP_FINAL : LWS_WRITE_HTTP) < 0)
        return -1;
    http->sent += len;
    if (http->sent < http->len) {
        lws_callback_on_writable(wsi);
        return 0;
    }
    free(http->body);
    http->body = NULL;
    return lws_http_transaction_completed(wsi) != 0 ? -1 : 0;
}

/* On this host, or with a bearer token (RFC 6750, 2.1) that may. */
static bool may_read(struct lws *wsi, const struct hg_api_door *door)
{
    const struct hg_api_backend *backend = door->gate->server->backend;
    char text[TOKEN_BYTES];
    bool may;

    if (door->is_loopback)
        return true;
    if (backend->bearer_may == NULL ||
        lws_hdr_total_length(wsi, WSI_TOKEN_HTTP_AUTHORIZATION) >=
            (int)sizeof(text) ||
        lws_hdr_copy(wsi, text, sizeof(text), WSI_TOKEN_HTTP_AUTHORIZATION) <=
            0)
        return false;
    may = strncasecmp(text, "Bearer ", 7) == 0 &&
          backend->bearer_may(backend->ctx, text + 7);
    explicit_bzero(text, sizeof(text));
    return may;
}

static int answer_report(struct lws *wsi, struct hg_api_http *http,
                         const char *type, char *(*get)(void *ctx))
{
    const struct hg_api_door *door = hg_api_door_of(wsi);
    struct head head = { HTTP_STATUS_OK, type, 0, NULL, false };
    char *text;
    int rc;

    if (get == NULL)
        return answer_short(wsi, HTTP_STATUS_NOT_FOUND,
                            "There is nothing here.\n");
    if (!may_read(wsi, door))
        return answer_short(wsi, HTTP_STATUS_UNAUTHORIZED,
                            "From elsewhere this needs a manager's or an "
                            "owner's bearer token.\n");
    text = get(door->gate->server->backend->ctx);
    head.len = text == NULL ? 0 : strlen(text);
    rc = answer_long(wsi, http, &head, head.len == 0 ? NULL : text);
    free(text);
    return rc;
}

/* Does the client hold this file, compared weakly (RFC 9110, 13.1.2)? */
static bool has_file(struct lws *wsi, const struct hg_api_file *file)
{
    char tags[TOKEN_BYTES];

    return lws_hdr_total_length(wsi, WSI_TOKEN_HTTP_IF_NONE_MATCH) <
               (int)sizeof(tags) &&
           lws_hdr_copy(wsi, tags, sizeof(tags), WSI_TOKEN_HTTP_IF_NONE_MATCH) >
               0 &&
           strstr(tags, strchr(file->etag, '"')) != NULL;
}

/* Does the client take gzip (RFC 9110, 12.5.3)? Less wanted is not wanted. */
static bool takes_gzip(struct lws *wsi)
{
    char text[TOKEN_BYTES];
    const char *gzip;

    if (lws_hdr_total_length(wsi, WSI_TOKEN_HTTP_ACCEPT_ENCODING) >=
            (int)sizeof(text) ||
        lws_hdr_copy(wsi, text, sizeof(text), WSI_TOKEN_HTTP_ACCEPT_ENCODING) <=
            0)
        return false;
    gzip = strstr(text, "gzip");
    return gzip != NULL && strchr(", ", gzip[4]) != NULL &&
           (gzip == text || strchr(", ", gzip[-1]) != NULL);
}

static int answer_file(struct lws *wsi, struct hg_api_http *http, bool is_head,
                       const struct hg_api_file *file)
{
    bool is_gzip = takes_gzip(wsi);
    struct head head = { HTTP_STATUS_OK, file->type,
                         is_gzip ? file->gzip_len : file->len, file->etag,
                         is_gzip };

    if (has_file(wsi, file)) {
        head.status = HTTP_STATUS_NOT_MODIFIED;
        head.is_gzip = false;
    }
    if (head.status == HTTP_STATUS_OK && !is_head)
        return answer_long(wsi, http, &head,
                           is_gzip ? file->gzip : file->bytes);
    if (send_head(wsi, &head) < 0 || lws_http_transaction_completed(wsi) != 0)
        return -1;
    return 0;
}

static int answer_health(struct lws *wsi, const struct hg_api_backend *backend)
{
    char text[SHORT_BYTES] = "";
    int status = backend->healthz(backend->ctx, text, sizeof(text) - 1);

    return answer_short(
        wsi, status == 200 ? HTTP_STATUS_OK : HTTP_STATUS_SERVICE_UNAVAILABLE,
        text);
}

static int answer_get(struct lws *wsi, struct hg_api_http *http,
                      const char *uri, const struct hg_api_backend *backend)
{
    if (strcmp(uri, "/healthz") == 0)
        return answer_health(wsi, backend);
    if (strcmp(uri, "/metrics") == 0)
        return answer_report(wsi, http, OPENMETRICS, backend->metrics);
    if (strcmp(uri, "/.well-known/wot") == 0)
        return answer_report(wsi, http, "application/td+json", backend->wot);
    if (strcmp(uri, HG_API_PATH) == 0)
        return answer_short(wsi, 426,
                            "This is a WebSocket; upgrade to it with the "
                            "subprotocol " HG_API_SUBPROTOCOL ".\n");
    return answer_short(wsi, HTTP_STATUS_NOT_FOUND, "There is nothing here.\n");
}

static int on_request(struct lws *wsi, struct hg_api_http *http,
                      const char *uri)
{
    const struct hg_api_door *door = hg_api_door_of(wsi);
    const struct hg_api_backend *backend;
    struct hg_api_file file;
    char *raw = NULL;
    int raw_len = 0;
    int method;

    if (door == NULL)
        return -1;
    backend = door->gate->server->backend;
    method = lws_http_get_uri_and_method(wsi, &raw, &raw_len);
    if ((method == LWSHUMETH_GET || method == LWSHUMETH_HEAD) &&
        backend->file != NULL && backend->file(backend->ctx, uri, &file))
        return answer_file(wsi, http, method == LWSHUMETH_HEAD, &file);
    if (method != LWSHUMETH_GET)
        return answer_short(wsi, HTTP_STATUS_METHOD_NOT_ALLOWED, "");
    return answer_get(wsi, http, uri, backend);
}

/* 0 lets the upgrade through, 1 says that it was answered, -1 hangs up. */
static int on_upgrade(struct lws *wsi, const char *upgrade)
{
    const char *why = "";
    unsigned int status = hg_api_handshake_check(wsi, upgrade, &why);

    if (status == 0)
        return 0;
    hg_api_gate_of(wsi)->server->counts.refused_handshake++;
    return send_short(wsi, status, why) < 0 ? -1 : 1;
}

static void http_end(struct hg_api_http *http)
{
    if (http == NULL)
        return;
    free(http->body);
    http->body = NULL;
}

int hg_api_http_callback(struct lws *wsi, enum lws_callback_reasons reason,
                         void *user, void *in, size_t len)
{
    (void)len;
    switch ((int)reason) {
    case LWS_CALLBACK_OPENSSL_LOAD_EXTRA_SERVER_VERIFY_CERTS:
        hg_api_server_set_tls(lws_vhost_user(in), user); /* in: the vhost */
        return 0;
    case LWS_CALLBACK_FILTER_NETWORK_CONNECTION:
        return hg_api_door_filter(wsi, (int)(intptr_t)in);
    case LWS_CALLBACK_SERVER_NEW_CLIENT_INSTANTIATED:
        return hg_api_door_open(wsi);
    case LWS_CALLBACK_WSI_DESTROY:
        hg_api_door_close(wsi);
        return 0;
    case LWS_CALLBACK_HTTP_CONFIRM_UPGRADE:
        return on_upgrade(wsi, in);
    case LWS_CALLBACK_HTTP:
        return on_request(wsi, user, in);
    case LWS_CALLBACK_HTTP_WRITEABLE:
        return send_piece(wsi, user);
    case LWS_CALLBACK_CLOSED_HTTP:
    case LWS_CALLBACK_HTTP_DROP_PROTOCOL:
        http_end(user);
        return 0;
    case LWS_CALLBACK_FILTER_PROTOCOL_CONNECTION:
    case LWS_CALLBACK_RAW_ADOPT: /* CONNECT would make it a raw socket */
    case LWS_CALLBACK_RAW_RX:
        return -1;
    default:
        return 0;
    }
}
