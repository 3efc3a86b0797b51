/* Names, words and units of a binding: tables and what reads them. */
#include "base/text.h"
#include "controllers/binding.h"
#include <math.h>
#include <string.h>

enum quantity {
    QUANTITY_WORDS = 0,
    QUANTITY_TEMPERATURE,
    QUANTITY_POWER,
    QUANTITY_ENERGY,
    QUANTITY_HUMIDITY,
    QUANTITY_TIME
};

static const struct {
    const char *name;
    enum quantity quantity;
    const char *word[HG_SIGNAL_WORDS];
} SIGNALS[HG_SIGNAL_COUNT] = {
    [HG_SIGNAL_AIR] = { "air", QUANTITY_TEMPERATURE, { NULL, NULL } },
    [HG_SIGNAL_DOOR] = { "door", QUANTITY_WORDS, { "open", "closed" } },
    [HG_SIGNAL_HEATER] = { "heater", QUANTITY_WORDS, { "on", "off" } },
    [HG_SIGNAL_POWER] = { "power", QUANTITY_POWER, { NULL, NULL } },
    [HG_SIGNAL_ENERGY] = { "energy", QUANTITY_ENERGY, { NULL, NULL } },
    [HG_SIGNAL_MODULE_TEMPERATURE] = { "module_temperature",
                                       QUANTITY_TEMPERATURE,
                                       { NULL, NULL } },
    [HG_SIGNAL_MODULE_HUMIDITY] = { "module_humidity",
                                    QUANTITY_HUMIDITY,
                                    { NULL, NULL } },
    [HG_SIGNAL_UPTIME] = { "uptime", QUANTITY_TIME, { NULL, NULL } },
    [HG_SIGNAL_ONLINE] = { "online", QUANTITY_WORDS, { "online", "offline" } },
    [HG_SIGNAL_PANEL] = { "panel", QUANTITY_WORDS, { "pressed", NULL } },
    [HG_SIGNAL_LOCAL] = { "local", QUANTITY_WORDS, { "on", "off" } },
};

/* value in the unit, less offset, times factor: mC, W, Wh, %, ms */
static const struct {
    const char *name;
    enum quantity quantity;
    double offset, factor;
} UNITS[HG_UNIT_COUNT] = {
    [HG_UNIT_NONE] = { "", QUANTITY_WORDS, 0, 0 },
    [HG_UNIT_C] = { "C", QUANTITY_TEMPERATURE, 0, 1000 },
    [HG_UNIT_F] = { "F", QUANTITY_TEMPERATURE, 32, 5000.0 / 9 },
    [HG_UNIT_K] = { "K", QUANTITY_TEMPERATURE, 273.15, 1000 },
    [HG_UNIT_W] = { "W", QUANTITY_POWER, 0, 1 },
    [HG_UNIT_KW] = { "kW", QUANTITY_POWER, 0, 1000 },
    [HG_UNIT_WH] = { "Wh", QUANTITY_ENERGY, 0, 1 },
    [HG_UNIT_KWH] = { "kWh", QUANTITY_ENERGY, 0, 1000 },
    [HG_UNIT_MWH] = { "MWh", QUANTITY_ENERGY, 0, 1e6 },
    [HG_UNIT_J] = { "J", QUANTITY_ENERGY, 0, 1.0 / 3600 },
    [HG_UNIT_MJ] = { "MJ", QUANTITY_ENERGY, 0, 1e6 / 3600 },
    [HG_UNIT_PERCENT] = { "%", QUANTITY_HUMIDITY, 0, 1 },
    [HG_UNIT_MS] = { "ms", QUANTITY_TIME, 0, 1 },
    [HG_UNIT_S] = { "s", QUANTITY_TIME, 0, 1000 },
    [HG_UNIT_MIN] = { "min", QUANTITY_TIME, 0, 60000 },
};

static const struct {
    const char *code, *text, *remedy;
} STATES[HG_READ_STATES] = {
#define HG_READ_ROW(name, code, text, remedy) { code, text, remedy },
    HG_READ_LIST(HG_READ_ROW)
#undef HG_READ_ROW
};

const char *hg_signal_name(enum hg_signal signal)
{
    return (unsigned)signal < HG_SIGNAL_COUNT ? SIGNALS[signal].name : "";
}

enum hg_signal hg_signal_find(const char *name)
{
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++)
        if (strcmp(name, SIGNALS[s].name) == 0)
            return (enum hg_signal)s;
    return HG_SIGNAL_COUNT;
}

const char *hg_signal_word(enum hg_signal signal, unsigned word)
{
    return word < HG_SIGNAL_WORDS ? SIGNALS[signal].word[word] : NULL;
}

bool hg_signal_has_words(enum hg_signal signal)
{
    return SIGNALS[signal].quantity == QUANTITY_WORDS;
}

const char *hg_unit_name(enum hg_unit unit)
{
    return UNITS[unit].name;
}

enum hg_unit hg_unit_find(enum hg_signal signal, const char *name)
{
    for (unsigned u = HG_UNIT_NONE + 1; u < HG_UNIT_COUNT; u++)
        if (UNITS[u].quantity == SIGNALS[signal].quantity &&
            strcmp(name, UNITS[u].name) == 0)
            return (enum hg_unit)u;
    return HG_UNIT_NONE;
}

void hg_unit_list(enum hg_signal signal, struct hg_buf *out)
{
    const char *between = "";

    for (unsigned u = HG_UNIT_NONE + 1; u < HG_UNIT_COUNT; u++) {
        if (UNITS[u].quantity != SIGNALS[signal].quantity)
            continue;
        hg_buf_addf(out, "%s\"%s\"", between, UNITS[u].name);
        between = ", ";
    }
}

double hg_unit_convert(enum hg_unit unit, double value)
{
    return (value - UNITS[unit].offset) * UNITS[unit].factor;
}

bool hg_binding_is_topic(const char *topic)
{
    size_t len = strnlen(topic, HG_BINDING_TOPIC_BYTES);

    return len > 0 && len < HG_BINDING_TOPIC_BYTES && topic[0] != '$' &&
           strpbrk(topic, "+#") == NULL && hg_text_is_plain_utf8(topic, len);
}

bool hg_binding_value_text(const json_t *value,
                           char ret_text[HG_BINDING_WORD_BYTES])
{
    char bytes[HG_BINDING_WORD_BYTES] = { 0 };
    struct hg_buf buf;

    hg_buf_init(&buf, bytes, sizeof(bytes));
    if (json_is_string(value))
        hg_buf_add_bytes(&buf, json_string_value(value),
                         json_string_length(value));
    else if (json_is_boolean(value))
        hg_buf_add(&buf, json_is_true(value) ? "true" : "false");
    else if (json_is_number(value)) /* 1 and 1.0 are one number */
        hg_buf_addf(&buf, "%.15g", json_number_value(value));
    if (buf.is_cut || buf.len == 0 || strlen(bytes) != buf.len)
        return false;
    memcpy(ret_text, bytes, sizeof(bytes));
    return true;
}

/* Up to 3 decimals, none that are zero at the end: as in a permit. */
static void add_number(struct hg_buf *out, double value)
{
    char digits[32];
    struct hg_buf text;

    hg_buf_init(&text, digits, sizeof(digits));
    hg_buf_addf(&text, "%.3f", value);
    while (text.len > 0 && digits[text.len - 1] == '0')
        digits[--text.len] = '\0';
    if (text.len > 0 && digits[text.len - 1] == '.')
        digits[--text.len] = '\0';
    hg_buf_add(out, digits);
}

int hg_binding_setpoint_text(const struct hg_binding *binding,
                             int32_t target_mc, struct hg_buf *out)
{
    const char *payload = binding->setpoint.payload;
    const char *mark = strstr(payload, HG_BINDING_TARGET_MARK);
    enum hg_unit unit = binding->setpoint.unit;

    if (mark == NULL)
        return HG_ERR_RANGE;
    hg_buf_add_bytes(out, payload, (size_t)(mark - payload));
    add_number(out, target_mc / UNITS[unit].factor + UNITS[unit].offset);
    hg_buf_add(out, mark + strlen(HG_BINDING_TARGET_MARK));
    return out->is_cut ? HG_ERR_RANGE : 0;
}

const char *hg_read_code(enum hg_read_state state)
{
    return (unsigned)state < HG_READ_STATES ? STATES[state].code : "";
}

const char *hg_read_text(enum hg_read_state state)
{
    return (unsigned)state < HG_READ_STATES ? STATES[state].text : "";
}

const char *hg_read_remedy(enum hg_read_state state)
{
    return (unsigned)state < HG_READ_STATES ? STATES[state].remedy : "";
}
