/*
 * Messages of a foreign controller into signals, signals into readings. What
 * is old or unreadable proves nothing; an open door is believed at once.
 */
#include "controllers/binding.h"
#include "base/sat.h"
#include "base/text.h"
#include "controllers/codec.h"
#include "controllers/json_in.h"
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER_BYTES 32 /* of a number written as a text */

void hg_binding_reset(struct hg_binding_reads *reads)
{
    memset(reads, 0, sizeof(*reads));
}

/* What a person who looks for the fault is shown: ASCII, one line. */
static void keep_raw(struct hg_binding_read *read, const json_t *value)
{
    char *dump = json_dumps(value, JSON_ENCODE_ANY | JSON_ENSURE_ASCII |
                                       JSON_COMPACT | JSON_REAL_PRECISION(15));

    memset(read->raw, 0, sizeof(read->raw));
    if (dump == NULL)
        return;
    memcpy(read->raw, dump, strnlen(dump, sizeof(read->raw) - 1));
    free(dump);
}

/* Many devices send numbers as texts: plain decimals are taken. */
static bool read_number(const json_t *value, double *ret_number)
{
    const char *text = json_string_value(value);
    char *end = NULL;
    double number;

    if (json_is_number(value)) {
        *ret_number = json_number_value(value);
        return true;
    }
    if (text == NULL || json_string_length(value) >= NUMBER_BYTES ||
        text[0] == '\0' || text[strspn(text, "0123456789+-.eE")] != '\0')
        return false;
    errno = 0;
    number = strtod(text, &end);
    if (end == text || *end != '\0' || errno == ERANGE || !isfinite(number))
        return false;
    *ret_number = number;
    return true;
}

static enum hg_read_state take_number(const struct hg_binding_signal *signal,
                                      const json_t *value,
                                      struct hg_binding_read *read)
{
    double number;

    if (json_is_null(value)) {
        read->is_fault = true;
        read->number = 0;
        return HG_READ_FAULT;
    }
    if (!read_number(value, &number))
        return HG_READ_WRONG_TYPE;
    number = hg_unit_convert(signal->unit, number);
    if (!isfinite(number))
        return HG_READ_WRONG_TYPE;
    read->is_fault = false;
    read->number = number;
    return HG_READ_OK;
}

static enum hg_read_state take_word(const struct hg_binding_signal *signal,
                                    const json_t *value,
                                    struct hg_binding_read *read)
{
    char text[HG_BINDING_WORD_BYTES];

    read->is_fault = json_is_null(value);
    read->word = -1;
    if (!hg_binding_value_text(value, text))
        return read->is_fault ? HG_READ_FAULT : HG_READ_NOT_IN_MAP;
    for (int w = 0; w < HG_SIGNAL_WORDS; w++) {
        if (signal->word[w][0] == '\0' || strcmp(signal->word[w], text) != 0)
            continue;
        read->word = w;
        return HG_READ_OK;
    }
    return HG_READ_NOT_IN_MAP;
}

/* Does a value in this state replace the one before? */
static bool is_taken(enum hg_signal signal, enum hg_read_state state)
{
    if (state == HG_READ_OK)
        return true;
    if (signal == HG_SIGNAL_DOOR) /* not closed any more, as far as we know */
        return state == HG_READ_NOT_IN_MAP || state == HG_READ_FAULT;
    return state == HG_READ_FAULT && !hg_signal_has_words(signal);
}

static void note_restart(enum hg_signal signal,
                         const struct hg_binding_read *before,
                         const struct hg_binding_read *next,
                         struct hg_binding_news *news)
{
    if (!before->has_value)
        return;
    if (signal == HG_SIGNAL_UPTIME && !next->is_fault && !before->is_fault &&
        next->number < before->number)
        news->is_restart = true;
    if (signal == HG_SIGNAL_ONLINE && next->word == HG_WORD_FIRST &&
        before->word == HG_WORD_SECOND)
        news->is_restart = true;
}

/* The value as this signal reads it, into next; root NULL: no payload. */
static enum hg_read_state read_value(const struct hg_binding_signal *signal,
                                     enum hg_signal id, const json_t *root,
                                     struct hg_binding_read *next)
{
    const json_t *value;

    if (root == NULL)
        return HG_READ_BAD_PAYLOAD;
    value = hg_pointer_find(root, signal->pointer);
    if (value == NULL)
        return HG_READ_NO_POINTER;
    keep_raw(next, value);
    return hg_signal_has_words(id) ? take_word(signal, value, next)
                                   : take_number(signal, value, next);
}

/* What becomes of it: believed, shown, or left out. */
static void settle(enum hg_signal id, bool is_retained,
                   const struct hg_binding_read *next,
                   struct hg_binding_read *read, struct hg_binding_news *news)
{
    /* a message that holds other things says nothing about this one */
    if (next->state == HG_READ_NO_POINTER && read->has_value)
        return;
    memcpy(read->raw, next->raw, sizeof(read->raw));
    if (is_retained && id != HG_SIGNAL_ONLINE) {
        if (!read->has_value)
            read->state = HG_READ_RETAINED;
        return;
    }
    read->state = next->state;
    if (next->state != HG_READ_OK && next->state != HG_READ_FAULT &&
        next->state != HG_READ_NO_POINTER)
        news->bad |= HG_SIGNAL_BIT(id);
    if (!is_taken(id, next->state))
        return;
    note_restart(id, read, next, news);
    *read = *next;
    read->has_value = true;
    news->read |= HG_SIGNAL_BIT(id);
}

/* The payload as JSON or as a plain text; NULL: it is neither. */
static json_t *open_payload(const struct hg_binding_message *message)
{
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_buf why;
    json_t *root = NULL;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_json_in_any(message->payload, message->len, &why, &root) < 0)
        return NULL;
    return root;
}

void hg_binding_apply(const struct hg_binding *binding,
                      struct hg_binding_reads *reads,
                      const struct hg_binding_message *message,
                      struct hg_mono now, struct hg_binding_news *news)
{
    json_t *root = open_payload(message);

    memset(news, 0, sizeof(*news));
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++) {
        struct hg_binding_read *read = &reads->signal[s];
        struct hg_binding_read next = { .at = now, .heard_at = now };

        if (!binding->signal[s].is_set ||
            strcmp(binding->signal[s].topic, message->topic) != 0)
            continue;
        news->here |= HG_SIGNAL_BIT(s);
        next.has_message = true;
        next.state =
            read_value(&binding->signal[s], (enum hg_signal)s, root, &next);
        read->has_message = true;
        read->heard_at = now;
        settle((enum hg_signal)s, message->is_retained, &next, read, news);
    }
    json_decref(root);
}

static bool is_young(const struct hg_binding_read *read, struct hg_mono now,
                     uint32_t stale_ms)
{
    return read->has_value && hg_mono_since(now, read->at) < stale_ms;
}

uint32_t hg_binding_missing(const struct hg_binding *binding,
                            const struct hg_binding_reads *reads,
                            struct hg_mono now, uint32_t stale_ms)
{
    const struct hg_binding_read *online = &reads->signal[HG_SIGNAL_ONLINE];
    uint32_t missing = 0;

    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++)
        if ((HG_SIGNALS_NEEDED & HG_SIGNAL_BIT(s)) != 0 &&
            !is_young(&reads->signal[s], now, stale_ms))
            missing |= HG_SIGNAL_BIT(s);
    if (binding->signal[HG_SIGNAL_ONLINE].is_set &&
        (!online->has_value || online->word != HG_WORD_FIRST))
        missing |= HG_SIGNAL_BIT(HG_SIGNAL_ONLINE);
    return missing;
}

/* rounded, and the end of the range for what lies beyond it */
static double limit(double value, double min, double max)
{
    value = round(value);
    return value < min ? min : value > max ? max : value;
}

static bool has_number(const struct hg_binding_read *read)
{
    return read->has_value && !read->is_fault;
}

/* Measurements that no permit hangs on, but lockouts and reports do. */
static void fill_rest(const struct hg_binding_reads *reads, struct hg_mono now,
                      uint32_t stale_ms, struct hg_reading *r)
{
    const struct hg_binding_read *power = &reads->signal[HG_SIGNAL_POWER];
    const struct hg_binding_read *energy = &reads->signal[HG_SIGNAL_ENERGY];
    const struct hg_binding_read *module =
        &reads->signal[HG_SIGNAL_MODULE_TEMPERATURE];
    const struct hg_binding_read *damp =
        &reads->signal[HG_SIGNAL_MODULE_HUMIDITY];

    /* an old power says nothing about the heater now */
    r->has_power = has_number(power) && is_young(power, now, stale_ms);
    if (r->has_power)
        r->power_w = (uint32_t)limit(power->number, 0, UINT32_MAX);
    r->has_energy = has_number(energy);
    if (r->has_energy)
        r->energy_wh =
            (uint64_t)limit(energy->number, 0, (double)HG_NUMBER_LIMIT - 1);
    r->has_module_c = has_number(module);
    if (r->has_module_c)
        r->module_mc = (int32_t)limit(module->number, INT32_MIN, INT32_MAX);
    r->has_module_rh = has_number(damp);
    if (r->has_module_rh)
        r->module_rh = (uint32_t)limit(damp->number, 0, UINT32_MAX);
}

void hg_binding_fill(const struct hg_binding *binding,
                     const struct hg_binding_reads *reads, struct hg_mono now,
                     uint32_t stale_ms, struct hg_reading *r)
{
    const struct hg_binding_read *air = &reads->signal[HG_SIGNAL_AIR];
    const struct hg_binding_read *door = &reads->signal[HG_SIGNAL_DOOR];
    const struct hg_binding_read *heater = &reads->signal[HG_SIGNAL_HEATER];
    const struct hg_binding_read *uptime = &reads->signal[HG_SIGNAL_UPTIME];

    memset(r, 0, sizeof(*r));
    r->is_whole = true;
    r->has_air = !air->is_fault;
    if (r->has_air)
        r->air_mc = (int32_t)limit(air->number, INT32_MIN, INT32_MAX);
    if (door->word >= 0)
        r->door = door->word == HG_WORD_FIRST ? HG_DOOR_OPEN : HG_DOOR_CLOSED;
    r->heater = heater->word == HG_WORD_FIRST ? HG_HEATER_ON : HG_HEATER_OFF;
    r->uptime_ms = now.ms;
    if (binding->signal[HG_SIGNAL_UPTIME].is_set && has_number(uptime))
        r->uptime_ms = hg_sat_add_u64(
            (uint64_t)limit(uptime->number, 0, (double)HG_NUMBER_LIMIT - 1),
            hg_mono_since(now, uptime->at));
    fill_rest(reads, now, stale_ms, r);
}
