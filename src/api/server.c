/* The server's life, its doors and its limits. */
#include "api/inside.h"
#include "base/text.h"
#include <arpa/inet.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define HEADER_S 5
/* authenticated encryption with forward secrecy only (RFC 9325, 4.2) */
#define TLS12_CIPHERS                                                          \
    "ECDHE-ECDSA-AES128-GCM-SHA256:ECDHE-RSA-AES128-GCM-SHA256:"               \
    "ECDHE-ECDSA-AES256-GCM-SHA384:ECDHE-RSA-AES256-GCM-SHA384:"               \
    "ECDHE-ECDSA-CHACHA20-POLY1305:ECDHE-RSA-CHACHA20-POLY1305"

const struct lws_protocols hg_api_protocols[] = {
    { "http-only", hg_api_http_callback, sizeof(struct hg_api_http), 0, 0, NULL,
      0 },
    { HG_API_SUBPROTOCOL, hg_api_conn_callback, sizeof(struct hg_api_conn),
      4096, 0, NULL, 0 },
    { NULL, NULL, 0, 0, 0, NULL, 0 }
};

void hg_api_context_setup(struct lws_context_creation_info *info)
{
    info->port = CONTEXT_PORT_NO_LISTEN;
    info->options |= LWS_SERVER_OPTION_EXPLICIT_VHOSTS |
                     LWS_SERVER_OPTION_DO_SSL_GLOBAL_INIT |
                     LWS_SERVER_OPTION_VALIDATE_UTF8;
    info->timeout_secs = HEADER_S;
    info->timeout_secs_ah_idle = HEADER_S;
}

static uint32_t or_default(uint32_t value, uint32_t otherwise)
{
    return value == 0 ? otherwise : value;
}

static void set_limits(struct hg_api_limits *l)
{
    l->connections = or_default(l->connections, 512);
    l->connections_admin = or_default(l->connections_admin, 64);
    l->per_address = or_default(l->per_address, 32);
    l->hello_ms = or_default(l->hello_ms, 10000);
    l->close_ms = or_default(l->close_ms, 5000);
    l->ping_s = or_default(l->ping_s, 30);
    l->hang_up_s = or_default(l->hang_up_s, 60);
    if (l->queue_bytes == 0)
        l->queue_bytes = (size_t)256 << 10;
    if (l->watches == 0)
        l->watches = 65536;
}

int hg_api_server_new(const struct hg_api_server_setup *setup,
                      struct hg_api_server **ret_server)
{
    struct hg_api_server *server = calloc(1, sizeof(*server));
    int err = HG_ERR_MEMORY;

    if (server == NULL)
        return HG_ERR_MEMORY;
    server->context = setup->context;
    server->backend = setup->backend;
    server->limits = setup->limits;
    set_limits(&server->limits);
    server->validity.secs_since_valid_ping = (uint16_t)server->limits.ping_s;
    server->validity.secs_since_valid_hangup =
        (uint16_t)server->limits.hang_up_s;
    server->tcp.server = server;
    server->admin.server = server;
    server->admin.is_admin = true;
    err = hg_api_rooms_new(setup->backend, &server->rooms);
    if (err == 0)
        err = hg_watch_board_new(setup->backend, server->limits.watches,
                                 &server->board);
    if (err == 0)
        err = hg_peers_new(&server->peers);
    if (err < 0)
        goto out;
    *ret_server = server; /* the caller owns it now */
    server = NULL;
out:
    hg_api_server_free(server);
    return err;
}

void hg_api_server_free(struct hg_api_server *server)
{
    if (server == NULL)
        return;
    if (server->admin_path[0] != '\0')
        (void)unlink(server->admin_path);
    hg_watch_board_free(server->board);
    hg_api_rooms_free(server->rooms);
    hg_peers_free(server->peers);
    hg_api_pair_free(server->pair);
    free(server);
}

int hg_api_server_rooms_changed(struct hg_api_server *server)
{
    struct hg_api_rooms *rooms;
    int err = hg_api_rooms_new(server->backend, &rooms);

    if (err == 0) {
        err = hg_watch_board_grow(server->board);
        if (err < 0)
            hg_api_rooms_free(rooms);
    }
    if (err < 0)
        return err;
    hg_api_rooms_swap(server->rooms, rooms);
    hg_api_rooms_free(rooms);
    return 0;
}

/* -- doors -----------------------------------------------------------------*/

static void fill_vhost(struct hg_api_server *server, struct hg_api_gate *gate,
                       struct lws_context_creation_info *info)
{
    memset(info, 0, sizeof(*info));
    info->protocols = hg_api_protocols;
    info->user = gate;
    info->vhost_name = gate->is_admin ? "admin" : "tcp";
    info->options = LWS_SERVER_OPTION_FAIL_UPON_UNABLE_TO_BIND;
    info->keepalive_timeout = HEADER_S;
    info->timeout_secs = HEADER_S;
    info->retry_and_idle_policy = &server->validity;
}

static int check_file(const char *what, const char *path, struct hg_buf *why)
{
    if (path != NULL && access(path, R_OK) == 0)
        return 0;
    hg_buf_addf(why,
                "cannot read the TLS %s %s: %s; give the service's user read "
                "access to it",
                what, path == NULL ? "(none is configured)" : path,
                path == NULL ? "no such setting" : strerror(errno));
    return HG_ERR_SYSTEM;
}

static void fill_tls(const struct hg_api_listen *listen,
                     struct lws_context_creation_info *info)
{
    /* without this option of the vhost lws would serve cleartext, silently */
    info->options |= LWS_SERVER_OPTION_DO_SSL_GLOBAL_INIT;
    info->ssl_cert_filepath = listen->cert_file;
    info->ssl_private_key_filepath = listen->key_file;
    info->ssl_cipher_list = TLS12_CIPHERS;
    info->alpn = "http/1.1"; /* the default offers h2 */
    info->ssl_options_set =
        (long)(SSL_OP_NO_SSLv3 | SSL_OP_NO_TLSv1 | SSL_OP_NO_TLSv1_1 |
               SSL_OP_NO_RENEGOTIATION | SSL_OP_NO_COMPRESSION);
}

static int choose_pair(SSL *ssl, void *arg)
{
    const struct hg_api_server *server = arg;

    return server->pair == NULL ? 1 : hg_api_pair_show(server->pair, ssl);
}

void hg_api_server_set_tls(struct hg_api_gate *gate, void *ssl_ctx)
{
    SSL_CTX_set_cert_cb(ssl_ctx, choose_pair, gate->server);
}

void hg_api_server_renew(struct hg_api_server *server,
                         struct hg_api_pair *pair_taken)
{
    hg_api_pair_free(server->pair);
    server->pair = pair_taken;
}

/* Is the address fit to listen on in this way? */
static int check_listen(const struct hg_api_listen *listen, bool *ret_is_any,
                        struct hg_buf *why)
{
    struct sockaddr_storage address = { .ss_family = AF_INET };
    struct sockaddr_in in = { .sin_family = AF_INET };
    struct sockaddr_in6 in6 = { .sin6_family = AF_INET6 };
    bool is_any;

    if (inet_pton(AF_INET, listen->address, &in.sin_addr) == 1) {
        memcpy(&address, &in, sizeof(in));
        is_any = in.sin_addr.s_addr == INADDR_ANY;
    } else if (inet_pton(AF_INET6, listen->address, &in6.sin6_addr) == 1) {
        memcpy(&address, &in6, sizeof(in6));
        is_any = IN6_IS_ADDR_UNSPECIFIED(&in6.sin6_addr) != 0;
    } else {
        hg_buf_addf(why, "\"%s\" is no IPv4 or IPv6 address to listen on",
                    listen->address);
        return HG_ERR_INPUT;
    }
    if (listen->cert_file == NULL && !listen->allow_cleartext &&
        !hg_peer_is_loopback(&address)) {
        hg_buf_addf(why,
                    "codes would cross the network readable by others on %s; "
                    "configure \"tls\", or listen on 127.0.0.1, or set "
                    "\"allow_cleartext\" if something else encrypts",
                    listen->address);
        return HG_ERR_DENIED;
    }
    *ret_is_any = is_any;
    return 0;
}

int hg_api_server_listen(struct hg_api_server *server,
                         const struct hg_api_listen *listen, struct hg_buf *why)
{
    struct lws_context_creation_info info;
    bool is_any = false;
    int err;

    if (server->tcp.vhost != NULL) {
        hg_buf_add(why, "the network door is open already");
        return HG_ERR_EXISTS;
    }
    err = check_listen(listen, &is_any, why);
    if (err < 0)
        return err;
    fill_vhost(server, &server->tcp, &info);
    info.port = (int)listen->port;
    info.iface = is_any ? NULL : listen->address;
    if (strchr(listen->address, ':') == NULL)
        info.options |= LWS_SERVER_OPTION_DISABLE_IPV6;
    if (listen->cert_file != NULL) {
        err = check_file("certificate", listen->cert_file, why);
        if (err == 0)
            err = check_file("key", listen->key_file, why);
        if (err < 0)
            return err;
        fill_tls(listen, &info);
        server->tcp.is_tls = true;
    }
    server->tcp.vhost = lws_create_vhost(server->context, &info);
    if (server->tcp.vhost == NULL) {
        hg_buf_addf(why,
                    "cannot listen on %s port %u%s; is another program using "
                    "it, or is the address not of this host?",
                    listen->address, (unsigned int)listen->port,
                    listen->cert_file != NULL
                        ? ", or certificate and key do not belong together"
                        : "");
        return HG_ERR_SYSTEM;
    }
    return 0;
}

/* May the path be (re)used for a socket? */
static int check_path(const char *path, struct hg_buf *why)
{
    struct stat st;

    if (strlen(path) >= sizeof(((struct sockaddr_un *)NULL)->sun_path)) {
        hg_buf_addf(why, "the admin socket's path is longer than 107 bytes: %s",
                    path);
        return HG_ERR_RANGE;
    }
    if (lstat(path, &st) == 0 && !S_ISSOCK(st.st_mode)) {
        hg_buf_addf(why,
                    "%s is there already and is no socket; move it away or "
                    "configure another admin_socket",
                    path);
        return HG_ERR_EXISTS;
    }
    return 0;
}

int hg_api_server_listen_admin(struct hg_api_server *server, const char *path,
                               struct hg_buf *why)
{
    struct lws_context_creation_info info;
    int err;

    if (server->admin.vhost != NULL) {
        hg_buf_add(why, "the admin door is open already");
        return HG_ERR_EXISTS;
    }
    err = check_path(path, why);
    if (err < 0)
        return err;
    fill_vhost(server, &server->admin, &info);
    info.options |= LWS_SERVER_OPTION_UNIX_SOCK;
    info.iface = path;
    server->admin.vhost = lws_create_vhost(server->context, &info);
    /* whatever the umask was; peers are looked at besides */
    if (server->admin.vhost == NULL || chmod(path, 0660) != 0) {
        hg_buf_addf(why,
                    "cannot make the admin socket %s (%s); does its directory "
                    "exist, and may the service write there?",
                    path, strerror(errno));
        return HG_ERR_SYSTEM;
    }
    return hg_text_copy(server->admin_path, sizeof(server->admin_path), path);
}

uint32_t hg_api_server_port(const struct hg_api_server *server)
{
    return server->tcp.vhost == NULL
               ? 0
               : (uint32_t)lws_get_vhost_listen_port(server->tcp.vhost);
}

const struct hg_api_rooms *
hg_api_server_rooms(const struct hg_api_server *server)
{
    return server->rooms;
}

/* -- everybody at once -----------------------------------------------------*/

void hg_api_room_changed(struct hg_api_server *server, size_t room)
{
    hg_watch_changed(server->board, room);
}

size_t hg_api_close_actor(struct hg_api_server *server,
                          const struct hg_actor *actor, unsigned int code,
                          const char *reason)
{
    size_t count = 0;

    for (struct hg_api_conn *conn = server->conns; conn != NULL;
         conn = conn->next) {
        const struct hg_api_caller *caller = hg_api_desk_caller(conn->desk);

        if (!caller->is_signed_in || caller->actor.role != actor->role ||
            strncmp(caller->actor.id, actor->id, sizeof(actor->id)) != 0)
            continue;
        hg_api_conn_close(conn, code, reason);
        count++;
    }
    return count;
}

void hg_api_server_close_all(struct hg_api_server *server)
{
    server->is_closing = true;
    for (struct hg_api_conn *conn = server->conns; conn != NULL;
         conn = conn->next)
        hg_api_conn_close(conn, LWS_CLOSE_STATUS_GOINGAWAY,
                          "the gateway is stopping");
}

void hg_api_caller_for_each(const struct hg_api_server *server,
                            hg_api_each_caller *each, void *arg)
{
    for (struct hg_api_conn *conn = server->conns; conn != NULL;
         conn = conn->next) {
        if (!each(arg, hg_api_desk_caller(conn->desk)))
            return;
    }
}

void hg_api_server_count(const struct hg_api_server *server,
                         struct hg_api_counts *ret_counts)
{
    struct hg_watch_counts watch;

    hg_watch_board_count(server->board, &watch);
    *ret_counts = server->counts;
    ret_counts->watches = watch.watches;
    ret_counts->patches_made = watch.patches_made;
}
