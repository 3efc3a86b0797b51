/* The room state that others see, and who may see what of it. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "service/kinds.h"
#include "service/room.h"
#include <string.h>

static const struct hg_tick NOW = { { 1000000 }, { 1767979351000, true } };

static struct hg_config_room config_room(void)
{
    struct hg_config_room config;

    memset(&config, 0, sizeof(config));
    memcpy(config.name, "heron", 6);
    memcpy(config.label, "Heron cabin", 12);
    config.policy.session_cap_ms = 21600000;
    config.policy.target_max_mc = 90000;
    config.policy.target_min_mc = 40000;
    config.policy.heater_w = 6000;
    config.policy.lease_ms = 30000;
    config.policy.stale_after_ms = 15000;
    config.policy.over_temp_mc = 120000;
    config.policy.is_commissioning_waived = true;
    return config;
}

/* A room that a guest heats and an owner has planned for. */
static void begin(struct hg_room *room, const struct hg_config_room *config)
{
    memset(room, 0, sizeof(*room));
    room->config = config;
    room->rev = 812;
    hg_gate_init(&config->policy, NULL, NOW, 7, &room->gate);
    room->gate.session.is_active = true;
    memcpy(room->gate.session.heat_id, "h-1", 4);
    room->gate.session.by.actor.role = HG_ROLE_GUEST;
    memcpy(room->gate.session.by.actor.id, "g-mine", 7);
    room->gate.session.target_mc = 80500;
    room->gate.session.started_at.ms = NOW.mono.ms - 60000;
    room->gate.session.ends_at.ms = NOW.mono.ms + 60000;
}

static const char *by_of(const json_t *state)
{
    return json_string_value(
        json_object_get(json_object_get(state, "heat"), "by"));
}

static void test_room_json__holds_every_member_of_the_contract(void **unused)
{
    static const char *const member[] = {
        "room",          "label",     "rev",     "phase",    "air_c",
        "door",          "heater",    "fresh",   "seen_at",  "check",
        "heat",          "plan",      "permit",  "last",     "lockouts",
        "forecast",      "may_start", "reasons", "findings", "limits",
        "settings_wait",
    };
    struct hg_config_room config = config_room();
    struct hg_room room;
    json_t *state;

    (void)unused;
    begin(&room, &config);

    state = hg_room_json(&room, NULL, NOW);

    assert_non_null(state);
    for (size_t i = 0; i < sizeof(member) / sizeof(member[0]); i++)
        if (json_object_get(state, member[i]) == NULL)
            fail_msg("'%s' is missing", member[i]);
    assert_int_equal(json_object_size(state),
                     sizeof(member) / sizeof(member[0]));
    assert_string_equal(json_string_value(json_object_get(
                            json_object_get(state, "heat"), "started_at")),
                        "2026-01-09T17:21:31Z");
    json_decref(state);
}

static void test_room_json__shows_the_outputs_that_it_has(void **unused)
{
    struct hg_config_room config = config_room();
    struct hg_room room;
    const json_t *outputs;
    json_t *state;

    (void)unused;
    config.outputs.has_fan = true;
    begin(&room, &config);
    room.outputs_shown.is_on[HG_OUTPUT_FAN] = true;

    state = hg_room_json(&room, NULL, NOW);

    outputs = json_object_get(state, "outputs");
    assert_int_equal(json_object_size(outputs), 1);
    assert_true(json_is_true(json_object_get(outputs, "fan")));
    json_decref(state);
}

static void test_room_json__hides_other_guests_from_guests(void **unused)
{
    static const struct {
        const char *label;
        enum hg_role role;
        const char *id;
        const char *want;
    } row[] = {
        { "the guest itself", HG_ROLE_GUEST, "g-mine", "guest:g-mine" },
        { "another guest", HG_ROLE_GUEST, "g-other", "another guest" },
        { "a manager", HG_ROLE_MANAGER, "m-1", "guest:g-mine" },
        { "an owner", HG_ROLE_OWNER, "uid=0", "guest:g-mine" },
    };
    struct hg_config_room config = config_room();

    (void)unused;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct hg_actor viewer = { row[i].role, "" };
        struct hg_room room;
        json_t *state;

        memcpy(viewer.id, row[i].id, strlen(row[i].id));
        begin(&room, &config);

        state = hg_room_json(&room, &viewer, NOW);

        if (strcmp(by_of(state), row[i].want) != 0)
            fail_msg("%s sees '%s'", row[i].label, by_of(state));
        json_decref(state);
    }
}

static void test_room_look__tells_news_from_the_rest(void **unused)
{
    struct hg_config_room config = config_room();
    struct hg_room room;
    bool is_urgent = false;

    (void)unused;
    begin(&room, &config);
    hg_room_look(&room, NOW, &is_urgent);
    assert_true(is_urgent);

    hg_room_look(&room, NOW, &is_urgent);
    assert_false(is_urgent);

    room.gate.stream.has_reading = true;
    room.gate.stream.reading.has_air = true;
    room.gate.stream.reading.air_mc = 64200; /* warmer: no hurry */
    hg_room_look(&room, NOW, &is_urgent);
    assert_false(is_urgent);

    room.gate.stream.door = HG_DOOR_OPEN;
    hg_room_look(&room, NOW, &is_urgent);
    assert_true(is_urgent);
}

static void test_room_when__stays_while_the_wall_clock_slews(void **unused)
{
    struct hg_room_when when = { 0, 0 };
    struct hg_mono mono = { NOW.mono.ms + 500 };
    struct hg_tick later = NOW;
    int64_t first;

    (void)unused;
    first = hg_room_when(&when, mono, NOW);
    assert_int_equal(first, NOW.wall.ms + 500);

    later.mono.ms += 1000;
    later.wall.ms += 1900; /* 900 ms more than boot time */
    assert_int_equal(hg_room_when(&when, mono, later), first);

    mono.ms++;
    assert_int_equal(hg_room_when(&when, mono, later), later.wall.ms - 499);
}

static void test_kinds__agree_only_to_known_statements(void **unused)
{
    json_t *all = hg_statements_json(false);
    json_t *some =
        json_pack("[s, s, s]", "heater-clear", "nonsense", "heater-clear");

    (void)unused;
    assert_int_equal(hg_statements_find(all), HG_STATEMENT_ALL);
    assert_int_equal(hg_statements_find(some), HG_STATEMENT_HEATER_CLEAR);
    assert_int_equal(hg_statements_find(NULL), 0);
    json_decref(all);
    json_decref(some);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_room_json__holds_every_member_of_the_contract),
        cmocka_unit_test(test_room_json__shows_the_outputs_that_it_has),
        cmocka_unit_test(test_room_json__hides_other_guests_from_guests),
        cmocka_unit_test(test_room_look__tells_news_from_the_rest),
        cmocka_unit_test(test_room_when__stays_while_the_wall_clock_slews),
        cmocka_unit_test(test_kinds__agree_only_to_known_statements),
    };

    return cmocka_run_group_tests_name("room_json", tests, NULL, NULL);
}
