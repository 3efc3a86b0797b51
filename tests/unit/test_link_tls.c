/*
 * TLS and host names: the certificate is checked for the name that was
 * configured, though libmosquitto is given an address. Authorities and
 * certificates are made here, with openssl's own command.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "controllers/link.h"
#include "controllers/resolver.h"
#include "test_link_fixture.h"

struct tls_world {
    struct world w; /* first: the fixture's functions take it */
    struct hg_resolver *resolver;
    int wake[2]; /* a pipe, as a loop would have */
    char ca[128], other_ca[128], cert[128], key[128];
};

static void wake_up(void *ctx)
{
    struct tls_world *t = ctx;
    ssize_t n = write(t->wake[1], "x", 1);

    (void)n; /* full: the loop is awake anyway */
}

/* Make an authority's certificate; name.key and name.crt in the folder. */
static void make_authority(struct world *w, const char *name)
{
    char crt[128];
    char key[128];
    char subject[64];
    char words[14][64] = { "openssl",
                           "req",
                           "-x509",
                           "-newkey",
                           "ec",
                           "-pkeyopt",
                           "ec_paramgen_curve:P-256",
                           "-nodes",
                           "-days",
                           "2",
                           "-subj",
                           "-out",
                           "-keyout" };
    char *argv[] = { words[0],  words[1], words[2],  words[3], words[4],
                     words[5],  words[6], words[7],  words[8], words[9],
                     words[10], subject,  words[11], crt,      words[12],
                     key,       NULL };

    (void)snprintf(subject, sizeof(subject), "/CN=%s", name);
    (void)snprintf(crt, sizeof(crt), "%s/%s.crt", w->folder, name);
    (void)snprintf(key, sizeof(key), "%s/%s.key", w->folder, name);
    run_program(argv);
}

/* Make a certificate for names (subjectAltName), signed by "ca". */
static void make_certificate(struct world *w, const char *name,
                             const char *names)
{
    char command[1024];
    char shell[] = "/bin/sh";
    char option[] = "-ec";
    char *argv[] = { shell, option, command, NULL };

    assert_true(
        (size_t)snprintf(
            command, sizeof(command),
            "cd %s; openssl req -newkey ec -pkeyopt "
            "ec_paramgen_curve:P-256 -nodes -subj /CN=%s -keyout %s.key "
            "-out %s.csr; echo subjectAltName=%s > %s.ext; openssl x509 "
            "-req -in %s.csr -CA ca.crt -CAkey ca.key -CAcreateserial "
            "-days 2 -extfile %s.ext -out %s.crt",
            w->folder, name, name, name, names, name, name, name,
            name) < sizeof(command));
    run_program(argv);
}

static int new_tls_world(void **state)
{
    struct tls_world *t = calloc(1, sizeof(*t));
    struct world *w;

    if (t == NULL || pipe2(t->wake, O_CLOEXEC | O_NONBLOCK) < 0)
        return -1;
    w = &t->w;
    (void)mosquitto_lib_init();
    w->fd = -1;
    (void)snprintf(w->folder, sizeof(w->folder), "/tmp/hg-link-XXXXXX");
    if (mkdtemp(w->folder) == NULL ||
        hg_resolver_new(wake_up, t, &t->resolver) < 0)
        return -1;
    make_authority(w, "ca");
    make_authority(w, "other");
    path_in(w, "ca.crt", t->ca, sizeof(t->ca));
    path_in(w, "other.crt", t->other_ca, sizeof(t->other_ca));
    path_in(w, "client.crt", t->cert, sizeof(t->cert));
    path_in(w, "client.key", t->key, sizeof(t->key));
    *state = t;
    return 0;
}

static int end_tls_world(void **state)
{
    struct tls_world *t = *state;

    hg_resolver_free(t->resolver);
    (void)close(t->wake[0]);
    (void)close(t->wake[1]);
    return end_world(state); /* frees t: the world is its first member */
}

static void start_tls_broker(struct world *w, const char *names,
                             const char *more)
{
    char settings[600];

    make_certificate(w, "server", names);
    assert_true((size_t)snprintf(settings, sizeof(settings),
                                 "allow_anonymous true\ncertfile "
                                 "%s/server.crt\nkeyfile %s/server.key\n%s",
                                 w->folder, w->folder,
                                 more) < sizeof(settings));
    start_broker(w, settings);
}

/* A link with TLS to host; waits until it is up or has failed. */
static void try_tls(struct tls_world *t, const char *host,
                    const struct hg_link_tls *tls)
{
    struct world *w = &t->w;
    struct hg_link_config config = config_of(w);

    config.host = host;
    config.tls = tls;
    config.resolver = t->resolver;
    make_link(w, &config);
    WAIT_FOR(w,
             (w->ups > 0 && hg_link_unacked(w->link) == 0) || w->failures > 0);
}

static void comes_up(struct tls_world *t, const char *host,
                     const struct hg_link_tls *tls)
{
    try_tls(t, host, tls);
    if (t->w.failures > 0 && t->w.ups == 0) /* ::1 before 127.0.0.1 */
        WAIT_FOR(&t->w, t->w.ups > 0);
    assert_int_equal(t->w.ups, 1);
}

static void is_refused(struct tls_world *t, const char *host,
                       const struct hg_link_tls *tls, const char *why)
{
    try_tls(t, host, tls);
    assert_int_equal(t->w.ups, 0);
    if (strstr(t->w.reason, why) == NULL) {
        print_error("got \"%s\", want \"%s\"\n", t->w.reason, why);
        fail();
    }
    assert_int_equal(t->w.downs, 0);
}

static void test_link_tls__accepts_the_right_address(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca };

    start_tls_broker(&t->w, "IP:127.0.0.1", "");
    comes_up(t, "127.0.0.1", &tls);
}

static void test_link_tls__accepts_the_right_name(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca };

    start_tls_broker(&t->w, "DNS:localhost", "");
    comes_up(t, "localhost", &tls);
}

static void test_link_tls__accepts_a_name_given_beside(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca,
                                     .name = "broker.example" };

    start_tls_broker(&t->w, "DNS:broker.example", "");
    comes_up(t, "127.0.0.1", &tls);
}

static void test_link_tls__refuses_another_name(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca,
                                     .name = "broker.example" };

    start_tls_broker(&t->w, "DNS:localhost,IP:127.0.0.1", "");
    is_refused(t, "127.0.0.1", &tls,
               "the broker's certificate was refused: hostname mismatch (it "
               "must be valid and made out to broker.example)");
}

static void test_link_tls__refuses_another_address(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca };

    start_tls_broker(&t->w, "DNS:localhost,IP:127.0.0.2", "");
    is_refused(t, "127.0.0.1", &tls, "IP address mismatch");
}

static void test_link_tls__refuses_another_authority(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->other_ca };

    start_tls_broker(&t->w, "IP:127.0.0.1", "");
    is_refused(t, "127.0.0.1", &tls,
               "the broker's certificate was refused: unable to get local "
               "issuer certificate");
}

static void test_link_tls__fails_on_a_plain_broker(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca };

    start_broker(&t->w, "allow_anonymous true");
    is_refused(t, "127.0.0.1", &tls, "the broker cannot be reached");
}

/* libmosquitto takes a hang-up within the handshake for a pause */
static void test_link_tls__notices_a_reset_handshake(void **state)
{
    const struct linger at_once = { .l_onoff = 1, .l_linger = 0 };

    for (int is_reset = 0; is_reset < 2; is_reset++) {
        struct tls_world *t = *state;
        const struct hg_link_tls tls = { .ca_file = t->ca };
        struct hg_link_config config;
        struct pollfd at = { .events = POLLIN };
        int fd;

        at.fd = bind_loopback(&t->w.port);
        assert_int_equal(listen(at.fd, 1), 0);
        config = config_of(&t->w);
        config.tls = &tls;
        make_link(&t->w, &config);
        while (poll(&at, 1, 0) == 0)
            turn(&t->w);
        fd = accept4(at.fd, NULL, NULL, SOCK_CLOEXEC);
        assert_true(fd >= 0);
        if (is_reset == 1)
            assert_int_equal(setsockopt(fd, SOL_SOCKET, SO_LINGER, &at_once,
                                        sizeof(at_once)),
                             0);
        (void)close(fd);
        WAIT_FOR(&t->w, t->w.failures == is_reset + 1);

        assert_true(hg_link_counts(t->w.link).failures == 1);
        (void)close(at.fd);
        hg_link_free(t->w.link);
        t->w.link = NULL;
    }
}

/*
 * A refusal that comes late: with its queue full a listener ignores the
 * first SYN, and when it has gone the repeated one is refused.
 */
static void test_link_tls__notices_a_late_refusal(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls tls = { .ca_file = t->ca };
    struct hg_link_config config;
    int listener = bind_loopback(&t->w.port);
    int queued;

    assert_int_equal(listen(listener, 0), 0);
    queued = connect_loopback(t->w.port);
    config = config_of(&t->w);
    config.tls = &tls;
    make_link(&t->w, &config);
    turn(&t->w);
    assert_int_equal(t->w.failures, 0);
    (void)close(listener);
    (void)close(queued);
    WAIT_FOR(&t->w, t->w.failures == 1);

    assert_non_null(strstr(t->w.reason, "the broker cannot be reached"));
}

static void test_link_tls__shows_its_own_certificate(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls with = { .ca_file = t->ca,
                                      .cert_file = t->cert,
                                      .key_file = t->key };
    char more[200];

    make_certificate(&t->w, "client", "DNS:gateway.example");
    (void)snprintf(more, sizeof(more), "cafile %s\nrequire_certificate true",
                   t->ca);
    start_tls_broker(&t->w, "IP:127.0.0.1", more);
    comes_up(t, "127.0.0.1", &with);
}

static void test_link_tls__is_turned_away_without_one(void **state)
{
    struct tls_world *t = *state;
    const struct hg_link_tls without = { .ca_file = t->ca };
    char more[200];

    (void)snprintf(more, sizeof(more), "cafile %s\nrequire_certificate true",
                   t->ca);
    start_tls_broker(&t->w, "IP:127.0.0.1", more);
    is_refused(t, "127.0.0.1", &without, "");
}

static void test_link_tls__names_bad_files(void **state)
{
    struct tls_world *t = *state;
    const struct {
        struct hg_link_tls tls;
        int want;
        const char *why;
    } row[] = {
        { { .ca_file = "/nowhere/ca" }, HG_ERR_SYSTEM, "/nowhere/ca: " },
        { { .ca_file = t->ca, .cert_file = t->ca }, HG_ERR_INPUT, "both" },
        { { .ca_file = t->ca, .key_file = t->ca }, HG_ERR_INPUT, "both" },
        { { .ca_file = t->ca, .cert_file = t->ca, .key_file = t->other_ca },
          HG_ERR_SYSTEM,
          "other.crt: the key cannot be used" },
        { { .ca_file = t->ca, .cert_file = "/nowhere/c", .key_file = t->ca },
          HG_ERR_SYSTEM,
          "/nowhere/c: the certificate cannot be loaded" },
    };

    t->w.port = 8883;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        const struct hg_link_loop loop = { t, on_watch, on_unwatch,
                                           on_want_write };
        const struct hg_link_handlers handlers = { .ctx = t };
        struct hg_link_config config = config_of(&t->w);
        struct hg_link *link = NULL;
        char text[TEXT_BYTES];
        struct hg_buf why;

        config.tls = &row[i].tls;
        hg_buf_init(&why, text, sizeof(text));
        assert_int_equal(hg_link_new(&config, &loop, &handlers, &why, &link),
                         row[i].want);
        assert_null(link);
        assert_non_null(strstr(text, row[i].why));
    }
}

/* -- the resolver -----------------------------------------------------------*/

static struct hg_resolver_answer answer_of(struct tls_world *t, uint64_t ticket)
{
    struct hg_resolver_answer answer = { .gai = 0 };
    struct pollfd at = { .fd = t->wake[0], .events = POLLIN };
    char byte;
    int err;

    for (;;) {
        err = hg_resolver_take(t->resolver, ticket, &answer);
        if (err != HG_ERR_BUSY)
            break;
        assert_int_equal(poll(&at, 1, WAIT_MS), 1); /* woken, not polled */
        assert_int_equal(read(t->wake[0], &byte, 1), 1);
    }
    assert_int_equal(err, 0);
    return answer;
}

static void test_link_resolver__looks_names_up(void **state)
{
    struct tls_world *t = *state;
    struct hg_resolver_answer answer;
    uint64_t ticket = 0;
    bool is_found = false;

    assert_int_equal(hg_resolver_ask(t->resolver, "localhost", &ticket), 0);
    answer = answer_of(t, ticket);

    assert_int_equal(answer.gai, 0);
    for (size_t i = 0; i < answer.count; i++)
        is_found |= strcmp(answer.address[i], "127.0.0.1") == 0;
    assert_true(is_found);
    assert_int_equal(hg_resolver_take(t->resolver, ticket, &answer),
                     HG_ERR_NOT_FOUND);
}

static void test_link_resolver__is_bounded(void **state)
{
    struct tls_world *t = *state;
    uint64_t ticket[HG_RESOLVER_QUEUE];
    uint64_t more = 4711;
    struct hg_resolver_answer answer;
    char name[HG_RESOLVER_HOST_BYTES + 1];

    for (size_t i = 0; i < HG_RESOLVER_QUEUE; i++)
        assert_int_equal(hg_resolver_ask(t->resolver, "localhost", &ticket[i]),
                         0);
    /* an answer that is not taken keeps its place */
    assert_int_equal(hg_resolver_ask(t->resolver, "localhost", &more),
                     HG_ERR_FULL);
    assert_int_equal(more, 4711);
    for (size_t i = 1; i < HG_RESOLVER_QUEUE; i++)
        assert_true(answer_of(t, ticket[i]).count > 0);
    assert_int_equal(hg_resolver_ask(t->resolver, "localhost", &more), 0);
    hg_resolver_drop(t->resolver, more);
    hg_resolver_drop(t->resolver, more);
    hg_resolver_drop(t->resolver, 999999);
    assert_int_equal(hg_resolver_take(t->resolver, more, &answer),
                     HG_ERR_NOT_FOUND);

    memset(name, 'a', sizeof(name));
    name[HG_RESOLVER_HOST_BYTES] = '\0';
    assert_int_equal(hg_resolver_ask(t->resolver, name, &more), HG_ERR_RANGE);
    assert_int_equal(hg_resolver_ask(t->resolver, "", &more), HG_ERR_RANGE);
}

/* a name that no name server needs to be asked for: an empty label */
static void test_link_resolver__fails_with_a_reason(void **state)
{
    struct tls_world *t = *state;
    struct hg_link_config config;

    t->w.port = 1883;
    config = config_of(&t->w);
    config.host = "no..name";
    config.resolver = t->resolver;
    make_link(&t->w, &config);
    WAIT_FOR(&t->w, t->w.failures == 1);

    assert_non_null(
        strstr(t->w.reason, "the host name \"no..name\" cannot be looked up"));
}

static void test_link_resolver__tries_each_address(void **state)
{
    struct tls_world *t = *state;
    struct hg_link_config config;

    start_broker(&t->w, "allow_anonymous true"); /* on 127.0.0.1 only */
    config = config_of(&t->w);
    config.host = "localhost"; /* ::1 first on most machines */
    config.resolver = t->resolver;
    make_link(&t->w, &config);
    WAIT_FOR(&t->w, t->w.ups == 1);
}

static void test_link_resolver__knows_addresses(void **state)
{
    (void)state;
    assert_true(hg_resolver_is_address("127.0.0.1"));
    assert_true(hg_resolver_is_address("::1"));
    assert_false(hg_resolver_is_address("localhost"));
    assert_false(hg_resolver_is_address("127.0.0"));
    assert_false(hg_resolver_is_address(""));
}

/* freeing does not wait and nobody is woken afterwards */
static void test_link_resolver__is_freed_at_any_time(void **state)
{
    struct tls_world *t = *state;

    for (int i = 0; i < 50; i++) {
        struct hg_resolver *resolver = NULL;
        uint64_t ticket;

        assert_int_equal(hg_resolver_new(wake_up, t, &resolver), 0);
        for (int n = 0; n < i % 4; n++)
            assert_int_equal(hg_resolver_ask(resolver, "localhost", &ticket),
                             0);
        hg_resolver_free(resolver);
    }
    hg_resolver_free(NULL);
}

#define TLS(test)                                                              \
    cmocka_unit_test_setup_teardown(test, new_tls_world, end_tls_world)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TLS(test_link_tls__accepts_the_right_address),
        TLS(test_link_tls__accepts_the_right_name),
        TLS(test_link_tls__accepts_a_name_given_beside),
        TLS(test_link_tls__refuses_another_name),
        TLS(test_link_tls__refuses_another_address),
        TLS(test_link_tls__refuses_another_authority),
        TLS(test_link_tls__fails_on_a_plain_broker),
        TLS(test_link_tls__notices_a_reset_handshake),
        TLS(test_link_tls__notices_a_late_refusal),
        TLS(test_link_tls__shows_its_own_certificate),
        TLS(test_link_tls__is_turned_away_without_one),
        TLS(test_link_tls__names_bad_files),
        TLS(test_link_resolver__looks_names_up),
        TLS(test_link_resolver__is_bounded),
        TLS(test_link_resolver__fails_with_a_reason),
        TLS(test_link_resolver__tries_each_address),
        TLS(test_link_resolver__knows_addresses),
        TLS(test_link_resolver__is_freed_at_any_time),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
