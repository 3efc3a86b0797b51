/*
 * Owns the way from a JSON value to a member of the configuration: type,
 * range, default, place of the problem. What more than one setting decides
 * is in config.c and config_room.c.
 */
#include "service/config_parse.h"
#include "base/text.h"
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define SHOWN_BYTES 60 /* of a value in a problem */

void hg_config_reader_init(struct hg_config_reader *reader, const char *file,
                           const char *dir, struct hg_problems *problems,
                           struct hg_config *config)
{
    memset(reader, 0, sizeof(*reader));
    reader->file = file;
    reader->dir = dir;
    reader->problems = problems;
    reader->config = config;
    hg_buf_init(&reader->pointer, reader->pointer_bytes,
                sizeof(reader->pointer_bytes));
}

void hg_config_reader_release(struct hg_config_reader *reader)
{
    for (size_t i = 0; i < HG_SET_COUNT; i++)
        json_decref(reader->fallback[i]);
    hg_where_free(reader->where);
}

/* -- problems -------------------------------------------------------------*/

static void pointer_back(struct hg_buf *pointer, size_t len)
{
    pointer->len = len;
    pointer->bytes[len] = '\0';
    pointer->is_cut = false;
}

static uint32_t line_now(struct hg_config_reader *reader)
{
    if (reader->where == NULL &&
        hg_where_new(reader->text, reader->len, &reader->where) < 0)
        return 0; /* no memory: the pointer still tells the place */
    return hg_where_line(reader->where, reader->pointer.bytes);
}

void hg_config_problem(struct hg_config_reader *reader, const char *member,
                       const char *format, ...)
{
    char what_bytes[HG_PROBLEM_BYTES];
    char text_bytes[2 * HG_PROBLEM_BYTES];
    size_t len = reader->pointer.len;
    struct hg_buf text;
    uint32_t line;
    va_list args;

    if (member != NULL)
        hg_where_push(&reader->pointer, member);
    line = line_now(reader);
    va_start(args, format);
    (void)vsnprintf(what_bytes, sizeof(what_bytes), format, args);
    va_end(args);
    hg_buf_init(&text, text_bytes, sizeof(text_bytes));
    hg_buf_addf(&text, "%s:%u: ", reader->file, (unsigned)line);
    if (reader->pointer.len > 0)
        hg_buf_addf(&text, "%s: ", reader->pointer.bytes);
    hg_buf_add(&text, what_bytes);
    hg_problems_add(reader->problems, line, 0, text.bytes);
    reader->problem_count++;
    pointer_back(&reader->pointer, len);
}

void hg_config_show_value(const json_t *value, struct hg_buf *shown)
{
    char *dump = NULL;
    size_t len;

    if (json_is_object(value) || json_is_array(value)) {
        hg_buf_add(shown, json_is_object(value) ? "an object" : "an array");
        return;
    }
    dump = json_dumps(value, JSON_ENCODE_ANY | JSON_REAL_PRECISION(10));
    if (dump == NULL) {
        hg_buf_add(shown, "the value");
        return;
    }
    len = strlen(dump);
    if (len > SHOWN_BYTES) {
        len = SHOWN_BYTES;
        while (len > 0 && ((unsigned char)dump[len] & 0xc0) == 0x80)
            len--;
        hg_buf_add_bytes(shown, dump, len);
        hg_buf_add(shown, "…");
    } else {
        hg_buf_add_bytes(shown, dump, len);
    }
    free(dump);
}

static void refuse(struct hg_config_reader *reader, enum hg_setting_id id,
                   const json_t *value, const char *what)
{
    char shown_bytes[128];
    char allowed_bytes[512];
    struct hg_buf shown, allowed;

    hg_buf_init(&shown, shown_bytes, sizeof(shown_bytes));
    hg_buf_init(&allowed, allowed_bytes, sizeof(allowed_bytes));
    hg_config_show_value(value, &shown);
    hg_setting_describe(hg_setting_get(id), &allowed);
    hg_config_problem(reader, NULL, "%s %s; allowed are %s", shown.bytes, what,
                      allowed.bytes);
    reader->is_bad[id] = true;
}

bool hg_config_is_good(const struct hg_config_reader *reader,
                       enum hg_setting_id id)
{
    return !reader->is_bad[id];
}

bool hg_config_is_given(const struct hg_config_reader *reader,
                        enum hg_setting_id id)
{
    return reader->is_given[id];
}

/* -- values ---------------------------------------------------------------*/

static void store_number(const struct hg_setting *setting, double value,
                         void *base)
{
    char *at = (char *)base + setting->offset;
    long long scaled = llround(value * setting->scale);

    if (setting->store == HG_STORE_U32) {
        uint32_t kept = (uint32_t)scaled;
        memcpy(at, &kept, sizeof(kept));
    } else if (setting->store == HG_STORE_U64) {
        uint64_t kept = (uint64_t)scaled;
        memcpy(at, &kept, sizeof(kept));
    } else if (setting->store == HG_STORE_I32) {
        int32_t kept = (int32_t)scaled;
        memcpy(at, &kept, sizeof(kept));
    } else if (setting->store == HG_STORE_DOUBLE) {
        memcpy(at, &value, sizeof(value));
    }
}

static void read_number(struct hg_config_reader *reader, enum hg_setting_id id,
                        const json_t *value, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);
    double number = json_number_value(value);

    if (!json_is_number(value))
        refuse(reader, id, value, "is not a number");
    else if (number < setting->min || number > setting->max)
        refuse(reader, id, value, "is out of range");
    else if (setting->kind == HG_SETTING_WHOLE && number != floor(number))
        refuse(reader, id, value, "is not a whole number");
    else
        store_number(setting, number, base);
}

static void read_choice(struct hg_config_reader *reader, enum hg_setting_id id,
                        const json_t *value, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);
    const char *word = json_string_value(value);
    int place = word == NULL ? -1 : hg_setting_word(setting->words, word);
    int kept;

    if (place < 0) {
        refuse(reader, id, value, "is not one of the words");
        return;
    }
    kept = place + (int)setting->scale;
    memcpy((char *)base + setting->offset, &kept, sizeof(kept));
}

static void store_bool(const struct hg_setting *setting, bool value, void *base)
{
    if (setting->store == HG_STORE_BOOL)
        memcpy((char *)base + setting->offset, &value, sizeof(value));
}

static void store_string_taken(struct hg_config_reader *reader,
                               const struct hg_setting *setting, char *text,
                               void *base)
{
    char *at = (char *)base + setting->offset;
    char *old;

    if (text == NULL) {
        reader->is_out_of_memory = true;
        return;
    }
    memcpy(&old, at, sizeof(old));
    free(old);
    memcpy(at, &text, sizeof(text));
}

static void read_text(struct hg_config_reader *reader, enum hg_setting_id id,
                      const json_t *value, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);
    const char *text = json_string_value(value);
    size_t len = json_string_length(value);

    if (text == NULL) {
        refuse(reader, id, value, "is not a text");
    } else if ((double)len < setting->min || (double)len > setting->max) {
        refuse(reader, id, value, "is too short or too long");
    } else if (!hg_text_is_plain_utf8(text, len)) {
        refuse(reader, id, value, "has control characters");
    } else if (setting->accepts != NULL && !setting->accepts(text)) {
        refuse(reader, id, value, "is not what is wanted here");
    } else if (setting->store == HG_STORE_STRING) {
        store_string_taken(reader, setting, strdup(text), base);
    } else if (setting->store == HG_STORE_CHARS) {
        memcpy((char *)base + setting->offset, text, len + 1);
    }
}

/* absolute, or below the directory of the file */
static char *absolute_path(const char *dir, const char *path)
{
    size_t size = strlen(dir) + strlen(path) + 2;
    char *whole;

    if (path[0] == '/')
        return strdup(path);
    whole = malloc(size);
    if (whole != NULL)
        (void)snprintf(whole, size, "%s/%s", dir, path);
    return whole;
}

static void read_path(struct hg_config_reader *reader, enum hg_setting_id id,
                      const json_t *value, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);
    const char *text = json_string_value(value);
    char *whole;

    if (text == NULL) {
        refuse(reader, id, value, "is not a text");
        return;
    }
    if (text[0] == '\0' ||
        !hg_text_is_plain_utf8(text, json_string_length(value))) {
        refuse(reader, id, value, "is not a path");
        return;
    }
    whole = absolute_path(reader->dir, text);
    if (whole != NULL && (double)strlen(whole) > setting->max) {
        refuse(reader, id, value, "is too long (with its directory)");
        free(whole);
        return;
    }
    store_string_taken(reader, setting, whole, base);
}

static void read_object(struct hg_config_reader *reader, enum hg_setting_id id,
                        const json_t *value, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);

    if (!json_is_object(value)) {
        refuse(reader, id, value, "is not an object");
        return;
    }
    store_bool(setting, true, base);
    if (setting->is_map)
        hg_config_rooms(reader, value);
    else
        hg_config_section(reader, setting->pattern, value, base);
}

/* a word, or an object with what the word leaves open */
static void read_mixed(struct hg_config_reader *reader, enum hg_setting_id id,
                       const json_t *value, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);
    const char *word = json_string_value(value);

    if (json_is_object(value))
        read_object(reader, id, value, base);
    else if (word == NULL || hg_setting_word(setting->words, word) < 0)
        refuse(reader, id, value, "is not one of the words");
}

static void read_flag(struct hg_config_reader *reader, enum hg_setting_id id,
                      const json_t *value, void *base)
{
    if (json_is_boolean(value))
        store_bool(hg_setting_get(id), json_is_true(value), base);
    else
        refuse(reader, id, value, "is not true or false");
}

static void read_value(struct hg_config_reader *reader, enum hg_setting_id id,
                       const json_t *value, void *base)
{
    switch (hg_setting_get(id)->kind) {
    case HG_SETTING_OBJECT:
        read_object(reader, id, value, base);
        break;
    case HG_SETTING_WHOLE:
    case HG_SETTING_NUMBER:
        read_number(reader, id, value, base);
        break;
    case HG_SETTING_CHOICE:
        read_choice(reader, id, value, base);
        break;
    case HG_SETTING_FLAG:
        read_flag(reader, id, value, base);
        break;
    case HG_SETTING_TEXT:
        read_text(reader, id, value, base);
        break;
    case HG_SETTING_PATH:
        read_path(reader, id, value, base);
        break;
    case HG_SETTING_MIXED:
        read_mixed(reader, id, value, base);
        break;
    }
}

/* -- sections ---------------------------------------------------------------*/

/* borrowed; NULL without a default or without memory */
static const json_t *fallback_of(struct hg_config_reader *reader,
                                 enum hg_setting_id id)
{
    const struct hg_setting *setting = hg_setting_get(id);

    if (setting->fallback == NULL)
        return NULL;
    if (reader->fallback[id] == NULL) {
        reader->fallback[id] =
            json_loads(setting->fallback, JSON_DECODE_ANY, NULL);
        if (reader->fallback[id] == NULL)
            reader->is_out_of_memory = true;
    }
    return reader->fallback[id];
}

static void missing(struct hg_config_reader *reader, enum hg_setting_id id)
{
    char bytes[512];
    struct hg_buf allowed;

    hg_buf_init(&allowed, bytes, sizeof(bytes));
    hg_setting_describe(hg_setting_get(id), &allowed);
    hg_config_problem(reader, NULL, "is missing; allowed are %s",
                      allowed.bytes);
    reader->is_bad[id] = true;
}

static void read_member(struct hg_config_reader *reader, enum hg_setting_id id,
                        const json_t *object, void *base)
{
    const struct hg_setting *setting = hg_setting_get(id);
    const json_t *value = json_object_get(object, hg_setting_name(setting));
    size_t len = reader->pointer.len;

    hg_where_push(&reader->pointer, hg_setting_name(setting));
    if (value == NULL && setting->is_required) {
        missing(reader, id);
    } else if (value == NULL) {
        value = fallback_of(reader, id);
        if (value != NULL && !json_is_null(value))
            read_value(reader, id, value, base);
    } else if (!json_is_null(value) || !setting->is_nullable) {
        reader->is_given[id] = true;
        read_value(reader, id, value, base);
    }
    pointer_back(&reader->pointer, len);
}

static void unknown_member(struct hg_config_reader *reader, const char *section,
                           const char *key)
{
    char bytes[768];
    struct hg_buf known;

    hg_buf_init(&known, bytes, sizeof(bytes));
    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting =
            hg_setting_get((enum hg_setting_id)id);

        if (hg_setting_is_in(setting, section))
            hg_buf_addf(&known, "%s%s", known.len == 0 ? "" : ", ",
                        hg_setting_name(setting));
    }
    hg_config_problem(reader, key, "is not a setting; allowed here are %s",
                      known.bytes);
}

/* the members of a binding are config_binding.c's */
static bool is_binding(const char *section, const json_t *object)
{
    const char *kind = json_string_value(json_object_get(object, "kind"));

    return strcmp(section, "/rooms/*/controller") == 0 && kind != NULL &&
           strcmp(kind, "switch") == 0;
}

void hg_config_section(struct hg_config_reader *reader, const char *section,
                       const json_t *object, void *base)
{
    /* jansson's iterator takes no const; nothing is changed through it */
    json_t *members = (json_t *)(uintptr_t)object;
    enum hg_setting_id found;
    const char *key;
    json_t *value;

    json_object_foreach(members, key, value)
    {
        if (hg_setting_find(section, key, &found) == NULL &&
            !is_binding(section, object))
            unknown_member(reader, section, key);
    }
    for (unsigned id = 0; id < HG_SET_COUNT; id++)
        if (hg_setting_is_in(hg_setting_get((enum hg_setting_id)id), section))
            read_member(reader, (enum hg_setting_id)id, object, base);
}
