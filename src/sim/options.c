/*
 * Options and room keys are tables: name, where it goes, range.
 */
#include "sim/options.h"
#include "base/text.h"
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LIMIT_C      140.0 /* high limit near the ceiling: common practice */
#define HYSTERESIS_C 2.0
#define LOCAL_C      80.0
#define MINUTE_MS    UINT64_C(60000)

const char HG_SIMOPT_HELP[] =
    "usage: heatgate-sim --room NAME[:key=value,...] [options]\n"
    "Simulated hot rooms and controllers on an MQTT broker.\n"
    "\n"
    "  --room NAME[:key=value,...]  a room (repeatable, up to 64), each with\n"
    "                     its own connection and will. Keys: kw (6), m3 "
    "(8.5),\n"
    "                     stones_kg, lining_m2, lining_mm, core_mm, glass_m2,\n"
    "                     ach (air changes an hour), ambient_c (8), start_c,\n"
    "                     noise_c, lag_s, limit_c (140), hysteresis_c (2),\n"
    "                     local_c (80, of heat from the panel),\n"
    "                     usage=private|semi-public|public (the panel's own\n"
    "                     timer: 360, 720, 1080 min), sensor=bench|door,\n"
    "                     element=pt100|pt1000 (sends air_ohm, not air_c),\n"
    "                     mac=FILE (as --mac-key, for this room),\n"
    "                     timer_s=N: no lease controller, but a plain relay\n"
    "                     with a hardware timer, on topics of its own:\n"
    "                     plant/NAME/climate, door, relay, relay/command\n"
    "  --count N          N more rooms PREFIX-00000 ... on one shared\n"
    "                     connection, for load; these have no will\n"
    "  --prefix PREFIX    their names (load)\n"
    "  --host ADDRESS     of the broker (127.0.0.1)\n"
    "  --port N           (1883)\n"
    "  --root TOPIC       topic root (heatgate/v1)\n"
    "  --protocol 5|3.1.1 of MQTT (5)\n"
    "  --qos 0|1          of telemetry (0)\n"
    "  --period-ms N      between telemetry messages (2000)\n"
    "  --speed N          physics seconds per real second (1), of the physics\n"
    "                     ONLY: uptime, seq, lease and all timers stay real.\n"
    "                     What the room does in a real second grows with it;\n"
    "                     above about 20 an opened door cools the air faster\n"
    "                     than a gateway believes of a sound sensor\n"
    "  --mac-key FILE     64 hex digits, mode 0600: sign and check messages\n"
    "  --username NAME    for the broker; %r stands for the room's name\n"
    "  --password-file F  its first line is the password\n"
    "  --control PATH|-   take commands on a Unix stream socket, or on stdin\n"
    "  --seed N           of the sensor noise; without it, one is chosen and\n"
    "                     printed (boot marks never depend on it)\n"
    "  --help, --version\n"
    "\n"
    "Prints one line \"ready\" when every connection is up.\n"
    "Exit status: 0 done, 2 usage, 3 no broker, 1 anything else.\n"
    "\n";

/* -- rooms ------------------------------------------------------------------*/

struct room_key {
    const char *name;
    size_t at; /* of a double in struct hg_simopt_room */
    double low, high;
};

#define KEY(name, member, low, high)                                           \
    {                                                                          \
        name, offsetof(struct hg_simopt_room, member), low, high               \
    }
static const struct room_key ROOM_KEYS[] = {
    KEY("kw", build.heater_kw, 0.5, 60),
    KEY("m3", build.volume_m3, 1, 300),
    KEY("stones_kg", build.stones_kg, 1, 2000),
    KEY("lining_m2", build.lining_m2, 1, 1000),
    KEY("lining_mm", build.lining_mm, 5, 100),
    KEY("core_mm", build.core_mm, 0, 500),
    KEY("glass_m2", build.glass_m2, 0, 100),
    KEY("ach", build.air_changes_per_h, 0.1, 60),
    KEY("ambient_c", build.ambient_c, -40, 50),
    KEY("start_c", start_c, -40, 150),
    KEY("noise_c", noise_c, 0, 10),
    KEY("lag_s", lag_s, 0, 600),
    KEY("limit_c", limit_c, 60, 200),
    KEY("hysteresis_c", hysteresis_c, 0.2, 20),
    KEY("local_c", local_c, 30, 110),
    KEY("timer_s", timer_s, 1, 86400),
};
#undef KEY

static int set_number(const char *key, const char *value, struct hg_buf *why,
                      struct hg_simopt_room *room)
{
    for (size_t i = 0; i < HG_COUNT(ROOM_KEYS); i++) {
        const struct room_key *k = &ROOM_KEYS[i];
        char *end = NULL;
        double number;

        if (strcmp(key, k->name) != 0)
            continue;
        number = strtod(value, &end);
        if (end == value || *end != '\0' || !isfinite(number) ||
            number < k->low || number > k->high) {
            hg_buf_addf(why,
                        "room key %s takes a number from %g to %g, "
                        "not \"%s\"",
                        key, k->low, k->high, value);
            return HG_ERR_INPUT;
        }
        memcpy((char *)room + k->at, &number, sizeof(number));
        return HG_OK;
    }
    hg_buf_addf(why, "no room key \"%s\"; see --help", key);
    return HG_ERR_INPUT;
}

static int set_usage(const char *value, struct hg_buf *why,
                     struct hg_simopt_room *room)
{
    static const struct {
        const char *word;
        uint64_t minutes;
    } CLASS[] = { { "private", 360 },
                  { "semi-public", 720 },
                  { "public", 1080 } };

    for (size_t i = 0; i < HG_COUNT(CLASS); i++) {
        if (strcmp(value, CLASS[i].word) == 0) {
            room->local_max_ms = CLASS[i].minutes * MINUTE_MS;
            return HG_OK;
        }
    }
    hg_buf_add(why, "usage is private, semi-public or public");
    return HG_ERR_INPUT;
}

static int set_element(const char *value, struct hg_buf *why,
                       struct hg_simopt_room *room)
{
    if (strcmp(value, "pt100") == 0)
        room->element = HG_PLATINUM_PT100;
    else if (strcmp(value, "pt1000") == 0)
        room->element = HG_PLATINUM_PT1000;
    else
        hg_buf_add(why, "element is pt100 or pt1000");
    return room->element == HG_PLATINUM_NONE ? HG_ERR_INPUT : HG_OK;
}

static int set_key(const char *key, const char *value, struct hg_buf *why,
                   struct hg_simopt_room *room)
{
    if (strcmp(key, "usage") == 0)
        return set_usage(value, why, room);
    if (strcmp(key, "mac") == 0) {
        room->mac_file = value;
        return HG_OK;
    }
    if (strcmp(key, "sensor") == 0) {
        room->is_sensor_near_door = strcmp(value, "door") == 0;
        if (room->is_sensor_near_door || strcmp(value, "bench") == 0)
            return HG_OK;
        hg_buf_add(why, "sensor is bench or door");
        return HG_ERR_INPUT;
    }
    if (strcmp(key, "element") == 0)
        return set_element(value, why, room);
    return set_number(key, value, why, room);
}

void hg_simopt_usual_room(const char *name, struct hg_simopt_room *room)
{
    *room = (struct hg_simopt_room) {
        .build = { .heater_kw = HG_SIMOPT_KW,
                   .volume_m3 = HG_SIMOPT_M3,
                   .ambient_c = HG_SIMOPT_AMBIENT_C },
        .start_c = (double)NAN,
        .noise_c = (double)NAN,
        .lag_s = (double)NAN,
        .limit_c = LIMIT_C,
        .hysteresis_c = HYSTERESIS_C,
        .local_c = LOCAL_C,
        .local_max_ms = 360 * MINUTE_MS,
    };
    if (hg_text_copy(room->name, sizeof(room->name), name) < 0)
        room->name[0] = '\0'; /* no room has that name: refused later */
}

int hg_simopt_parse_room(char *text, struct hg_buf *why,
                         struct hg_simopt_room *ret_room)
{
    struct hg_simopt_room room;
    char *keys = strchr(text, ':');
    char *rest = NULL;

    if (keys)
        *keys++ = '\0';
    if (!hg_text_is_room(text)) {
        hg_buf_addf(why,
                    "\"%s\" is no room name; use a to z, 0 to 9 and "
                    "-, at most 32",
                    text);
        return HG_ERR_INPUT;
    }
    hg_simopt_usual_room(text, &room);
    for (char *key = keys ? strtok_r(keys, ",", &rest) : NULL; key;
         key = strtok_r(NULL, ",", &rest)) {
        char *value = strchr(key, '=');

        if (value)
            *value++ = '\0';
        if (set_key(key, value ? value : "", why, &room) < 0)
            return HG_ERR_INPUT;
    }
    *ret_room = room;
    return HG_OK;
}

int hg_simopt_setup(const struct hg_simopt *options,
                    const struct hg_simopt_room *room, struct hg_buf *why,
                    struct hg_simctl_setup *ret_setup)
{
    struct hg_simctl_setup setup = {
        .start_c = isnan(room->start_c) ? room->build.ambient_c : room->start_c,
        .hysteresis_c = room->hysteresis_c,
        .limit_c = room->limit_c,
        .local_target_c = room->local_c,
        .local_max_ms = room->local_max_ms,
        .timer_ms = (uint64_t)(room->timer_s * 1000),
        .period_ms = options->period_ms,
        .speed = options->speed,
        .element = room->element,
    };
    int err = hg_text_copy(setup.room, sizeof(setup.room), room->name);

    if (err == HG_OK)
        err = hg_physics_spec_of(&room->build, &setup.spec);
    if (err == HG_OK) {
        if (!isnan(room->noise_c))
            setup.spec.sensor_noise_c = room->noise_c;
        if (!isnan(room->lag_s))
            setup.spec.sensor_lag_s = room->lag_s;
        if (room->is_sensor_near_door)
            setup.spec.sensor_door_share = HG_SIMCTL_NEAR_DOOR_SHARE;
        err = hg_physics_spec_check(&setup.spec);
    }
    if (err < 0) {
        hg_buf_addf(why,
                    "room %s: no room is built like that; give kw, m3 "
                    "and lining that fit each other, lag_s 0 or from 2",
                    room->name);
        return HG_ERR_RANGE;
    }
    *ret_setup = setup;
    return HG_OK;
}

/* -- options ----------------------------------------------------------------*/

enum option_code {
    OPT_HOST = 256,
    OPT_PORT,
    OPT_ROOT,
    OPT_ROOM,
    OPT_COUNT,
    OPT_PREFIX,
    OPT_PERIOD,
    OPT_SPEED,
    OPT_CONTROL,
    OPT_SEED,
    OPT_PROTOCOL,
    OPT_QOS,
    OPT_MAC,
    OPT_USERNAME,
    OPT_PASSWORD,
    OPT_HELP,
    OPT_VERSION
};

static const struct option LONG[] = {
    { "host", required_argument, NULL, OPT_HOST },
    { "port", required_argument, NULL, OPT_PORT },
    { "root", required_argument, NULL, OPT_ROOT },
    { "room", required_argument, NULL, OPT_ROOM },
    { "count", required_argument, NULL, OPT_COUNT },
    { "prefix", required_argument, NULL, OPT_PREFIX },
    { "period-ms", required_argument, NULL, OPT_PERIOD },
    { "speed", required_argument, NULL, OPT_SPEED },
    { "control", required_argument, NULL, OPT_CONTROL },
    { "seed", required_argument, NULL, OPT_SEED },
    { "protocol", required_argument, NULL, OPT_PROTOCOL },
    { "qos", required_argument, NULL, OPT_QOS },
    { "mac-key", required_argument, NULL, OPT_MAC },
    { "username", required_argument, NULL, OPT_USERNAME },
    { "password-file", required_argument, NULL, OPT_PASSWORD },
    { "help", no_argument, NULL, OPT_HELP },
    { "version", no_argument, NULL, OPT_VERSION },
    { NULL, 0, NULL, 0 },
};

static int whole(const char *name, uint64_t low, uint64_t high,
                 struct hg_buf *why, uint64_t *value)
{
    if (hg_text_to_u64(optarg, low, high, value) == HG_OK)
        return HG_OK;
    hg_buf_addf(why, "--%s takes a whole number from %llu to %llu", name,
                (unsigned long long)low, (unsigned long long)high);
    return HG_ERR_INPUT;
}

static int take_number(int code, struct hg_buf *why, struct hg_simopt *o)
{
    uint64_t value = 0;
    int err = HG_OK;

    if (code == OPT_PORT) {
        err = whole("port", 1, 65535, why, &value);
        o->port = (uint16_t)value;
    } else if (code == OPT_COUNT) {
        err = whole("count", 0, HG_SIMOPT_COUNT_MAX, why, &value);
        o->count = (uint32_t)value;
    } else if (code == OPT_PERIOD) {
        err = whole("period-ms", 10, 3600000, why, &value);
        o->period_ms = (uint32_t)value;
    } else if (code == OPT_QOS) {
        err = whole("qos", 0, 1, why, &value);
        o->qos = (int)value;
    } else {
        err = whole("seed", 0, UINT64_MAX, why, &o->seed);
        o->has_seed = true;
    }
    return err;
}

static int take_speed(struct hg_buf *why, struct hg_simopt *o)
{
    char *end = NULL;
    double speed = strtod(optarg, &end);

    if (end == optarg || *end != '\0' || !(speed >= 0.01 && speed <= 3600)) {
        hg_buf_add(why, "--speed takes a number from 0.01 to 3600");
        return HG_ERR_INPUT;
    }
    o->speed = speed;
    return HG_OK;
}

static int take_room(struct hg_buf *why, struct hg_simopt *o)
{
    int err;

    if (o->rooms >= HG_SIMOPT_ROOMS_MAX) {
        hg_buf_addf(why, "at most %d --room; use --count for load",
                    HG_SIMOPT_ROOMS_MAX);
        return HG_ERR_INPUT;
    }
    err = hg_simopt_parse_room(optarg, why, &o->room[o->rooms]);
    if (err < 0)
        return err;
    for (size_t i = 0; i < o->rooms; i++) {
        if (strcmp(o->room[i].name, o->room[o->rooms].name) == 0) {
            hg_buf_addf(why, "room %s is given twice", o->room[i].name);
            return HG_ERR_INPUT;
        }
    }
    o->rooms++;
    return HG_OK;
}

static int take_protocol(struct hg_buf *why, struct hg_simopt *o)
{
    o->is_v311 = strcmp(optarg, "3.1.1") == 0;
    if (o->is_v311 || strcmp(optarg, "5") == 0)
        return HG_OK;
    hg_buf_add(why, "--protocol is 5 or 3.1.1");
    return HG_ERR_INPUT;
}

static int take_root(struct hg_buf *why, struct hg_simopt *o)
{
    if (*optarg && !strpbrk(optarg, "+#") && *optarg != '$' &&
        hg_text_is_plain_utf8(optarg, strlen(optarg)) &&
        hg_text_copy(o->root, sizeof(o->root), optarg) == HG_OK)
        return HG_OK;
    hg_buf_addf(why, "--root is a topic without + and #, at most %d bytes",
                HG_SIMOPT_ROOT_BYTES - 1);
    return HG_ERR_INPUT;
}

static int take(int code, struct hg_buf *why, struct hg_simopt *o)
{
    switch (code) {
    case OPT_HOST:
        o->host = optarg;
        return HG_OK;
    case OPT_PREFIX:
        o->prefix = optarg;
        return HG_OK;
    case OPT_CONTROL:
        o->control = optarg;
        return HG_OK;
    case OPT_MAC:
        o->mac_file = optarg;
        return HG_OK;
    case OPT_USERNAME:
        o->username = optarg;
        return HG_OK;
    case OPT_PASSWORD:
        o->password_file = optarg;
        return HG_OK;
    case OPT_HELP:
        o->is_help = true;
        return HG_OK;
    case OPT_VERSION:
        o->is_version = true;
        return HG_OK;
    case OPT_ROOT:
        return take_root(why, o);
    case OPT_ROOM:
        return take_room(why, o);
    case OPT_PROTOCOL:
        return take_protocol(why, o);
    case OPT_SPEED:
        return take_speed(why, o);
    default:
        return take_number(code, why, o);
    }
}

/* options that only make sense, or do not, beside others */
static int check_whole(const struct hg_simopt *o, struct hg_buf *why)
{
    bool is_signed = o->mac_file != NULL;
    char name[HG_SIMCTL_ROOM_BYTES];

    for (size_t i = 0; i < o->rooms; i++)
        is_signed = is_signed || o->room[i].mac_file;
    if (o->rooms == 0 && o->count == 0)
        hg_buf_add(why, "give at least one --room NAME, or --count N");
    else if (is_signed && o->is_v311)
        hg_buf_add(why, "message keys need --protocol 5");
    else if (o->password_file && !o->username)
        hg_buf_add(why, "--password-file needs --username");
    else if (o->count && (hg_text_copy(name, sizeof(name) - 6, o->prefix) ||
                          !hg_text_is_room(name)))
        hg_buf_add(why, "--prefix is a room name of at most 26 characters");
    return why->len || why->is_cut ? HG_ERR_INPUT : HG_OK;
}

int hg_simopt_parse(int argc, char **argv, struct hg_buf *why,
                    struct hg_simopt *options)
{
    int code;

    *options = (struct hg_simopt) { .host = "127.0.0.1",
                                    .port = 1883,
                                    .root = "heatgate/v1",
                                    .prefix = "load",
                                    .period_ms = 2000,
                                    .speed = 1 };
    opterr = 0;
    optind = 1;
    while ((code = getopt_long(argc, argv, "", LONG, NULL)) != -1) {
        if (code == '?') {
            hg_buf_addf(why, "unknown option, or one without its value: %s",
                        argv[optind - 1]);
            return HG_ERR_INPUT;
        }
        if (take(code, why, options) < 0)
            return HG_ERR_INPUT;
    }
    if (options->is_help || options->is_version)
        return HG_OK;
    if (optind < argc) {
        hg_buf_addf(why, "what is \"%s\"? Rooms are given with --room",
                    argv[optind]);
        return HG_ERR_INPUT;
    }
    return check_whole(options, why);
}
