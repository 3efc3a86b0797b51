#ifndef HG_API_PEERS_H
#define HG_API_PEERS_H

/* How many connections each address has; IPv6 counts by /64. */
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>
#include <sys/socket.h>

struct hg_peers;
struct hg_peer; /* one address with at least one connection */

HG_MUST_CHECK int hg_peers_new(struct hg_peers **ret_peers);
void hg_peers_free(struct hg_peers *peers); /* NULL is fine */
/* How many connections the address has. */
size_t hg_peers_count(const struct hg_peers *peers,
                      const struct sockaddr_storage *address);
/* One more. NULL: no memory. */
struct hg_peer *hg_peers_enter(struct hg_peers *peers,
                               const struct sockaddr_storage *address);
/* One less. NULL is fine. */
void hg_peers_leave(struct hg_peers *peers, struct hg_peer *peer);

/* Is it this host itself: 127.0.0.0/8, ::1, either form, or a Unix socket? */
bool hg_peer_is_loopback(const struct sockaddr_storage *address);
/* Numeric text of the address alone; "local" for a Unix socket. */
void hg_peer_text(const struct sockaddr_storage *address, char *text,
                  size_t cap);

/* Who is at the other end of a Unix socket. */
struct hg_peer_user {
    unsigned int uid;
    bool is_entitled; /* root, our own user, or a member of our group */
};
/* HG_ERR_INPUT: not a Unix socket; HG_ERR_SYSTEM; HG_ERR_MEMORY */
HG_MUST_CHECK int hg_peer_user(int fd, struct hg_peer_user *ret_user);

#endif
