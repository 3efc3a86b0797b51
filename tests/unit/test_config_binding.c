/*
 * The settings of a switch controller: a good one, each way to spoil it, all
 * problems at once, and the table of signals against the JSON Schema.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/binding.h"
#include "service/config.h"
#include "test_config_fixture.h"
#include <jansson.h>

#define SCHEMA_FILE HG_SOURCE_DIR "/config/contract/config.schema.json"
#define COMMAND                                                                \
    "\"command\":{\"topic\":\"a/set\",\"on\":\"ON\",\"off\":\"OFF\"}"
#define AIR "\"air\":{\"topic\":\"a/t\",\"pointer\":\"/t\",\"unit\":\"F\"}"
#define DOOR                                                                   \
    "\"door\":{\"topic\":\"a/d\",\"values\":{\"open\":true,\"closed\":false}}"
#define HEATER  "\"heater\":{\"topic\":\"a/s\",\"values\":{\"on\":1,\"off\":0}}"
#define SIGNALS "\"signals\":{" AIR "," DOOR "," HEATER "}"
#define ROOM(name, more, members)                                              \
    "\"" name "\":{\"usage_class\":\"private\",\"heater_kw\":6,"               \
    "\"volume_m3\":8" more ",\"controller\":{\"kind\":\"switch\"" members "}}"
#define FILE_OF(top, more, members)                                            \
    "{" top "\"rooms\":{" ROOM("heron", more, members) "}}"
#define WITH(members) FILE_OF("", "", members)
#define TIMER         ",\"timer_limit_min\":180,"

static void test_config_binding__reads_a_good_one(void **state)
{
    struct config_fixture *fixture = *state;
    const struct hg_config_room *heron;
    const struct hg_binding *b;

    assert_int_equal(
        config_read(fixture,
                    WITH(TIMER COMMAND "," SIGNALS
                                       ",\"setpoint\":{\"topic\":\"a/sp\","
                                       "\"payload\":\"{target}\","
                                       "\"unit\":\"K\"}")),
        0);
    heron = hg_config_find(fixture->config, "heron");
    b = heron->binding;
    assert_non_null(b);
    assert_int_equal(b->timer_limit_min, 180);
    assert_int_equal(heron->policy.session_cap_ms, 180 * 60000);
    assert_string_equal(b->command.topic, "a/set");
    assert_string_equal(b->command.off, "OFF");
    assert_int_equal(b->command.qos, 1);
    assert_int_equal(b->signal[HG_SIGNAL_AIR].unit, HG_UNIT_F);
    assert_string_equal(b->signal[HG_SIGNAL_AIR].pointer, "/t");
    assert_string_equal(b->signal[HG_SIGNAL_DOOR].pointer, "");
    assert_string_equal(b->signal[HG_SIGNAL_DOOR].word[0], "true");
    assert_string_equal(b->signal[HG_SIGNAL_HEATER].word[1], "0");
    assert_false(b->signal[HG_SIGNAL_POWER].is_set);
    assert_true(b->setpoint.is_set);
}

/* the timer and the cap: below, at, above */
static void test_config_binding__no_session_outlasts_the_timer(void **state)
{
    static const struct {
        const char *label, *text, *problem;
        uint64_t cap_min;
    } row[] = {
        { "timer above the class cap",
          WITH(",\"timer_limit_min\":361," COMMAND "," SIGNALS), NULL, 360 },
        { "timer below it",
          WITH(",\"timer_limit_min\":359," COMMAND "," SIGNALS), NULL, 359 },
        { "own cap at the timer",
          FILE_OF("", ",\"session_cap_min\":180", TIMER COMMAND "," SIGNALS),
          NULL, 180 },
        { "own cap below it",
          FILE_OF("", ",\"session_cap_min\":60", TIMER COMMAND "," SIGNALS),
          NULL, 60 },
        { "own cap above it",
          FILE_OF("", ",\"session_cap_min\":181", TIMER COMMAND "," SIGNALS),
          "/rooms/heron/session_cap_min: 181 is out of range; allowed are 1 "
          "to 180 min, the timer_limit_min of the controller",
          0 },
    };
    struct config_fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(row); i++) {
        int err = config_read(fixture, row[i].text);

        HG_CHECK_EQ(row[i].label, err, row[i].problem ? HG_ERR_INPUT : 0);
        if (row[i].problem != NULL)
            HG_CHECK_TRUE(row[i].label,
                          config_problem_with(fixture, row[i].problem));
        else
            HG_CHECK_EQ(row[i].label,
                        fixture->config->room[0].policy.session_cap_ms,
                        row[i].cap_min * 60000);
    }
}

#define DOOR_OF(topic, more)                                                   \
    WITH(TIMER COMMAND ",\"signals\":{" AIR "," HEATER                         \
                       ",\"door\":{\"topic\":\"" topic "\"" more "}}")
#define VALUES ",\"values\":{\"open\":1,\"closed\":0}"

/* one problem each, named with its place */
static const struct {
    const char *label, *text, *want;
} rule[] = {
    { "no timer", WITH("," COMMAND "," SIGNALS),
      "/timer_limit_min: is missing; allowed are 1 to 1080 min" },
    { "timer 0", WITH(",\"timer_limit_min\":0," COMMAND "," SIGNALS),
      "/timer_limit_min: is out of range" },
    { "timer 1081", WITH(",\"timer_limit_min\":1081," COMMAND "," SIGNALS),
      "/timer_limit_min: is out of range" },
    { "no command", WITH(TIMER SIGNALS), "/command: is missing" },
    { "no signals", WITH(TIMER COMMAND), "/signals: is missing" },
    { "no door", WITH(TIMER COMMAND ",\"signals\":{" AIR "," HEATER "}"),
      "/signals/door: is missing" },
    { "unknown signal",
      WITH(TIMER COMMAND ",\"signals\":{" AIR "," HEATER "," DOOR
                         ",\"bench\":{}}"),
      "/signals/bench: is not a setting; allowed here are air|door|heater" },
    { "unknown member", WITH(TIMER COMMAND "," SIGNALS ",\"on\":1"),
      "/controller/on: is not a setting" },
    { "key", WITH(TIMER COMMAND "," SIGNALS ",\"key_file\":\"k\""),
      "/controller/key_file: is not a setting" },
    { "same payloads",
      WITH(TIMER "\"command\":{\"topic\":\"a/set\",\"on\":\"1\",\"off\":"
                 "\"1\"}," SIGNALS),
      "/command/off: \"1\" is the payload of \"on\" too" },
    { "QoS 2",
      WITH(TIMER "\"command\":{\"topic\":\"a/set\",\"on\":\"1\",\"off\":"
                 "\"0\",\"qos\":2}," SIGNALS),
      "/command/qos: is out of range; allowed are 0, 1" },
    { "retain",
      WITH(TIMER "\"command\":{\"topic\":\"a/set\",\"on\":\"1\",\"off\":"
                 "\"0\",\"retain\":true}," SIGNALS),
      "/command/retain: is not a setting" },
    { "wildcard", DOOR_OF("a/+/d", VALUES),
      "/signals/door/topic: \"a/+/d\" is not what is wanted here; allowed is "
      "a topic of 1 to 256 bytes without + and #" },
    { "system topic", DOOR_OF("$SYS/x", VALUES), "/signals/door/topic: " },
    { "own root", DOOR_OF("heatgate/v1/heron/telemetry", VALUES),
      "/signals/door/topic: \"heatgate/v1/heron/telemetry\" is below our own "
      "topic_root" },
    { "beside the root", DOOR_OF("heatgate/v12/d", VALUES), NULL },
    { "command topic", DOOR_OF("a/set", VALUES),
      "/signals/door/topic: \"a/set\" is where commands are sent" },
    { "pointer without slash", DOOR_OF("a/d", VALUES ",\"pointer\":\"x\""),
      "/signals/door/pointer: \"x\" is not what is wanted here; allowed is a "
      "JSON Pointer (RFC 6901)" },
    { "pointer with ~2", DOOR_OF("a/d", VALUES ",\"pointer\":\"/~2\""),
      "/signals/door/pointer: " },
    { "no map", DOOR_OF("a/d", ""), "/signals/door/values: is missing" },
    { "half a map", DOOR_OF("a/d", ",\"values\":{\"open\":1}"),
      "/signals/door/values/closed: is missing or no value" },
    { "null in a map",
      DOOR_OF("a/d", ",\"values\":{\"open\":1,\"closed\":null}"),
      "/signals/door/values/closed: is missing or no value" },
    { "the same twice",
      DOOR_OF("a/d", ",\"values\":{\"open\":1,\"closed\":1.0}"),
      "/signals/door/values/closed: \"1\" means \"open\" already" },
    { "unit of a door", DOOR_OF("a/d", VALUES ",\"unit\":\"C\""),
      "/signals/door/unit: is not a setting" },
    { "unknown unit",
      WITH(TIMER COMMAND ",\"signals\":{" DOOR "," HEATER
                         ",\"air\":{\"topic\":\"t\",\"unit\":\"R\"}}"),
      "/signals/air/unit: \"R\" is not one of the units; allowed are \"C\", "
      "\"F\", \"K\"" },
    { "no unit",
      WITH(TIMER COMMAND ",\"signals\":{" DOOR "," HEATER
                         ",\"air\":{\"topic\":\"t\"}}"),
      "/signals/air/unit: is missing; allowed are \"C\", \"F\", \"K\"" },
    { "target without its mark",
      WITH(TIMER COMMAND "," SIGNALS
                         ",\"setpoint\":{\"topic\":\"sp\",\"payload\":\"80\","
                         "\"unit\":\"C\"}"),
      "/setpoint/payload: \"80\" is not what is wanted here" },
    { "target on the command topic",
      WITH(TIMER COMMAND "," SIGNALS
                         ",\"setpoint\":{\"topic\":\"a/set\",\"payload\":"
                         "\"{target}\",\"unit\":\"C\"}"),
      "/controller/setpoint: has the topic of \"command\"" },
    { "MQTT 3.1.1",
      FILE_OF("\"broker\":{\"protocol\":\"3.1.1\"},", "",
              TIMER COMMAND "," SIGNALS),
      "/controller/kind: \"switch\" needs MQTT 5" },
    { "one relay for two rooms",
      "{\"rooms\":{" ROOM("heron", "", TIMER COMMAND "," SIGNALS) "," ROOM(
          "otter", "", TIMER COMMAND "," SIGNALS) "}}",
      "/rooms/otter/controller/command/topic: \"a/set\" is the command topic "
      "of room \"heron\" too" },
};

static void test_config_binding__names_what_is_wrong(void **state)
{
    struct config_fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(rule); i++) {
        int err = config_read(fixture, rule[i].text);

        for (size_t p = 0; p < fixture->problems.count; p++)
            if (fixture->problems.count != (rule[i].want != NULL))
                print_error("%s\n", fixture->problems.problem[p].text);
        HG_CHECK_EQ(rule[i].label, err,
                    rule[i].want == NULL ? 0 : HG_ERR_INPUT);
        HG_CHECK_EQ(rule[i].label, fixture->problems.count,
                    rule[i].want != NULL);
        if (rule[i].want != NULL && !config_problem_with(fixture, rule[i].want))
            print_error("%s\n", fixture->problems.problem[0].text);
        HG_CHECK_TRUE(rule[i].label,
                      rule[i].want == NULL ||
                          config_problem_with(fixture, rule[i].want));
    }
}

static void test_config_binding__names_all_at_once(void **state)
{
    static const char *const want[] = {
        ":3: /rooms/heron/controller/timer_limit_min: ",
        ":4: /rooms/heron/controller/command/topic: ",
        ":5: /rooms/heron/controller/command/off: ",
        ":6: /rooms/heron/controller/signals/air/unit: ",
        ":7: /rooms/heron/controller/signals/door/pointer: ",
        "/rooms/heron/controller/signals/heater: is missing",
    };
    struct config_fixture *fixture = *state;

    assert_int_equal(
        config_read(fixture,
                    "{\"rooms\":{\"heron\":{\"usage_class\":\"private\","
                    "\"heater_kw\":6,\n\"volume_m3\":8,\"controller\":{"
                    "\"kind\":\"switch\",\n\"timer_limit_min\":\"long\",\n"
                    "\"command\":{\"topic\":\"#\",\"on\":\"1\",\n"
                    "\"off\":\"1\"},\"signals\":{\n"
                    "\"air\":{\"topic\":\"t\",\"unit\":\"warm\"},\n"
                    "\"door\":{\"topic\":\"d\",\"pointer\":\"d\"" VALUES
                    "}}}}}}"),
        HG_ERR_INPUT);
    for (size_t i = 0; i < HG_COUNT(want); i++)
        HG_CHECK_TRUE(want[i], config_problem_with(fixture, want[i]));
    assert_int_equal(fixture->problems.count, HG_COUNT(want));
}

static void check_signal(const json_t *node, enum hg_signal signal)
{
    const char *name = hg_signal_name(signal);
    const json_t *properties = json_object_get(node, "properties");
    const json_t *words =
        json_object_get(json_object_get(properties, "values"), "properties");
    const json_t *units =
        json_object_get(json_object_get(properties, "unit"), "enum");

    HG_CHECK_TRUE(name, json_is_object(properties));
    HG_CHECK_TRUE(name, hg_signal_has_words(signal) == (words != NULL));
    for (unsigned w = 0; w < HG_SIGNAL_WORDS && words != NULL; w++)
        HG_CHECK_TRUE(name,
                      hg_signal_word(signal, w) == NULL ||
                          json_object_get(words, hg_signal_word(signal, w)));
    for (size_t u = 0; u < json_array_size(units); u++)
        HG_CHECK_TRUE(name,
                      hg_unit_find(signal, json_string_value(json_array_get(
                                               units, u))) != HG_UNIT_NONE);
}

static void test_config_binding__schema_knows_the_same_signals(void **state)
{
    json_t *schema = json_load_file(SCHEMA_FILE, 0, NULL);
    const json_t *signals = NULL;

    (void)state;
    assert_int_equal(json_unpack(schema, "{s:{s:{s:{s:{s:{s:{s:o}}}}}}}",
                                 "properties", "rooms", "additionalProperties",
                                 "properties", "controller", "properties",
                                 "signals", &signals),
                     0);
    signals = json_object_get(signals, "properties");
    assert_int_equal(json_object_size(signals), HG_SIGNAL_COUNT);
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++)
        check_signal(
            json_object_get(signals, hg_signal_name((enum hg_signal)s)),
            (enum hg_signal)s);
    json_decref(schema);
}

#define ON_FIXTURE(test)                                                       \
    cmocka_unit_test_setup_teardown(test, config_setup, config_teardown)

int main(void)
{
    static const struct CMUnitTest tests[] = {
        ON_FIXTURE(test_config_binding__reads_a_good_one),
        ON_FIXTURE(test_config_binding__no_session_outlasts_the_timer),
        ON_FIXTURE(test_config_binding__names_what_is_wrong),
        ON_FIXTURE(test_config_binding__names_all_at_once),
        cmocka_unit_test(test_config_binding__schema_knows_the_same_signals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
