/*
 * Loading a configuration: what good ones mean, and that every problem of a
 * bad one is told with its place.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/config.h"
#include "test_config_fixture.h"

#define ROOM_BASICS                                                            \
    "\"usage_class\":\"private\",\"heater_kw\":6,\"volume_m3\":8.5"
#define HERON(more)    "{\"rooms\":{\"heron\":{" ROOM_BASICS more "}}}"
#define WITH_TOP(more) "{" more ",\"rooms\":{\"heron\":{" ROOM_BASICS "}}}"

static void test_config__reads_the_smallest_with_defaults(void **state)
{
    struct config_fixture *fixture = *state;
    const struct hg_config *config;
    const struct hg_config_room *room;

    assert_int_equal(config_read(fixture, HERON("")), 0);

    config = fixture->config;
    assert_int_equal(fixture->problems.count, 0);
    assert_string_equal(config->path, fixture->path);
    assert_string_equal(config->broker.host, "127.0.0.1");
    assert_int_equal(config->broker.port, 1883);
    assert_int_equal(config->broker.protocol, HG_CONFIG_MQTT_5);
    assert_string_equal(config->broker.client_id, "heatgate");
    assert_string_equal(config->broker.topic_root, "heatgate/v1");
    assert_null(config->broker.username);
    assert_null(config->broker.password);
    assert_false(config->broker.tls.is_on);
    assert_string_equal(config->listen.address, "127.0.0.1");
    assert_int_equal(config->listen.port, 8443);
    assert_true(config->listen.is_loopback);
    assert_false(config->listen.tls.is_on);
    assert_false(config->listen.allow_cleartext);
    assert_string_equal(config->admin_socket, "/run/heatgate/admin.sock");
    assert_string_equal(config->state_dir, "/var/lib/heatgate");
    assert_false(config->has_price);
    assert_null(config->currency);
    assert_null(config->timezone);
    assert_string_equal(config->check_in, "15:00");
    assert_string_equal(config->check_out, "11:00");
    assert_int_equal(config->wall_clock, HG_CLOCK_SYNCHRONISED);
    assert_int_equal(config->room_count, 1);
    room = hg_config_find(config, "heron");
    assert_ptr_equal(room, &config->room[0]);
    assert_null(hg_config_find(config, "otter"));
    assert_string_equal(room->label, "heron");
    assert_false(room->has_key);
    assert_string_equal(room->place_code, "");
    assert_string_equal(room->waiver, "");
}

static void test_config__reads_outputs_room_by_room(void **state)
{
    static const struct {
        const char *label, *text;
        bool has_light, has_fan;
        uint64_t run_on_ms;
    } row[] = {
        { "none", "", false, false, 0 },
        { "an empty object", ",\"outputs\":{}", false, false, 0 },
        { "a light", ",\"outputs\":{\"light\":true}", true, false, 0 },
        { "no light", ",\"outputs\":{\"light\":false}", false, false, 0 },
        { "a fan without run-on", ",\"outputs\":{\"fan_run_on_min\":0}", false,
          true, 0 },
        { "no fan", ",\"outputs\":{\"fan_run_on_min\":null}", false, false, 0 },
        { "both", ",\"outputs\":{\"light\":true,\"fan_run_on_min\":15}", true,
          true, 900000 },
    };

    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        const struct hg_outputs_setting *outputs;
        char text[512];

        /* the room before has both, and leaves nothing behind */
        (void)snprintf(text, sizeof(text),
                       "{\"rooms\":{\"heron\":{" ROOM_BASICS
                       ",\"outputs\":{\"light\":true,\"fan_run_on_min\":9}},"
                       "\"otter\":{" ROOM_BASICS "%s}}}",
                       row[i].text);
        assert_int_equal(config_read(*state, text), 0);
        outputs = &((struct config_fixture *)*state)->config->room[1].outputs;
        HG_CHECK_EQ(row[i].label, outputs->has_light, row[i].has_light);
        HG_CHECK_EQ(row[i].label, outputs->has_fan, row[i].has_fan);
        HG_CHECK_EQ(row[i].label, outputs->run_on_ms, row[i].run_on_ms);
    }
}

static void test_config__turns_units_into_policy(void **state)
{
    struct config_fixture *fixture = *state;
    const struct hg_policy *policy;

    assert_int_equal(
        config_read(fixture,
                    HERON(",\"label\":\"Heron cabin\",\"target_max_c\":80.5,"
                          "\"door_while_heating\":\"end\","
                          "\"commissioning\":{\"waived\":\"a trial\"}")),
        0);

    policy = &fixture->config->room[0].policy;
    assert_int_equal(policy->usage_class, HG_USAGE_PRIVATE);
    assert_int_equal(policy->session_cap_ms, 360 * 60000);
    assert_int_equal(policy->target_max_mc, 80500);
    assert_int_equal(policy->target_min_mc, 40000);
    assert_int_equal(policy->heater_w, 6000);
    assert_int_equal(policy->lease_ms, 30000);
    assert_int_equal(policy->stale_after_ms, 15000);
    assert_int_equal(policy->late_after_ms, 5000);
    assert_int_equal(policy->evidence, HG_EVIDENCE_DOOR_CYCLE);
    assert_int_equal(policy->look_in_window_ms, 10 * 60000);
    assert_int_equal(policy->check_valid_ms, 720 * 60000);
    assert_int_equal(policy->door_rule, HG_DOOR_RULE_END);
    assert_int_equal(policy->door_hold_max_ms, 120000);
    assert_int_equal(policy->over_temp_mc, 120000);
    assert_int_equal(policy->no_rise_mc, 3000);
    assert_int_equal(policy->no_rise_ms, 15 * 60000);
    assert_int_equal(policy->rest_after_cap_ms, 0);
    assert_int_equal(policy->door_proof_ms, INT64_C(180) * 86400000);
    assert_true(policy->is_commissioning_waived);
    assert_string_equal(fixture->config->room[0].waiver, "a trial");
    assert_string_equal(fixture->config->room[0].label, "Heron cabin");
    assert_null(hg_policy_check(policy));
}

static void test_config__takes_cap_and_rest_from_the_class(void **state)
{
    static const struct {
        const char *class;
        uint64_t cap_min, rest_min;
    } row[] = {
        { "private", 360, 0 },
        { "semi-public", 720, 360 },
        { "public", 1080, 0 },
    };
    struct config_fixture *fixture = *state;
    char text[256];

    for (size_t i = 0; i < HG_COUNT(row); i++) {
        (void)snprintf(text, sizeof(text),
                       "{\"rooms\":{\"otter\":{\"usage_class\":\"%s\","
                       "\"heater_kw\":9,\"volume_m3\":12}}}",
                       row[i].class);
        HG_CHECK_EQ(row[i].class, config_read(fixture, text), 0);
        HG_CHECK_EQ(row[i].class,
                    fixture->config->room[0].policy.session_cap_ms,
                    row[i].cap_min * 60000);
        HG_CHECK_EQ(row[i].class,
                    fixture->config->room[0].policy.rest_after_cap_ms,
                    row[i].rest_min * 60000);
    }
}

static void test_config__sorts_rooms_by_name(void **state)
{
    struct config_fixture *fixture = *state;

    assert_int_equal(config_read(fixture, "{\"rooms\":{\"otter\":{" ROOM_BASICS
                                          "},\"heron\":{" ROOM_BASICS "}}}"),
                     0);

    assert_string_equal(fixture->config->room[0].name, "heron");
    assert_string_equal(fixture->config->room[1].name, "otter");
    assert_non_null(hg_config_find(fixture->config, "otter"));
}

static void test_config__tells_all_problems_with_their_lines(void **state)
{
    static const char text[] =
        "{\n"                                                     /* 1 */
        "  \"broker\": { \"prot\": 1883, \"port\": \"1883\" },\n" /* 2 */
        "  \"listen\": { \"address\": \"192.0.2.7\" },\n"         /* 3 */
        "  \"colour\": \"red\",\n"                                /* 4 */
        "  \"rooms\": {\n"                                        /* 5 */
        "    \"heron\": {\n"                                      /* 6 */
        "      \"usage_class\": \"private\",\n"                   /* 7 */
        "      \"heater_kw\": 6,\n"                               /* 8 */
        "      \"lease_s\": 500,\n"                               /* 9 */
        "      \"heater_kw\": 6,\n"                               /* 10 */
        "      \"session_cap_min\": 361\n"                        /* 11 */
        "    },\n"                                                /* 12 */
        "    \"Otter\": { \"usage_class\": \"secret\",\n"         /* 13 */
        "      \"heater_kw\": 9, \"volume_m3\": 12,\n"            /* 14 */
        "      \"stale_after_s\": 7.5 },\n"                       /* 15 */
        "    \"coot\": 7\n"                                       /* 16 */
        "  }\n"
        "}\n";
    static const struct {
        uint32_t line;
        const char *text; /* behind "FILE:LINE: " */
    } row[] = {
        { 2, "/broker/prot: is not a setting; allowed here are host, port, "
             "protocol, client_id, topic_root, username, password_file, tls" },
        { 2, "/broker/port: \"1883\" is not a number; allowed are 1 to "
             "65535" },
        { 3, "/listen/address: \"192.0.2.7\" would carry codes in clear text "
             "over the network; allowed are a loopback address, tls with "
             "cert_file and key_file, or allow_cleartext: true" },
        { 4, "/colour: is not a setting; allowed here are " },
        { 6, "/rooms/heron/volume_m3: is missing; allowed are 1 to 300 m3" },
        { 9, "/rooms/heron/lease_s: 500 is out of range; allowed are 5 to "
             "120 s" },
        { 10, "/rooms/heron/heater_kw: stands here a second time; allowed "
              "is each setting once" },
        { 11, "/rooms/heron/session_cap_min: 361 is out of range; allowed "
              "are 1 to 360 min, the cap of usage_class \"private\"" },
        { 13, "/rooms/Otter: is not a room name; allowed are 1 to 32 of a "
              "to z, 0 to 9 and -, with no - in front" },
        { 13, "/rooms/Otter/usage_class: \"secret\" is not one of the words; "
              "allowed are \"private\", \"semi-public\", \"public\"" },
        { 15, "/rooms/Otter/stale_after_s: 7.5 is not a whole number; "
              "allowed are 3 to 60 s" },
        { 16, "/rooms/coot: is not an object; allowed is an object with at "
              "least usage_class, heater_kw and volume_m3" },
    };
    struct config_fixture *fixture = *state;
    char want[512];

    assert_int_equal(config_read(fixture, text), HG_ERR_INPUT);

    assert_ptr_equal(fixture->config, HG_SENTINEL);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        const struct hg_problem *problem;

        (void)snprintf(want, sizeof(want), "%s:%u: %s", fixture->path,
                       (unsigned)row[i].line, row[i].text);
        problem = config_problem_with(fixture, want);
        HG_CHECK_TRUE(want, problem != NULL);
        HG_CHECK_EQ(want, problem->line, row[i].line);
    }
    assert_int_equal(fixture->problems.count, HG_COUNT(row));
    for (size_t i = 1; i < fixture->problems.count; i++)
        assert_true(fixture->problems.problem[i - 1].line <=
                    fixture->problems.problem[i].line);
}

static void test_config__places_a_syntax_error(void **state)
{
    static const struct {
        const char *label, *text;
        uint32_t line, column;
    } row[] = {
        { "a comma too many", "{\n  \"rooms\": {},\n}", 3, 1 },
        { "nothing", "", 1, 0 },
        { "an open end", "{\"rooms\":", 1, 9 },
        { "text behind", "{} x", 1, 4 },
        { "a control character", "{\"a\tb\": 1}", 1, 3 },
        { "not UTF-8", "{\"\xff\": 1}", 1, 2 },
        { "a number too large", "{\"a\": 1e999}", 1, 11 },
    };
    struct config_fixture *fixture = *state;
    char want[256];

    for (size_t i = 0; i < HG_COUNT(row); i++) {
        HG_CHECK_EQ(row[i].label, config_read(fixture, row[i].text),
                    HG_ERR_INPUT);
        HG_CHECK_EQ(row[i].label, fixture->problems.count, 1);
        HG_CHECK_EQ(row[i].label, fixture->problems.problem[0].line,
                    row[i].line);
        HG_CHECK_EQ(row[i].label, fixture->problems.problem[0].column,
                    row[i].column);
        (void)snprintf(want, sizeof(want),
                       "%s:%u:%u: this is not JSON: ", fixture->path,
                       (unsigned)row[i].line, (unsigned)row[i].column);
        HG_CHECK_TRUE(row[i].label, config_problem_with(fixture, want));
    }
}

/* one problem each, in one line, with this text; NULL: none */
static const struct {
    const char *label, *text, *want;
} rule[] = {
    { "array", "[]", "the file holds an array" },
    { "no rooms", "{}", "/rooms: is missing; allowed are an object" },
    { "no room", "{\"rooms\":{}}", "/rooms: holds 0 rooms; allowed are 1" },
    { "target at the maximum", HERON(",\"target_min_c\":90"), NULL },
    { "target above it", HERON(",\"target_min_c\":90.001"),
      "/rooms/heron/target_min_c: 90.001 is out of range; allowed are 30 to "
      "90 C, which is target_max_c by default" },
    { "default target above it", HERON(",\"target_max_c\":39"),
      "/rooms/heron/target_min_c: 40 by default is out of range; allowed are "
      "30 to 39 C" },
    { "no second problem from a bad one",
      HERON(",\"target_max_c\":200,\"target_min_c\":95,\"over_temp_c\":60"),
      "/rooms/heron/target_max_c: 200 is out of range" },
    { "over temperature 5 above", HERON(",\"over_temp_c\":95"), NULL },
    { "over temperature closer", HERON(",\"over_temp_c\":94.999"),
      "/rooms/heron/over_temp_c: 94.999 is out of range; allowed are 95 to "
      "125 C, from target_max_c by default + 5" },
    { "over temperature with 110", HERON(",\"target_max_c\":110"), NULL },
    { "whole as a decimal", HERON(",\"lease_s\":30.0"), NULL },
    { "null is not a default", HERON(",\"lease_s\":null"),
      "/rooms/heron/lease_s: null is not a number" },
    { "null where allowed",
      WITH_TOP("\"broker\":{\"username\":null,"
               "\"tls\":null,\"password_file\":null}"),
      NULL },
    { "waived blank", HERON(",\"commissioning\":{\"waived\":\"  \"}"),
      "/rooms/heron/commissioning/waived: \"  \" is not what is wanted here; "
      "allowed are 1 to 200 bytes of text: the reason in words" },
    { "waived nothing", HERON(",\"commissioning\":{}"),
      "/rooms/heron/commissioning/waived: is missing" },
    { "commissioning word", HERON(",\"commissioning\":\"later\""),
      "/rooms/heron/commissioning: \"later\" is not one of the words; allowed "
      "are \"required\", {\"waived\": \"why\"}" },
    { "commissioning required", HERON(",\"commissioning\":\"required\""),
      NULL },
    { "lease", HERON(",\"controller\":{\"kind\":\"lease\"}"), NULL },
    { "no kind", HERON(",\"controller\":{}"),
      "/rooms/heron/controller/kind: is missing" },
    { "lease with a binding",
      HERON(",\"controller\":{\"kind\":\"lease\",\"on\":\"1\"}"),
      "/rooms/heron/controller/on: is not a setting; allowed here are kind, "
      "key_file" },
    { "place code without a file", HERON(",\"check_evidence\":\"place-code\""),
      "/rooms/heron/place_code_file: is missing" },
    { "panel", HERON(",\"check_evidence\":\"panel\""), NULL },
    { "label of control characters", HERON(",\"label\":\"a\\nb\""),
      "/rooms/heron/label: \"a\\nb\" has control characters" },
    { "cleartext on IPv6 loopback",
      WITH_TOP("\"listen\":{\"address\":\"::1\"}"), NULL },
    { "cleartext on all of 127",
      WITH_TOP("\"listen\":{\"address\":"
               "\"127.9.9.9\"}"),
      NULL },
    { "cleartext allowed",
      WITH_TOP("\"listen\":{\"address\":\"0.0.0.0\","
               "\"allow_cleartext\":true}"),
      NULL },
    { "cleartext not allowed", WITH_TOP("\"listen\":{\"address\":\"::\"}"),
      "/listen/address: \"::\" would carry codes in clear text" },
    { "no address", WITH_TOP("\"listen\":{\"address\":\"localhost\"}"),
      "/listen/address: \"localhost\" is not what is wanted here; allowed are "
      "1 to 45 bytes of text: an IPv4 or IPv6 address" },
    { "half a TLS",
      WITH_TOP("\"listen\":{\"tls\":{\"cert_file\":"
               "\"/etc/passwd\"}}"),
      "/listen/tls/key_file: is missing" },
    { "topic root with a wildcard",
      WITH_TOP("\"broker\":{\"topic_root\":\"a/+\"}"),
      "/broker/topic_root: \"a/+\" is not what is wanted here" },
    { "topic root with an end", WITH_TOP("\"broker\":{\"topic_root\":\"a/\"}"),
      "/broker/topic_root: \"a/\" is not what is wanted here" },
    { "protocol 3.1.1", WITH_TOP("\"broker\":{\"protocol\":\"3.1.1\"}"), NULL },
    { "protocol as a number", WITH_TOP("\"broker\":{\"protocol\":5}"),
      "/broker/protocol: 5 is not one of the words; allowed are \"5\", "
      "\"3.1.1\"" },
    { "currency", WITH_TOP("\"currency\":\"EUR\",\"price_per_kwh\":0.3"),
      NULL },
    { "no currency", WITH_TOP("\"currency\":\"eur\""),
      "/currency: \"eur\" is not what is wanted here; allowed are 3 to 3 "
      "bytes of text: three capital letters such as EUR, null" },
    { "wall clock", WITH_TOP("\"wall_clock\":\"trusted\""), NULL },
    { "hour 24", WITH_TOP("\"check_in\":\"24:00\""),
      "/check_in: \"24:00\" is not what is wanted here" },
    { "minute 60", WITH_TOP("\"check_out\":\"11:60\""),
      "/check_out: \"11:60\" is not what is wanted here" },
    { "no time of day", WITH_TOP("\"check_in\":\"3 p.m\""),
      "/check_in: \"3 p.m\" is not what is wanted here" },
    { "no such zone", WITH_TOP("\"timezone\":\"Nowhere/Here\""),
      "/timezone: \"Nowhere/Here\" is not what is wanted here" },
    { "a path for a zone", WITH_TOP("\"timezone\":\"../../../etc/passwd\""),
      "/timezone: \"../../../etc/passwd\" is not what is wanted here" },
    { "a schema", WITH_TOP("\"$schema\":\"x\""), NULL },
    { "a pointer that needs escapes", WITH_TOP("\"a/b~c\":1"),
      "/a~1b~0c: is not a setting" },
    { "missing password file",
      WITH_TOP("\"broker\":{\"username\":\"g\",\"password_file\":\"none\"}"),
      "/broker/password_file: " },
};

static void test_config__keeps_the_rules_between_settings(void **state)
{
    struct config_fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(rule); i++) {
        int err = config_read(fixture, rule[i].text);

        if (fixture->problems.count > 0 && rule[i].want == NULL)
            print_error("%s\n", fixture->problems.problem[0].text);
        HG_CHECK_EQ(rule[i].label, err,
                    rule[i].want == NULL ? 0 : HG_ERR_INPUT);
        HG_CHECK_EQ(rule[i].label, fixture->problems.count,
                    rule[i].want == NULL ? 0 : 1);
        if (rule[i].want == NULL)
            continue;
        if (!config_problem_with(fixture, rule[i].want))
            print_error("%s\n", fixture->problems.problem[0].text);
        HG_CHECK_TRUE(rule[i].label,
                      config_problem_with(fixture, rule[i].want));
        HG_CHECK_EQ(rule[i].label, fixture->problems.problem[0].line, 1);
    }
}

#define KEY_HEX                                                                \
    "000102030405060708090A0b0c0d0e0f101112131415161718191a1b1c1d1e1f"

static void test_config__reads_keys_codes_and_passwords(void **state)
{
    struct config_fixture *fixture = *state;
    const struct hg_config_room *room;
    char want[160];

    config_file(fixture, "key", KEY_HEX "\n", 0600);
    config_file(fixture, "code", " abc-DEF 123\r\n", 0400);
    config_file(fixture, "secret", "pass word\n", 0600);
    config_file(fixture, "cert.pem", "-\n", 0644);
    assert_int_equal(
        config_read(fixture,
                    "{\"broker\":{\"username\":\"gate\",\"password_file\":"
                    "\"secret\",\"tls\":{\"ca_file\":\"cert.pem\","
                    "\"cert_file\":\"cert.pem\",\"key_file\":\"key\"}},"
                    "\"listen\":{\"address\":\"::\",\"tls\":{\"cert_file\":"
                    "\"cert.pem\",\"key_file\":\"key\"}},"
                    "\"state_dir\":\"state\",\"rooms\":{\"heron\":{" ROOM_BASICS
                    ",\"check_evidence\":\"place-code\",\"place_code_file\":"
                    "\"code\",\"controller\":{\"kind\":\"lease\","
                    "\"key_file\":\"key\"}}}}"),
        0);

    room = &fixture->config->room[0];
    assert_true(room->has_key);
    for (size_t i = 0; i < HG_CONFIG_KEY_BYTES; i++)
        assert_int_equal(room->key[i], i);
    assert_string_equal(room->place_code, "ABCDEF123");
    assert_string_equal(fixture->config->broker.password, "pass word");
    (void)snprintf(want, sizeof(want), "%s/cert.pem", fixture->dir);
    assert_string_equal(fixture->config->broker.tls.ca_file, want);
    assert_string_equal(fixture->config->listen.tls.cert_file, want);
    (void)snprintf(want, sizeof(want), "%s/state", fixture->dir);
    assert_string_equal(fixture->config->state_dir, want);
}

static void test_config__refuses_files_that_are_not_right(void **state)
{
    static const struct {
        const char *label, *text;
        mode_t mode;
        const char *want;
    } row[] = {
        { "open to the group", KEY_HEX, 0640, "has mode 0640, so others" },
        { "open to all", KEY_HEX, 0604, "has mode 0604, so others" },
        { "a digit short", "00", 0600, "does not hold a key" },
        { "a digit more", KEY_HEX "0", 0600, "holds more than 64" },
        { "no hex",
          "g00102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f",
          0600, "does not hold a key" },
        { "empty", "\n", 0600, "must hold exactly one line" },
        { "two lines", "a\nb\n", 0600, "must hold exactly one line" },
    };
    struct config_fixture *fixture = *state;
    static const char text[] =
        HERON(",\"controller\":{\"kind\":\"lease\",\"key_file\":\"key\"}");

    for (size_t i = 0; i < HG_COUNT(row); i++) {
        config_file(fixture, "key", row[i].text, row[i].mode);
        HG_CHECK_EQ(row[i].label, config_read(fixture, text), HG_ERR_INPUT);
        HG_CHECK_EQ(row[i].label, fixture->problems.count, 1);
        HG_CHECK_TRUE(row[i].label, config_problem_with(fixture, row[i].want));
        HG_CHECK_TRUE(
            row[i].label,
            config_problem_with(fixture, "/rooms/heron/controller/key_file"));
        HG_CHECK_FALSE(row[i].label, config_problem_with(fixture, KEY_HEX));
    }
    assert_int_equal(
        config_read(fixture, HERON(",\"controller\":{\"kind\":\"lease\","
                                   "\"key_file\":\".\"}")),
        HG_ERR_INPUT);
    assert_non_null(config_problem_with(fixture, "is not a regular file"));
}

static void test_config__refuses_a_key_with_mqtt_3_1_1(void **state)
{
    struct config_fixture *fixture = *state;

    config_file(fixture, "key", KEY_HEX "\n", 0600);
    assert_int_equal(
        config_read(fixture, "{\"rooms\":{\"heron\":{" ROOM_BASICS
                             ",\"controller\":{\"kind\":\"lease\",\"key_file\":"
                             "\"key\"}}},\"broker\":{\"protocol\":\"3.1.1\"}}"),
        HG_ERR_INPUT);

    assert_int_equal(fixture->problems.count, 1);
    assert_non_null(config_problem_with(
        fixture, "/rooms/heron/controller/key_file: a key needs MQTT 5"));
}

static void test_config__canonicalises_place_codes(void **state)
{
    static const struct {
        const char *typed;
        const char *want; /* NULL: refused */
    } row[] = {
        { "abcdef", "ABCDEF" },
        { "ABC-123", "ABC123" },
        { "abcde", NULL },
        { "a b-c-", NULL },
        { "", NULL },
        { "abcdef!", NULL },
        { "abcd\xc3\xa9"
          "f",
          NULL },
        { "0123456789abcdef0123456789abcdef",
          "0123456789ABCDEF0123456789ABCDEF" },
        { "0123456789abcdef0123456789abcdef0", NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char code[HG_CONFIG_PLACE_CODE_BYTES] = "sentinel";

        HG_CHECK_EQ(row[i].typed, hg_config_place_code(row[i].typed, code),
                    row[i].want == NULL ? HG_ERR_INPUT : 0);
        HG_CHECK_STR(row[i].typed, code,
                     row[i].want == NULL ? "sentinel" : row[i].want);
    }
}

static void test_config__loads_from_a_file(void **state)
{
    struct config_fixture *fixture = *state;

    fixture->err =
        hg_config_load(fixture->path, &fixture->problems, &fixture->config);
    assert_int_equal(fixture->err, HG_ERR_INPUT);
    assert_int_equal(fixture->problems.count, 1);
    assert_non_null(config_problem_with(fixture, "No such file"));
    assert_ptr_equal(fixture->config, HG_SENTINEL);
    config_forget(fixture);

    config_file(fixture, "heatgate.json", HERON(""), 0644);
    assert_int_equal(
        hg_config_load(fixture->path, &fixture->problems, &fixture->config), 0);
    assert_string_equal(fixture->config->room[0].name, "heron");
    config_forget(fixture);

    assert_int_equal(
        hg_config_load(fixture->dir, &fixture->problems, &fixture->config),
        HG_ERR_INPUT);
    assert_non_null(config_problem_with(fixture, "Is a directory"));
}

static void test_config__prints_no_control_characters(void **state)
{
    struct config_fixture *fixture = *state;

    assert_int_equal(config_read(fixture, WITH_TOP("\"a\\u001b[2Jb\":1")),
                     HG_ERR_INPUT);

    assert_non_null(config_problem_with(fixture, "/a?[2Jb: is not"));
}

static char *many_rooms(size_t count, const char *more)
{
    char *text = malloc(200 * count + 100);
    size_t len;

    assert_non_null(text);
    len = (size_t)sprintf(text, "{\"rooms\":{\n");
    for (size_t i = 0; i < count; i++)
        len += (size_t)sprintf(text + len, "%s\"r%zu\":{" ROOM_BASICS "%s}\n",
                               i == 0 ? "" : ",", i, more);
    (void)sprintf(text + len, "}}\n");
    return text;
}

static void test_config__bounds_rooms_and_problems(void **state)
{
    struct config_fixture *fixture = *state;
    char *most = many_rooms(HG_CONFIG_ROOMS_MAX, "");
    char *more = many_rooms(HG_CONFIG_ROOMS_MAX + 1, "");
    char *bad = many_rooms(HG_CONFIG_ROOMS_MAX, ",\"lease_s\":1,\"x\":2");

    assert_int_equal(config_read(fixture, most), 0);
    assert_int_equal(fixture->config->room_count, HG_CONFIG_ROOMS_MAX);
    assert_non_null(hg_config_find(fixture->config, "r9999"));

    assert_int_equal(config_read(fixture, more), HG_ERR_INPUT);
    assert_non_null(config_problem_with(
        fixture, "/rooms: holds 10001 rooms; allowed are 1 to 10000 rooms"));

    assert_int_equal(config_read(fixture, bad), HG_ERR_INPUT);
    assert_int_equal(fixture->problems.count, HG_PROBLEMS_MAX);
    assert_int_equal(fixture->problems.left_out,
                     2 * HG_CONFIG_ROOMS_MAX - HG_PROBLEMS_MAX);
    assert_non_null(config_problem_with(fixture, ":9: /rooms/r7/lease_s: 1 "));
    free(most);
    free(more);
    free(bad);
}

static const char whole_text[] =
    "{\"broker\":{\"host\":\"127.0.0.1\",\"port\":1883,\"protocol\":\"5\","
    "\"tls\":null},\"listen\":{\"address\":\"::1\",\"allow_cleartext\":true},\n"
    "\"price_per_kwh\":0.3,\"currency\":\"EUR\",\"wall_clock\":\"trusted\","
    "\"rooms\":{\"heron\":{" ROOM_BASICS
    ",\"label\":\"H\\u00e9ron\",\"commissioning\":{\"waived\":\"trial\"},"
    "\"controller\":{\"kind\":\"lease\"}},\"otter\":{" ROOM_BASICS
    ",\"over_temp_c\":1.1e2,\"lease_s\":30}}}";

/* what is cut or changed is refused or read, and never breaks anything */
static void test_config__survives_damaged_text(void **state)
{
    static const char put[] = { '"', '{',  '}',  '[',  ',',       '0',
                                '-', '\\', '\n', '\0', (char)0xff };
    struct config_fixture *fixture = *state;
    const size_t len = sizeof(whole_text) - 1;
    char text[sizeof(whole_text)];
    unsigned refused = 0;

    assert_int_equal(config_read(fixture, whole_text), 0);
    for (size_t cut = 0; cut < len; cut++)
        HG_CHECK_EQ("cut", config_read_bytes(fixture, whole_text, cut),
                    HG_ERR_INPUT);
    for (size_t at = 0; at < len; at++) {
        for (size_t i = 0; i < sizeof(put); i++) {
            memcpy(text, whole_text, sizeof(text));
            text[at] = put[i];
            if (config_read_bytes(fixture, text, len) < 0) {
                refused++;
                HG_CHECK_TRUE("a reason", fixture->problems.count > 0);
            } else {
                HG_CHECK_EQ("none", fixture->problems.count, 0);
            }
        }
    }
    assert_true(refused > len);
}

#define ON_FIXTURE(test)                                                       \
    cmocka_unit_test_setup_teardown(test, config_setup, config_teardown)

int main(void)
{
    static const struct CMUnitTest tests[] = {
        ON_FIXTURE(test_config__reads_the_smallest_with_defaults),
        ON_FIXTURE(test_config__reads_outputs_room_by_room),
        ON_FIXTURE(test_config__turns_units_into_policy),
        ON_FIXTURE(test_config__takes_cap_and_rest_from_the_class),
        ON_FIXTURE(test_config__sorts_rooms_by_name),
        ON_FIXTURE(test_config__tells_all_problems_with_their_lines),
        ON_FIXTURE(test_config__places_a_syntax_error),
        ON_FIXTURE(test_config__keeps_the_rules_between_settings),
        ON_FIXTURE(test_config__reads_keys_codes_and_passwords),
        ON_FIXTURE(test_config__refuses_files_that_are_not_right),
        ON_FIXTURE(test_config__refuses_a_key_with_mqtt_3_1_1),
        cmocka_unit_test(test_config__canonicalises_place_codes),
        ON_FIXTURE(test_config__loads_from_a_file),
        ON_FIXTURE(test_config__prints_no_control_characters),
        ON_FIXTURE(test_config__bounds_rooms_and_problems),
        ON_FIXTURE(test_config__survives_damaged_text),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
