/* One GET over a Unix socket; see http_get.h. */
#include "cli/http_get.h"
#include "base/text.h"
#include "cli/when.h"
#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define STATUS_AT 9 /* "HTTP/1.1 200" */

/* Content-Length of the header lines, or false. */
static bool find_length(const char *head, size_t *ret)
{
    const char *line = head;

    while ((line = strstr(line, "\r\n")) != NULL) {
        uint64_t value;
        char digits[24];
        size_t len;

        line += 2;
        if (strncasecmp(line, "content-length:", 15) != 0)
            continue;
        line += 15 + strspn(line + 15, " ");
        len = strspn(line, "0123456789");
        if (len == 0 || len >= sizeof(digits))
            return false;
        memcpy(digits, line, len);
        digits[len] = '\0';
        if (hg_text_to_u64(digits, 0, HG_CLI_HTTP_MAX, &value) < 0)
            return false;
        *ret = (size_t)value;
        return true;
    }
    return false;
}

int hg_cli_http_parse(char *response, size_t len, int *ret_status,
                      char **ret_body)
{
    char *end = strstr(response, "\r\n\r\n");
    uint64_t status;
    size_t length;
    char digits[4];
    char *body;

    if (end == NULL || len < STATUS_AT + 3 ||
        strncmp(response, "HTTP/1.", 7) != 0)
        return HG_ERR_INPUT;
    memcpy(digits, response + STATUS_AT, 3);
    digits[3] = '\0';
    if (hg_text_to_u64(digits, 100, 599, &status) < 0)
        return HG_ERR_INPUT;
    body = end + 4;
    *end = '\0';
    if (find_length(response, &length)) {
        if (length > len - (size_t)(body - response))
            return HG_ERR_INPUT;
        body[length] = '\0';
    }
    *ret_status = (int)status;
    *ret_body = body;
    return 0;
}

/* Until ready or the time is over; negative on failure. */
static int wait_fd(int fd, short events, uint64_t end_ms)
{
    struct pollfd poll_fd = { .fd = fd, .events = events };
    uint64_t now_ms = hg_cli_mono_ms();
    int rc;

    if (now_ms >= end_ms)
        return HG_ERR_BUSY;
    rc = poll(&poll_fd, 1, (int)(end_ms - now_ms));
    if (rc == 0)
        return HG_ERR_BUSY;
    return rc < 0 && errno != EINTR ? HG_ERR_CLOSED : 0;
}

static int read_all(int fd, uint64_t end_ms, char **text, size_t *len)
{
    size_t cap = 0;

    for (;;) {
        ssize_t got;
        int err = wait_fd(fd, POLLIN, end_ms);

        if (err < 0)
            return err;
        if (*len + 1 >= cap) {
            char *grown;

            cap = cap == 0 ? 65536 : 2 * cap;
            if (cap > HG_CLI_HTTP_MAX)
                return HG_ERR_FULL;
            grown = realloc(*text, cap);
            if (grown == NULL)
                return HG_ERR_MEMORY;
            *text = grown;
        }
        got = recv(fd, *text + *len, cap - *len - 1, MSG_DONTWAIT);
        if (got < 0 && errno != EAGAIN && errno != EINTR)
            return HG_ERR_CLOSED;
        if (got > 0)
            *len += (size_t)got;
        (*text)[*len] = '\0';
        if (got == 0)
            return 0;
    }
}

static int connect_to(const char *path, int *ret_fd)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    int fd;

    if (hg_text_copy(address.sun_path, sizeof(address.sun_path), path) < 0)
        return HG_ERR_RANGE;
    fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return HG_ERR_CLOSED;
    if (connect(fd, (const struct sockaddr *)&address, sizeof(address)) != 0) {
        (void)close(fd);
        return HG_ERR_CLOSED;
    }
    *ret_fd = fd;
    return 0;
}

int hg_cli_http_get(const char *socket_path, const char *path,
                    uint32_t timeout_ms, int *ret_status, char **ret_body)
{
    uint64_t end_ms = hg_cli_mono_ms() + timeout_ms;
    char request[256];
    char *text = NULL;
    char *body = NULL;
    size_t len = 0;
    int status = 0;
    int fd = -1;
    int err = connect_to(socket_path, &fd);

    if (err < 0)
        return err;
    snprintf(request, sizeof(request),
             "GET %s HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
             path);
    if (send(fd, request, strlen(request), MSG_NOSIGNAL) !=
        (ssize_t)strlen(request))
        err = HG_ERR_CLOSED;
    if (err == 0)
        err = read_all(fd, end_ms, &text, &len);
    if (err == 0 && len == 0)
        err = HG_ERR_CLOSED;
    if (err == 0)
        err = hg_cli_http_parse(text, len, &status, &body);
    if (err != 0)
        goto out;
    memmove(text, body, strlen(body) + 1);
    *ret_status = status;
    *ret_body = text; /* the caller owns it now */
    text = NULL;
out:
    free(text);
    (void)close(fd);
    return err;
}
