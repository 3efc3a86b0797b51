/*
 * WebSocket connections of a real server: messages and their limits, closes
 * with a reason, watchers fast and slow, and TLS that is really TLS.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "api/patch.h"
#include "api_peer.h"
#include <openssl/ssl.h>
#include <openssl/x509.h>

#define CROWD 100

static const struct hg_api_limits NO_LIMITS = { .connections = 0 };

/* -- messages --------------------------------------------------------------*/

static void test_api_server__closes_broken_messages_with_a_code(void **state)
{
    static const struct {
        const char *label;
        int first; /* FIN and opcode */
        size_t len;
        const char *text; /* NULL: len times 'x' */
        int code;         /* 0: it is answered */
    } row[] = {
        { "largest", 0x81, 65536, NULL, 0 },
        { "one more", 0x81, 65537, NULL, 1009 },
        { "much more", 0x81, 1000000, NULL, 1009 },
        { "binary", 0x82, 5, NULL, 1003 },
        { "bad UTF-8", 0x81, 2, "\xc3\x28", 1007 },
        { "overlong UTF-8", 0x81, 2, "\xc0\xaf", 1007 },
        { "surrogate", 0x81, 3, "\xed\xa0\x80", 1007 },
        { "cut UTF-8", 0x81, 2, "\xe2\x82", 1007 },
        { "reserved bit", 0xc1, 2, NULL, 1002 },
        { "unknown opcode", 0x83, 2, NULL, 1002 },
        { "continuation of nothing", 0x80, 2, NULL, 1002 },
        { "empty", 0x81, 0, "", 0 },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct scene scene;
        struct peer peer;
        char *text = malloc(row[i].len + 1);
        char reason[126];
        json_t *answer;

        scene_init(&scene, NO_LIMITS);
        scene_listen(&scene);
        peer_sign_in(&scene, &peer, "owner");
        memset(text, 'x', row[i].len);
        if (row[i].text != NULL)
            memcpy(text, row[i].text, row[i].len);
        peer_frame(&scene, &peer, row[i].first, text, row[i].len);
        if (row[i].code != 0) {
            HG_CHECK_EQ(row[i].label, peer_closed(&scene, &peer, reason),
                        row[i].code);
            HG_CHECK_TRUE(row[i].label, reason[0] != '\0');
        } else {
            answer = peer_json(&scene, &peer);
            HG_CHECK_TRUE(row[i].label,
                          json_object_get(answer, "error") != NULL);
            json_decref(answer);
        }
        free(text);
        peer_close(&peer);
        scene_release(&scene);
    }
}

static void test_api_server__joins_fragments(void **state)
{
    static const char text[] =
        "{\"jsonrpc\":\"2.0\",\"id\":5,\"method\":\"room.list\"}";
    struct scene scene;
    struct peer peer;
    json_t *answer;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    peer_frame(&scene, &peer, 0x01, text, 10);
    peer_frame(&scene, &peer, 0x00, text + 10, 0);
    peer_frame(&scene, &peer, 0x89, "ping", 4); /* may come in between */
    peer_frame(&scene, &peer, 0x80, text + 10, sizeof(text) - 11);
    for (int i = 0; i < 2; i++) {
        struct frame frame = peer_next(&scene, &peer);

        if (frame.opcode == 0x0a) {
            assert_string_equal(frame.text, "ping");
        } else {
            answer = json_loads(frame.text, 0, NULL);
            assert_int_equal(json_integer_value(json_object_get(answer, "id")),
                             5);
            json_decref(answer);
        }
        free(frame.text);
    }
    peer_close(&peer);
    scene_release(&scene);
}

static void test_api_server__joins_fragments_up_to_its_limit(void **state)
{
    struct scene scene;
    struct peer peer;
    char piece[16384];
    char reason[126];

    (void)state;
    memset(piece, 'x', sizeof(piece));
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    peer_frame(&scene, &peer, 0x01, piece, sizeof(piece));
    for (int i = 0; i < 4; i++)
        peer_frame(&scene, &peer, 0x00, piece, sizeof(piece));
    assert_int_equal(peer_closed(&scene, &peer, reason), 1009);
    assert_int_equal(counts(&scene).closed_broken, 1);
    peer_close(&peer);
    scene_release(&scene);
}

/* -- hello -----------------------------------------------------------------*/

static void test_api_server__hangs_up_on_those_who_do_not_greet(void **state)
{
    struct scene scene;
    struct peer peer;
    char reason[126];

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .hello_ms = 20 });
    scene_listen(&scene);
    peer_connect(&scene, &peer);
    peer_upgrade(&scene, &peer);
    assert_int_equal(peer_closed(&scene, &peer, reason), 1008);
    assert_non_null(strstr(reason, "hello"));
    assert_int_equal(counts(&scene).closed_silent, 1);
    peer_close(&peer);
    scene_release(&scene);
}

/* scrypt may take longer than the time for hello is */
static void test_api_server__waits_while_a_hello_is_judged(void **state)
{
    struct scene scene;
    struct peer peer;
    struct hg_actor actor = { .role = HG_ROLE_GUEST, .id = "g-1" };
    json_t *answer;

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .hello_ms = 20 });
    scene_listen(&scene);
    scene.fake.hello_late = true;
    peer_connect(&scene, &peer);
    peer_upgrade(&scene, &peer);
    peer_text(&scene, &peer,
              "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"hello\","
              "\"params\":{\"code\":\"guest\"}}");
    for (int i = 0; i < 100; i++)
        turn(&scene);
    assert_int_equal(scene.fake.late_count, 1);
    assert_int_equal(counts(&scene).closed_silent, 0);

    hg_api_caller_sign_in(hg_api_reply_caller(scene.fake.late[0]), &actor,
                          "guest:g-1");
    hg_api_reply_result(scene.fake.late[0], json_object());
    scene.fake.late_count = 0;
    answer = peer_json(&scene, &peer);
    assert_non_null(json_object_get(answer, "result"));
    json_decref(answer);
    peer_close(&peer);
    scene_release(&scene);
}

static void test_api_server__drops_answers_to_the_departed(void **state)
{
    struct scene scene;
    struct peer peer;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    scene.fake.is_late = true;
    peer_text(&scene, &peer,
              "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"journal.head\"}");
    for (int i = 0; scene.fake.late_count == 0 && i < TURNS_MAX; i++)
        turn(&scene);
    peer_close(&peer);
    for (int i = 0; counts(&scene).callers > 0 && i < TURNS_MAX; i++)
        turn(&scene);
    assert_int_equal(counts(&scene).callers, 0);

    assert_null(hg_api_reply_caller(scene.fake.late[0]));
    hg_api_reply_result(scene.fake.late[0], json_object());
    scene.fake.late_count = 0;
    scene_release(&scene);
}

/* -- watching --------------------------------------------------------------*/

static void change(struct scene *scene, size_t room)
{
    scene->fake.rev[room]++;
    scene->fake.air_c[room] += 0.5;
    hg_api_room_changed(scene->server, room);
}

/* Apply the next room.patch to the copy; its rev. */
static json_int_t patch_copy(struct scene *scene, struct peer *peer,
                             json_t **copy)
{
    json_t *message = peer_json(scene, peer);
    const json_t *params = json_object_get(message, "params");
    json_int_t rev = json_integer_value(json_object_get(params, "rev"));

    assert_string_equal(json_string_value(json_object_get(message, "method")),
                        "room.patch");
    assert_int_equal(
        hg_patch_apply(*copy, json_object_get(params, "patch"), copy), 0);
    json_decref(message);
    return rev;
}

static void test_api_server__sends_watchers_what_changed(void **state)
{
    struct scene scene;
    struct peer peer;
    json_t *copy;
    json_t *now;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "guest");
    copy = peer_call(&scene, &peer, "room.watch", "{\"room\":\"heron\"}");
    assert_int_equal(counts(&scene).watches, 1);
    for (int rev = 1; rev <= 3; rev++) {
        change(&scene, 1); /* another room: not for this watcher */
        change(&scene, 0);
        assert_int_equal(patch_copy(&scene, &peer, &copy), rev);
    }
    now = peer_call(&scene, &peer, "room.state", "{\"room\":\"heron\"}");
    assert_true(hg_patch_equal(copy, now));
    json_decref(now);

    hg_api_room_changed(scene.server, 0);  /* nothing is different */
    hg_api_room_changed(scene.server, 99); /* no such room */
    json_decref(
        peer_call(&scene, &peer, "room.unwatch", "{\"room\":\"heron\"}"));
    change(&scene, 0);
    json_decref(peer_call(&scene, &peer, "room.list", "{}"));
    assert_int_equal(counts(&scene).watches, 0);
    assert_int_equal(counts(&scene).patches_out, 3);
    json_decref(copy);
    peer_close(&peer);
    scene_release(&scene);
}

/* A watch in a batch whose other answer is late: state first, patch after. */
static void test_api_server__sends_no_patch_before_its_state(void **state)
{
    struct scene scene;
    struct peer peer;
    json_t *batch;
    json_t *copy;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    scene.fake.is_late = true;
    peer_text(&scene, &peer,
              "[{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"room.watch\","
              "\"params\":{\"room\":\"heron\"}},"
              "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"journal.head\"}]");
    for (int i = 0; scene.fake.late_count == 0 && i < TURNS_MAX; i++)
        turn(&scene);
    change(&scene, 0);
    for (int i = 0; i < 20; i++)
        turn(&scene);
    assert_int_equal(counts(&scene).patches_out, 0);

    hg_api_reply_result(scene.fake.late[0], json_object());
    scene.fake.late_count = 0;
    batch = peer_json(&scene, &peer);
    assert_int_equal(json_array_size(batch), 2);
    copy = json_incref(json_object_get(json_array_get(batch, 0), "result"));
    assert_int_equal(json_integer_value(json_object_get(copy, "rev")), 0);
    json_decref(batch);
    assert_int_equal(patch_copy(&scene, &peer, &copy), 1);
    json_decref(copy);
    peer_close(&peer);
    scene_release(&scene);
}

/* room.watch as a notification: the first patch is the whole state. */
static void test_api_server__tells_a_blind_watcher_everything(void **state)
{
    struct scene scene;
    struct peer peer;
    json_t *copy = json_object();

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    peer_text(&scene, &peer,
              "{\"jsonrpc\":\"2.0\",\"method\":\"room.watch\","
              "\"params\":{\"room\":\"otter\"}}");
    assert_int_equal(patch_copy(&scene, &peer, &copy), 0);
    assert_string_equal(json_string_value(json_object_get(copy, "room")),
                        "otter");
    json_decref(copy);
    peer_close(&peer);
    scene_release(&scene);
}

static void test_api_server__makes_one_patch_for_a_crowd(void **state)
{
    static struct peer peer[CROWD];
    struct scene scene;
    json_t *copy;
    size_t states;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    for (size_t i = 0; i < CROWD; i++) {
        peer_sign_in(&scene, &peer[i], i < CROWD / 2 ? "guest" : "manager");
        json_decref(
            peer_call(&scene, &peer[i], "room.watch", "{\"room\":\"heron\"}"));
    }
    states = scene.fake.states_made;
    change(&scene, 0);
    for (size_t i = 0; i < CROWD; i++) {
        copy = json_object();
        assert_int_equal(patch_copy(&scene, &peer[i], &copy), 1);
        /* patches hold what changed, and nobody gets another's view */
        assert_int_equal(json_object_size(copy), 2);
        json_decref(copy);
    }
    assert_int_equal(counts(&scene).patches_out, CROWD);
    assert_int_equal(counts(&scene).patches_made, 2); /* two views */
    assert_int_equal(scene.fake.states_made - states, 2);
    for (size_t i = 0; i < CROWD; i++)
        peer_close(&peer[i]);
    scene_release(&scene);
}

/* Who does not read for a while gets few patches for many changes, and is
 * exactly up to date afterwards. */
static void test_api_server__merges_patches_for_a_slow_watcher(void **state)
{
    struct scene scene;
    struct peer slow;
    struct peer fast;
    json_t *copy;
    json_t *now;
    json_int_t rev = 0;
    const int changes = 2000;

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    scene.fake.padding = 8192;
    peer_sign_in(&scene, &slow, "owner");
    peer_sign_in(&scene, &fast, "owner");
    copy = peer_call(&scene, &slow, "room.watch", "{\"room\":\"heron\"}");
    slow.is_deaf = true;
    for (int i = 0; i < changes; i++) {
        change(&scene, 0);
        turn(&scene);
    }
    /* it costs nobody else anything */
    json_decref(peer_call(&scene, &fast, "room.list", "{}"));
    assert_int_equal(counts(&scene).closed_slow, 0);

    slow.is_deaf = false;
    while (rev < changes)
        rev = patch_copy(&scene, &slow, &copy);
    assert_true(counts(&scene).patches_out < (uint64_t)changes / 2);
    now = peer_call(&scene, &fast, "room.state", "{\"room\":\"heron\"}");
    assert_true(hg_patch_equal(copy, now));
    json_decref(now);
    json_decref(copy);
    peer_close(&slow);
    peer_close(&fast);
    scene_release(&scene);
}

static void test_api_server__limits_watches(void **state)
{
    struct scene scene;
    struct peer peer;
    json_t *answer;

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .watches = 1 });
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    for (int i = 0; i < 2; i++) /* again is not one more */
        json_decref(
            peer_call(&scene, &peer, "room.watch", "{\"room\":\"heron\"}"));
    peer_text(&scene, &peer,
              "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"room.watch\","
              "\"params\":{\"room\":\"otter\"}}");
    answer = peer_json(&scene, &peer);
    assert_int_equal(json_integer_value(json_object_get(
                         json_object_get(answer, "error"), "code")),
                     1006);
    json_decref(answer);
    assert_int_equal(counts(&scene).watches, 1);
    peer_close(&peer);
    scene_release(&scene);
}

/* -- closing ---------------------------------------------------------------*/

/* Asks and asks and never reads: closed with a reason, if it then reads. */
static void test_api_server__closes_those_who_do_not_read(void **state)
{
    static const char ask[] =
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"room.list\"}";
    struct scene scene;
    struct peer peer;
    char reason[126];

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .queue_bytes = 65536 });
    scene_listen(&scene);
    scene.fake.padding = 16384;
    peer_sign_in(&scene, &peer, "owner");
    peer.is_deaf = true;
    for (int i = 0; counts(&scene).closed_slow == 0 && i < 1000; i++) {
        peer_text(&scene, &peer, ask);
        turn(&scene);
    }
    assert_int_equal(counts(&scene).closed_slow, 1);

    peer.is_deaf = false;
    assert_int_equal(peer_closed(&scene, &peer, reason), 1013);
    assert_non_null(strstr(reason, "not read"));
    peer_close(&peer);
    scene_release(&scene);
}

/* And when it never reads again, its place is free all the same. */
static void test_api_server__ends_those_who_never_read_again(void **state)
{
    static const char ask[] =
        "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"room.list\"}";
    struct scene scene;
    struct peer peer;

    (void)state;
    scene_init(&scene,
               (struct hg_api_limits) { .queue_bytes = 65536, .close_ms = 20 });
    scene_listen(&scene);
    scene.fake.padding = 16384;
    peer_sign_in(&scene, &peer, "owner");
    peer.is_deaf = true;
    for (int i = 0; counts(&scene).closed_slow == 0 && i < 1000; i++) {
        peer_text(&scene, &peer, ask);
        turn(&scene);
    }
    for (int i = 0; counts(&scene).connections > 0 && i < TURNS_MAX; i++)
        turn(&scene);
    assert_int_equal(counts(&scene).connections, 0);
    peer_close(&peer);
    scene_release(&scene);
}

static void test_api_server__takes_one_long_answer_whole(void **state)
{
    struct scene scene;
    struct peer peer;
    json_t *result;

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .queue_bytes = 65536 });
    scene_listen(&scene);
    scene.fake.padding = 300000;
    peer_sign_in(&scene, &peer, "owner");
    result = peer_call(&scene, &peer, "room.list", "{}");
    assert_int_equal(json_array_size(json_object_get(result, "rooms")), 2);
    json_decref(result);
    assert_int_equal(counts(&scene).closed_slow, 0);
    peer_close(&peer);
    scene_release(&scene);
}

static void test_api_server__closes_whose_access_has_ended(void **state)
{
    struct hg_actor guest = { .role = HG_ROLE_GUEST, .id = "g-1" };
    struct hg_actor other = { .role = HG_ROLE_GUEST, .id = "g-2" };
    struct scene scene;
    struct peer peer[3];
    char reason[126];

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer[0], "guest");
    peer_sign_in(&scene, &peer[1], "manager");
    peer_sign_in(&scene, &peer[2], "guest");
    json_decref(
        peer_call(&scene, &peer[0], "room.watch", "{\"room\":\"heron\"}"));

    assert_int_equal(hg_api_close_actor(scene.server, &other, 4001, "x"), 0);
    assert_int_equal(hg_api_close_actor(scene.server, &guest,
                                        HG_API_CLOSE_ACCESS_ENDED,
                                        "the code was changed"),
                     2);
    change(&scene, 0); /* nothing more of the room for them */
    for (size_t i = 0; i < 3; i += 2) {
        assert_int_equal(peer_closed(&scene, &peer[i], reason), 4001);
        assert_string_equal(reason, "the code was changed");
    }
    assert_int_equal(counts(&scene).patches_out, 0);
    json_decref(peer_call(&scene, &peer[1], "room.list", "{}"));
    for (size_t i = 0; i < 3; i++)
        peer_close(&peer[i]);
    scene_release(&scene);
}

static void test_api_server__says_goodbye_when_it_stops(void **state)
{
    struct scene scene;
    struct peer peer;
    struct peer late;
    char reason[126];

    (void)state;
    scene_init(&scene, NO_LIMITS);
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    hg_api_server_close_all(scene.server);
    assert_int_equal(peer_closed(&scene, &peer, reason), 1001);
    peer_connect(&scene, &late);
    assert_string_equal(peer_all(&scene, &late), "");
    peer_close(&peer);
    peer_close(&late);
    scene_release(&scene);
}

static void test_api_server__pings_the_silent_and_drops_the_dead(void **state)
{
    struct scene scene;
    struct peer peer;
    struct frame frame;

    (void)state;
    scene_init(&scene, (struct hg_api_limits) { .ping_s = 1, .hang_up_s = 2 });
    scene_listen(&scene);
    peer_sign_in(&scene, &peer, "owner");
    frame = peer_next(&scene, &peer);
    assert_int_equal(frame.opcode, 9);
    free(frame.text);
    (void)peer_all(&scene, &peer); /* we do not answer */
    assert_int_equal(counts(&scene).callers, 0);
    peer_close(&peer);
    scene_release(&scene);
}

/* -- TLS -------------------------------------------------------------------*/

static void write_pem(const char *path, EVP_PKEY *key, X509 *cert)
{
    FILE *file = fopen(path, "we");

    assert_non_null(file);
    if (cert != NULL)
        assert_int_equal(PEM_write_X509(file, cert), 1);
    else
        assert_int_equal(
            PEM_write_PrivateKey(file, key, NULL, NULL, 0, NULL, NULL), 1);
    assert_int_equal(fclose(file), 0);
}

/* A self-signed certificate and its key, in files. */
static void make_certificate(const char *cert_path, const char *key_path)
{
    EVP_PKEY *key = EVP_EC_gen("P-256");
    X509 *cert = X509_new();
    X509_NAME *name;

    assert_non_null(key);
    assert_non_null(cert);
    assert_int_equal(X509_set_version(cert, X509_VERSION_3), 1);
    ASN1_INTEGER_set(X509_get_serialNumber(cert), 1);
    X509_gmtime_adj(X509_getm_notBefore(cert), -3600);
    X509_gmtime_adj(X509_getm_notAfter(cert), 3600);
    assert_int_equal(X509_set_pubkey(cert, key), 1);
    name = X509_get_subject_name(cert);
    X509_NAME_add_entry_by_txt(name, "CN", MBSTRING_ASC,
                               (const unsigned char *)"localhost", -1, -1, 0);
    X509_set_issuer_name(cert, name);
    assert_true(X509_sign(cert, key, EVP_sha256()) > 0);
    write_pem(cert_path, key, cert);
    write_pem(key_path, key, NULL);
    X509_free(cert);
    EVP_PKEY_free(key);
}

/* Shake hands with at most this version and these ciphers; the version that
 * came of it, 0 when none did. */
static int shake_hands(struct scene *scene, int max_version,
                       const char *ciphers)
{
    SSL_CTX *context = SSL_CTX_new(TLS_client_method());
    struct peer peer;
    SSL *ssl;
    int version = 0;
    int rc = -1;

    assert_non_null(context);
    SSL_CTX_set_min_proto_version(context, TLS1_VERSION);
    SSL_CTX_set_max_proto_version(context, max_version);
    SSL_CTX_set_security_level(context, 0);
    assert_int_equal(SSL_CTX_set_cipher_list(context, ciphers), 1);
    ssl = SSL_new(context);
    peer_connect(scene, &peer);
    SSL_set_fd(ssl, peer.fd);
    for (int i = 0; rc != 1 && i < TURNS_MAX; i++) {
        rc = SSL_connect(ssl);
        if (rc != 1 && SSL_get_error(ssl, rc) != SSL_ERROR_WANT_READ)
            break;
        turn(scene);
    }
    if (rc == 1)
        version = SSL_version(ssl);
    SSL_free(ssl);
    SSL_CTX_free(context);
    peer_close(&peer);
    return version;
}

static void test_api_server__speaks_tls_and_nothing_less(void **state)
{
    struct scene scene;
    struct peer peer;
    char cert[100];
    char key[100];
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;
    struct hg_api_listen listen = { .address = "127.0.0.1",
                                    .cert_file = cert,
                                    .key_file = key };

    (void)state;
    scene_init(&scene, NO_LIMITS);
    (void)snprintf(cert, sizeof(cert), "%s/cert.pem", scene.dir);
    (void)snprintf(key, sizeof(key), "%s/key.pem", scene.dir);
    make_certificate(cert, key);
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_server_listen(scene.server, &listen, &why), 0);

    assert_int_equal(shake_hands(&scene, TLS1_3_VERSION, "DEFAULT"),
                     TLS1_3_VERSION);
    assert_int_equal(shake_hands(&scene, TLS1_2_VERSION, "DEFAULT"),
                     TLS1_2_VERSION);
    assert_int_equal(shake_hands(&scene, TLS1_1_VERSION, "ALL"), 0);
    assert_int_equal(
        shake_hands(&scene, TLS1_2_VERSION, "ECDHE-ECDSA-AES128-SHA256"),
        0); /* CBC */
    peer_connect(&scene, &peer);
    peer_say(&scene, &peer, "GET /healthz HTTP/1.1\r\nHost: a\r\n\r\n");
    assert_null(strstr(peer_all(&scene, &peer), "200 OK"));
    peer_close(&peer);

    assert_int_equal(unlink(cert), 0);
    assert_int_equal(unlink(key), 0);
    scene_release(&scene);
}

static void test_api_server__refuses_a_key_of_another_certificate(void **state)
{
    struct scene scene;
    char cert[100];
    char key[100];
    char other[100];
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;
    struct hg_api_listen listen = { .address = "127.0.0.1",
                                    .cert_file = cert,
                                    .key_file = other };

    (void)state;
    scene_init(&scene, NO_LIMITS);
    (void)snprintf(cert, sizeof(cert), "%s/cert.pem", scene.dir);
    (void)snprintf(key, sizeof(key), "%s/key.pem", scene.dir);
    (void)snprintf(other, sizeof(other), "%s/other.pem", scene.dir);
    make_certificate(key, other);
    make_certificate(cert, key);
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_server_listen(scene.server, &listen, &why),
                     HG_ERR_SYSTEM);
    assert_non_null(strstr(text, "belong together"));
    assert_int_equal(unlink(cert), 0);
    assert_int_equal(unlink(key), 0);
    assert_int_equal(unlink(other), 0);
    scene_release(&scene);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_api_server__closes_broken_messages_with_a_code),
        cmocka_unit_test(test_api_server__joins_fragments),
        cmocka_unit_test(test_api_server__joins_fragments_up_to_its_limit),
        cmocka_unit_test(test_api_server__hangs_up_on_those_who_do_not_greet),
        cmocka_unit_test(test_api_server__waits_while_a_hello_is_judged),
        cmocka_unit_test(test_api_server__drops_answers_to_the_departed),
        cmocka_unit_test(test_api_server__sends_watchers_what_changed),
        cmocka_unit_test(test_api_server__sends_no_patch_before_its_state),
        cmocka_unit_test(test_api_server__tells_a_blind_watcher_everything),
        cmocka_unit_test(test_api_server__makes_one_patch_for_a_crowd),
        cmocka_unit_test(test_api_server__merges_patches_for_a_slow_watcher),
        cmocka_unit_test(test_api_server__limits_watches),
        cmocka_unit_test(test_api_server__closes_those_who_do_not_read),
        cmocka_unit_test(test_api_server__ends_those_who_never_read_again),
        cmocka_unit_test(test_api_server__takes_one_long_answer_whole),
        cmocka_unit_test(test_api_server__closes_whose_access_has_ended),
        cmocka_unit_test(test_api_server__says_goodbye_when_it_stops),
        cmocka_unit_test(test_api_server__pings_the_silent_and_drops_the_dead),
        cmocka_unit_test(test_api_server__speaks_tls_and_nothing_less),
        cmocka_unit_test(test_api_server__refuses_a_key_of_another_certificate),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
