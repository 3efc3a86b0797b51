/*
 * The simulated controller: does it keep the permit rule (contract section 1,
 * section 7), its hard-wired parts, and its faults? Times are values; nothing
 * here waits.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>
#include "base/text.h"
#include "check.h"
#include "sim/channel.h"
#include "sim/controller.h"
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>

#define T0 UINT64_C(1000000)

static struct hg_simctl new_controller(double start_c, double speed)
{
    struct hg_physics_build build = { .heater_kw = 6,
                                      .volume_m3 = 8.5,
                                      .ambient_c = 8 };
    struct hg_simctl_setup setup = { .room = "heron",
                                     .start_c = start_c,
                                     .hysteresis_c = 2,
                                     .limit_c = 140,
                                     .local_target_c = 80,
                                     .local_max_ms = 3600000,
                                     .period_ms = 2000,
                                     .speed = speed,
                                     .seed = 1,
                                     .boot_salt = 99 };
    struct hg_simctl ctl;

    assert_int_equal(hg_physics_spec_of(&build, &setup.spec), HG_OK);
    hg_simctl_init(&setup, T0, &ctl);
    return ctl;
}

static int hear_text(struct hg_simctl *ctl, const char *text, uint64_t at)
{
    return hg_simctl_hear(ctl, text, strlen(text), false, at);
}

static int permit(struct hg_simctl *ctl, unsigned serial, unsigned ttl_ms,
                  uint64_t at)
{
    char text[160];

    snprintf(text, sizeof(text),
             "{\"v\":1,\"serial\":%u,\"heat\":true,\"target_c\":80,"
             "\"ttl_ms\":%u,\"heat_id\":\"h-1\"}",
             serial, ttl_ms);
    return hear_text(ctl, text, at);
}

static int revoke(struct hg_simctl *ctl, unsigned serial, uint64_t at)
{
    char text[160];

    snprintf(text, sizeof(text),
             "{\"v\":1,\"serial\":%u,\"heat\":false,\"reason\":\"stopped\"}",
             serial);
    return hear_text(ctl, text, at);
}

/* the last of all waiting messages that is telemetry; NULL: none */
static json_t *telemetry(struct hg_simctl *ctl)
{
    struct hg_simctl_message message;
    json_t *last = NULL;

    while (hg_simctl_next(ctl, &message)) {
        if (message.is_event)
            continue;
        json_decref(last);
        last = json_loadb(message.text, message.len, 0, NULL);
        assert_non_null(last);
    }
    return last;
}

static const char *word(const json_t *root, const char *key)
{
    return json_string_value(json_object_get(root, key));
}

static json_int_t number(const json_t *root, const char *key)
{
    assert_true(json_is_integer(json_object_get(root, key)));
    return json_integer_value(json_object_get(root, key));
}

/* -- the permit rule -------------------------------------------------------*/

static void test_controller__lease_ends_heat_at_its_moment(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    hg_simctl_step(&ctl, T0 + 500);
    assert_false(ctl.is_heating);
    assert_int_equal(permit(&ctl, 5, 30000, T0 + 1000), HG_OK);
    HG_CHECK_TRUE("on", ctl.is_heating);
    HG_CHECK_EQ("since", ctl.last_on_ms, T0 + 1000);
    hg_simctl_step(&ctl, T0 + 1000 + 29999);
    HG_CHECK_TRUE("still on", ctl.is_heating);

    /* one long step past the end */
    hg_simctl_step(&ctl, T0 + 1000 + 90000);

    HG_CHECK_FALSE("off", ctl.is_heating);
    HG_CHECK_EQ("at the lease's end", ctl.last_off_ms, T0 + 31000);
    HG_CHECK_EQ("for one lease", ctl.heater_on_ms, 30000);
    HG_CHECK_NEAR("energy truth", ctl.room.input_j, 6000 * 30, 1e-3);
}

static void test_controller__speed_moves_the_physics_only(void **state)
{
    struct hg_simctl slow = new_controller(20, 1);
    struct hg_simctl fast = new_controller(20, 60);

    (void)state;
    assert_int_equal(permit(&slow, 5, 30000, T0), HG_OK);
    assert_int_equal(permit(&fast, 5, 30000, T0), HG_OK);
    hg_simctl_step(&slow, T0 + 60000);
    hg_simctl_step(&fast, T0 + 60000);

    HG_CHECK_EQ("lease", fast.last_off_ms, slow.last_off_ms);
    HG_CHECK_EQ("on time", fast.heater_on_ms, 30000);
    HG_CHECK_NEAR("60 times the energy", fast.room.input_j,
                  60 * slow.room.input_j, 1);
    HG_CHECK_TRUE("warmer", fast.room.air_c > slow.room.air_c + 10);
}

static void test_controller__only_a_newer_serial_is_taken(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    assert_int_equal(permit(&ctl, 10, 30000, T0 + 1), HG_OK);
    assert_int_equal(revoke(&ctl, 11, T0 + 2), HG_OK);
    HG_CHECK_FALSE("revoked", ctl.is_heating);
    HG_CHECK_EQ("old", permit(&ctl, 10, 30000, T0 + 3), HG_ERR_EXISTS);
    HG_CHECK_EQ("same", permit(&ctl, 11, 30000, T0 + 4), HG_ERR_EXISTS);
    hg_simctl_step(&ctl, T0 + 1000);
    HG_CHECK_FALSE("stays off", ctl.is_heating);
    HG_CHECK_EQ("newer", permit(&ctl, 12, 30000, T0 + 1001), HG_OK);
    HG_CHECK_TRUE("on again", ctl.is_heating);
    HG_CHECK_EQ("counted", ctl.permits_ignored, 2);
}

static void test_controller__what_is_no_permit_is_ignored(void **state)
{
    static const char *const ROW[] = {
        "",
        "{",
        "[]",
        "{\"serial\":5,\"heat\":true,\"target_c\":80,\"ttl_ms\":30000}",
        "{\"v\":2,\"serial\":5,\"heat\":true,\"target_c\":80,\"ttl_ms\":9}",
        "{\"v\":1,\"serial\":-5,\"heat\":true,\"target_c\":80,\"ttl_ms\":9}",
        "{\"v\":1,\"serial\":5.5,\"heat\":true,\"target_c\":80,\"ttl_ms\":9}",
        "{\"v\":1,\"serial\":\"5\",\"heat\":true,\"target_c\":80,"
        "\"ttl_ms\":9000}",
        "{\"v\":1,\"serial\":5,\"heat\":1,\"target_c\":80,\"ttl_ms\":9000}",
        "{\"v\":1,\"serial\":5,\"heat\":true,\"ttl_ms\":9000}",
        "{\"v\":1,\"serial\":5,\"heat\":true,\"target_c\":1e9,\"ttl_ms\":9}",
        "{\"v\":1,\"serial\":5,\"heat\":true,\"target_c\":80}",
        "{\"v\":1,\"serial\":4,\"serial\":5,\"heat\":true,\"target_c\":80,"
        "\"ttl_ms\":9000}",
    };
    static const char GOOD[] = "{\"v\":1,\"serial\":5,\"heat\":true,"
                               "\"target_c\":80,\"ttl_ms\":9000,\"x\":[1]}";
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROW); i++) {
        HG_CHECK_EQ(ROW[i], hear_text(&ctl, ROW[i], T0 + 10), HG_ERR_INPUT);
        HG_CHECK_FALSE(ROW[i], ctl.is_heating);
    }
    HG_CHECK_EQ("retained",
                hg_simctl_hear(&ctl, GOOD, strlen(GOOD), true, T0 + 20),
                HG_ERR_DENIED);
    HG_CHECK_FALSE("retained", ctl.is_heating);
    HG_CHECK_EQ("good", hear_text(&ctl, GOOD, T0 + 30), HG_OK);
    HG_CHECK_TRUE("good", ctl.is_heating);
}

static void test_controller__reboot_forgets_the_permit(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);
    char boot[HG_SIMCTL_BOOT_BYTES];
    json_t *said;

    (void)state;
    assert_int_equal(permit(&ctl, 10, 30000, T0 + 1), HG_OK);
    hg_simctl_move_door(&ctl, true, 0, T0 + 2);
    hg_simctl_move_door(&ctl, false, 0, T0 + 3);
    memcpy(boot, ctl.boot, sizeof(boot));
    hg_simctl_reboot(&ctl, T0 + 5000);

    HG_CHECK_FALSE("off", ctl.is_heating);
    HG_CHECK_EQ("when", ctl.last_off_ms, T0 + 5000);
    HG_CHECK_TRUE("new mark", strcmp(boot, ctl.boot) != 0);
    said = telemetry(&ctl);
    assert_non_null(said);
    HG_CHECK_EQ("seq", number(said, "seq"), 1);
    HG_CHECK_EQ("uptime", number(said, "uptime_ms"), 0);
    HG_CHECK_EQ("permit", number(said, "permit"), 0);
    HG_CHECK_EQ("door count", number(said, "door_count"), 0);
    json_decref(said);
    hg_simctl_step(&ctl, T0 + 6000);
    HG_CHECK_FALSE("stays off", ctl.is_heating);
}

/* -- hard-wired parts, thermostat, panel -----------------------------------*/

static void test_controller__open_door_cuts_the_heater(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);
    json_t *said;

    (void)state;
    assert_int_equal(permit(&ctl, 10, 60000, T0), HG_OK);
    json_decref(telemetry(&ctl));
    hg_simctl_move_door(&ctl, true, 3000, T0 + 500);

    HG_CHECK_FALSE("cut", ctl.is_heating);
    HG_CHECK_EQ("at once", ctl.last_off_ms, T0 + 500);
    said = telemetry(&ctl);
    assert_non_null(said); /* not only when the period is over */
    HG_CHECK_STR("said", word(said, "door"), "open");
    HG_CHECK_STR("said", word(said, "heater"), "off");
    HG_CHECK_EQ("counted", number(said, "door_count"), 1);
    json_decref(said);
    hg_simctl_step(&ctl, T0 + 20000);
    HG_CHECK_TRUE("closed by itself, permit still live", ctl.is_heating);
    HG_CHECK_EQ("after 3 s", ctl.last_on_ms, T0 + 3500);
}

static void test_controller__thermostat_stays_in_its_band(void **state)
{
    struct hg_simctl ctl = new_controller(8, 60);
    double low_c = 1000, high_c = 0;

    (void)state;
    for (unsigned s = 1; s <= 180; s++) { /* 3 h of physics */
        assert_int_equal(permit(&ctl, s, 30000, T0 + s * 1000), HG_OK);
        if (s < 90)
            continue;
        low_c = ctl.room.air_c < low_c ? ctl.room.air_c : low_c;
        high_c = ctl.room.air_c > high_c ? ctl.room.air_c : high_c;
    }

    HG_CHECK_TRUE("reached", low_c > 76);
    HG_CHECK_TRUE("held, hot stones overshoot", high_c < 92);
    HG_CHECK_TRUE("switched", ctl.switchings > 4);
}

static void test_controller__high_limit_latches_whatever_is_welded(void **s)
{
    struct hg_simctl ctl = new_controller(20, 600);
    struct hg_simctl_message message;
    uint64_t at = T0;

    (void)s;
    hg_simctl_set_fault(&ctl, HG_SIMCTL_WELDED, 0, at);
    HG_CHECK_TRUE("heats without a permit", ctl.is_heating);
    hg_simctl_move_door(&ctl, true, 100, at + 100);
    HG_CHECK_TRUE("the coil's door switch is defeated", ctl.is_heating);
    at += 3600000;
    hg_simctl_step(&ctl, at);

    HG_CHECK_TRUE("tripped", ctl.is_limit_tripped);
    HG_CHECK_FALSE("cut", ctl.is_heating);
    assert_true(hg_simctl_next(&ctl, &message));
    HG_CHECK_TRUE("told",
                  message.is_event && strstr(message.text, "\"high-limit\""));
    hg_physics_set_air(&ctl.setup.spec, 121, &ctl.room);
    ctl.setup.speed = 0.01;
    HG_CHECK_EQ("warm", hg_simctl_reset_limit(&ctl, at), HG_ERR_BUSY);
    hg_physics_set_air(&ctl.setup.spec, 60, &ctl.room);
    HG_CHECK_EQ("cool", hg_simctl_reset_limit(&ctl, at), HG_OK);
    HG_CHECK_TRUE("welded still", ctl.is_heating);
}

static void test_controller__panel_heats_until_its_own_timer(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);
    struct hg_simctl_message message;

    (void)state;
    hg_simctl_set_local(&ctl, true, T0 + 1000);
    HG_CHECK_TRUE("on", ctl.is_heating);
    assert_true(hg_simctl_next(&ctl, &message));
    HG_CHECK_TRUE("told", strstr(message.text, "\"event\":\"local-start\""));
    hg_simctl_step(&ctl, T0 + 1000 + 3600000 + 5000);

    HG_CHECK_FALSE("off", ctl.is_heating);
    HG_CHECK_EQ("in time", ctl.last_off_ms, T0 + 1000 + 3600000);
}

/* -- faults ----------------------------------------------------------------*/

static void test_controller__faults_show_in_heat_and_words(void **state)
{
    static const struct {
        const char *label;
        uint32_t fault;
        bool truth_on, has_power;
        const char *heater, *door;
        bool is_air_null, is_count_gone;
    } row[] = {
        { "none", 0, true, true, "on", "closed", false, false },
        { "sensor-gone", HG_SIMCTL_SENSOR_GONE, false, false, "off", "closed",
          true, false },
        { "elements-dead", HG_SIMCTL_ELEMENTS_DEAD, false, false, "on",
          "closed", false, false },
        { "door-gone", HG_SIMCTL_DOOR_GONE, false, false, "off", NULL, false,
          false },
        { "no-counter", HG_SIMCTL_NO_COUNTER, true, true, "on", "closed", false,
          true },
        { "welded", HG_SIMCTL_WELDED, true, true, "on", "closed", false,
          false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_simctl ctl = new_controller(20, 1);
        json_t *said;

        assert_int_equal(permit(&ctl, 1, 60000, T0), HG_OK);
        if (row[i].fault)
            hg_simctl_set_fault(&ctl, row[i].fault, 0, T0 + 1000);
        hg_simctl_step(&ctl, T0 + 4000);
        said = telemetry(&ctl);
        assert_non_null(said);
        HG_CHECK_EQ(row[i].label, ctl.is_heating, row[i].truth_on);
        HG_CHECK_EQ(row[i].label, number(said, "power_w") > 0,
                    row[i].has_power);
        HG_CHECK_STR(row[i].label, word(said, "heater"), row[i].heater);
        HG_CHECK_STR(row[i].label, word(said, "door"), row[i].door);
        HG_CHECK_EQ(row[i].label, json_is_null(json_object_get(said, "air_c")),
                    row[i].is_air_null);
        HG_CHECK_EQ(row[i].label, !json_object_get(said, "door_count"),
                    row[i].is_count_gone);
        json_decref(said);
    }
}

static void test_controller__can_lack_a_meter_or_power(void **state)
{
    static const struct {
        const char *label;
        uint32_t faults;
        bool has_power, has_meter;
    } row[] = {
        { "both", 0, true, true },
        { "no-meter", HG_SIMCTL_NO_METER, true, false },
        { "no-power", HG_SIMCTL_NO_POWER, false, true },
        { "neither", HG_SIMCTL_NO_METER | HG_SIMCTL_NO_POWER, false, false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_simctl ctl = new_controller(20, 1);
        json_t *said;

        if (row[i].faults)
            hg_simctl_set_fault(&ctl, row[i].faults, 0, T0 + 1000);
        hg_simctl_step(&ctl, T0 + 4000);
        said = telemetry(&ctl);
        assert_non_null(said);
        HG_CHECK_EQ(row[i].label, json_object_get(said, "power_w") != NULL,
                    row[i].has_power);
        HG_CHECK_EQ(row[i].label, json_object_get(said, "energy_wh") != NULL,
                    row[i].has_meter);
        json_decref(said);
    }
}

static void test_controller__rule_breakers_break_the_rule(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    assert_int_equal(permit(&ctl, 1, 5000, T0), HG_OK);
    hg_simctl_set_fault(&ctl, HG_SIMCTL_IGNORE_PERMIT, 0, T0 + 10);
    assert_int_equal(revoke(&ctl, 2, T0 + 20), HG_OK);
    hg_simctl_step(&ctl, T0 + 60000);
    HG_CHECK_TRUE("ignores revoke and lease", ctl.is_heating);
    hg_simctl_move_door(&ctl, true, 0, T0 + 61000);
    HG_CHECK_FALSE("the door still cuts", ctl.is_heating);
    hg_simctl_move_door(&ctl, false, 0, T0 + 62000);
    hg_simctl_set_fault(&ctl, 0, 0, T0 + 63000);
    HG_CHECK_FALSE("honest again", ctl.is_heating);

    hg_simctl_set_fault(&ctl, HG_SIMCTL_DEAF, 0, T0 + 64000);
    HG_CHECK_EQ("deaf", permit(&ctl, 3, 5000, T0 + 65000), HG_ERR_CLOSED);
    HG_CHECK_EQ("follows the old one", ctl.follower.serial, 2);
}

static void test_controller__silence_still_follows_permits(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    hg_simctl_set_fault(&ctl, HG_SIMCTL_SILENT, 0, T0);
    assert_int_equal(permit(&ctl, 1, 5000, T0 + 10), HG_OK);
    HG_CHECK_TRUE("on", ctl.is_heating);
    hg_simctl_step(&ctl, T0 + 4000);
    assert_null(telemetry(&ctl));
    HG_CHECK_TRUE("and wakes no more than due",
                  hg_simctl_deadline(&ctl) > T0 + 4000);
    hg_simctl_step(&ctl, T0 + 6000);
    HG_CHECK_FALSE("lease", ctl.is_heating);
}

static void test_controller__power_loss_ends_all_and_comes_back_new(void **s)
{
    struct hg_simctl ctl = new_controller(20, 1);

    (void)s;
    assert_int_equal(permit(&ctl, 1, 60000, T0), HG_OK);
    hg_simctl_set_fault(&ctl, HG_SIMCTL_WELDED, 0, T0 + 10);
    hg_simctl_set_fault(&ctl, HG_SIMCTL_POWER_LOST, 0, T0 + 20);
    HG_CHECK_FALSE("no mains, no heat", ctl.is_heating);
    assert_null(telemetry(&ctl));
    HG_CHECK_EQ("hears nothing", permit(&ctl, 2, 60000, T0 + 30),
                HG_ERR_CLOSED);
    hg_simctl_set_fault(&ctl, 0, 0, T0 + 1000);

    HG_CHECK_EQ("another boot", ctl.boots, 2);
    HG_CHECK_FALSE("cold start", ctl.is_heating);
    HG_CHECK_EQ("no permit", ctl.follower.serial, 0);
}

static void test_controller__sensor_faults_bend_the_reading(void **state)
{
    struct hg_simctl ctl = new_controller(50, 1);
    int32_t frozen_mc;

    (void)state;
    hg_simctl_set_fault(&ctl, HG_SIMCTL_SENSOR_OFFSET, -12.5, T0);
    HG_CHECK_NEAR("offset", ctl.reading_mc, 37500, 200);
    hg_simctl_set_fault(&ctl, 0, 0, T0);
    HG_CHECK_NEAR("sound", ctl.reading_mc, 50000, 200);
    frozen_mc = ctl.reading_mc;
    hg_simctl_set_fault(&ctl, HG_SIMCTL_SENSOR_FROZEN, 0, T0);
    hg_physics_set_air(&ctl.setup.spec, 90, &ctl.room);
    hg_simctl_step(&ctl, T0 + 60000);
    HG_CHECK_EQ("frozen", ctl.reading_mc, frozen_mc);
}

static void test_controller__chattering_door_counts_and_cuts(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    assert_int_equal(permit(&ctl, 1, 60000, T0), HG_OK);
    hg_simctl_set_fault(&ctl, HG_SIMCTL_DOOR_CHATTER, 0, T0);
    hg_simctl_step(&ctl, T0 + 14000);
    HG_CHECK_TRUE("flickers every 1.4 s",
                  ctl.door_count >= 9 && ctl.door_count <= 11);
    HG_CHECK_TRUE("cuts half the time",
                  ctl.heater_on_ms > 6000 && ctl.heater_on_ms < 8000);
}

/* -- words and channel -----------------------------------------------------*/

static void test_controller__telemetry_counts_up(void **state)
{
    struct hg_simctl ctl = new_controller(20, 1);
    json_int_t seq = 0, uptime = -1;

    (void)state;
    for (unsigned i = 0; i < 20; i++) {
        json_t *said;

        hg_simctl_step(&ctl, T0 + i * 2000);
        if (i % 3 == 0)
            hg_simctl_press_check(&ctl);
        said = telemetry(&ctl);
        assert_non_null(said);
        HG_CHECK_EQ("v", number(said, "v"), 1);
        HG_CHECK_TRUE("seq", number(said, "seq") > seq);
        HG_CHECK_TRUE("uptime", number(said, "uptime_ms") > uptime);
        HG_CHECK_STR("boot", word(said, "boot"), ctl.boot);
        seq = number(said, "seq");
        uptime = number(said, "uptime_ms");
        json_decref(said);
        assert_null(telemetry(&ctl));
    }
    HG_CHECK_EQ("events share the counter", seq, 20 + 7);
}

static void test_controller__truth_is_complete(void **state)
{
    static const char *const KEYS[] = {
        "truth_on",   "last_off_boottime_ms", "last_on_boottime_ms",
        "air_true_c", "energy_true_wh",       "heater_on_ms",
        "contactor",  "permit_serial",        "door",
        "faults",     "now_boottime_ms",
    };
    struct hg_simctl ctl = new_controller(20, 1);
    char text[2048];
    struct hg_buf buf;
    json_t *root;

    (void)state;
    hg_simctl_set_fault(&ctl, HG_SIMCTL_WELDED, 0, T0 + 70);
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_simctl_describe(&ctl, &buf), HG_OK);
    root = json_loads(text, 0, NULL);
    for (size_t i = 0; i < HG_COUNT(KEYS); i++)
        HG_CHECK_TRUE(KEYS[i], json_object_get(root, KEYS[i]) != NULL);
    HG_CHECK_TRUE("on", json_is_true(json_object_get(root, "truth_on")));
    HG_CHECK_EQ("since", number(root, "last_on_boottime_ms"), T0 + 70);
    HG_CHECK_TRUE("never off",
                  json_is_null(json_object_get(root, "last_off_boottime_ms")));
    json_decref(root);
    hg_buf_init(&buf, text, 100);
    HG_CHECK_EQ("too small", hg_simctl_describe(&ctl, &buf), HG_ERR_FULL);
}

static void push_text(struct hg_channel *channel, const char *text,
                      uint32_t faults, uint64_t at)
{
    struct hg_simctl_message message = { .len = strlen(text) };

    assert_int_equal(hg_text_copy(message.text, sizeof(message.text), text),
                     HG_OK);
    hg_channel_push(channel, &message, faults, at);
}

static void test_channel__delays_doubles_and_replays(void **state)
{
    struct hg_channel channel = { 0 };
    struct hg_simctl_message got = { .len = 77 };

    (void)state;
    push_text(&channel, "one", 0, 100);
    HG_CHECK_FALSE("early", hg_channel_pull(&channel, 50, 149, &got));
    HG_CHECK_EQ("untouched", got.len, 77);
    HG_CHECK_EQ("deadline", hg_channel_deadline(&channel, 50), 150);
    HG_CHECK_TRUE("in time", hg_channel_pull(&channel, 50, 150, &got));
    HG_CHECK_STR("first", got.text, "one");

    push_text(&channel, "two", HG_SIMCTL_DUPLICATE, 200);
    for (int i = 0; i < 2; i++) {
        HG_CHECK_TRUE("twice", hg_channel_pull(&channel, 0, 200, &got));
        HG_CHECK_STR("twice", got.text, "two");
    }
    for (int i = 0; i < 3; i++) {
        push_text(&channel, "new", HG_SIMCTL_REPLAY, 300);
        HG_CHECK_TRUE("old", hg_channel_pull(&channel, 0, 300, &got));
        HG_CHECK_STR("old", got.text, i == 1 ? "two" : "one");
    }
    for (unsigned i = 0; i < HG_CHANNEL_QUEUE + 3; i++)
        push_text(&channel, "flood", 0, 400);
    HG_CHECK_EQ("bounded", channel.lost, 3);
    hg_channel_release(&channel);
    HG_CHECK_FALSE("empty", hg_channel_pull(&channel, 0, 500, &got));
}

static void test_controller__switches_light_and_fan(void **state)
{
    static const char both[] = "{\"v\":1,\"light\":true,\"fan\":true}";
    static const char fan[] = "{\"v\":1,\"light\":false,\"fan\":true}";
    struct hg_simctl ctl = new_controller(20, 1);

    (void)state;
    assert_false(ctl.is_light_on || ctl.is_fan_on);
    hg_simctl_hear_outputs(&ctl, both, sizeof(both) - 1);
    assert_true(ctl.is_light_on && ctl.is_fan_on);
    hg_simctl_hear_outputs(&ctl, "{", 1); /* is none */
    assert_true(ctl.is_light_on && ctl.is_fan_on);
    hg_simctl_hear_outputs(&ctl, fan, sizeof(fan) - 1);
    assert_true(!ctl.is_light_on && ctl.is_fan_on);
    assert_false(hg_simctl_reports_on(&ctl)); /* no heater among them */
    hg_simctl_hear_outputs(&ctl, "", 0);
    assert_false(ctl.is_light_on || ctl.is_fan_on);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_controller__switches_light_and_fan),
        cmocka_unit_test(test_controller__lease_ends_heat_at_its_moment),
        cmocka_unit_test(test_controller__speed_moves_the_physics_only),
        cmocka_unit_test(test_controller__only_a_newer_serial_is_taken),
        cmocka_unit_test(test_controller__what_is_no_permit_is_ignored),
        cmocka_unit_test(test_controller__reboot_forgets_the_permit),
        cmocka_unit_test(test_controller__open_door_cuts_the_heater),
        cmocka_unit_test(test_controller__thermostat_stays_in_its_band),
        cmocka_unit_test(
            test_controller__high_limit_latches_whatever_is_welded),
        cmocka_unit_test(test_controller__panel_heats_until_its_own_timer),
        cmocka_unit_test(test_controller__faults_show_in_heat_and_words),
        cmocka_unit_test(test_controller__can_lack_a_meter_or_power),
        cmocka_unit_test(test_controller__rule_breakers_break_the_rule),
        cmocka_unit_test(test_controller__silence_still_follows_permits),
        cmocka_unit_test(
            test_controller__power_loss_ends_all_and_comes_back_new),
        cmocka_unit_test(test_controller__sensor_faults_bend_the_reading),
        cmocka_unit_test(test_controller__chattering_door_counts_and_cuts),
        cmocka_unit_test(test_controller__telemetry_counts_up),
        cmocka_unit_test(test_controller__truth_is_complete),
        cmocka_unit_test(test_channel__delays_doubles_and_replays),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
