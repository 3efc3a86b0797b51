/*
 * Telemetry: one pass over the members with a switch on the name, because
 * this runs for every message of every controller.
 */
#include "controllers/telemetry.h"
#include "base/text.h"
#include "controllers/json_in.h"
#include "heatgate/version.h"
#include <stdlib.h>
#include <string.h>

enum member {
    MEMBER_OTHER = 0,
    MEMBER_V,
    MEMBER_BOOT,
    MEMBER_SEQ,
    MEMBER_UPTIME_MS,
    MEMBER_AIR_C,
    MEMBER_AIR_OHM,
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
/* any resistance that could be meant, in ohm; noise around a short included */
#define OHM_MIN (-1e6)
#define OHM_MAX 1e9
#define MILLI   1e3 /* of an ohm: 2.6 thousandths of a degree of a Pt100 */

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
    [MEMBER_AIR_OHM] = { "air_ohm", "a number or null" },
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

struct message { /* while it is read */
    const struct hg_telemetry_origin *origin;
    struct hg_reading reading;
    unsigned good, bad; /* members that were right, and not */
    bool has_ohm;
    double ohm;
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
        return name[0] == 'p' ? MEMBER_POWER_W : MEMBER_AIR_OHM;
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

static bool read_ohm(const json_t *value, struct message *m)
{
    double milli_ohm;

    if (m->origin->element == HG_PLATINUM_NONE || json_is_null(value))
        return true; /* ignored; in fault: has_ohm stays false */
    if (!hg_json_in_scaled(value, MILLI, OHM_MIN * MILLI, OHM_MAX * MILLI,
                           &milli_ohm))
        return false;
    m->has_ohm = true;
    m->ohm = milli_ohm / MILLI;
    return true;
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
                        struct message *m)
{
    struct hg_reading *r = &m->reading;

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
    case MEMBER_AIR_OHM:
        return read_ohm(value, m);
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

static void read_members(json_t *object, struct message *m)
{
    for (void *at = json_object_iter(object); at != NULL;
         at = json_object_iter_next(object, at)) {
        enum member member = find_member(json_object_iter_key(at));

        if (read_member(member, json_object_iter_value(at), m))
            m->good |= BIT(member);
        else
            m->bad |= BIT(member);
    }
}

static int32_t mc_of_ohm(const struct message *m)
{
    double middle = hg_platinum_to_ohm(m->origin->element, 0);
    int32_t mc;

    if (hg_platinum_to_mc(m->origin->element, m->ohm, &mc) == 0)
        return mc;
    return m->ohm < middle ? (int32_t)(HG_PLATINUM_MIN_C * 1000)
                           : (int32_t)(HG_PLATINUM_MAX_C * 1000);
}

/* All is read: what the resistance says of the air. */
static void take_ohm(struct message *m)
{
    struct hg_reading *r = &m->reading;
    bool is_alone = (m->good & BIT(MEMBER_AIR_C)) == 0;
    int32_t mc;

    if (m->origin->element == HG_PLATINUM_NONE ||
        (m->good & BIT(MEMBER_AIR_OHM)) == 0)
        return;
    m->good |= BIT(MEMBER_AIR_C); /* stands for it */
    mc = m->has_ohm ? mc_of_ohm(m) : 0;
    if (is_alone) {
        r->has_air = m->has_ohm;
        r->air_mc = mc;
    } else if (!r->has_air || !m->has_ohm ||
               llabs((int64_t)r->air_mc - mc) > HG_TELEMETRY_AGREE_MC) {
        r->has_air = false; /* which of them is true, nobody knows */
        r->air_mc = 0;
    } else if (mc > r->air_mc) {
        r->air_mc = mc;
    }
}

/* Name the first member that is missing or bad. */
static void explain(const struct message *m, struct hg_buf *why)
{
    unsigned missing = REQUIRED & ~m->good & ~m->bad;

    if ((m->bad & BIT(MEMBER_AIR_OHM)) != 0)
        missing &= ~BIT(MEMBER_AIR_C); /* it was to stand for it */
    for (unsigned i = MEMBER_V; i < MEMBER_COUNT; i++) {
        if (((missing | m->bad) & BIT(i)) == 0)
            continue;
        if (i == MEMBER_AIR_C && (missing & BIT(i)) != 0 &&
            (m->good & BIT(MEMBER_AIR_OHM)) != 0)
            hg_buf_add(why, "air_ohm: the room's setting sensor_element is "
                            "wanted to read it, and air_c is missing");
        else
            hg_buf_addf(why, "%s: %s is wanted%s", MEMBERS[i].name,
                        MEMBERS[i].wanted,
                        (m->bad & BIT(i)) != 0 ? "" : ", and it is missing");
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

int hg_telemetry_decode(const void *payload, size_t len,
                        const struct hg_telemetry_origin *origin,
                        struct hg_buf *why, struct hg_reading *ret_reading)
{
    struct message m;
    json_t *object = NULL;
    int err;

    err = hg_json_in_object(payload, len, why, &object);
    if (err < 0)
        return err;

    memset(&m, 0, sizeof(m));
    m.origin = origin;
    read_members(object, &m);
    json_decref(object);
    take_ohm(&m);

    m.reading.is_whole = m.bad == 0 && (m.good & REQUIRED) == REQUIRED;
    if (!m.reading.is_whole) {
        explain(&m, why);
        if ((m.good & CORE) != CORE || m.reading.door != HG_DOOR_OPEN)
            return HG_ERR_INPUT;
        reduce_to_door(&m.reading);
    }
    m.reading.is_retained = origin->is_retained;
    *ret_reading = m.reading;
    return 0;
}
