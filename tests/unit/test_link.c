/* The link against a real broker: up, messages, permits, echoes, down. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "controllers/link.h"
#include "test_link_fixture.h"

static const struct hg_permit PERMIT = {
    .is_heat = true,
    .serial = 117440518,
    .ttl_ms = 30000,
    .target_mc = 80000,
    .heat_id = "h-1",
};

#define PERMIT_TEXT                                                            \
    "{\"v\":1,\"serial\":117440518,\"heat\":true,\"target_c\":80,"             \
    "\"ttl_ms\":30000,\"heat_id\":\"h-1\"}"

/* which place a message has among those the peer saw; fails if none */
static size_t place_of(const struct world *w, const char *topic,
                       const char *part)
{
    const struct seen *seen = find_seen(&w->peer_seen, topic, part);

    assert_non_null(seen);
    return (size_t)(seen - w->peer_seen.seen);
}

static void comes_up_in_order(struct world *w, bool is_v311)
{
    w->revoke_on_up = (struct hg_permit) { .serial = 117440513,
                                           .why = HG_WHY_GATEWAY_RESTART };
    bring_up(w, is_v311);

    assert_int_equal(w->ups, 1);
    assert_int_equal(w->failures, 0);
    assert_true(hg_link_is_up(w->link));
    assert_int_equal(hg_link_is_v311(w->link), is_v311);
    assert_true(place_of(w, ROOT "/heron/permit", "\"heat\":false") <
                place_of(w, ROOT "/gateway", "\"online\":true"));
    assert_string_equal(
        find_seen(&w->peer_seen, ROOT "/gateway", "true")->payload,
        "{\"v\":1,\"online\":true,\"epoch\":7,\"version\":\"0.1.0\"}");
    assert_true(find_seen(&w->peer_seen, ROOT "/gateway", "true")->qos == 1);
    if (!is_v311)
        assert_true(
            find_seen(&w->peer_seen, ROOT "/gateway", "true")->is_retained);
}

static void test_link__sends_revokes_before_its_birth(void **state)
{
    comes_up_in_order(*state, false);
}

static void test_link__sends_revokes_before_its_birth_in_3_1_1(void **state)
{
    comes_up_in_order(*state, true);
}

static void test_link__hands_messages_over(void **state)
{
    struct world *w = *state;
    const struct seen *seen;

    bring_up(w, false);
    peer_says(w, ROOT "/heron/telemetry", "{\"n\":1}", 0, false);
    peer_says(w, ROOT "/heron/telemetry", "{\"n\":2}", 1, false);
    peer_says(w, ROOT "/heron/telemetry", "{\"n\":3}", 1, true);
    peer_says(w, ROOT "/heron/event", "{\"n\":4}", 1, false);
    peer_says(w, ROOT "/heron/online", "{\"n\":5}", 1, true);
    peer_says(w, ROOT "/Heron/telemetry", "{\"n\":6}", 1, false);
    peer_says(w, ROOT "/heron/state", "{\"n\":7}", 1, false);
    settle_all(w);

    seen = find_seen(&w->messages, ROOT "/heron/telemetry", "{\"n\":1}");
    assert_non_null(seen);
    assert_int_equal(seen->qos, 0);
    assert_false(seen->is_retained);
    seen = find_seen(&w->messages, ROOT "/heron/telemetry", "{\"n\":2}");
    assert_non_null(seen);
    assert_int_equal(seen->qos, 1);
    assert_false(seen->is_retained);
    assert_string_equal(seen->mac, "");
    /* Retain As Published: even a live one shows its flag */
    seen = find_seen(&w->messages, ROOT "/heron/telemetry", "{\"n\":3}");
    assert_non_null(seen);
    assert_true(seen->is_retained);
    assert_non_null(find_seen(&w->messages, ROOT "/heron/event", ":4"));
    assert_non_null(find_seen(&w->messages, ROOT "/heron/online", ":5"));
    assert_null(find_seen(&w->messages, ROOT "/Heron/telemetry", ""));
    assert_null(find_seen(&w->messages, ROOT "/heron/state", ""));
    assert_int_equal(hg_link_counts(w->link).misplaced, 1);
}

static void test_link__hears_what_was_retained_before(void **state)
{
    struct world *w = *state;
    struct hg_link_config config = config_of(w);
    const struct seen *seen;

    start_peer(w);
    WAIT_FOR(w, w->is_peer_ready);
    peer_says(w, ROOT "/gateway", "{\"v\":1,\"online\":true,\"epoch\":9}", 1,
              true);
    peer_says(w, ROOT "/heron/online", "{\"v\":1,\"online\":true}", 1, true);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/heron/online", "") != NULL);
    make_link(w, &config);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", ":7") != NULL);
    settle_all(w);

    /* the epoch of a gateway before us, not hidden by our own birth */
    seen = find_seen(&w->messages, ROOT "/gateway", "\"epoch\":9");
    assert_non_null(seen);
    assert_true(seen->is_retained);
    assert_false(seen->is_own);
    seen = find_seen(&w->messages, ROOT "/heron/online", "true");
    assert_non_null(seen);
    assert_true(seen->is_retained);
}

static void test_link__carries_request_properties(void **state)
{
    struct world *w = *state;
    mosquitto_property *list = NULL;
    const struct seen *seen;

    bring_up(w, false);
    assert_int_equal(mosquitto_property_add_string(
                         &list, MQTT_PROP_RESPONSE_TOPIC, "answers/7"),
                     0);
    assert_int_equal(mosquitto_property_add_binary(
                         &list, MQTT_PROP_CORRELATION_DATA, "c-1", 3),
                     0);
    assert_int_equal(mosquitto_property_add_string_pair(
                         &list, MQTT_PROP_USER_PROPERTY, "other", "x"),
                     0);
    assert_int_equal(mosquitto_property_add_string_pair(
                         &list, MQTT_PROP_USER_PROPERTY, "mac", "abc"),
                     0);
    assert_int_equal(mosquitto_publish_v5(w->peer, NULL, ROOT "/rpc", 2, "{}",
                                          1, false, list),
                     0);
    assert_int_equal(mosquitto_property_add_string_pair(
                         &list, MQTT_PROP_USER_PROPERTY, "mac", "abd"),
                     0);
    assert_int_equal(mosquitto_publish_v5(w->peer, NULL, ROOT "/rpc", 3, "[ ]",
                                          1, false, list),
                     0);
    mosquitto_property_free_all(&list);
    settle_all(w);

    seen = find_seen(&w->messages, ROOT "/rpc", "{}");
    assert_non_null(seen);
    assert_string_equal(seen->response_topic, "answers/7");
    assert_string_equal(seen->correlation, "c-1");
    assert_string_equal(seen->mac, "abc");
    /* two macs are none */
    seen = find_seen(&w->messages, ROOT "/rpc", "[ ]");
    assert_non_null(seen);
    assert_string_equal(seen->mac, "");
}

static void test_link__answers_with_correlation_data(void **state)
{
    struct world *w = *state;
    const struct hg_link_publication answer = {
        .topic = "answers/7",
        .payload = "{}",
        .len = 2,
        .qos = 1,
        .correlation = "c-1",
        .correlation_len = 3,
    };

    bring_up(w, false);
    assert_int_equal(hg_link_publish(w->link, &answer), 0);

    WAIT_FOR(w, find_seen(&w->peer_seen, "answers/7", "{}") != NULL);
}

static void test_link__signs_and_bounds_permits(void **state)
{
    struct world *w = *state;
    struct hg_mac *mac = NULL;
    const struct seen *seen;

    assert_int_equal(hg_mac_new("key", 3, &mac), 0);
    bring_up(w, false);
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, mac),
                     0);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/heron/permit", "") != NULL);

    seen = find_seen(&w->peer_seen, ROOT "/heron/permit", "");
    assert_string_equal(seen->payload, PERMIT_TEXT);
    assert_int_equal(seen->qos, 1);
    assert_false(seen->is_retained);
    assert_true(seen->has_expiry);
    assert_in_range(seen->expiry_s, 1, 30);
    assert_int_equal(hg_mac_verify(mac, ROOT "/heron/permit", PERMIT_TEXT,
                                   strlen(PERMIT_TEXT), seen->mac),
                     0);
    hg_mac_free(mac);

    /* a controller that connects later gets nothing */
    stop_peer(w);
    w->peer_seen.count = 0;
    start_peer(w);
    WAIT_FOR(w, w->is_peer_ready);
    settle_all(w);
    assert_non_null(find_seen(&w->peer_seen, ROOT "/gateway", "true"));
    assert_null(find_seen(&w->peer_seen, ROOT "/heron/permit", ""));
}

static void test_link__refuses_bad_publications(void **state)
{
    struct world *w = *state;
    static char big[HG_LINK_PACKET_MAX / 2 + 1];
    const struct {
        const char *label;
        struct hg_link_publication what;
        int v5, v311;
    } row[] = {
        { "plain", { .topic = "t", .payload = "x", .len = 1 }, 0, 0 },
        { "expiry", { .topic = "t", .expiry_s = 5 }, 0, 0 },
        { "empty", { .topic = "t" }, 0, 0 },
        { "no topic", { .topic = "" }, HG_ERR_INPUT, HG_ERR_INPUT },
        { "NULL topic", { .topic = NULL }, HG_ERR_INPUT, HG_ERR_INPUT },
        { "wildcard", { .topic = "a/+" }, HG_ERR_INPUT, HG_ERR_INPUT },
        { "QoS 2", { .topic = "t", .qos = 2 }, HG_ERR_INPUT, HG_ERR_INPUT },
        { "length without bytes",
          { .topic = "t", .len = 1 },
          HG_ERR_INPUT,
          HG_ERR_INPUT },
        { "mac", { .topic = "t", .mac = "ab" }, 0, HG_ERR_INPUT },
        { "empty mac",
          { .topic = "t", .mac = "" },
          HG_ERR_INPUT,
          HG_ERR_INPUT },
        { "correlation",
          { .topic = "t", .correlation = "c", .correlation_len = 1 },
          0,
          HG_ERR_INPUT },
        { "retained permit",
          { .topic = ROOT "/heron/permit", .qos = 1, .is_retained = true },
          HG_ERR_INPUT,
          HG_ERR_INPUT },
        { "permit without acknowledgement",
          { .topic = ROOT "/heron/permit", .qos = 0 },
          HG_ERR_INPUT,
          HG_ERR_INPUT },
        { "longest",
          { .topic = "t", .payload = big, .len = sizeof(big) - 1 },
          0,
          0 },
        { "too long",
          { .topic = "t", .payload = big, .len = sizeof(big) },
          HG_ERR_RANGE,
          HG_ERR_RANGE },
    };

    memset(big, 'x', sizeof(big));
    for (int v311 = 0; v311 < 2; v311++) {
        struct hg_link_config config = config_of(w);

        config.is_v311 = v311 == 1;
        make_link(w, &config);
        WAIT_FOR(w, hg_link_is_up(w->link));
        for (size_t i = 0; i < HG_COUNT(row); i++) {
            int want = v311 == 1 ? row[i].v311 : row[i].v5;
            int got = hg_link_publish(w->link, &row[i].what);

            if (got != want) {
                print_error("[%s] got %d, want %d\n", row[i].label, got, want);
                fail();
            }
        }
        assert_int_equal(hg_link_send_permit(w->link, "+", &PERMIT, 1, NULL),
                         HG_ERR_INPUT);
        WAIT_FOR(w, hg_link_unacked(w->link) == 0);
        assert_int_equal(w->downs, 0);
        hg_link_free(w->link);
        w->link = NULL;
    }
}

/* nothing is kept for later: a permit published too early never leaves */
static void test_link__keeps_nothing_while_down(void **state)
{
    struct world *w = *state;
    struct hg_link_config config = config_of(w);

    make_link(w, &config);
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     HG_ERR_CLOSED);
    (void)hg_link_tick(w->link, link_now(w)); /* TCP is connecting now */
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     HG_ERR_CLOSED);
    start_peer(w);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", "true") != NULL);
    settle_all(w);

    assert_null(find_seen(&w->peer_seen, ROOT "/heron/permit", ""));
}

static void test_link__tells_foreign_permits(void **state)
{
    struct world *w = *state;

    bring_up(w, false);
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     0);
    settle_all(w);
    /* No Local: our own does not come back */
    assert_int_equal(w->foreign.count, 0);

    /* the same bytes from another: a copy of our serial is a rival's too */
    peer_says(w, ROOT "/heron/permit", PERMIT_TEXT, 1, false);
    peer_says(w, ROOT "/heron/permit", "{\"x\":1}", 1, true);
    settle_all(w);

    assert_int_equal(w->foreign.count, 2);
    assert_string_equal(w->foreign.seen[0].payload, PERMIT_TEXT);
    assert_false(w->foreign.seen[0].is_retained);
    assert_true(w->foreign.seen[1].is_retained);
    assert_int_equal(hg_link_counts(w->link).foreign, 2);
    assert_null(find_seen(&w->messages, ROOT "/heron/permit", ""));
}

static void test_link__knows_its_echoes_in_3_1_1(void **state)
{
    struct world *w = *state;
    struct hg_permit renewal = PERMIT;

    bring_up(w, true);
    for (int i = 0; i < 20; i++) {
        renewal.serial++;
        assert_int_equal(
            hg_link_send_permit(w->link, "heron", &renewal, 30, NULL), 0);
    }
    WAIT_FOR(w, hg_link_counts(w->link).echoes == 20);
    assert_int_equal(w->foreign.count, 0);

    /* each echo is forgotten: the same bytes again are somebody else's */
    peer_says(w, ROOT "/heron/permit", w->peer_seen.seen[2].payload, 1, false);
    settle_all(w);
    assert_int_equal(w->foreign.count, 1);

    /* before the echo of ours has come, and on another room's topic */
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 30, NULL),
                     0);
    peer_says(w, ROOT "/otter/permit", PERMIT_TEXT, 1, false);
    settle_all(w);
    assert_int_equal(w->foreign.count, 2);
    assert_string_equal(w->foreign.seen[1].topic, ROOT "/otter/permit");
    assert_int_equal(hg_link_counts(w->link).echoes, 21);
}

/* permits are never retained; one that is, is no echo even if equal */
static void test_link__takes_no_retained_permit_for_its_own(void **state)
{
    struct world *w = *state;
    struct hg_link_config config = config_of(w);

    config.is_v311 = true;
    start_peer(w);
    WAIT_FOR(w, w->is_peer_ready);
    peer_says(w, ROOT "/heron/permit", "{\"v\":1,\"serial\":5,\"heat\":false}",
              1, true);
    WAIT_FOR(w, w->peer_seen.count == 1);
    w->revoke_on_up.serial = 5;
    make_link(w, &config);
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", "true") != NULL);
    settle_all(w);

    assert_int_equal(w->foreign.count, 1);
    assert_true(w->foreign.seen[0].is_retained);
}

static void knows_its_birth(struct world *w, bool is_v311)
{
    const struct seen *seen;

    bring_up(w, is_v311);
    peer_says(w, ROOT "/gateway", "{\"v\":1,\"online\":true,\"epoch\":8}", 1,
              false);
    settle_all(w);
    assert_int_equal(hg_link_set_epoch(w->link, 9), 0);
    WAIT_FOR(w, find_seen(&w->messages, ROOT "/gateway", ":9") != NULL);

    seen = find_seen(&w->messages, ROOT "/gateway", ":7");
    assert_non_null(seen);
    assert_true(seen->is_own);
    seen = find_seen(&w->messages, ROOT "/gateway", ":8");
    assert_non_null(seen);
    assert_false(seen->is_own);
    seen = find_seen(&w->messages, ROOT "/gateway", ":9");
    assert_true(seen->is_own);
    assert_int_equal(hg_link_set_epoch(w->link, HG_EPOCH_LIMIT), HG_ERR_RANGE);
}

static void test_link__knows_its_birth(void **state)
{
    knows_its_birth(*state, false);
}

static void test_link__knows_its_birth_in_3_1_1(void **state)
{
    knows_its_birth(*state, true);
}

static void leaves_a_will(struct world *w, bool is_v311, bool is_orderly)
{
    bring_up(w, is_v311);
    w->peer_seen.count = 0;

    if (is_orderly) {
        hg_link_leave(w->link);
        assert_false(hg_link_is_up(w->link));
        assert_int_equal(w->fd, -1);
    } else {
        hg_link_free(w->link);
        w->link = NULL;
    }
    WAIT_FOR(w, find_seen(&w->peer_seen, ROOT "/gateway", "") != NULL);

    assert_string_equal(
        w->peer_seen.seen[0].payload,
        "{\"v\":1,\"online\":false,\"epoch\":7,\"version\":\"0.1.0\"}");
    assert_true(w->peer_seen.seen[0].is_retained);
    assert_int_equal(w->downs, 0);
}

static void test_link__leaves_a_will(void **state)
{
    leaves_a_will(*state, false, false);
}

static void test_link__says_goodbye(void **state)
{
    leaves_a_will(*state, false, true);
}

static void test_link__says_goodbye_in_3_1_1(void **state)
{
    leaves_a_will(*state, true, true);
}

static void test_link__does_not_come_back_after_goodbye(void **state)
{
    struct world *w = *state;

    bring_up(w, false);
    hg_link_leave(w->link);
    w->ahead_ms = 3600000;
    for (int i = 0; i < 50; i++)
        (void)hg_link_tick(w->link, link_now(w));

    assert_int_equal(w->fd, -1);
    assert_int_equal(w->ups, 1);
    assert_int_equal(hg_link_send_permit(w->link, "heron", &PERMIT, 1, NULL),
                     HG_ERR_CLOSED);
}

/* packets beyond our limit are kept away by an MQTT 5 broker */
static void test_link__is_spared_huge_packets(void **state)
{
    struct world *w = *state;
    char *huge = malloc(2 * HG_LINK_PACKET_MAX);

    assert_non_null(huge);
    memset(huge, 'x', 2 * HG_LINK_PACKET_MAX);
    bring_up(w, false);
    assert_int_equal(mosquitto_publish(w->peer, NULL, ROOT "/heron/telemetry",
                                       2 * HG_LINK_PACKET_MAX, huge, 1, false),
                     0);
    free(huge);
    settle_all(w);

    assert_null(find_seen(&w->messages, ROOT "/heron/telemetry", ""));
    assert_int_equal(w->downs, 0);
}

#define BROKER(test)                                                           \
    cmocka_unit_test_setup_teardown(test, new_world_with_broker, end_world)

int main(void)
{
    const struct CMUnitTest tests[] = {
        BROKER(test_link__sends_revokes_before_its_birth),
        BROKER(test_link__sends_revokes_before_its_birth_in_3_1_1),
        BROKER(test_link__hands_messages_over),
        BROKER(test_link__hears_what_was_retained_before),
        BROKER(test_link__carries_request_properties),
        BROKER(test_link__answers_with_correlation_data),
        BROKER(test_link__signs_and_bounds_permits),
        BROKER(test_link__refuses_bad_publications),
        BROKER(test_link__keeps_nothing_while_down),
        BROKER(test_link__tells_foreign_permits),
        BROKER(test_link__knows_its_echoes_in_3_1_1),
        BROKER(test_link__takes_no_retained_permit_for_its_own),
        BROKER(test_link__knows_its_birth),
        BROKER(test_link__knows_its_birth_in_3_1_1),
        BROKER(test_link__leaves_a_will),
        BROKER(test_link__says_goodbye),
        BROKER(test_link__says_goodbye_in_3_1_1),
        BROKER(test_link__does_not_come_back_after_goodbye),
        BROKER(test_link__is_spared_huge_packets),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
