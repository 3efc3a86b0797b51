/*
 * What people and scripts type at the simulator: commands, options, rooms,
 * key files.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>
#include "base/text.h"
#include "check.h"
#include "sim/control.h"
#include "sim/fleet.h"
#include "sim/options.h"
#include "sim/sign.h"
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define T0 UINT64_C(5000000)

#define ARGS_MAX 8

/* the words of the command line, which options borrow from afterwards */
static char typed[256];

static int parse(const char *line, struct hg_simopt *options, char why[256])
{
    char *argv[ARGS_MAX] = { NULL };
    char *rest = NULL;
    struct hg_buf buf;
    int argc = 0;

    assert_int_equal(hg_text_copy(typed, sizeof(typed), line), HG_OK);
    for (char *word = strtok_r(typed, " ", &rest); word && argc < ARGS_MAX - 1;
         word = strtok_r(NULL, " ", &rest))
        argv[argc++] = word;
    hg_buf_init(&buf, why, 256);
    return hg_simopt_parse(argc, argv, &buf, options);
}

static struct hg_fleet *new_fleet(struct hg_simopt *options)
{
    static const char LINE[] = "sim --room heron:start_c=40 "
                               "--room otter:kw=9,m3=12 --count 3";
    struct hg_fleet *fleet = NULL;
    char why[256];
    struct hg_buf buf;

    HG_CHECK_EQ("parse", parse(LINE, options, why), HG_OK);
    hg_buf_init(&buf, why, sizeof(why));
    HG_CHECK_EQ("fleet", hg_fleet_new(options, 1, T0, &buf, &fleet), HG_OK);
    return fleet;
}

static void test_control__commands_answer_in_one_line(void **state)
{
    static const struct {
        const char *line, *starts;
    } row[] = {
        { "rooms", "ok heron otter load-00000 load-00001 load-00002" },
        { "heron door open", "ok" },
        { "heron state", "{\"room\":\"heron\"" },
        { "heron door close", "ok" },
        { "heron door open for 3s", "ok" },
        { "heron door open for 250ms", "ok" },
        { "heron door open for 0ms", "error: " },
        { "heron door open for ever", "error: " },
        { "heron door close for 3s", "error: " },
        { "heron door ajar", "error: " },
        { "heron button room-check", "ok" },
        { "heron button", "error: " },
        { "heron local start", "ok" },
        { "heron local stop", "ok" },
        { "heron local", "error: " },
        { "heron fault welded", "ok" },
        { "heron fault welded 3", "error: " },
        { "heron fault late 500", "ok" },
        { "heron fault late", "error: " },
        { "heron fault late -1", "error: " },
        { "heron fault sensor-offset -7.5", "ok" },
        { "heron fault sensor-offset nan", "error: " },
        { "heron fault reboot", "ok" },
        { "heron fault none", "ok" },
        { "heron fault", "error: no such fault" },
        { "heron fault \t flood", "error: no such fault" },
        { "heron set air 95", "ok" },
        { "heron set air hot", "error: " },
        { "heron set fire 3", "error: " },
        { "heron pour 0.2", "error: the stones" },
        { "heron reset high-limit", "ok" },
        { "heron link down", "ok" },
        { "heron link sideways", "error: " },
        { "heron speed 60", "ok" },
        { "heron speed 0", "error: " },
        { "heron dance", "error: no such command" },
        { "heron", "error: " },
        { "heron a b c d e f g h", "error: " },
        { "badger state", "error: no room \"badger\"" },
        { " ", "error: " },
        { "all door open", "ok 5 rooms" },
        { "all fault flood", "error: no such fault" },
        { "all state", "{\"heron\":{\"room\":\"heron\"" },
        { "quit", "ok" },
    };
    static char answer[HG_FLEET_ANSWER_BYTES];
    struct hg_simopt options;
    struct hg_fleet *fleet = new_fleet(&options);

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_buf buf;

        HG_CHECK_FALSE(row[i].line, hg_fleet_is_quit(fleet));
        hg_buf_init(&buf, answer, sizeof(answer));
        hg_fleet_command(fleet, row[i].line, T0 + i, &buf);
        HG_CHECK_TRUE(row[i].line, strchr(answer, '\n') == NULL);
        if (strncmp(answer, row[i].starts, strlen(row[i].starts)) != 0)
            HG_CHECK_STR(row[i].line, answer, row[i].starts);
    }
    HG_CHECK_TRUE("quit", hg_fleet_is_quit(fleet));
    hg_fleet_free(fleet);
}

static void test_control__overlong_line_is_an_error(void **state)
{
    struct hg_simopt options;
    struct hg_fleet *fleet = new_fleet(&options);
    char line[HG_CONTROL_LINE_BYTES + 1];
    char answer[128];
    struct hg_buf buf;

    (void)state;
    memset(line, 'x', sizeof(line) - 1);
    line[sizeof(line) - 1] = '\0';
    hg_buf_init(&buf, answer, sizeof(answer));
    hg_fleet_command(fleet, line, T0, &buf);
    HG_CHECK_STR("answer", answer, "error: the line is too long");
    hg_fleet_free(fleet);
}

static void test_options__rooms_are_read(void **state)
{
    char text[] = "heron:kw=9,m3=12,stones_kg=80,start_c=-3.5,sensor=door,"
                  "usage=public,mac=/x/y,element=pt1000";
    struct hg_simopt options = { .period_ms = 1000, .speed = 1 };
    struct hg_simctl_setup setup;
    struct hg_simopt_room room;
    char why[128];
    struct hg_buf buf;

    (void)state;
    hg_buf_init(&buf, why, sizeof(why));
    HG_CHECK_EQ("parse", hg_simopt_parse_room(text, &buf, &room), HG_OK);
    HG_CHECK_STR("name", room.name, "heron");
    HG_CHECK_NEAR("kw", room.build.heater_kw, 9, 0);
    HG_CHECK_NEAR("m3", room.build.volume_m3, 12, 0);
    HG_CHECK_NEAR("stones", room.build.stones_kg, 80, 0);
    HG_CHECK_NEAR("ambient: usual", room.build.ambient_c, 8, 0);
    HG_CHECK_NEAR("start", room.start_c, -3.5, 0);
    HG_CHECK_TRUE("sensor", room.is_sensor_near_door);
    HG_CHECK_EQ("timer", room.local_max_ms, 1080 * 60000);
    HG_CHECK_STR("mac", room.mac_file, "/x/y");
    HG_CHECK_EQ("element", room.element, HG_PLATINUM_PT1000);
    HG_CHECK_EQ("setup", hg_simopt_setup(&options, &room, &buf, &setup), HG_OK);
    HG_CHECK_NEAR("draught", setup.spec.sensor_door_share,
                  HG_SIMCTL_NEAR_DOOR_SHARE, 0);
    HG_CHECK_EQ("sends", setup.element, HG_PLATINUM_PT1000);
}

static void test_options__mistakes_are_named(void **state)
{
    static const char *const LINES[] = {
        "sim",
        "sim --room Heron",
        "sim --room a:kw=0",
        "sim --room a:kw=6x",
        "sim --room a:hue=6",
        "sim --room a:usage=x",
        "sim --room a:element=pt500",
        "sim --room a --room a",
        "sim --room a b",
        "sim --room a --port 0",
        "sim --room a --speed nan",
        "sim --room a --protocol 4",
        "sim --room a --root a/#",
        "sim --room a:mac=f --protocol 3.1.1",
        "sim --count 2 --prefix No",
        "sim --room a --what",
        "sim --room",
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(LINES); i++) {
        static struct hg_simopt options;
        char why[256];

        HG_CHECK_EQ(LINES[i], parse(LINES[i], &options, why), HG_ERR_INPUT);
        HG_CHECK_TRUE(LINES[i], strlen(why) > 10);
    }
}

static void test_sign__agrees_with_another_program(void **state)
{
    /* RFC 2104 by Python's hmac module, key 00 01 … 1f */
    static const char WANT[] =
        "bbe50e23813e50d2d7b9048e5b8155f41b930c31fd2561c1ad406da32a327569";
    static const char TOPIC[] = "heatgate/v1/heron/permit";
    static const char PAYLOAD[] = "{\"v\":1}";
    struct hg_simsign sign = { .is_set = true };
    char mac[HG_SIMSIGN_TEXT_BYTES] = "sentinel";
    static char huge[HG_SIMSIGN_MESSAGE_BYTES];

    (void)state;
    for (unsigned i = 0; i < sizeof(sign.key); i++)
        sign.key[i] = (uint8_t)i;
    HG_CHECK_EQ("too long",
                hg_simsign_make(&sign, TOPIC, huge, sizeof(huge), mac),
                HG_ERR_RANGE);
    HG_CHECK_STR("untouched", mac, "sentinel");
    HG_CHECK_EQ("make", hg_simsign_make(&sign, TOPIC, PAYLOAD, 7, mac), HG_OK);
    HG_CHECK_STR("mac", mac, WANT);
    HG_CHECK_EQ("check", hg_simsign_check(&sign, TOPIC, PAYLOAD, 7, mac),
                HG_OK);
    HG_CHECK_EQ("other payload",
                hg_simsign_check(&sign, TOPIC, PAYLOAD, 6, mac), HG_ERR_DENIED);
    HG_CHECK_EQ("none", hg_simsign_check(&sign, TOPIC, PAYLOAD, 7, NULL),
                HG_ERR_DENIED);
    mac[63] ^= 1;
    HG_CHECK_EQ("one bit", hg_simsign_check(&sign, TOPIC, PAYLOAD, 7, mac),
                HG_ERR_DENIED);
}

static void test_sign__key_files_are_picky(void **state)
{
#define HEX32 "000102030405060708090a0b0c0d0e0f"
    static const struct {
        const char *label, *text;
        mode_t mode;
        int want;
    } row[] = {
        { "good", HEX32 HEX32 "\n", 0600, HG_OK },
        { "no newline", HEX32 HEX32, 0400, HG_OK },
        { "for others to read", HEX32 HEX32 "\n", 0640, HG_ERR_DENIED },
        { "short", HEX32 "\n", 0600, HG_ERR_INPUT },
        { "long", HEX32 HEX32 "00\n", 0600, HG_ERR_INPUT },
        { "no hex", "x" HEX32 HEX32, 0600, HG_ERR_INPUT },
    };
#undef HEX32

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char path[] = "/tmp/hg-sim-key-XXXXXX";
        struct hg_simsign sign = { 0 };
        char why[256];
        struct hg_buf buf;
        int fd = mkstemp(path);

        assert_true(fd >= 0);
        assert_int_equal(write(fd, row[i].text, strlen(row[i].text)),
                         (ssize_t)strlen(row[i].text));
        assert_int_equal(fchmod(fd, row[i].mode), 0);
        close(fd);
        hg_buf_init(&buf, why, sizeof(why));
        HG_CHECK_EQ(row[i].label, hg_simsign_read(path, &buf, &sign),
                    row[i].want);
        HG_CHECK_EQ(row[i].label, sign.is_set, row[i].want == HG_OK);
        HG_CHECK_EQ(row[i].label, buf.len == 0, row[i].want == HG_OK);
        unlink(path);
        HG_CHECK_EQ("gone", hg_simsign_read(path, &buf, &sign), HG_ERR_SYSTEM);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_control__commands_answer_in_one_line),
        cmocka_unit_test(test_control__overlong_line_is_an_error),
        cmocka_unit_test(test_options__rooms_are_read),
        cmocka_unit_test(test_options__mistakes_are_named),
        cmocka_unit_test(test_sign__agrees_with_another_program),
        cmocka_unit_test(test_sign__key_files_are_picky),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
