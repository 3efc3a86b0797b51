/*
 * The Thing Description that is served. Whether it is one at all is judged by
 * others (tests/outside/npm); here: where it says the gateway is. URIs: RFC
 * 3986, sections 2.3 (unreserved) and 3.2.2 (IPv6 in brackets).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "service/wot.h"
#include "test_config_fixture.h"
#include <jansson.h>

#define ROOMS                                                                  \
    "\"rooms\":{\"heron\":{\"usage_class\":\"private\",\"heater_kw\":6,"       \
    "\"volume_m3\":8.5,\"target_min_c\":45.5},\"otter\":{\"usage_class\":"     \
    "\"semi-public\",\"heater_kw\":9,\"volume_m3\":14,\"target_max_c\":95,"    \
    "\"session_cap_min\":500}}"

static json_t *thing_of(struct config_fixture *fixture, const char *settings)
{
    char text[1024];
    char *td;
    json_t *thing;

    (void)snprintf(text, sizeof(text), "{%s%s}", settings, ROOMS);
    assert_int_equal(config_read(fixture, text), 0);
    td = hg_wot_text(fixture->config);
    assert_non_null(td);
    assert_null(strstr(td, "{{"));
    thing = json_loads(td, 0, NULL);
    free(td);
    assert_non_null(thing);
    return thing;
}

/* member of an object; a number is the place in an array */
static const json_t *at(const json_t *json, const char *path)
{
    char name[64];

    while (*path != '\0') {
        size_t len = strcspn(path, "/");

        assert_true(len < sizeof(name));
        memcpy(name, path, len);
        name[len] = '\0';
        json = json_is_array(json) ? json_array_get(json, (size_t)atoi(name))
                                   : json_object_get(json, name);
        path += len + (path[len] == '/');
    }
    return json;
}

static const char *text_at(const json_t *json, const char *path)
{
    return json_string_value(at(json, path));
}

static void test_wot__says_where_the_gateway_is(void **state)
{
    static const struct {
        const char *label, *settings, *state, *watch, *health;
    } row[] = {
        { "defaults", "", "mqtt://127.0.0.1:1883/heatgate/v1/{room}/state",
          "ws://127.0.0.1:8443/v1/rpc", "http://127.0.0.1:8443/healthz" },
        { "IPv6, another root",
          "\"listen\":{\"address\":\"::1\",\"port\":9000},\"broker\":{"
          "\"host\":\"broker.example\",\"topic_root\":\"a b/\\u00e9\"},",
          "mqtt://broker.example:1883/a%20b/%C3%A9/{room}/state",
          "ws://[::1]:9000/v1/rpc", "http://[::1]:9000/healthz" },
        { "the broker beside the gateway, seen from elsewhere",
          "\"listen\":{\"address\":\"192.0.2.7\",\"allow_cleartext\":true},",
          "mqtt://192.0.2.7:1883/heatgate/v1/{room}/state",
          "ws://192.0.2.7:8443/v1/rpc", "http://192.0.2.7:8443/healthz" },
    };

    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        json_t *thing = thing_of(*state, row[i].settings);

        HG_CHECK_STR(row[i].label,
                     text_at(thing, "properties/state/forms/0/href"),
                     row[i].state);
        HG_CHECK_STR(row[i].label,
                     text_at(thing, "properties/state/forms/1/href"),
                     row[i].watch);
        HG_CHECK_STR(row[i].label,
                     text_at(thing, "properties/health/forms/0/href"),
                     row[i].health);
        json_decref(thing);
    }
}

static void test_wot__everywhere_is_no_address(void **state)
{
    char host[256] = "";
    char want[300];
    json_t *thing = thing_of(*state, "\"listen\":{\"address\":\"0.0.0.0\","
                                     "\"allow_cleartext\":true},");

    assert_int_equal(gethostname(host, sizeof(host) - 1), 0);
    (void)snprintf(want, sizeof(want), "ws://%s:8443/v1/rpc", host);
    assert_string_equal(text_at(thing, "properties/state/forms/1/href"), want);
    json_decref(thing);
}

static void test_wot__names_rooms_and_their_widest_ranges(void **state)
{
    json_t *thing = thing_of(*state, "");
    const json_t *params =
        at(thing, "actions/heat.start/input/properties/params/properties");

    assert_int_equal(json_array_size(at(thing, "uriVariables/room/enum")), 2);
    assert_string_equal(text_at(thing, "uriVariables/room/enum/0"), "heron");
    assert_string_equal(text_at(thing, "uriVariables/room/enum/1"), "otter");
    assert_true(json_number_value(at(params, "target_c/minimum")) == 40);
    assert_true(json_number_value(at(params, "target_c/maximum")) == 95);
    assert_int_equal(json_integer_value(at(params, "duration_min/maximum")),
                     500);
    assert_null(at(thing, "@type")); /* no Thing Model any more */
    json_decref(thing);
}

static void test_wot__says_what_signs_in(void **state)
{
    json_t *thing = thing_of(*state, "");

    assert_string_equal(text_at(thing, "security/0"), "nosec_sc");
    assert_string_equal(text_at(thing, "actions/heat.stop/forms/0/security/0"),
                        "token_sc");
    assert_string_equal(text_at(thing, "properties/metrics/forms/0/security/0"),
                        "nosec_sc");
    json_decref(thing);

    config_file(*state, "secret", "word\n", 0600);
    thing = thing_of(*state, "\"listen\":{\"address\":\"192.0.2.7\","
                             "\"allow_cleartext\":true},\"broker\":{"
                             "\"username\":\"heatgate\",\"password_file\":"
                             "\"secret\"},");
    assert_string_equal(text_at(thing, "security/0"), "broker_sc");
    assert_string_equal(text_at(thing, "actions/heat.stop/forms/0/security/1"),
                        "token_sc");
    assert_string_equal(text_at(thing, "properties/metrics/forms/0/security/0"),
                        "bearer_sc");
    json_decref(thing);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_wot__says_where_the_gateway_is,
                                        config_setup, config_teardown),
        cmocka_unit_test_setup_teardown(test_wot__everywhere_is_no_address,
                                        config_setup, config_teardown),
        cmocka_unit_test_setup_teardown(
            test_wot__names_rooms_and_their_widest_ranges, config_setup,
            config_teardown),
        cmocka_unit_test_setup_teardown(test_wot__says_what_signs_in,
                                        config_setup, config_teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
