#ifndef HG_CLI_HTTP_GET_H
#define HG_CLI_HTTP_GET_H

/*
 * One GET over a Unix socket, for /healthz and /metrics of the admin socket.
 * Source: RFC 9112; "Connection: close", so that the end of the connection is
 * the end of the body.
 */
#include "base/err.h"
#include <stddef.h>
#include <stdint.h>

#define HG_CLI_HTTP_MAX ((size_t)16 << 20)

/*
 * ret_status  of HTTP, 100 to 599
 * ret_body    malloc'd, NUL-terminated; the caller frees
 *
 * HG_ERR_CLOSED nobody there or it hung up early; HG_ERR_BUSY not within
 * timeout_ms; HG_ERR_INPUT not HTTP; HG_ERR_FULL more than HG_CLI_HTTP_MAX;
 * HG_ERR_RANGE the path of the socket is too long; HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_cli_http_get(const char *socket_path, const char *path,
                                  uint32_t timeout_ms, int *ret_status,
                                  char **ret_body);

/*
 * Take apart a whole response. ret_body points into it.
 * HG_ERR_INPUT: not a response, or its body is not whole.
 */
HG_MUST_CHECK int hg_cli_http_parse(char *response, size_t len, int *ret_status,
                                    char **ret_body);

#endif
