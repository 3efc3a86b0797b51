#ifndef HG_CONTROLLERS_RESOLVER_H
#define HG_CONTROLLERS_RESOLVER_H

/*
 * Host names to addresses without stopping the loop: one helper thread with
 * a bounded queue. Looking a name up can take half a minute when a name
 * server is away; a revoke must not wait for that.
 */
#include "base/err.h"
#include <netinet/in.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_RESOLVER_QUEUE      8   /* questions and untaken answers at a time */
#define HG_RESOLVER_ADDRESSES  8   /* kept of one name */
#define HG_RESOLVER_HOST_BYTES 254 /* RFC 1035 section 2.3.4, and NUL */

struct hg_resolver;

struct hg_resolver_answer {
    int gai;      /* 0, or the getaddrinfo() error for gai_strerror() */
    size_t count; /* of addresses; at least 1 when gai is 0 */
    char address[HG_RESOLVER_ADDRESSES][INET6_ADDRSTRLEN];
};

/*
 * Start the helper. wake(ctx) is called from its thread after each answer
 * and must only wake the loop (an eventfd, lws_cancel_service()); never
 * after hg_resolver_free() has begun to return. HG_ERR_MEMORY,
 * HG_ERR_SYSTEM.
 */
HG_MUST_CHECK int hg_resolver_new(void (*wake)(void *ctx), void *ctx,
                                  struct hg_resolver **ret_resolver);

/*
 * Stop it without waiting: a look-up that is under way ends later, unheard.
 * NULL is fine.
 */
void hg_resolver_free(struct hg_resolver *resolver);

/*
 * Ask for the addresses of host; the answer is taken with the number put in
 * ret_ticket. HG_ERR_FULL: too many at a time; HG_ERR_RANGE: host is empty
 * or too long.
 */
HG_MUST_CHECK int hg_resolver_ask(struct hg_resolver *resolver,
                                  const char *host, uint64_t *ret_ticket);

/* Take an answer. HG_ERR_BUSY: not there yet; HG_ERR_NOT_FOUND: no such. */
HG_MUST_CHECK int hg_resolver_take(struct hg_resolver *resolver,
                                   uint64_t ticket,
                                   struct hg_resolver_answer *ret_answer);

/* No longer interested in that ticket; an unknown one is fine. */
void hg_resolver_drop(struct hg_resolver *resolver, uint64_t ticket);

/* Is host an IPv4 or IPv6 address already? */
bool hg_resolver_is_address(const char *host);

#endif
