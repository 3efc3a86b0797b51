/*
 * Telemetry: one pass over the members with a switch on the name, because
 * this runs for every message of every controller.
 */
#include "controllers/telemetry.h"
#include "base/text.h"
#include "controllers/json_in.h"
#include "heatgate/version.h"
#include <string.h>

enum member {
    MEMBER_OTHER = 0,
    MEMBER_V,
    MEMBER_BOOT,
    MEMBER_SEQ,
    MEMBER_UPTIME_MS,
    MEMBER_AIR_C,
    MEMBER_DOOR,
    MEMBER_HEATER,
    MEMBER_PERMIT,
    MEMBER_DOOR_COUNT,
    MEMBER_MODULE_C,
    MEMBER_MODULE_RH,
    MEMBER_POWER_W,
    MEMBER_ENERGY_WH,
    MEMBER_COUNT
};

#define BIT(member) (1u << (unsigned)(member))
/* without these four right, nothing of the message is used */
#define CORE                                                                   \
    (BIT(MEMBER_V) | BIT(MEMBER_BOOT) | BIT(MEMBER_SEQ) | BIT(MEMBER_DOOR))
#define REQUIRED                                                               \
    (CORE | BIT(MEMBER_UPTIME_MS) | BIT(MEMBER_AIR_C) | BIT(MEMBER_HEATER))

static const struct {
    const char *name;
    const char *wanted;
} MEMBERS[MEMBER_COUNT] = {
    [MEMBER_OTHER] = { "", "" },
    [MEMBER_V] = { "v", "the number 1" },
    [MEMBER_BOOT] = { "boot", "a text of 1 to 32 plain characters" },
    [MEMBER_SEQ] = { "seq", "a whole number from 0 to below 2^53" },
    [MEMBER_UPTIME_MS] = { "uptime_ms", "a whole number from 0 to below 2^53" },
    [MEMBER_AIR_C] = { "air_c", "a number or null" },
    [MEMBER_DOOR] = { "door", "\"open\", \"closed\" or null" },
    [MEMBER_HEATER] = { "heater", "\"on\" or \"off\"" },
    [MEMBER_PERMIT] = { "permit", "a whole number from 0 to below 2^53" },
    [MEMBER_DOOR_COUNT] = { "door_count",
                            "a whole number from 0 to below 2^53" },
    [MEMBER_MODULE_C] = { "module_c", "a number" },
    [MEMBER_MODULE_RH] = { "module_rh", "a number from 0 on" },
    [MEMBER_POWER_W] = { "power_w", "a number from 0 on" },
    [MEMBER_ENERGY_WH] = { "energy_wh", "a number from 0 on" },
};

/* the only member that could have this name, by its length and a letter */
static enum member guess(const char *name, size_t len)
{
    switch (len) {
    case 1:
        return MEMBER_V;
    case 3:
        return MEMBER_SEQ;
    case 4:
        return name[0] == 'b' ? MEMBER_BOOT : MEMBER_DOOR;
    case 5:
        return MEMBER_AIR_C;
    case 6:
        return name[0] == 'h' ? MEMBER_HEATER : MEMBER_PERMIT;
    case 7:
        return MEMBER_POWER_W;
    case 8:
        return MEMBER_MODULE_C;
    case 9:
        return name[0] == 'u'   ? MEMBER_UPTIME_MS
               : name[0] == 'm' ? MEMBER_MODULE_RH
                                : MEMBER_ENERGY_WH;
    case 10:
        return MEMBER_DOOR_COUNT;
    default:
        return MEMBER_OTHER;
    }
}

static enum member find_member(const char *name)
{
    enum member member = guess(name, strlen(name));

    return strcmp(name, MEMBERS[member].name) == 0 ? member : MEMBER_OTHER;
}

static bool read_v(const json_t *value)
{
    uint64_t v;

    return hg_json_in_u64(value, HG_NUMBER_LIMIT, &v) && v == HG_CONTRACT_V;
}

static bool read_mc(const json_t *value, int32_t *ret_mc)
{
    double mc;

    if (!hg_json_in_scaled(value, 1000.0, INT32_MIN, INT32_MAX, &mc))
        return false;
    *ret_mc = (int32_t)mc;
    return true;
}

/* a measurement that cannot be negative, except for noise that rounds to 0 */
static bool read_amount(const json_t *value, double max, uint64_t *ret_amount)
{
    double amount;

    if (!hg_json_in_scaled(value, 1.0, -1.0, max, &amount) || amount < 0.0)
        return false;
    *ret_amount = (uint64_t)amount;
    return true;
}

static bool read_u32(const json_t *value, uint32_t *ret_amount)
{
    uint64_t amount;

    if (!read_amount(value, UINT32_MAX, &amount))
        return false;
    *ret_amount = (uint32_t)amount;
    return true;
}

static bool read_air(const json_t *value, struct hg_reading *reading)
{
    if (json_is_null(value))
        return true; /* in fault: has_air stays false */
    reading->has_air = read_mc(value, &reading->air_mc);
    return reading->has_air;
}

static bool read_door(const json_t *value, struct hg_reading *reading)
{
    const char *text = json_string_value(value);

    if (json_is_null(value))
        return true; /* in fault: the door stays unknown */
    if (text != NULL && strcmp(text, "open") == 0)
        reading->door = HG_DOOR_OPEN;
    else if (text != NULL && strcmp(text, "closed") == 0)
        reading->door = HG_DOOR_CLOSED;
    return reading->door != HG_DOOR_UNKNOWN;
}

static bool read_heater(const json_t *value, struct hg_reading *reading)
{
    const char *text = json_string_value(value);

    if (text != NULL && strcmp(text, "on") == 0)
        reading->heater = HG_HEATER_ON;
    else if (text != NULL && strcmp(text, "off") == 0)
        reading->heater = HG_HEATER_OFF;
    return reading->heater != HG_HEATER_UNKNOWN;
}

/* Take one member into the reading; false: its value is bad. */
static bool read_member(enum member member, const json_t *value,
                        struct hg_reading *r)
{
    switch (member) {
    case MEMBER_V:
        return read_v(value);
    case MEMBER_BOOT:
        return hg_json_in_plain(value, r->boot, sizeof(r->boot));
    case MEMBER_SEQ:
        return hg_json_in_u64(value, HG_NUMBER_LIMIT, &r->seq);
    case MEMBER_UPTIME_MS:
        return hg_json_in_u64(value, HG_NUMBER_LIMIT, &r->uptime_ms);
    case MEMBER_AIR_C:
        return read_air(value, r);
    case MEMBER_DOOR:
        return read_door(value, r);
    case MEMBER_HEATER:
        return read_heater(value, r);
    case MEMBER_PERMIT:
        return r->has_permit =
                   hg_json_in_u64(value, HG_NUMBER_LIMIT, &r->permit);
    case MEMBER_DOOR_COUNT:
        return r->has_door_count =
                   hg_json_in_u64(value, HG_NUMBER_LIMIT, &r->door_count);
    case MEMBER_MODULE_C:
        return r->has_module_c = read_mc(value, &r->module_mc);
    case MEMBER_MODULE_RH:
        return r->has_module_rh = read_u32(value, &r->module_rh);
    case MEMBER_POWER_W:
        return r->has_power = read_u32(value, &r->power_w);
    case MEMBER_ENERGY_WH:
        return r->has_energy = read_amount(value, (double)HG_NUMBER_LIMIT - 1,
                                           &r->energy_wh);
    case MEMBER_OTHER:
    case MEMBER_COUNT:
        break;
    }
    return true; /* unknown members are ignored */
}

/* Read all members; returns the set of those that are right. */
static unsigned read_members(json_t *object, struct hg_reading *reading,
                             unsigned *ret_bad)
{
    unsigned good = 0;
    unsigned bad = 0;

    for (void *at = json_object_iter(object); at != NULL;
         at = json_object_iter_next(object, at)) {
        enum member member = find_member(json_object_iter_key(at));

        if (read_member(member, json_object_iter_value(at), reading))
            good |= BIT(member);
        else
            bad |= BIT(member);
    }
    *ret_bad = bad;
    return good;
}

/* Name the first member that is missing or bad. */
static void explain(unsigned missing, unsigned bad, struct hg_buf *why)
{
    for (unsigned m = MEMBER_V; m < MEMBER_COUNT; m++) {
        if ((missing & BIT(m)) == 0 && (bad & BIT(m)) == 0)
            continue;
        hg_buf_addf(why, "%s: %s is wanted%s", MEMBERS[m].name,
                    MEMBERS[m].wanted,
                    (bad & BIT(m)) != 0 ? "" : ", and it is missing");
        return;
    }
}

/* What may be kept of a message with a bad member: an open door, no more. */
static void reduce_to_door(struct hg_reading *reading)
{
    struct hg_reading door = { .seq = reading->seq, .door = reading->door };

    memcpy(door.boot, reading->boot, sizeof(door.boot));
    *reading = door;
}

int hg_telemetry_decode(const void *payload, size_t len, bool is_retained,
                        struct hg_buf *why, struct hg_reading *ret_reading)
{
    struct hg_reading reading;
    json_t *object = NULL;
    unsigned good;
    unsigned bad;
    int err;

    err = hg_json_in_object(payload, len, why, &object);
    if (err < 0)
        return err;

    memset(&reading, 0, sizeof(reading));
    good = read_members(object, &reading, &bad);
    json_decref(object);

    reading.is_whole = bad == 0 && (good & REQUIRED) == REQUIRED;
    if (!reading.is_whole) {
        explain(REQUIRED & ~good & ~bad, bad, why);
        if ((good & CORE) != CORE || reading.door != HG_DOOR_OPEN)
            return HG_ERR_INPUT;
        reduce_to_door(&reading);
    }
    reading.is_retained = is_retained;
    *ret_reading = reading;
    return 0;
}
