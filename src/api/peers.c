/*
 * Addresses of peers and their connections, and who is behind a Unix socket.
 * The table never holds more entries than there are connections, which are
 * limited elsewhere.
 */
#include "api/peers.h"
#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BUCKETS   256
#define KEY_BYTES 17 /* family, then 4 or 8 or 16 bytes, zero-padded */

struct hg_peer {
    uint8_t key[KEY_BYTES];
    size_t count;
    struct hg_peer *next;
};

struct hg_peers {
    struct hg_peer *bucket[BUCKETS];
};

int hg_peers_new(struct hg_peers **ret_peers)
{
    struct hg_peers *peers = calloc(1, sizeof(*peers));

    if (peers == NULL)
        return HG_ERR_MEMORY;
    *ret_peers = peers;
    return 0;
}

void hg_peers_free(struct hg_peers *peers)
{
    if (peers == NULL)
        return;
    for (size_t i = 0; i < BUCKETS; i++) {
        while (peers->bucket[i] != NULL) {
            struct hg_peer *peer = peers->bucket[i];

            peers->bucket[i] = peer->next;
            free(peer);
        }
    }
    free(peers);
}

/* IPv4, also when mapped into IPv6; *ret_v4 is in network order. */
static bool is_v4(const struct sockaddr_storage *address, uint32_t *ret_v4)
{
    struct sockaddr_in in;
    struct sockaddr_in6 in6;

    if (address->ss_family == AF_INET) {
        memcpy(&in, address, sizeof(in));
        *ret_v4 = in.sin_addr.s_addr;
        return true;
    }
    if (address->ss_family != AF_INET6)
        return false;
    memcpy(&in6, address, sizeof(in6));
    if (!IN6_IS_ADDR_V4MAPPED(&in6.sin6_addr))
        return false;
    memcpy(ret_v4, in6.sin6_addr.s6_addr + 12, sizeof(*ret_v4));
    return true;
}

static void key_of(const struct sockaddr_storage *address,
                   uint8_t key[KEY_BYTES])
{
    struct sockaddr_in6 in6;
    uint32_t v4;

    memset(key, 0, KEY_BYTES);
    if (is_v4(address, &v4)) {
        key[0] = 4;
        memcpy(key + 1, &v4, sizeof(v4));
    } else if (address->ss_family == AF_INET6) {
        memcpy(&in6, address, sizeof(in6));
        key[0] = 6;
        memcpy(key + 1, in6.sin6_addr.s6_addr, 8); /* one /64, one house */
    }
}

/* FNV-1a, folded */
static size_t bucket_of(const uint8_t key[KEY_BYTES])
{
    uint32_t hash = 2166136261u;

    for (size_t i = 0; i < KEY_BYTES; i++)
        hash = (hash ^ key[i]) * 16777619u;
    return (hash ^ hash >> 8) % BUCKETS;
}

static struct hg_peer *find(const struct hg_peers *peers,
                            const uint8_t key[KEY_BYTES])
{
    struct hg_peer *peer = peers->bucket[bucket_of(key)];

    while (peer != NULL && memcmp(peer->key, key, KEY_BYTES) != 0)
        peer = peer->next;
    return peer;
}

size_t hg_peers_count(const struct hg_peers *peers,
                      const struct sockaddr_storage *address)
{
    uint8_t key[KEY_BYTES];
    const struct hg_peer *peer;

    key_of(address, key);
    peer = find(peers, key);
    return peer == NULL ? 0 : peer->count;
}

struct hg_peer *hg_peers_enter(struct hg_peers *peers,
                               const struct sockaddr_storage *address)
{
    uint8_t key[KEY_BYTES];
    struct hg_peer *peer;

    key_of(address, key);
    peer = find(peers, key);
    if (peer == NULL) {
        struct hg_peer **bucket = &peers->bucket[bucket_of(key)];

        peer = calloc(1, sizeof(*peer));
        if (peer == NULL)
            return NULL;
        memcpy(peer->key, key, KEY_BYTES);
        peer->next = *bucket;
        *bucket = peer;
    }
    peer->count++;
    return peer;
}

void hg_peers_leave(struct hg_peers *peers, struct hg_peer *peer)
{
    struct hg_peer **link;

    if (peer == NULL || --peer->count > 0)
        return;
    link = &peers->bucket[bucket_of(peer->key)];
    while (*link != peer)
        link = &(*link)->next;
    *link = peer->next;
    free(peer);
}

bool hg_peer_is_loopback(const struct sockaddr_storage *address)
{
    struct sockaddr_in6 in6;
    uint32_t v4;

    if (address->ss_family == AF_UNIX)
        return true;
    if (is_v4(address, &v4))
        return ntohl(v4) >> 24 == 127;
    if (address->ss_family != AF_INET6)
        return false;
    memcpy(&in6, address, sizeof(in6));
    return IN6_IS_ADDR_LOOPBACK(&in6.sin6_addr) != 0;
}

void hg_peer_text(const struct sockaddr_storage *address, char *text,
                  size_t cap)
{
    char out[INET6_ADDRSTRLEN] = "local";
    struct sockaddr_in6 in6;
    uint32_t v4;

    if (is_v4(address, &v4)) {
        (void)inet_ntop(AF_INET, &v4, out, sizeof(out));
    } else if (address->ss_family == AF_INET6) {
        memcpy(&in6, address, sizeof(in6));
        (void)inet_ntop(AF_INET6, &in6.sin6_addr, out, sizeof(out));
    }
    (void)snprintf(text, cap, "%s", out);
}

/* Is our group among the supplementary groups of the process behind fd? */
static int is_member(int fd, bool *ret_is_member)
{
    gid_t small[32];
    gid_t *groups = small;
    socklen_t len = sizeof(small);
    bool is_in = false;
    int err = HG_ERR_SYSTEM;
    int rc = getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &len);

    if (rc != 0 && len > sizeof(small)) { /* len says how much is needed */
        groups = malloc(len);
        if (groups == NULL)
            return HG_ERR_MEMORY;
        rc = getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &len);
    }
    if (rc != 0)
        goto out;
    for (size_t i = 0; i < len / sizeof(groups[0]); i++)
        is_in = is_in || groups[i] == getegid();
    *ret_is_member = is_in;
    err = 0;
out:
    if (groups != small)
        free(groups);
    return err;
}

int hg_peer_user(int fd, struct hg_peer_user *ret_user)
{
    struct sockaddr_storage self;
    socklen_t self_len = sizeof(self);
    struct ucred cred;
    socklen_t cred_len = sizeof(cred);
    bool is_in = false;
    int err;

    /* on TCP the option below succeeds, and means nobody */
    if (getsockname(fd, (struct sockaddr *)&self, &self_len) != 0)
        return HG_ERR_SYSTEM;
    if (self.ss_family != AF_UNIX)
        return HG_ERR_INPUT;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &cred, &cred_len) != 0)
        return HG_ERR_SYSTEM;
    if (cred.uid != 0 && cred.uid != geteuid() && cred.gid != getegid()) {
        err = is_member(fd, &is_in);
        if (err < 0)
            return err;
    } else {
        is_in = true;
    }
    ret_user->uid = cred.uid;
    ret_user->is_entitled = is_in;
    return 0;
}
