#ifndef HG_BASE_URL_H
#define HG_BASE_URL_H

/* The address at which people reach the service from outside. */
#include <stdbool.h>

#define HG_URL_BYTES_MAX 255

/*
 * May codes be put behind this address? It is https://, or http:// of this
 * very host (localhost, 127.0.0.0/8, [::1]); a name, an IPv4 address or an
 * IPv6 one in brackets; a port and a path if need be. Nothing follows: no
 * query, no fragment, no user. Syntax: RFC 3986, without what is rare.
 */
bool hg_url_is_public(const char *text);

#endif
