/*
 * What a simulated controller says and hears in JSON: telemetry, local
 * events, permits (contract section 1), and the truth for tests.
 */
#include "base/sat.h"
#include "heatgate/version.h"
#include "sim/controller.h"
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TARGET_LIMIT_C 1000.0
#define J_PER_WH       3600.0
/* tenths of a degree up to 999.9, and no 64.200000000000003 */
#define PRINT (JSON_COMPACT | JSON_REAL_PRECISION(6))

const char *hg_simctl_fault_word(unsigned index)
{
    static const char *const WORDS[HG_SIMCTL_FAULTS] = {
#define HG_SIMCTL_WORD(name, word) word,
        HG_SIMCTL_FAULT_LIST(HG_SIMCTL_WORD)
#undef HG_SIMCTL_WORD
    };

    return index < HG_SIMCTL_FAULTS ? WORDS[index] : "";
}

static bool has(const struct hg_simctl *ctl, enum hg_simctl_fault fault)
{
    return (ctl->faults & (uint32_t)fault) != 0;
}

/* -- permits ----------------------------------------------------------------*/

struct permit {
    uint64_t serial, ttl_ms;
    int is_heat;
    int32_t target_mc;
};

static bool get_u64(const json_t *root, const char *key, uint64_t *value)
{
    const json_t *member = json_object_get(root, key);

    if (!json_is_integer(member) || json_integer_value(member) < 0)
        return false;
    *value = (uint64_t)json_integer_value(member);
    return true;
}

static bool parse_permit(const json_t *root, struct permit *permit)
{
    const json_t *heat = json_object_get(root, "heat");
    const json_t *target = json_object_get(root, "target_c");
    uint64_t v = 0;

    if (!get_u64(root, "v", &v) || v != HG_CONTRACT_V ||
        !get_u64(root, "serial", &permit->serial) || !json_is_boolean(heat))
        return false;
    permit->is_heat = json_is_true(heat) ? 1 : 0;
    if (!permit->is_heat)
        return true;
    if (!get_u64(root, "ttl_ms", &permit->ttl_ms) || !json_is_number(target) ||
        !(fabs(json_number_value(target)) < TARGET_LIMIT_C))
        return false;
    permit->target_mc = (int32_t)lround(json_number_value(target) * 1000);
    return true;
}

static int read_permit(const char *payload, size_t len, struct permit *permit)
{
    json_t *root = json_loadb(payload, len, JSON_REJECT_DUPLICATES, NULL);
    bool is_permit = parse_permit(root, permit);

    json_decref(root);
    return is_permit ? HG_OK : HG_ERR_INPUT;
}

static int hear(struct hg_simctl *ctl, const struct permit *permit)
{
    if (!hg_follower_hear(&ctl->follower, permit->serial, permit->is_heat,
                          permit->ttl_ms, permit->target_mc, ctl->now_ms))
        return HG_ERR_EXISTS;
    if (permit->is_heat)
        ctl->last_target_mc = permit->target_mc;
    return HG_OK;
}

int hg_simctl_hear(struct hg_simctl *ctl, const char *payload, size_t len,
                   bool is_retained, uint64_t now_ms)
{
    struct permit permit = { 0 };
    int err;

    hg_simctl_step(ctl, now_ms);
    if (has(ctl, HG_SIMCTL_POWER_LOST) || has(ctl, HG_SIMCTL_DEAF))
        return HG_ERR_CLOSED;
    err = is_retained ? HG_ERR_DENIED : read_permit(payload, len, &permit);
    if (err == HG_OK)
        err = hear(ctl, &permit);
    if (err < 0) {
        ctl->permits_ignored++;
        return err;
    }
    ctl->permits_taken++;
    hg_simctl_step(ctl, now_ms); /* decide at once */
    return HG_OK;
}

/* -- telemetry and events ---------------------------------------------------*/

/* add a member only when there is memory for it; false otherwise */
static bool put(json_t *root, const char *key, json_t *value_taken)
{
    return json_object_set_new(root, key, value_taken) == 0;
}

static json_t *tenths(double c)
{
    return json_real(round(c * 10) / 10);
}

static json_t *whole(uint64_t value)
{
    return json_integer((json_int_t)value);
}

static json_t *new_message(const struct hg_simctl *ctl)
{
    return json_pack("{s:i, s:s, s:I}", "v", HG_CONTRACT_V, "boot", ctl->boot,
                     "seq", (json_int_t)ctl->seq);
}

static json_t *door_word(const struct hg_simctl *ctl)
{
    if (has(ctl, HG_SIMCTL_DOOR_GONE))
        return json_null();
    return json_string(ctl->is_switch_open ? "open" : "closed");
}

/* a broken loop, as a converter at its end reports it */
#define BROKEN_OHM 1e7

static bool put_air(const struct hg_simctl *ctl, json_t *root)
{
    double celsius = (double)ctl->reading_mc / 1000;
    bool is_gone = has(ctl, HG_SIMCTL_SENSOR_GONE);
    double ohm = hg_platinum_to_ohm(ctl->setup.element, celsius);

    if (ctl->setup.element == HG_PLATINUM_NONE)
        return put(root, "air_c", is_gone ? json_null() : tenths(celsius));
    return put(root, "air_ohm",
               json_real(is_gone ? BROKEN_OHM : round(ohm * 100) / 100));
}

static bool put_room(const struct hg_simctl *ctl, json_t *root)
{
    return put(root, "uptime_ms", whole(ctl->now_ms - ctl->started_ms)) &&
           put_air(ctl, root) && put(root, "door", door_word(ctl)) &&
           put(root, "heater",
               json_string(hg_simctl_reports_on(ctl) ? "on" : "off")) &&
           put(root, "permit", whole(ctl->follower.serial)) &&
           (has(ctl, HG_SIMCTL_NO_COUNTER) ||
            put(root, "door_count", whole(ctl->door_count)));
}

static bool put_module(const struct hg_simctl *ctl, json_t *root)
{
    double module_c = has(ctl, HG_SIMCTL_MODULE_HOT) ? 58 : ctl->module_c;
    double power_w = ctl->is_heating ? ctl->setup.spec.heater_w : 0;

    return put(root, "module_c", tenths(module_c)) &&
           put(root, "module_rh",
               json_integer(has(ctl, HG_SIMCTL_MODULE_DAMP) ? 97 : 42)) &&
           (has(ctl, HG_SIMCTL_NO_POWER) ||
            put(root, "power_w", json_integer((json_int_t)lround(power_w)))) &&
           (has(ctl, HG_SIMCTL_NO_METER) ||
            put(root, "energy_wh",
                whole((uint64_t)(ctl->room.input_j / J_PER_WH))));
}

static const char *event_word(enum hg_simctl_event_kind kind)
{
    switch (kind) {
    case HG_SIMCTL_EVENT_ROOM_CHECK:
        return "room-check";
    case HG_SIMCTL_EVENT_LOCAL_START:
        return "local-start";
    case HG_SIMCTL_EVENT_LOCAL_STOP:
        return "local-stop";
    case HG_SIMCTL_EVENT_FAULT:
    case HG_SIMCTL_EVENT_NONE:
        break;
    }
    return "fault";
}

/* print and free root */
static bool print_taken(json_t *root, bool is_whole,
                        struct hg_simctl_message *out)
{
    size_t len = 0;

    if (root && is_whole)
        len = json_dumpb(root, out->text, sizeof(out->text) - 1, PRINT);
    json_decref(root);
    if (len == 0 || len >= sizeof(out->text))
        return false;
    out->text[len] = '\0';
    out->len = len;
    return true;
}

static bool say_event(struct hg_simctl *ctl, struct hg_simctl_message *out)
{
    struct hg_simctl_event event = ctl->event[0];
    json_t *root;
    bool is_whole;

    ctl->events--;
    memmove(&ctl->event[0], &ctl->event[1],
            ctl->events * sizeof(ctl->event[0]));
    ctl->seq++;
    root = new_message(ctl);
    is_whole = put(root, "event", json_string(event_word(event.kind)));
    if (event.kind == HG_SIMCTL_EVENT_FAULT)
        is_whole = is_whole && put(root, "code", json_string(event.code));
    out->is_event = true;
    return print_taken(root, is_whole, out);
}

static bool say_telemetry(struct hg_simctl *ctl, struct hg_simctl_message *out)
{
    json_t *root;
    bool is_whole;

    ctl->telemetry_due_ms = hg_sat_add_u64(ctl->now_ms, ctl->setup.period_ms);
    ctl->seq++;
    root = new_message(ctl);
    is_whole = put_room(ctl, root) && put_module(ctl, root);
    out->is_event = false;
    return print_taken(root, is_whole, out);
}

bool hg_simctl_next(struct hg_simctl *ctl, struct hg_simctl_message *out)
{
    bool is_mute = has(ctl, HG_SIMCTL_POWER_LOST) || has(ctl, HG_SIMCTL_SILENT);

    if (is_mute) {
        ctl->events = 0;
        if (ctl->now_ms >= ctl->telemetry_due_ms)
            ctl->telemetry_due_ms =
                hg_sat_add_u64(ctl->now_ms, ctl->setup.period_ms);
        return false;
    }
    if (ctl->events)
        return say_event(ctl, out);
    if (ctl->now_ms >= ctl->telemetry_due_ms)
        return say_telemetry(ctl, out);
    return false;
}

/* -- light and fan
 * -----------------------------------------------------------*/

void hg_simctl_hear_outputs(struct hg_simctl *ctl, const char *payload,
                            size_t len)
{
    json_t *root = json_loadb(payload, len, JSON_REJECT_DUPLICATES, NULL);

    if (!has(ctl, HG_SIMCTL_POWER_LOST) && (root || len == 0)) {
        ctl->is_light_on = json_is_true(json_object_get(root, "light"));
        ctl->is_fan_on = json_is_true(json_object_get(root, "fan"));
    }
    json_decref(root);
}

/* -- the truth --------------------------------------------------------------*/

static json_t *moment(uint64_t ms)
{
    return ms ? whole(ms) : json_null();
}

static bool put_truth(const struct hg_simctl *ctl, json_t *root)
{
    return put(root, "truth_on", json_boolean(ctl->is_heating)) &&
           put(root, "last_on_boottime_ms", moment(ctl->last_on_ms)) &&
           put(root, "last_off_boottime_ms", moment(ctl->last_off_ms)) &&
           put(root, "now_boottime_ms", whole(ctl->now_ms)) &&
           put(root, "heater_on_ms", whole(ctl->heater_on_ms)) &&
           put(root, "switchings", whole(ctl->switchings)) &&
           put(root, "contactor", json_boolean(ctl->is_contactor_on)) &&
           put(root, "heater_reported",
               json_string(hg_simctl_reports_on(ctl) ? "on" : "off")) &&
           put(root, "limit_tripped", json_boolean(ctl->is_limit_tripped)) &&
           put(root, "air_true_c", json_real(ctl->room.air_c)) &&
           put(root, "stones_c", json_real(ctl->room.stones_c)) &&
           put(root, "lining_c", json_real(ctl->room.lining_c)) &&
           put(root, "air_read_c", tenths((double)ctl->reading_mc / 1000)) &&
           put(root, "energy_true_wh", json_real(ctl->room.input_j / J_PER_WH));
}

static bool put_inner(const struct hg_simctl *ctl, json_t *root)
{
    uint64_t end_ms =
        hg_sat_add_u64(ctl->follower.received_ms, ctl->follower.ttl_ms);
    uint64_t left_ms =
        ctl->follower.ttl_ms ? hg_sat_sub_u64(end_ms, ctl->now_ms) : 0;

    return put(root, "door",
               json_string(ctl->is_door_open ? "open" : "closed")) &&
           put(root, "door_reported", door_word(ctl)) &&
           put(root, "door_count", whole(ctl->door_count)) &&
           put(root, "permit_serial", whole(ctl->follower.serial)) &&
           put(root, "permit_live", json_boolean(left_ms > 0)) &&
           put(root, "permit_left_ms", whole(left_ms)) &&
           put(root, "permits_taken", whole(ctl->permits_taken)) &&
           put(root, "permits_ignored", whole(ctl->permits_ignored)) &&
           put(root, "target_c",
               json_real((double)ctl->follower.target_mc / 1000)) &&
           put(root, "local", json_boolean(ctl->is_local)) &&
           put(root, "light", json_boolean(ctl->is_light_on)) &&
           put(root, "fan", json_boolean(ctl->is_fan_on)) &&
           put(root, "boot", json_string(ctl->boot)) &&
           put(root, "boots", whole(ctl->boots)) &&
           put(root, "seq", whole(ctl->seq)) &&
           put(root, "uptime_ms", whole(ctl->now_ms - ctl->started_ms)) &&
           put(root, "linked", json_boolean(ctl->is_linked)) &&
           put(root, "speed", json_real(ctl->setup.speed));
}

static bool put_faults(const struct hg_simctl *ctl, json_t *root)
{
    json_t *list = json_array();
    bool is_whole = true;

    for (unsigned i = 0; i < HG_SIMCTL_FAULTS; i++)
        if (ctl->faults & (UINT32_C(1) << i) &&
            json_array_append_new(list, json_string(hg_simctl_fault_word(i))))
            is_whole = false;
    return put(root, "faults", list) && is_whole;
}

int hg_simctl_describe(const struct hg_simctl *ctl, struct hg_buf *out)
{
    json_t *root = json_pack("{s:s}", "room", ctl->setup.room);
    char *text = NULL;
    int err = HG_ERR_MEMORY;

    if (put_truth(ctl, root) && put_inner(ctl, root) && put_faults(ctl, root))
        text = json_dumps(root, JSON_COMPACT | JSON_REAL_PRECISION(9));
    json_decref(root);
    if (text) {
        hg_buf_add(out, text);
        err = out->is_cut ? HG_ERR_FULL : HG_OK;
    }
    free(text);
    return err;
}
