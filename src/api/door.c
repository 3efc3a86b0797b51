/*
 * Sockets come and go: how many there may be, and who is at the other end.
 * Refusals happen before a byte is read.
 */
#include "api/inside.h"
#include <stdlib.h>
#include <string.h>

struct hg_api_gate *hg_api_gate_of(struct lws *wsi)
{
    return lws_get_vhost_user(lws_get_vhost(wsi));
}

struct hg_api_door *hg_api_door_of(struct lws *wsi)
{
    return lws_get_opaque_user_data(wsi);
}

static int peer_address(int fd, struct sockaddr_storage *ret_address)
{
    socklen_t len = sizeof(*ret_address);

    memset(ret_address, 0, sizeof(*ret_address));
    return getpeername(fd, (struct sockaddr *)ret_address, &len) == 0
               ? 0
               : HG_ERR_SYSTEM;
}

static bool has_place(const struct hg_api_server *server,
                      const struct sockaddr_storage *address)
{
    if (server->counts.connections >= server->limits.connections)
        return false;
    return hg_peer_is_loopback(address) ||
           hg_peers_count(server->peers, address) < server->limits.per_address;
}

/* 0 lets the socket in. */
int hg_api_door_filter(struct lws *listener, int fd)
{
    const struct hg_api_gate *gate = hg_api_gate_of(listener);
    struct hg_api_server *server = gate->server;
    struct sockaddr_storage address;
    struct hg_peer_user user;

    if (server->is_closing)
        return 1;
    if (gate->is_admin) {
        if (server->counts.connections_admin >=
            server->limits.connections_admin) {
            server->counts.refused_full++;
            return 1;
        }
        if (hg_peer_user(fd, &user) < 0 || !user.is_entitled) {
            server->counts.refused_peer++;
            return 1;
        }
        return 0;
    }
    if (peer_address(fd, &address) < 0)
        return 1; /* hung up already */
    if (!has_place(server, &address)) {
        server->counts.refused_full++;
        return 1;
    }
    return 0;
}

static int door_fill(struct hg_api_door *door, int fd)
{
    struct hg_api_server *server = door->gate->server;
    struct sockaddr_storage address;
    struct hg_peer_user user;

    if (door->gate->is_admin) {
        memset(&address, 0, sizeof(address));
        address.ss_family = AF_UNIX;
        if (hg_peer_user(fd, &user) < 0 || !user.is_entitled)
            return HG_ERR_DENIED;
        door->uid = user.uid;
    } else {
        if (peer_address(fd, &address) < 0)
            return HG_ERR_SYSTEM;
        door->peer = hg_peers_enter(server->peers, &address);
        if (door->peer == NULL)
            return HG_ERR_MEMORY;
    }
    door->is_loopback = hg_peer_is_loopback(&address);
    hg_peer_text(&address, door->address, sizeof(door->address));
    return 0;
}

/* A socket passed the filter and has its wsi. 0 keeps it. */
int hg_api_door_open(struct lws *wsi)
{
    struct hg_api_gate *gate = hg_api_gate_of(wsi);
    struct hg_api_counts *counts = &gate->server->counts;
    struct hg_api_door *door;

    if (gate->is_tls && !lws_is_ssl(wsi))
        return 1; /* never serve in the clear what shall be encrypted */
    door = calloc(1, sizeof(*door));
    if (door == NULL)
        return 1;
    door->gate = gate;
    if (door_fill(door, lws_get_socket_fd(wsi)) < 0) {
        free(door);
        return 1;
    }
    lws_set_opaque_user_data(wsi, door);
    counts->accepted++;
    if (gate->is_admin)
        counts->connections_admin++;
    else
        counts->connections++;
    return 0;
}

/* The wsi is going; whatever it was, its place is free again. */
void hg_api_door_close(struct lws *wsi)
{
    struct hg_api_door *door = hg_api_door_of(wsi);
    struct hg_api_server *server;

    if (door == NULL) /* it never passed hg_api_door_open() */
        return;
    server = door->gate->server;
    lws_set_opaque_user_data(wsi, NULL);
    if (door->gate->is_admin)
        server->counts.connections_admin--;
    else
        server->counts.connections--;
    hg_peers_leave(server->peers, door->peer);
    free(door);
}
