/*
 * The server's doors, with a real listener and raw sockets: handshakes, the
 * plain HTTP answers, limits, and who is let in.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "api/peers.h"
#include "api_peer.h"
#include "base/text.h"
#include <grp.h>
#include <sys/stat.h>
#include <sys/wait.h>

static const struct hg_api_limits NO_LIMITS = { .connections = 0 };

/* RFC 6455, section 1.3: this key gives this accept value. */
static void test_api_server__accepts_by_the_example_of_rfc_6455(void **state)
{
    struct scene scene;
    struct peer peer;
    char head[1024];

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_connect(&scene, &peer);
    peer_say(&scene, &peer, UPGRADE);
    peer_head(&scene, &peer, head, sizeof(head));

    assert_int_equal(strncmp(head, "HTTP/1.1 101 ", 13), 0);
    assert_non_null(strstr(head, "\r\nSec-WebSocket-Accept: "
                                 "s3pPLMBiTxaQ9kYGzzhZRbK+xOo=\r\n"));
    assert_non_null(
        strstr(head, "\r\nSec-WebSocket-Protocol: heatgate.rpc.v1\r\n"));
    assert_null(strcasestr(head, "Sec-WebSocket-Extensions"));
    peer_close(&peer);
    scene_release(&scene);
}

#define GET(path) "GET " path " HTTP/1.1\r\nHost: gate:8443\r\n"
#define UP        "Upgrade: websocket\r\nConnection: Upgrade\r\n"
#define KEY       "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
#define V13       "Sec-WebSocket-Version: 13\r\n"
#define SUB       "Sec-WebSocket-Protocol: heatgate.rpc.v1\r\n"
#define LAST      "Connection: close\r\n\r\n"

static const struct {
    const char *label, *request;
    int status;
} odd[] = {
    { "no subprotocol", GET("/v1/rpc") UP KEY V13 "\r\n", 400 },
    { "another subprotocol",
      GET("/v1/rpc") UP KEY V13 "Sec-WebSocket-Protocol: chat\r\n\r\n", 400 },
    { "a longer one",
      GET("/v1/rpc") UP KEY V13
      "Sec-WebSocket-Protocol: heatgate.rpc.v10\r\n\r\n",
      400 },
    { "one of two",
      GET("/v1/rpc") UP KEY V13
      "Sec-WebSocket-Protocol: chat, heatgate.rpc.v1\r\n\r\n",
      101 },
    { "no version", GET("/v1/rpc") UP KEY SUB "\r\n", 426 },
    { "version 8", GET("/v1/rpc") UP KEY SUB "Sec-WebSocket-Version: 8\r\n\r\n",
      426 },
    { "version 13x",
      GET("/v1/rpc") UP KEY SUB "Sec-WebSocket-Version: 13x\r\n\r\n", 426 },
    { "no key", GET("/v1/rpc") UP V13 SUB "\r\n", 400 },
    { "key of 15 bytes",
      GET("/v1/rpc") UP V13 SUB
      "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25j\r\n\r\n",
      400 },
    { "key with a bad symbol",
      GET("/v1/rpc") UP V13 SUB
      "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25j*g==\r\n\r\n",
      400 },
    { "key with loose bits",
      GET("/v1/rpc") UP V13 SUB
      "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZR==\r\n\r\n",
      400 },
    { "own origin",
      GET("/v1/rpc") UP KEY V13 SUB "Origin: https://gate:8443\r\n\r\n", 101 },
    { "own origin in capitals",
      GET("/v1/rpc") UP KEY V13 SUB "Origin: https://GATE:8443\r\n\r\n", 101 },
    { "foreign origin",
      GET("/v1/rpc") UP KEY V13 SUB "Origin: https://evil.example\r\n\r\n",
      403 },
    { "another port",
      GET("/v1/rpc") UP KEY V13 SUB "Origin: https://gate:8444\r\n\r\n", 403 },
    { "own name as prefix",
      GET("/v1/rpc") UP KEY V13 SUB "Origin: https://gate:8443.e\r\n\r\n",
      403 },
    { "origin null", GET("/v1/rpc") UP KEY V13 SUB "Origin: null\r\n\r\n",
      403 },
    { "another path", GET("/v1/rpc/") UP KEY V13 SUB "\r\n", 404 },
    { "the root", GET("/") UP KEY V13 SUB "\r\n", 404 },
    { "h2c", GET("/v1/rpc") "Upgrade: h2c\r\nConnection: Upgrade\r\n\r\n",
      400 },
    { "another method",
      "POST /v1/rpc HTTP/1.1\r\nHost: gate\r\n" UP KEY V13 SUB "\r\n", 404 },
};

static void test_api_server__refuses_odd_upgrades_with_a_reason(void **state)
{
    struct scene scene;
    size_t refused = 0;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    for (size_t i = 0; i < sizeof(odd) / sizeof(odd[0]); i++) {
        struct peer peer;
        char head[1024];

        peer_connect(&scene, &peer);
        peer_say(&scene, &peer, odd[i].request);
        peer_head(&scene, &peer, head, sizeof(head));

        HG_CHECK_EQ(odd[i].label, strncmp(head, "HTTP/1.1 ", 9), 0);
        HG_CHECK_EQ(odd[i].label, atoi(head + 9), odd[i].status);
        if (odd[i].status != 101) {
            refused++;
            HG_CHECK_TRUE(odd[i].label, peer_all(&scene, &peer)[0] != '\0');
        }
        peer_close(&peer);
    }
    assert_int_equal(counts(&scene).refused_handshake, refused);
    scene_release(&scene);
}

static const struct {
    const char *label, *request;
    int status;
    const char *body; /* NULL: any */
} plain[] = {
    { "health", GET("/healthz") LAST, 200, "ok\n" },
    { "health with a query", GET("/healthz?x") LAST, 200, "ok\n" },
    { "not there", GET("/") LAST, 404, NULL },
    { "climbing", GET("/../healthz2") LAST, 404, NULL },
    { "thing description", GET("/.well-known/wot") LAST, 404, NULL },
    { "rpc without upgrade", GET("/v1/rpc") LAST, 426, NULL },
    { "head", "HEAD /healthz HTTP/1.1\r\nHost: gate\r\n" LAST, 405, "" },
    { "post",
      "POST /healthz HTTP/1.1\r\nHost: gate\r\nContent-Length: 2\r\n" LAST "{}",
      405, "" },
    { "put", "PUT /x HTTP/1.1\r\nHost: gate\r\nContent-Length: 0\r\n" LAST, 405,
      "" },
    { "delete", "DELETE /x HTTP/1.1\r\nHost: gate\r\n" LAST, 405, "" },
    { "options", "OPTIONS /x HTTP/1.1\r\nHost: gate\r\n" LAST, 405, "" },
};

static const char *const wanted_headers[] = {
    "\r\ncache-control: no-store\r\n",
    "\r\nx-content-type-options: nosniff\r\n",
    "\r\ncontent-security-policy: default-src 'none';",
    "\r\nreferrer-policy: no-referrer\r\n",
};

static void test_api_server__answers_plain_http_strictly(void **state)
{
    struct scene scene;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    for (size_t i = 0; i < sizeof(plain) / sizeof(plain[0]); i++) {
        struct peer peer;
        const char *all;

        peer_connect(&scene, &peer);
        peer_say(&scene, &peer, plain[i].request);
        all = peer_all(&scene, &peer);

        HG_CHECK_EQ(plain[i].label, atoi(all + 9), plain[i].status);
        for (size_t k = 0; k < 4; k++)
            HG_CHECK_TRUE(wanted_headers[k],
                          strstr(all, wanted_headers[k]) != NULL);
        HG_CHECK_EQ(plain[i].label, strstr(all, "\r\nallow: GET\r\n") != NULL,
                    plain[i].status == 405);
        if (plain[i].body != NULL)
            HG_CHECK_STR(plain[i].label, strstr(all, "\r\n\r\n") + 4,
                         plain[i].body);
        peer_close(&peer);
    }
    scene_release(&scene);
}

static void test_api_server__says_503_when_the_backend_is_sick(void **state)
{
    struct scene scene;
    struct peer peer;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    scene.fake.is_sick = true;
    peer_connect(&scene, &peer);
    peer_say(&scene, &peer, GET("/healthz") LAST);
    assert_int_equal(atoi(peer_all(&scene, &peer) + 9), 503);
    peer_close(&peer);
    scene_release(&scene);
}

/* A body of many pieces, to a reader with a small window. */
static void test_api_server__sends_long_bodies_whole(void **state)
{
    struct scene scene;
    struct peer peer;
    const char *body;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_connect(&scene, &peer);
    peer_say(&scene, &peer, GET("/metrics") LAST);
    body = strstr(peer_all(&scene, &peer), "\r\n\r\n") + 4;
    assert_int_equal(strlen(body), 100000);
    assert_int_equal(strspn(body, "m"), 100000);
    peer_close(&peer);
    scene_release(&scene);
}

#define FILE_BYTES 16386

static const struct {
    const char *label, *request;
    int status;
    size_t body_bytes;
    const char *header; /* or NULL */
} file_row[] = {
    { "whole", GET("/file") LAST, 200, FILE_BYTES,
      "\r\ncontent-length: 16386\r\n" },
    { "with a query", GET("/file?x=1") LAST, 200, FILE_BYTES, NULL },
    { "head", "HEAD /file HTTP/1.1\r\nHost: gate\r\n" LAST, 200, 0,
      "\r\ncontent-length: 16386\r\n" },
    { "held already", GET("/file") "If-None-Match: \"tag-1\"\r\n" LAST, 304, 0,
      NULL },
    { "held among others",
      GET("/file") "If-None-Match: \"a\", W/\"tag-1\"\r\n" LAST, 304, 0, NULL },
    { "packed", GET("/file") "Accept-Encoding: br, gzip\r\n" LAST, 200, 100,
      "\r\ncontent-encoding: gzip\r\ncontent-type: text/x-file\r\n"
      "content-length: 100\r\n" },
    { "packed alone", GET("/file") "Accept-Encoding: gzip\r\n" LAST, 200, 100,
      NULL },
    { "packed and head",
      "HEAD /file HTTP/1.1\r\nHost: gate\r\nAccept-Encoding: gzip, br\r\n" LAST,
      200, 0, "\r\ncontent-length: 100\r\n" },
    { "packed is not wanted",
      GET("/file") "Accept-Encoding: br, gzip;q=0\r\n" LAST, 200, FILE_BYTES,
      NULL },
    { "something else is taken", GET("/file") "Accept-Encoding: xgzip\r\n" LAST,
      200, FILE_BYTES, NULL },
    { "an older one held", GET("/file") "If-None-Match: \"tag-0\"\r\n" LAST,
      200, FILE_BYTES, NULL },
};

static const char *const file_wanted[] = {
    "\r\netag: W/\"tag-1\"\r\n",
    "\r\nvary: accept-encoding\r\n",
    "\r\ncache-control: no-cache\r\n",
    "\r\nx-content-type-options: nosniff\r\n",
    "\r\nreferrer-policy: no-referrer\r\n",
    "\r\ncontent-security-policy: default-src 'none'; script-src 'self'; ",
};

static void test_api_server__serves_files_to_browsers(void **state)
{
    struct scene scene;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    for (size_t i = 0; i < HG_COUNT(file_row); i++) {
        const char *label = file_row[i].label;
        struct peer peer;
        const char *all;

        peer_connect(&scene, &peer);
        peer_say(&scene, &peer, file_row[i].request);
        all = peer_all(&scene, &peer);

        HG_CHECK_EQ(label, atoi(all + 9), file_row[i].status);
        HG_CHECK_EQ(label, strlen(strstr(all, "\r\n\r\n") + 4),
                    file_row[i].body_bytes);
        for (size_t k = 0; k < HG_COUNT(file_wanted); k++)
            HG_CHECK_TRUE(file_wanted[k], strstr(all, file_wanted[k]) != NULL);
        HG_CHECK_TRUE(label, strstr(all, "unsafe-") == NULL);
        HG_CHECK_EQ(label,
                    strstr(all, "\r\ncontent-type: text/x-file\r\n") != NULL,
                    file_row[i].status == 200);
        if (file_row[i].header != NULL)
            HG_CHECK_TRUE(label, strstr(all, file_row[i].header) != NULL);
        peer_close(&peer);
    }
    scene_release(&scene);
}

static void test_api_server__has_no_other_files(void **state)
{
    static const struct {
        const char *label, *request;
        int status;
    } row[] = {
        { "folder", GET("/file/") LAST, 404 },
        { "longer", GET("/files") LAST, 404 },
        { "root", GET("/") LAST, 404 },
        { "post",
          "POST /file HTTP/1.1\r\nHost: gate\r\nContent-Length: 0\r\n" LAST,
          405 },
    };
    struct scene scene;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct peer peer;

        peer_connect(&scene, &peer);
        peer_say(&scene, &peer, row[i].request);
        HG_CHECK_EQ(row[i].label, atoi(peer_all(&scene, &peer) + 9),
                    row[i].status);
        peer_close(&peer);
    }
    scene_release(&scene);
}

static void test_api_server__makes_no_raw_socket_of_connect(void **state)
{
    struct scene scene;
    struct peer peer;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_connect(&scene, &peer);
    peer_say(&scene, &peer, "CONNECT a:1 HTTP/1.1\r\nHost: a\r\n\r\nhello");
    (void)peer_all(&scene, &peer);
    assert_int_equal(counts(&scene).messages_in, 0);
    peer_close(&peer);
    scene_release(&scene);
}

/* -- limits ----------------------------------------------------------------*/

static void wait_connections(struct scene *scene, size_t count)
{
    for (int i = 0; counts(scene).connections != count && i < TURNS_MAX; i++)
        turn(scene);
    assert_int_equal(counts(scene).connections, count);
}

static void test_api_server__limits_connections(void **state)
{
    struct scene scene;
    struct peer peer[3];
    struct peer more;

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .connections = 3 });
    scene_listen(&scene);
    for (size_t i = 0; i < 3; i++)
        peer_sign_in(&scene, &peer[i], "guest");
    assert_int_equal(counts(&scene).callers, 3);

    peer_connect(&scene, &more);
    assert_string_equal(peer_all(&scene, &more), "");
    assert_int_equal(counts(&scene).refused_full, 1);
    peer_close(&more);

    peer_close(&peer[1]);
    wait_connections(&scene, 2);
    peer_sign_in(&scene, &more, "guest");
    assert_int_equal(counts(&scene).callers, 3);
    peer_close(&more);
    peer_close(&peer[0]);
    peer_close(&peer[2]);
    wait_connections(&scene, 0);
    assert_int_equal(counts(&scene).accepted, 4);
    scene_release(&scene);
}

static struct sockaddr_storage address_of(const char *text)
{
    struct sockaddr_storage out = { .ss_family = AF_UNIX };
    struct sockaddr_in in = { .sin_family = AF_INET };
    struct sockaddr_in6 in6 = { .sin6_family = AF_INET6 };

    if (inet_pton(AF_INET, text, &in.sin_addr) == 1)
        memcpy(&out, &in, sizeof(in));
    else if (inet_pton(AF_INET6, text, &in6.sin6_addr) == 1)
        memcpy(&out, &in6, sizeof(in6));
    return out;
}

static void test_peers__count_by_address_and_by_house(void **state)
{
    static const struct {
        const char *first, *second;
        bool same, is_loopback;
    } row[] = {
        { "192.0.2.1", "192.0.2.1", true, false },
        { "192.0.2.1", "192.0.2.2", false, false },
        { "192.0.2.1", "::ffff:192.0.2.1", true, false },
        { "2001:db8::1", "2001:db8::2", true, false },
        { "2001:db8:0:0:1::1", "2001:db8:0:0:2::1", true, false },
        { "2001:db8:0:1::1", "2001:db8:0:2::1", false, false },
        { "127.0.0.1", "127.0.0.2", false, true },
        { "::1", "::1", true, true },
        { "::ffff:127.0.0.1", "127.0.0.1", true, true },
        { "128.0.0.1", "126.255.255.255", false, false },
        { "local", "local", true, true },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct sockaddr_storage first = address_of(row[i].first);
        struct sockaddr_storage second = address_of(row[i].second);
        struct hg_peers *peers = NULL;
        struct hg_peer *one;
        struct hg_peer *two;

        assert_int_equal(hg_peers_new(&peers), 0);
        one = hg_peers_enter(peers, &first);
        assert_non_null(one);
        HG_CHECK_EQ(row[i].second, hg_peers_count(peers, &second), row[i].same);
        two = hg_peers_enter(peers, &second);
        HG_CHECK_EQ(row[i].second, hg_peers_count(peers, &first),
                    row[i].same ? 2 : 1);
        hg_peers_leave(peers, one);
        HG_CHECK_EQ(row[i].second, hg_peers_count(peers, &second), 1);
        hg_peers_leave(peers, two);
        HG_CHECK_EQ(row[i].second, hg_peers_count(peers, &second), 0);
        HG_CHECK_EQ(row[i].first, hg_peer_is_loopback(&first),
                    row[i].is_loopback);
        hg_peers_free(peers);
    }
}

/* -- listening -------------------------------------------------------------*/

static void test_api_server__listens_where_it_is_safe(void **state)
{
    static const struct {
        const char *label, *address;
        bool allow_cleartext;
        const char *cert;
        int err;
    } row[] = {
        { "loopback", "127.0.0.1", false, NULL, 0 },
        { "another loopback", "127.0.0.9", false, NULL, 0 },
        { "everywhere", "0.0.0.0", false, NULL, HG_ERR_DENIED },
        { "everywhere, allowed", "0.0.0.0", true, NULL, 0 },
        { "IPv6 everywhere", "::", false, NULL, HG_ERR_DENIED },
        { "elsewhere", "192.0.2.1", false, NULL, HG_ERR_DENIED },
        { "not ours", "192.0.2.1", true, NULL, HG_ERR_SYSTEM },
        { "a name", "localhost", false, NULL, HG_ERR_INPUT },
        { "no certificate", "127.0.0.1", false, "/nonexistent", HG_ERR_SYSTEM },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct hg_api_listen listen = { .address = row[i].address,
                                        .cert_file = row[i].cert,
                                        .key_file = row[i].cert,
                                        .allow_cleartext =
                                            row[i].allow_cleartext };
        struct scene scene;
        char text[HG_API_WHY_BYTES];
        struct hg_buf why;

        scene_init(&scene, NO_LIMITS);
        hg_buf_init(&why, text, sizeof(text));
        HG_CHECK_EQ(row[i].label,
                    hg_api_server_listen(scene.server, &listen, &why),
                    row[i].err);
        HG_CHECK_EQ(row[i].label, why.len > 0, row[i].err < 0);
        HG_CHECK_EQ(row[i].label, hg_api_server_port(scene.server) > 0,
                    row[i].err == 0);
        if (row[i].err == 0)
            HG_CHECK_EQ(row[i].label,
                        hg_api_server_listen(scene.server, &listen, &why),
                        HG_ERR_EXISTS);
        scene_release(&scene);
    }
}

static void test_api_server__tells_when_the_port_is_taken(void **state)
{
    struct scene first;
    struct scene second;
    struct hg_api_listen listen = { .address = "127.0.0.1" };
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;

    (void)state;
    scene_init(&first, NO_LIMITS);
    scene_listen(&first);
    scene_init(&second, NO_LIMITS);
    listen.port = hg_api_server_port(first.server);
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_server_listen(second.server, &listen, &why),
                     HG_ERR_SYSTEM);
    assert_non_null(strstr(text, "another program"));
    scene_release(&second);
    scene_release(&first);
}

/* -- the admin socket ------------------------------------------------------*/

static void scene_listen_admin(struct scene *scene)
{
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(
        hg_api_server_listen_admin(scene->server, scene->path, &why), 0);
}

static bool look_at_caller(void *arg, const struct hg_api_caller *caller)
{
    struct hg_api_caller *out = arg;

    *out = *caller;
    return true;
}

static void test_api_server__knows_who_is_on_the_admin_socket(void **state)
{
    struct scene scene;
    struct peer peer;
    struct hg_api_caller caller;
    struct stat st;
    char uid[40];

    (void)state;
    scene_init(&scene, NO_LIMITS);
    (void)umask(0077);
    scene_listen_admin(&scene);
    assert_int_equal(stat(scene.path, &st), 0);
    assert_int_equal(st.st_mode & 07777, 0660);
    peer_connect_admin(&scene, &peer);
    peer_upgrade(&scene, &peer);
    json_decref(peer_call(&scene, &peer, "room.list", "{}"));

    memset(&caller, 0, sizeof(caller));
    hg_api_caller_for_each(scene.server, look_at_caller, &caller);
    (void)snprintf(uid, sizeof(uid), "uid=%u", (unsigned int)getuid());
    assert_true(caller.is_signed_in);
    assert_true(caller.is_admin);
    assert_int_equal(caller.actor.role, HG_ROLE_OWNER);
    assert_string_equal(caller.actor.id, uid);
    assert_int_equal(strncmp(caller.who, "local:", 6), 0);
    if (getuid() == 0)
        assert_string_equal(caller.who, "local:root");
    assert_string_equal(caller.address, "local");
    assert_int_equal(counts(&scene).connections_admin, 1);
    assert_int_equal(counts(&scene).connections, 0);
    peer_close(&peer);
    scene_release(&scene);
}

static void test_api_server__replaces_only_sockets(void **state)
{
    struct scene scene;
    char text[HG_API_WHY_BYTES];
    char longer[200];
    struct hg_buf why;
    int fd;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    fd = open(scene.path, O_CREAT | O_WRONLY | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    (void)close(fd);
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_server_listen_admin(scene.server, scene.path, &why),
                     HG_ERR_EXISTS);
    assert_int_equal(unlink(scene.path), 0);

    memset(longer, 'x', sizeof(longer));
    longer[0] = '/';
    longer[108] = '\0';
    assert_int_equal(hg_api_server_listen_admin(scene.server, longer, &why),
                     HG_ERR_RANGE);
    assert_int_equal(
        hg_api_server_listen_admin(scene.server, "/nonexistent/a.sock", &why),
        HG_ERR_SYSTEM);
    scene_release(&scene);
}

/* In a child: as nobody, in the given supplementary groups, ask for health.
 * Exit status: 0 hung up unheard, 1 answered, else trouble. */
static void be_nobody(const struct scene *scene, const gid_t *groups,
                      size_t count)
{
    struct sockaddr_un un = { .sun_family = AF_UNIX };
    char in[200];
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ssize_t n;

    memcpy(un.sun_path, scene->path, strlen(scene->path));
    if (fd < 0 || setgroups(count, groups) != 0 || setgid(65534) != 0 ||
        setuid(65534) != 0 ||
        connect(fd, (const struct sockaddr *)&un, sizeof(un)) != 0)
        _exit(3);
    n = send(fd, GET("/healthz") LAST, strlen(GET("/healthz") LAST),
             MSG_NOSIGNAL);
    (void)n; /* hung up already is fine */
    n = read(fd, in, sizeof(in));
    _exit(n > 12 && memcmp(in, "HTTP/1.1 200", 12) == 0 ? 1 : n > 0 ? 2 : 0);
}

static void test_api_server__lets_only_its_group_in(void **state)
{
    static const struct {
        const char *label;
        bool in_group;
        int status;
    } row[] = { { "a stranger", false, 0 }, { "a member", true, 1 } };
    gid_t own = getegid();

    (void)state;
    if (geteuid() != 0)
        skip(); /* nobody else can become somebody else */
    for (size_t i = 0; i < 2; i++) {
        struct scene scene;
        int status = -1;
        pid_t child;

        scene_init(&scene, NO_LIMITS);
        scene_listen_admin(&scene);
        /* only the peer's credentials shall decide here */
        assert_int_equal(chmod(scene.path, 0666), 0);
        assert_int_equal(chmod(scene.dir, 0755), 0);
        child = fork();
        if (child == 0)
            be_nobody(&scene, &own, row[i].in_group ? 1 : 0);
        assert_true(child > 0);
        for (int k = 0; k < TURNS_MAX; k++) {
            turn(&scene);
            if (waitpid(child, &status, WNOHANG) == child)
                break;
        }
        assert_true(WIFEXITED(status));
        HG_CHECK_EQ(row[i].label, WEXITSTATUS(status), row[i].status);
        HG_CHECK_EQ(row[i].label, counts(&scene).refused_peer,
                    row[i].in_group ? 0 : 1);
        scene_release(&scene);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_api_server__accepts_by_the_example_of_rfc_6455),
        cmocka_unit_test(test_api_server__refuses_odd_upgrades_with_a_reason),
        cmocka_unit_test(test_api_server__answers_plain_http_strictly),
        cmocka_unit_test(test_api_server__says_503_when_the_backend_is_sick),
        cmocka_unit_test(test_api_server__sends_long_bodies_whole),
        cmocka_unit_test(test_api_server__serves_files_to_browsers),
        cmocka_unit_test(test_api_server__has_no_other_files),
        cmocka_unit_test(test_api_server__makes_no_raw_socket_of_connect),
        cmocka_unit_test(test_api_server__limits_connections),
        cmocka_unit_test(test_peers__count_by_address_and_by_house),
        cmocka_unit_test(test_api_server__listens_where_it_is_safe),
        cmocka_unit_test(test_api_server__tells_when_the_port_is_taken),
        cmocka_unit_test(test_api_server__knows_who_is_on_the_admin_socket),
        cmocka_unit_test(test_api_server__replaces_only_sockets),
        cmocka_unit_test(test_api_server__lets_only_its_group_in),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
