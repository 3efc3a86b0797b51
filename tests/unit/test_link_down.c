/* The link when things go wrong: brokers that die, refuse or fall silent. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "controllers/link.h"
#include "check.h"
#include "test_link_fixture.h"

static const struct hg_permit PERMIT = {
    .is_heat = true,
    .serial = 117440518,
    .ttl_ms = 30000,
    .target_mc = 80000,
    .heat_id = "h-1",
};

static bool has_reason(const struct world *w, const char *part)
{
    return strstr(w->reason, part) != NULL;
}

static void test_link_down__comes_back_by_itself(void **state)
{
    struct world *w = *state;

    bring_up(w, false);
    stop_peer(w);
    kill_broker(w);
    WAIT_FOR(w, w->downs == 1);
    assert_true(w->reason[0] != '\0');
    assert_false(hg_link_is_up(w->link));
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     HG_ERR_CLOSED);
    WAIT_FOR(w, w->failures > 0);
    assert_true(has_reason(w, "the broker cannot be reached"));

    w->peer_seen.count = 0;
    w->messages.count = 0;
    start_broker(w, "allow_anonymous true");
    start_peer(w);
    WAIT_FOR(w, w->ups == 2);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", "true") != NULL);
    settle_all(w);

    assert_int_equal(w->downs, 1);
    assert_null(find_seen(&w->peer_seen, ROOT "/heron/permit", ""));
    assert_int_equal(hg_link_counts(w->link).connects, 2);
}

/*
 * A permit that the broker never took is lost with the connection. A stopped
 * broker (SIGSTOP) keeps the socket open and answers nothing.
 */
static void test_link_down__sends_nothing_again(void **state)
{
    struct world *w = *state;

    bring_up(w, false);
    stop_peer(w);
    assert_int_equal(kill(w->broker, SIGSTOP), 0);
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     0);
    assert_int_equal(hg_link_unacked(w->link), 1);
    kill_broker(w);
    WAIT_FOR(w, w->downs == 1);
    assert_int_equal(hg_link_unacked(w->link), 0);

    w->peer_seen.count = 0;
    w->messages.count = 0;
    start_broker(w, "allow_anonymous true");
    start_peer(w);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", "true") != NULL);
    settle_all(w);

    assert_null(find_seen(&w->peer_seen, ROOT "/heron/permit", ""));
}

static void test_link_down__leaves_a_silent_broker(void **state)
{
    struct world *w = *state;

    bring_up(w, false);
    stop_peer(w);
    assert_int_equal(kill(w->broker, SIGSTOP), 0);
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     0);
    w->ahead_ms += HG_LINK_ACK_MS - 1000; /* one second before the limit */
    (void)hg_link_tick(w->link, link_now(w));
    assert_int_equal(w->downs, 0);

    w->ahead_ms += 1001;
    (void)hg_link_tick(w->link, link_now(w));

    assert_int_equal(w->downs, 1);
    assert_string_equal(w->reason,
                        "the broker has acknowledged nothing for 10 s");
}

static void test_link_down__gives_up_an_unanswered_connect(void **state)
{
    struct world *w = *state;
    int listener = bind_loopback(&w->port);
    struct hg_link_config config = config_of(w);

    assert_int_equal(listen(listener, 1), 0); /* and nobody answers */
    make_link(w, &config);
    turn(w);
    turn(w);
    w->ahead_ms += HG_LINK_CONNECT_MS - 1000;
    turn(w);
    assert_int_equal(w->failures, 0);

    w->ahead_ms += 1001;
    turn(w);

    assert_int_equal(w->failures, 1);
    assert_string_equal(w->reason, "the broker did not answer within 10 s");
    assert_int_equal(w->downs, 0);
    (void)close(listener);
}

/* Drive the link at a moment until the attempt under way has failed. */
static void fail_at(struct world *w, struct hg_mono now, int failures)
{
    while (w->failures < failures) {
        struct pollfd at = { .fd = w->fd, .events = POLLIN };

        assert_true(w->fd >= 0);
        assert_int_equal(poll(&at, 1, WAIT_MS), 1);
        hg_link_readable(w->link, now);
    }
    assert_int_equal(w->failures, failures);
}

/* 250 ms doubling to 30 s, up to a quarter more, on the link's own clock */
static void test_link_down__doubles_its_pauses(void **state)
{
    static const uint64_t PAUSES[] = { 250,  500,   1000,  2000,  4000,
                                       8000, 16000, 30000, 30000, 30000 };
    struct world *w = *state;
    struct hg_mono now = { 1000000 };
    struct hg_link_config config;

    (void)close(bind_loopback(&w->port)); /* nobody listens there */
    config = config_of(w);
    make_link(w, &config);
    (void)hg_link_tick(w->link, now);
    fail_at(w, now, 1);
    for (int i = 0; i < (int)HG_COUNT(PAUSES); i++) {
        uint64_t most = PAUSES[i] + PAUSES[i] / 4;
        uint64_t slept = 0;

        for (;;) {
            uint64_t step = hg_link_tick(w->link, now);

            if (w->fd >= 0 || w->failures > i + 1)
                break; /* it tries again */
            assert_in_range(step, 1, 1000);
            now.ms += step;
            slept += step;
            assert_true(slept <= most && slept <= HG_LINK_RETRY_MAX_MS);
        }
        assert_true(slept >= PAUSES[i]);
        fail_at(w, now, i + 2);
    }
}

static void test_link_down__hints_at_a_twin(void **state)
{
    struct world *w = *state;
    struct mosquitto *twin;

    bring_up(w, false);
    twin = mosquitto_new("heatgate", true, NULL);
    assert_non_null(twin);
    assert_int_equal(mosquitto_connect(twin, "127.0.0.1", w->port, 60), 0);
    (void)mosquitto_loop_write(twin, 1);
    WAIT_FOR(w, w->downs == 1);

    assert_string_equal(w->reason,
                        "the connection was lost: the broker hung up; if "
                        "that goes on, see that no other client uses the "
                        "client id \"heatgate\"");
    mosquitto_destroy(twin);
}

static void refuses_without_password(struct world *w, bool is_v311,
                                     const char *want)
{
    struct hg_link_config config;

    start_broker(w, "allow_anonymous false");
    config = config_of(w);
    config.is_v311 = is_v311;
    make_link(w, &config);
    WAIT_FOR(w, w->failures == 1);

    assert_string_equal(w->reason, want);
    assert_int_equal(w->ups, 0);
}

static void test_link_down__says_that_it_was_refused(void **state)
{
    refuses_without_password(
        *state, false, "the broker refused the connection: Not authorized");
}

static void test_link_down__says_that_it_was_refused_in_3_1_1(void **state)
{
    refuses_without_password(*state, true,
                             "the broker refused the connection: Connection "
                             "Refused: not authorised.");
}

/* a broker with a user, and an access list that forbids one room's permits */
static void start_strict_broker(struct world *w, char *password_path,
                                size_t cap)
{
    char users[128];
    char settings[400];
    char program[] = "mosquitto_passwd";
    char option[] = "-b";
    char name[] = "gate";
    char password[] = "secret";
    char *argv[] = { program, option, users, name, password, NULL };

    path_in(w, "users", users, sizeof(users));
    write_in(w, "users", "");
    write_in(w, "access",
             "user gate\ntopic readwrite #\n"
             "topic deny " ROOT "/otter/permit\n");
    run_program(argv);
    (void)snprintf(settings, sizeof(settings),
                   "allow_anonymous false\npassword_file %s\nacl_file "
                   "%s/access",
                   users, w->folder);
    start_broker(w, settings);
    write_in(w, "password", "secret\n");
    path_in(w, "password", password_path, cap);
}

static void test_link_down__signs_in_with_a_password_file(void **state)
{
    struct world *w = *state;
    char path[128];
    struct hg_link_config config;

    start_strict_broker(w, path, sizeof(path));
    config = config_of(w);
    config.username = "gate";
    config.password_file = path;
    make_link(w, &config);
    WAIT_FOR(w, w->ups == 1 && hg_link_unacked(w->link) == 0);
    assert_int_equal(w->failures, 0);

    /* the access list refuses one of our messages; we are told */
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     0);
    assert_int_equal(hg_link_send_permit(w->link, "otter", &PERMIT, 30, NULL),
                     0);
    WAIT_FOR(w, w->refusals == 1);
    WAIT_FOR(w, hg_link_unacked(w->link) == 0);

    assert_true(has_reason(w, "Not authorized; check its access list"));
    assert_int_equal(w->refusals, 1);
    assert_int_equal(hg_link_counts(w->link).refused, 1);
}

/* -- a broker of our own making, for answers that mosquitto never gives ----*/

static void read_exactly(struct world *w, int fd, uint8_t *bytes, size_t len)
{
    for (size_t got = 0; got < len;) {
        ssize_t n = recv(fd, bytes + got, len - got, MSG_DONTWAIT);

        assert_true(n != 0);
        if (n > 0)
            got += (size_t)n;
        else
            turn(w);
    }
}

/* Read one packet of at most 127 bytes (MQTT 3.1.1 section 2.2). */
static uint8_t read_packet(struct world *w, int fd, uint8_t *body)
{
    uint8_t head[2];

    read_exactly(w, fd, head, 2);
    assert_true(head[1] < 128);
    read_exactly(w, fd, body, head[1]);
    return (uint8_t)(head[0] >> 4);
}

static int accept_link(struct world *w, int listener)
{
    struct pollfd at = { .fd = listener, .events = POLLIN };

    assert_int_equal(listen(listener, 1), 0);
    while (poll(&at, 1, 0) == 0)
        turn(w);
    return accept4(listener, NULL, NULL, SOCK_CLOEXEC);
}

static void test_link_down__needs_every_subscription(void **state)
{
    static const uint8_t connack[] = { 0x20, 2, 0, 0 };
    struct world *w = *state;
    int listener = bind_loopback(&w->port);
    struct hg_link_config config = config_of(w);
    uint8_t body[128];
    uint8_t suback[] = { 0x90, 3, 0, 0, 0x80 };
    int fd;

    config.is_v311 = true;
    make_link(w, &config);
    fd = accept_link(w, listener);
    assert_int_equal(read_packet(w, fd, body), 1);
    assert_int_equal(write(fd, connack, sizeof(connack)), sizeof(connack));
    while (read_packet(w, fd, body) != 8)
        ; /* nothing is published before the subscriptions here */
    suback[2] = body[0];
    suback[3] = body[1];
    assert_int_equal(write(fd, suback, sizeof(suback)), sizeof(suback));
    WAIT_FOR(w, w->downs == 1);

    assert_string_equal(w->reason,
                        "the broker refused the subscription to "
                        "heatgate/v1/gateway (code 128); its access "
                        "list must allow it");
    (void)close(fd);
    (void)close(listener);
}

/* ready means: everything that must be heard is subscribed to */
static void test_link_down__is_born_after_all_subscriptions(void **state)
{
    static const uint8_t connack[] = { 0x20, 2, 0, 0 };
    struct world *w = *state;
    int listener = bind_loopback(&w->port);
    struct hg_link_config config = config_of(w);
    uint8_t body[128];
    uint8_t suback[] = { 0x90, 3, 0, 0, 1 };
    uint8_t byte;
    int fd;

    config.is_v311 = true;
    make_link(w, &config);
    fd = accept_link(w, listener);
    assert_int_equal(read_packet(w, fd, body), 1);
    assert_int_equal(write(fd, connack, sizeof(connack)), sizeof(connack));
    for (int i = 0; i < 6; i++) {
        assert_int_equal(read_packet(w, fd, body), 8);
        suback[2] = body[0];
        suback[3] = body[1];
        if (i == 5) { /* five of six are confirmed: nothing else yet */
            turn(w);
            turn(w);
            assert_int_equal(recv(fd, &byte, 1, MSG_DONTWAIT), -1);
        }
        assert_int_equal(write(fd, suback, sizeof(suback)), sizeof(suback));
    }
    assert_int_equal(read_packet(w, fd, body), 3); /* PUBLISH */
    (void)close(fd);
    (void)close(listener);
}

/* MQTT 5 section 3.14.2.1: the broker says why it ends the connection */
static void test_link_down__says_who_took_its_name(void **state)
{
    static const uint8_t connack[] = { 0x20, 3, 0, 0, 0 };
    static const uint8_t disconnect[] = { 0xe0, 1, 0x8e };
    struct world *w = *state;
    int listener = bind_loopback(&w->port);
    struct hg_link_config config = config_of(w);
    uint8_t body[128];
    int fd;

    make_link(w, &config);
    fd = accept_link(w, listener);
    assert_int_equal(read_packet(w, fd, body), 1);
    assert_int_equal(write(fd, connack, sizeof(connack)), sizeof(connack));
    WAIT_FOR(w, w->ups == 1);
    assert_int_equal(write(fd, disconnect, sizeof(disconnect)),
                     sizeof(disconnect));
    WAIT_FOR(w, w->downs == 1);

    assert_string_equal(w->reason,
                        "another client connected with the client id "
                        "\"heatgate\"; give each its own");
    (void)close(fd);
    (void)close(listener);
}

/* MQTT 5 section 3.2.2.3.4: a broker may offer less than we need */
static void test_link_down__needs_qos_1(void **state)
{
    static const uint8_t connack[] = { 0x20, 5, 0, 0, 2, 0x24, 0 };
    struct world *w = *state;
    int listener = bind_loopback(&w->port);
    struct hg_link_config config = config_of(w);
    uint8_t body[128];
    int fd;

    make_link(w, &config);
    fd = accept_link(w, listener);
    assert_int_equal(read_packet(w, fd, body), 1);
    assert_int_equal(write(fd, connack, sizeof(connack)), sizeof(connack));
    WAIT_FOR(w, w->failures == 1);

    assert_true(has_reason(w, "no QoS 1"));
    assert_int_equal(w->ups, 0);
    (void)close(fd);
    (void)close(listener);
}

static void test_link_down__survives_garbage(void **state)
{
    struct world *w = *state;
    int listener = bind_loopback(&w->port);
    struct hg_link_config config = config_of(w);
    uint8_t body[128];
    uint8_t noise[64];

    memset(noise, 0xff, sizeof(noise));
    make_link(w, &config);
    for (int i = 0; i < 3; i++) {
        int fd = accept_link(w, listener);

        assert_int_equal(read_packet(w, fd, body), 1);
        noise[0] = (uint8_t)(i * 0x30);
        assert_int_equal(write(fd, noise, sizeof(noise)), sizeof(noise));
        WAIT_FOR(w, w->failures == i + 1);
        (void)close(fd);
        w->ahead_ms += HG_LINK_RETRY_MAX_MS;
    }
    (void)close(listener);
}

/* -- settings
 * ----------------------------------------------------------------*/

static void test_link_down__names_bad_settings(void **state)
{
    struct world *w = *state;
    char open_file[128];
    char empty_file[128];
    char long_name[300];
    const struct hg_link_loop loop = { w, on_watch, on_unwatch, on_want_write };
    const struct hg_link_handlers handlers = { .ctx = w };
    const struct {
        const char *label;
        struct hg_link_config change; /* members that are not 0 */
        bool is_cleared;              /* the member is to be empty instead */
        int want;
        const char *why;
    } row[] = {
        { "kind",
          { .kind = (enum hg_link_kind)99 },
          false,
          HG_ERR_INPUT,
          "kind" },
        { "host", { .host = "" }, false, HG_ERR_INPUT, "host" },
        { "long host", { .host = long_name }, false, HG_ERR_INPUT, "host" },
        { "name without resolver",
          { .host = "localhost" },
          false,
          HG_ERR_INPUT,
          "cannot be looked up" },
        { "port", { .port = 0 }, true, HG_ERR_INPUT, "port" },
        { "client id", { .client_id = "" }, false, HG_ERR_INPUT, "client_id" },
        { "root", { .root = "a/#" }, false, HG_ERR_INPUT, "topic_root" },
        { "username", { .username = "" }, false, HG_ERR_INPUT, "username" },
        { "password without user",
          { .password_file = open_file },
          false,
          HG_ERR_INPUT,
          "a username is wanted" },
        { "keepalive", { .keepalive_s = 4 }, false, HG_ERR_INPUT, "keepalive" },
        { "epoch", { .epoch = HG_EPOCH_LIMIT }, false, HG_ERR_INPUT, "epoch" },
        { "password for all to read",
          { .username = "u", .password_file = open_file },
          false,
          HG_ERR_DENIED,
          "chmod 600" },
        { "empty password",
          { .username = "u", .password_file = empty_file },
          false,
          HG_ERR_INPUT,
          "one line" },
        { "no password file",
          { .username = "u", .password_file = "/nowhere/x" },
          false,
          HG_ERR_SYSTEM,
          "/nowhere/x: No such file" },
    };

    memset(long_name, 'a', sizeof(long_name));
    long_name[299] = '\0';
    write_in(w, "open", "secret\n");
    write_in(w, "empty", "\n");
    path_in(w, "open", open_file, sizeof(open_file));
    path_in(w, "empty", empty_file, sizeof(empty_file));
    assert_int_equal(chmod(open_file, 0644), 0);
    w->port = 1883;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_link_config config = config_of(w);
        const struct hg_link_config *change = &row[i].change;
        struct hg_link *const sentinel = (struct hg_link *)(uintptr_t)w;
        struct hg_link *link = sentinel;
        char text[TEXT_BYTES];
        struct hg_buf why;

        config.kind = change->kind != 0 ? change->kind : config.kind;
        config.host = change->host != NULL ? change->host : config.host;
        config.port = row[i].is_cleared ? 0 : config.port;
        if (change->client_id != NULL)
            config.client_id = change->client_id;
        config.root = change->root != NULL ? change->root : config.root;
        config.username = change->username;
        config.password_file = change->password_file;
        config.keepalive_s = change->keepalive_s;
        config.epoch = change->epoch;
        hg_buf_init(&why, text, sizeof(text));

        HG_CHECK_EQ(row[i].label,
                    hg_link_new(&config, &loop, &handlers, &why, &link),
                    row[i].want);
        HG_CHECK_TRUE(row[i].label, link == sentinel);
        HG_CHECK_TRUE(text, strstr(text, row[i].why) != NULL);
    }
}

#define BROKER(test)                                                           \
    cmocka_unit_test_setup_teardown(test, new_world_with_broker, end_world)
#define ALONE(test) cmocka_unit_test_setup_teardown(test, new_world, end_world)

int main(void)
{
    const struct CMUnitTest tests[] = {
        BROKER(test_link_down__comes_back_by_itself),
        BROKER(test_link_down__sends_nothing_again),
        BROKER(test_link_down__leaves_a_silent_broker),
        ALONE(test_link_down__gives_up_an_unanswered_connect),
        ALONE(test_link_down__doubles_its_pauses),
        BROKER(test_link_down__hints_at_a_twin),
        ALONE(test_link_down__is_born_after_all_subscriptions),
        ALONE(test_link_down__says_who_took_its_name),
        ALONE(test_link_down__says_that_it_was_refused),
        ALONE(test_link_down__says_that_it_was_refused_in_3_1_1),
        ALONE(test_link_down__signs_in_with_a_password_file),
        ALONE(test_link_down__needs_every_subscription),
        ALONE(test_link_down__needs_qos_1),
        ALONE(test_link_down__survives_garbage),
        ALONE(test_link_down__names_bad_settings),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
