/*
 * Owns the checks of one room as a whole: what two or more settings decide
 * together, defaults by class of use, and the room's key and place code.
 */
#include "base/text.h"
#include "service/config_binding.h"
#include "service/config_files.h"
#include "service/config_parse.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define CODE_SYMBOLS_MIN 6

static const char *const class_name[] = { "private", "semi-public", "public" };
static const uint64_t class_rest_min[] = { 0, 360, 0 };

int hg_config_place_code(const char *typed,
                         char ret_code[HG_CONFIG_PLACE_CODE_BYTES])
{
    char code[HG_CONFIG_PLACE_CODE_BYTES] = { 0 };
    size_t len = 0;
    int err = 0;

    for (; *typed != '\0' && err == 0; typed++) {
        char symbol = *typed;

        if (symbol == '-' || symbol == ' ')
            continue;
        if (symbol >= 'a' && symbol <= 'z')
            symbol = (char)(symbol - 'a' + 'A');
        if (!((symbol >= 'A' && symbol <= 'Z') ||
              (symbol >= '0' && symbol <= '9')) ||
            len == HG_CONFIG_PLACE_CODE_BYTES - 1)
            err = HG_ERR_INPUT;
        else
            code[len++] = symbol;
    }
    if (len < CODE_SYMBOLS_MIN)
        err = HG_ERR_INPUT;
    if (err == 0)
        memcpy(ret_code, code, sizeof(code));
    explicit_bzero(code, sizeof(code));
    return err;
}

static void check_class(struct hg_config_reader *reader,
                        struct hg_policy *policy)
{
    enum hg_usage_class class = policy->usage_class;
    uint64_t cap_ms;

    if (!hg_config_is_good(reader, HG_SET_USAGE_CLASS))
        return;
    cap_ms = hg_policy_class_cap_ms(class);
    if (!hg_config_is_given(reader, HG_SET_SESSION_CAP_MIN))
        policy->session_cap_ms = cap_ms;
    else if (policy->session_cap_ms > cap_ms)
        hg_config_problem(reader, "session_cap_min",
                          "%llu is out of range; allowed are 1 to %llu min, "
                          "the cap of usage_class \"%s\"",
                          (unsigned long long)policy->session_cap_ms / 60000,
                          (unsigned long long)cap_ms / 60000,
                          class_name[class]);
    if (!hg_config_is_given(reader, HG_SET_REST_AFTER_CAP_MIN))
        policy->rest_after_cap_ms = class_rest_min[class] * 60000;
}

static const char *how_set(const struct hg_config_reader *reader,
                           enum hg_setting_id id)
{
    return hg_config_is_given(reader, id) ? "" : " by default";
}

static void check_temperatures(struct hg_config_reader *reader,
                               const struct hg_policy *policy)
{
    double max_c = policy->target_max_mc / 1000.0;

    if (!hg_config_is_good(reader, HG_SET_TARGET_MAX_C))
        return;
    if (hg_config_is_good(reader, HG_SET_TARGET_MIN_C) &&
        policy->target_min_mc > policy->target_max_mc)
        hg_config_problem(reader, "target_min_c",
                          "%.10g%s is out of range; allowed are 30 to %.10g "
                          "C, which is target_max_c%s",
                          policy->target_min_mc / 1000.0,
                          how_set(reader, HG_SET_TARGET_MIN_C), max_c,
                          how_set(reader, HG_SET_TARGET_MAX_C));
    if (hg_config_is_good(reader, HG_SET_OVER_TEMP_C) &&
        policy->over_temp_mc < policy->target_max_mc + 5000)
        hg_config_problem(reader, "over_temp_c",
                          "%.10g is out of range; allowed are %.10g to 125 "
                          "C, from target_max_c%s + 5",
                          policy->over_temp_mc / 1000.0, max_c + 5,
                          how_set(reader, HG_SET_TARGET_MAX_C));
}

static void read_key(struct hg_config_reader *reader,
                     struct hg_room_draft *draft)
{
    char line[2 * HG_CONFIG_KEY_BYTES + 1];
    char why_bytes[HG_PROBLEM_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, why_bytes, sizeof(why_bytes));
    if (hg_config_file_secret(draft->key_file, &why, line, sizeof(line)) < 0)
        hg_config_problem(reader, "key_file", "%s", why.bytes);
    else if (hg_hex_to_bytes(line, draft->room.key, HG_CONFIG_KEY_BYTES) < 0)
        hg_config_problem(reader, "key_file",
                          "%s does not hold a key; allowed are 64 hex "
                          "digits: openssl rand -hex 32",
                          draft->key_file);
    else
        draft->room.has_key = true;
    explicit_bzero(line, sizeof(line));
}

/* No session may outlast the timer that is the last defence. */
static void limit_session(struct hg_config_reader *reader,
                          struct hg_room_draft *draft)
{
    uint64_t limit_min = draft->room.binding->timer_limit_min;
    struct hg_policy *policy = &draft->room.policy;

    if (limit_min == 0 || !hg_config_is_good(reader, HG_SET_USAGE_CLASS) ||
        !hg_config_is_good(reader, HG_SET_SESSION_CAP_MIN) ||
        policy->session_cap_ms <= limit_min * 60000)
        return;
    if (hg_config_is_given(reader, HG_SET_SESSION_CAP_MIN))
        hg_config_problem(reader, "session_cap_min",
                          "%llu is out of range; allowed are 1 to %llu min, "
                          "the timer_limit_min of the controller",
                          (unsigned long long)policy->session_cap_ms / 60000,
                          (unsigned long long)limit_min);
    policy->session_cap_ms = limit_min * 60000;
}

static void check_controller(struct hg_config_reader *reader,
                             const json_t *controller,
                             struct hg_room_draft *draft)
{
    const char *member = "controller";
    size_t len = reader->pointer.len;

    if (!hg_config_is_good(reader, HG_SET_CONTROLLER) ||
        !hg_config_is_good(reader, HG_SET_CONTROLLER_KIND))
        return;
    hg_where_push(&reader->pointer, member);
    if (draft->controller == HG_CONFIG_CONTROLLER_SWITCH)
        hg_config_binding(reader, controller, &draft->room.binding);
    else if (draft->key_file != NULL &&
             reader->config->broker.protocol != HG_CONFIG_MQTT_5)
        hg_config_problem(reader, "key_file",
                          "a key needs MQTT 5, whose user properties carry "
                          "the mac; set broker protocol to \"5\" or leave "
                          "key_file out");
    if (draft->key_file != NULL &&
        draft->controller == HG_CONFIG_CONTROLLER_LEASE)
        read_key(reader, draft);
    reader->pointer.len = len;
    reader->pointer.bytes[len] = '\0';
    if (draft->room.binding != NULL)
        limit_session(reader, draft);
}

static void check_place_code(struct hg_config_reader *reader,
                             struct hg_room_draft *draft)
{
    char line[256];
    char why_bytes[HG_PROBLEM_BYTES];
    struct hg_buf why;

    if (!hg_config_is_good(reader, HG_SET_PLACE_CODE_FILE) ||
        draft->room.policy.evidence != HG_EVIDENCE_PLACE_CODE)
        return;
    if (draft->place_code_file == NULL) {
        hg_config_problem(reader, "place_code_file",
                          "is missing; check_evidence \"place-code\" needs "
                          "the path of a file with the code that is posted "
                          "at the room");
        return;
    }
    hg_buf_init(&why, why_bytes, sizeof(why_bytes));
    if (hg_config_file_secret(draft->place_code_file, &why, line,
                              sizeof(line)) < 0)
        hg_config_problem(reader, "place_code_file", "%s", why.bytes);
    else if (hg_config_place_code(line, draft->room.place_code) < 0)
        hg_config_problem(reader, "place_code_file",
                          "%s does not hold a place code; allowed are %d to "
                          "%d letters A to Z and digits, with dashes or "
                          "blanks between them as you like",
                          draft->place_code_file, CODE_SYMBOLS_MIN,
                          HG_CONFIG_PLACE_CODE_BYTES - 1);
    explicit_bzero(line, sizeof(line));
}

static void check_room(struct hg_config_reader *reader, const json_t *room,
                       struct hg_room_draft *draft)
{
    struct hg_policy *policy = &draft->room.policy;
    const char *broken;

    if (draft->room.label[0] == '\0')
        memcpy(draft->room.label, draft->room.name, sizeof(draft->room.name));
    policy->heater_w = (uint32_t)llround(draft->room.heater_kw * 1000);
    draft->room.outputs.has_fan =
        hg_config_is_given(reader, HG_SET_OUTPUTS_FAN_RUN_ON_MIN);
    check_class(reader, policy);
    check_temperatures(reader, policy);
    check_place_code(reader, draft);
    check_controller(reader, json_object_get(room, "controller"), draft);
    if (reader->problem_count > 0)
        return;
    /* the gate has the last word on what it is given */
    broken = hg_policy_check(policy);
    if (broken != NULL)
        hg_config_problem(reader, NULL,
                          "the safety gate does not accept %s; this is a "
                          "fault of heatgated, please report it",
                          broken);
}

static void read_room(struct hg_config_reader *reader, const char *name,
                      const json_t *value, struct hg_config_room *ret_room)
{
    struct hg_room_draft draft;
    size_t len = reader->pointer.len;

    memset(&draft, 0, sizeof(draft));
    hg_where_push(&reader->pointer, name);
    for (unsigned id = HG_SET_ROOM_FIRST; id < HG_SET_COUNT; id++)
        reader->is_given[id] = reader->is_bad[id] = false;
    if (!hg_text_is_room(name))
        hg_config_problem(reader, NULL,
                          "is not a room name; allowed are 1 to 32 of a to "
                          "z, 0 to 9 and -, with no - in front");
    else
        memcpy(draft.room.name, name, strlen(name) + 1);
    if (json_is_object(value)) {
        hg_config_section(reader, "/rooms/*", value, &draft);
        check_room(reader, value, &draft);
    } else {
        hg_config_problem(reader, NULL,
                          "is not an object; allowed is an object with at "
                          "least usage_class, heater_kw and volume_m3");
    }
    *ret_room = draft.room;
    reader->pointer.len = len;
    reader->pointer.bytes[len] = '\0';
    reader->pointer.is_cut = false;
    free(draft.key_file);
    free(draft.place_code_file);
    explicit_bzero(&draft, sizeof(draft));
}

static int by_name(const void *a, const void *b)
{
    const struct hg_config_room *left = a;
    const struct hg_config_room *right = b;

    return strcmp(left->name, right->name);
}

void hg_config_rooms(struct hg_config_reader *reader, const json_t *rooms)
{
    /* jansson's iterator takes no const; nothing is changed through it */
    json_t *members = (json_t *)(uintptr_t)rooms;
    struct hg_config *config = reader->config;
    size_t count = json_object_size(rooms);
    const char *name;
    json_t *value;

    if (count < 1 || count > HG_CONFIG_ROOMS_MAX) {
        hg_config_problem(reader, NULL,
                          "holds %zu rooms; allowed are 1 to %d rooms", count,
                          HG_CONFIG_ROOMS_MAX);
        return;
    }
    config->room = calloc(count, sizeof(*config->room));
    if (config->room == NULL) {
        reader->is_out_of_memory = true;
        return;
    }
    json_object_foreach(members, name, value)
        read_room(reader, name, value, &config->room[config->room_count++]);
    for (size_t i = 1; i < count; i++)
        if (by_name(&config->room[i - 1], &config->room[i]) > 0) {
            qsort(config->room, count, sizeof(*config->room), by_name);
            break; /* large files are made by programs, in order */
        }
    hg_config_bindings(reader);
}
