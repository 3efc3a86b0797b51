/*
 * Owns the settings of a binding: members, topics, pointers, units and maps,
 * and what they must not have in common.
 */
#include "service/config_binding.h"
#include "base/text.h"
#include <stdlib.h>
#include <string.h>

#define TOPIC_WANTED                                                           \
    "a topic of 1 to 256 bytes without + and #, not beginning with $"

struct place { /* to return to when a member has been read */
    size_t len;
};

static struct place enter(struct hg_config_reader *reader, const char *member)
{
    struct place place = { reader->pointer.len };

    hg_where_push(&reader->pointer, member);
    return place;
}

static void leave(struct hg_config_reader *reader, struct place place)
{
    reader->pointer.len = place.len;
    reader->pointer.bytes[place.len] = '\0';
    reader->pointer.is_cut = false;
}

static void check_members(struct hg_config_reader *reader, const json_t *object,
                          const char *known)
{
    /* jansson's iterator takes no const; nothing is changed through it */
    json_t *members = (json_t *)(uintptr_t)object;
    const char *key;
    json_t *value;

    json_object_foreach(members, key,
                        value) if (hg_setting_word(known, key) < 0)
        hg_config_problem(reader, key, "is not a setting; allowed here are %s",
                          known);
}

/* The member, an object; NULL after a problem, or when it may be missing. */
static const json_t *get_object(struct hg_config_reader *reader,
                                const json_t *object, const char *name,
                                const char *wanted)
{
    const json_t *value = json_object_get(object, name);

    if (value == NULL)
        hg_config_problem(reader, name, "is missing; allowed is %s", wanted);
    else if (!json_is_object(value))
        hg_config_problem(reader, name, "is not an object; allowed is %s",
                          wanted);
    return json_is_object(value) ? value : NULL;
}

struct text_rule {
    const char *name;
    const char *wanted;
    bool (*accepts)(const char *text);
};

/* A required text of fewer than cap bytes; false after a problem. */
static bool get_text(struct hg_config_reader *reader, const json_t *object,
                     const struct text_rule *rule, char *out, size_t cap)
{
    const json_t *value = json_object_get(object, rule->name);
    const char *text = json_string_value(value);
    char shown[128];
    struct hg_buf buf;

    if (text != NULL && strlen(text) == json_string_length(value) &&
        rule->accepts(text) && hg_text_copy(out, cap, text) == 0)
        return true;
    hg_buf_init(&buf, shown, sizeof(shown));
    if (value == NULL)
        hg_buf_add(&buf, "is missing");
    else {
        hg_config_show_value(value, &buf);
        hg_buf_add(&buf, " is not what is wanted here");
    }
    hg_config_problem(reader, rule->name, "%s; allowed is %s", shown,
                      rule->wanted);
    return false;
}

static bool is_payload(const char *text)
{
    return text[0] != '\0' && hg_text_is_plain_utf8(text, strlen(text));
}

/* -- topics -----------------------------------------------------------------*/

static bool is_below_root(const struct hg_config_reader *reader,
                          const char *topic)
{
    const char *root = reader->config->broker.topic_root;
    size_t len = root == NULL ? 0 : strlen(root);

    return len > 0 && strncmp(topic, root, len) == 0 &&
           (topic[len] == '/' || topic[len] == '\0');
}

static bool get_topic(struct hg_config_reader *reader, const json_t *object,
                      char topic[HG_BINDING_TOPIC_BYTES])
{
    static const struct text_rule rule = { "topic", TOPIC_WANTED,
                                           hg_binding_is_topic };

    if (!get_text(reader, object, &rule, topic, HG_BINDING_TOPIC_BYTES))
        return false;
    if (!is_below_root(reader, topic))
        return true;
    hg_config_problem(reader, "topic",
                      "\"%s\" is below our own topic_root \"%s\"; allowed is "
                      "a topic of the device",
                      topic, reader->config->broker.topic_root);
    return false;
}

/* -- commands ---------------------------------------------------------------*/

static void read_qos(struct hg_config_reader *reader, const json_t *object,
                     struct hg_binding_command *command)
{
    const json_t *value = json_object_get(object, "qos");

    command->qos = 1;
    if (value == NULL)
        return;
    if (!json_is_integer(value) || json_integer_value(value) < 0 ||
        json_integer_value(value) > 1)
        hg_config_problem(reader, "qos", "is out of range; allowed are 0, 1");
    else
        command->qos = (uint8_t)json_integer_value(value);
}

static void read_command(struct hg_config_reader *reader,
                         const json_t *controller,
                         struct hg_binding_command *command)
{
    static const struct text_rule on = { "on",
                                         "the payload that switches on, 1 to "
                                         "256 bytes",
                                         is_payload };
    static const struct text_rule off = { "off",
                                          "the payload that switches off, 1 "
                                          "to 256 bytes",
                                          is_payload };
    const json_t *object = get_object(reader, controller, "command",
                                      "{\"topic\", \"on\", \"off\", \"qos\"}");
    struct place place;
    bool is_good;

    if (object == NULL)
        return;
    place = enter(reader, "command");
    check_members(reader, object, "topic|on|off|qos");
    (void)get_topic(reader, object, command->topic);
    is_good = get_text(reader, object, &on, command->on, sizeof(command->on));
    is_good &=
        get_text(reader, object, &off, command->off, sizeof(command->off));
    if (is_good && strcmp(command->on, command->off) == 0)
        hg_config_problem(reader, "off",
                          "\"%s\" is the payload of \"on\" too; allowed is "
                          "another one",
                          command->off);
    read_qos(reader, object, command);
    leave(reader, place);
}

static bool is_target_payload(const char *text)
{
    const char *mark = strstr(text, HG_BINDING_TARGET_MARK);

    return is_payload(text) && mark != NULL &&
           strstr(mark + 1, HG_BINDING_TARGET_MARK) == NULL &&
           /* the number takes up to 8 bytes in its place */
           strlen(text) < HG_BINDING_PAYLOAD_BYTES - 8;
}

static enum hg_unit get_unit(struct hg_config_reader *reader,
                             const json_t *object, enum hg_signal signal)
{
    const json_t *value = json_object_get(object, "unit");
    const char *name = json_string_value(value);
    enum hg_unit unit = HG_UNIT_NONE;
    char allowed[128], shown[128];
    struct hg_buf list, buf;

    if (name != NULL)
        unit = hg_unit_find(signal, name);
    if (unit != HG_UNIT_NONE)
        return unit;
    hg_buf_init(&list, allowed, sizeof(allowed));
    hg_buf_init(&buf, shown, sizeof(shown));
    hg_unit_list(signal, &list);
    if (value == NULL)
        hg_buf_add(&buf, "is missing");
    else {
        hg_config_show_value(value, &buf);
        hg_buf_add(&buf, " is not one of the units");
    }
    hg_config_problem(reader, "unit", "%s; allowed are %s", shown, allowed);
    return HG_UNIT_NONE;
}

static void read_setpoint(struct hg_config_reader *reader,
                          const json_t *controller,
                          struct hg_binding_setpoint *setpoint)
{
    static const struct text_rule payload = {
        "payload", "a text of at most 248 bytes with {target} in it once",
        is_target_payload
    };
    const json_t *object;
    struct place place;

    if (json_object_get(controller, "setpoint") == NULL)
        return;
    object = get_object(reader, controller, "setpoint",
                        "{\"topic\", \"payload\", \"unit\"}");
    if (object == NULL)
        return;
    place = enter(reader, "setpoint");
    check_members(reader, object, "topic|payload|unit");
    setpoint->is_set = get_topic(reader, object, setpoint->topic);
    setpoint->is_set &= get_text(reader, object, &payload, setpoint->payload,
                                 sizeof(setpoint->payload));
    setpoint->unit = get_unit(reader, object, HG_SIGNAL_AIR);
    leave(reader, place);
}

/* -- signals ----------------------------------------------------------------*/

static void read_pointer(struct hg_config_reader *reader, const json_t *object,
                         char pointer[HG_POINTER_BYTES])
{
    static const struct text_rule rule = {
        "pointer",
        "a JSON Pointer (RFC 6901) of at most 256 bytes: \"\" or names with "
        "a slash before each, ~0 for ~ and ~1 for /",
        hg_pointer_is_valid
    };

    pointer[0] = '\0'; /* the whole payload */
    if (json_object_get(object, "pointer") != NULL)
        (void)get_text(reader, object, &rule, pointer, HG_POINTER_BYTES);
}

/* {"open": …, "closed": …} or {"on": …, "off": …} */
static void read_words(struct hg_config_reader *reader, const json_t *object,
                       enum hg_signal id, struct hg_binding_signal *signal)
{
    const char *first = hg_signal_word(id, 0);
    const char *second = hg_signal_word(id, 1);
    const json_t *map;
    struct place place;
    char known[64], wanted[128];

    (void)snprintf(known, sizeof(known), "%s%s%s", first,
                   second == NULL ? "" : "|", second == NULL ? "" : second);
    (void)snprintf(wanted, sizeof(wanted), "{\"%s\": value%s%s%s}", first,
                   second == NULL ? "" : ", \"", second == NULL ? "" : second,
                   second == NULL ? "" : "\": value");
    map = get_object(reader, object, "values", wanted);
    if (map == NULL)
        return;
    place = enter(reader, "values");
    check_members(reader, map, known);
    for (unsigned w = 0; w < HG_SIGNAL_WORDS; w++) {
        const char *word = hg_signal_word(id, w);

        if (word != NULL &&
            !hg_binding_value_text(json_object_get(map, word), signal->word[w]))
            hg_config_problem(reader, word,
                              "is missing or no value; allowed is a text of 1 "
                              "to 64 bytes, a number, true, false");
    }
    if (second != NULL && signal->word[0][0] != '\0' &&
        strcmp(signal->word[0], signal->word[1]) == 0)
        hg_config_problem(reader, second,
                          "\"%s\" means \"%s\" already; allowed is another "
                          "value",
                          signal->word[1], first);
    leave(reader, place);
}

static void read_signal(struct hg_config_reader *reader, const json_t *object,
                        enum hg_signal id, struct hg_binding *binding)
{
    struct hg_binding_signal *signal = &binding->signal[id];
    bool has_words = hg_signal_has_words(id);

    if (!json_is_object(object)) {
        hg_config_problem(reader, NULL,
                          "is not an object; allowed is {\"topic\", "
                          "\"pointer\", \"%s\"}",
                          has_words ? "values" : "unit");
        return;
    }
    check_members(reader, object,
                  has_words ? "topic|pointer|values" : "topic|pointer|unit");
    signal->is_set = true;
    if (get_topic(reader, object, signal->topic) &&
        (strcmp(signal->topic, binding->command.topic) == 0 ||
         strcmp(signal->topic, binding->setpoint.topic) == 0))
        hg_config_problem(reader, "topic",
                          "\"%s\" is where commands are sent; allowed is the "
                          "topic on which the device reports",
                          signal->topic);
    read_pointer(reader, object, signal->pointer);
    if (has_words)
        read_words(reader, object, id, signal);
    else
        signal->unit = get_unit(reader, object, id);
}

static void read_signals(struct hg_config_reader *reader,
                         const json_t *controller, struct hg_binding *binding)
{
    const json_t *object =
        get_object(reader, controller, "signals",
                   "an object with at least air, door and heater");
    char known[256] = "";
    struct place place;
    struct hg_buf list;

    if (object == NULL)
        return;
    place = enter(reader, "signals");
    hg_buf_init(&list, known, sizeof(known));
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++)
        hg_buf_addf(&list, "%s%s", s == 0 ? "" : "|",
                    hg_signal_name((enum hg_signal)s));
    check_members(reader, object, known);
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++) {
        const char *name = hg_signal_name((enum hg_signal)s);
        const json_t *value = json_object_get(object, name);
        struct place inner;

        if (value == NULL && (HG_SIGNALS_NEEDED & HG_SIGNAL_BIT(s)) != 0)
            hg_config_problem(reader, name,
                              "is missing; air, door and heater are needed");
        if (value == NULL)
            continue;
        inner = enter(reader, name);
        read_signal(reader, value, (enum hg_signal)s, binding);
        leave(reader, inner);
    }
    leave(reader, place);
}

/* -- the whole
 * ----------------------------------------------------------------*/

static void read_timer(struct hg_config_reader *reader,
                       const json_t *controller, struct hg_binding *binding)
{
    const json_t *value = json_object_get(controller, "timer_limit_min");
    const char *what = value == NULL ? "is missing" : "is out of range";

    if (json_is_integer(value) && json_integer_value(value) >= 1 &&
        json_integer_value(value) <= HG_BINDING_TIMER_MAX_MIN)
        binding->timer_limit_min = (uint32_t)json_integer_value(value);
    else
        hg_config_problem(reader, "timer_limit_min",
                          "%s; allowed are 1 to %d min, the longest time that "
                          "the controller's own hardware timer lets it heat",
                          what, HG_BINDING_TIMER_MAX_MIN);
}

void hg_config_binding(struct hg_config_reader *reader,
                       const json_t *controller,
                       struct hg_binding **ret_binding)
{
    struct hg_binding *binding = calloc(1, sizeof(*binding));

    if (binding == NULL) {
        reader->is_out_of_memory = true;
        return;
    }
    check_members(reader, controller,
                  "kind|timer_limit_min|command|setpoint|signals");
    if (reader->config->broker.protocol != HG_CONFIG_MQTT_5 &&
        hg_config_is_good(reader, HG_SET_BROKER_PROTOCOL))
        hg_config_problem(reader, "kind",
                          "\"switch\" needs MQTT 5, which tells retained "
                          "messages from live ones and lets an on expire; set "
                          "broker protocol to \"5\"");
    read_timer(reader, controller, binding);
    read_command(reader, controller, &binding->command);
    read_setpoint(reader, controller, &binding->setpoint);
    if (binding->setpoint.topic[0] != '\0' &&
        strcmp(binding->setpoint.topic, binding->command.topic) == 0)
        hg_config_problem(reader, "setpoint",
                          "has the topic of \"command\"; allowed is another "
                          "topic");
    read_signals(reader, controller, binding);
    *ret_binding = binding;
}

static void tell_shared(struct hg_config_reader *reader,
                        const struct hg_config_room *room,
                        const struct hg_config_room *other)
{
    struct place place = enter(reader, room->name);

    hg_where_push(&reader->pointer, "controller");
    hg_where_push(&reader->pointer, "command");
    hg_config_problem(reader, "topic",
                      "\"%s\" is the command topic of room \"%s\" too; "
                      "allowed is one of its own",
                      room->binding->command.topic, other->name);
    leave(reader, place);
}

void hg_config_bindings(struct hg_config_reader *reader)
{
    const struct hg_config *config = reader->config;
    size_t count = 0;

    for (size_t i = 0; i < config->room_count; i++)
        if (config->room[i].binding != NULL)
            count++;
    if (count > HG_CONFIG_SWITCHES_MAX) {
        hg_config_problem(reader, NULL,
                          "holds %zu rooms with a switch controller; allowed "
                          "are %d a gateway, each has a connection of its own",
                          count, HG_CONFIG_SWITCHES_MAX);
        return;
    }
    for (size_t i = 0; i < config->room_count; i++) {
        const struct hg_config_room *room = &config->room[i];

        if (room->binding == NULL || room->binding->command.topic[0] == '\0')
            continue;
        for (size_t j = 0; j < i; j++)
            if (config->room[j].binding != NULL &&
                strcmp(config->room[j].binding->command.topic,
                       room->binding->command.topic) == 0)
                tell_shared(reader, room, &config->room[j]);
    }
}
