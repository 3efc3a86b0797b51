/*
 * The form of parameters: types, lengths, ranges, each fault with what was
 * wanted. Whether a room exists or a wish is granted is decided elsewhere.
 */
#include "api/methods.h"
#include "base/buf.h"
#include "base/text.h"
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define TEXTS_ITEM_BYTES 64
/* beyond this a double does not hold every whole number (RFC 8259, 6) */
#define WHOLE_MAX 9007199254740991.0

static bool is_text(const json_t *value, int64_t max)
{
    size_t len = json_string_length(value);

    return json_is_string(value) && len >= 1 && len <= (uint64_t)max &&
           hg_text_is_plain_utf8(json_string_value(value), len);
}

static bool is_note(const json_t *value, int64_t max)
{
    const char *text = json_string_value(value);

    return is_text(value, max) && text[strspn(text, " ")] != '\0';
}

static bool is_word(const json_t *value, const char *const *words)
{
    const char *text = json_string_value(value);

    if (text == NULL)
        return false;
    for (; *words != NULL; words++) {
        if (strcmp(*words, text) == 0)
            return true;
    }
    return false;
}

static bool is_texts(const json_t *value, int64_t max)
{
    size_t count = json_array_size(value);

    if (!json_is_array(value) || count > (uint64_t)max)
        return false;
    for (size_t i = 0; i < count; i++) {
        if (!is_text(json_array_get(value, i), TEXTS_ITEM_BYTES))
            return false;
    }
    return true;
}

static bool is_room(const json_t *value)
{
    return json_is_string(value) && hg_text_is_room(json_string_value(value));
}

static bool is_rooms(const json_t *value, int64_t max)
{
    size_t count = json_array_size(value);

    if (!json_is_array(value) || count < 1 || count > (uint64_t)max)
        return false;
    for (size_t i = 0; i < count; i++) {
        if (!is_room(json_array_get(value, i)))
            return false;
    }
    return true;
}

static bool is_all(const json_t *value)
{
    return json_is_string(value) && strcmp(json_string_value(value), "*") == 0;
}

static bool is_time(const json_t *value)
{
    int64_t ms;

    return json_is_string(value) &&
           hg_text_to_wall(json_string_value(value), &ms) == 0;
}

static bool is_celsius(const json_t *value, const struct hg_param *param)
{
    double c = json_number_value(value);

    return json_is_number(value) && c >= (double)param->min &&
           c <= (double)param->max;
}

/* 90 or 90.0; the latter becomes the former. */
static bool take_whole(json_t *params, const struct hg_param *param)
{
    const json_t *value = json_object_get(params, param->name);
    double real = json_real_value(value);
    int64_t whole = json_integer_value(value);

    if (json_is_real(value)) {
        if (fabs(real) > WHOLE_MAX || floor(real) < real)
            return false;
        whole = (int64_t)real;
    } else if (!json_is_integer(value)) {
        return false;
    }
    if (whole < param->min || whole > param->max)
        return false;
    return !json_is_real(value) ||
           json_object_set_new(params, param->name, json_integer(whole)) == 0;
}

static bool is_right(json_t *params, const struct hg_param *param)
{
    const json_t *value = json_object_get(params, param->name);

    switch (param->kind) {
    case HG_PARAM_TEXT:
        return is_text(value, param->max);
    case HG_PARAM_NOTE:
        return is_note(value, param->max);
    case HG_PARAM_WORD:
        return is_word(value, param->words);
    case HG_PARAM_TEXTS:
        return is_texts(value, param->max);
    case HG_PARAM_ROOM:
        return is_room(value);
    case HG_PARAM_ROOMS:
        return is_rooms(value, param->max);
    case HG_PARAM_ROOMS_OR_ALL:
        return is_all(value) || is_rooms(value, param->max);
    case HG_PARAM_TIME:
        return is_time(value);
    case HG_PARAM_CELSIUS:
        return is_celsius(value, param);
    case HG_PARAM_WHOLE:
        return take_whole(params, param);
    case HG_PARAM_FLAG:
        return json_is_boolean(value);
    case HG_PARAM_OBJECT:
        return json_is_object(value) &&
               json_object_size(value) <= (uint64_t)param->max;
    case HG_PARAM_NONE:
    default:
        return false;
    }
}

static void say_words(struct hg_buf *buf, const char *const *words)
{
    hg_buf_add(buf, "one of");
    for (size_t i = 0; words[i] != NULL; i++)
        hg_buf_addf(buf, "%s \"%s\"", i > 0 ? "," : "", words[i]);
}

static void say_wanted(const struct hg_param *param,
                       struct hg_param_fault *fault)
{
    struct hg_buf buf;

    fault->param = param->name;
    hg_buf_init(&buf, fault->wanted, sizeof(fault->wanted));
    switch (param->kind) {
    case HG_PARAM_TEXT:
        hg_buf_addf(&buf, "a text of 1 to %" PRId64 " bytes", param->max);
        break;
    case HG_PARAM_NOTE:
        hg_buf_addf(&buf, "a text that is not blank, up to %" PRId64 " bytes",
                    param->max);
        break;
    case HG_PARAM_WORD:
        say_words(&buf, param->words);
        break;
    case HG_PARAM_TEXTS:
        hg_buf_addf(&buf, "an array of at most %" PRId64 " texts", param->max);
        break;
    case HG_PARAM_ROOM:
        hg_buf_add(&buf, "the name of a room");
        break;
    case HG_PARAM_ROOMS:
        hg_buf_addf(&buf, "an array of 1 to %" PRId64 " names of rooms",
                    param->max);
        break;
    case HG_PARAM_ROOMS_OR_ALL:
        hg_buf_addf(&buf,
                    "an array of 1 to %" PRId64
                    " names of rooms, or \"*\" for all",
                    param->max);
        break;
    case HG_PARAM_TIME:
        hg_buf_add(&buf, "an RFC 3339 time with offset or Z, such as "
                         "\"2026-12-04T15:00:00Z\"");
        break;
    case HG_PARAM_CELSIUS:
    case HG_PARAM_WHOLE:
        hg_buf_addf(&buf, "a %snumber from %" PRId64 " to %" PRId64,
                    param->kind == HG_PARAM_WHOLE ? "whole " : "", param->min,
                    param->max);
        break;
    case HG_PARAM_FLAG:
        hg_buf_add(&buf, "true or false");
        break;
    case HG_PARAM_OBJECT:
        hg_buf_addf(&buf, "an object of at most %" PRId64 " members",
                    param->max);
        break;
    case HG_PARAM_NONE:
    default:
        break;
    }
}

/* How many of the optional parameters are there, and their names. */
static size_t count_optional(const struct hg_method_row *row,
                             const json_t *params, struct hg_buf *names)
{
    size_t count = 0;

    for (size_t i = 0; i < HG_METHOD_PARAMS_MAX; i++) {
        const struct hg_param *param = &row->param[i];

        if (param->kind == HG_PARAM_NONE)
            break;
        if (param->is_required)
            continue;
        hg_buf_addf(names, "%s\"%s\"", names->len > 0 ? ", " : "", param->name);
        if (json_object_get(params, param->name) != NULL)
            count++;
    }
    return count;
}

static bool meets_need(const struct hg_method_row *row, const json_t *params,
                       bool is_admin, struct hg_param_fault *fault)
{
    char text[100];
    struct hg_buf names;
    size_t count;

    /* the admin socket says who is there; hello needs nothing more */
    if (row->need == HG_METHOD_NEEDS_NONE ||
        (is_admin && row->method == HG_METHOD_HELLO))
        return true;
    hg_buf_init(&names, text, sizeof(text));
    count = count_optional(row, params, &names);
    if (count == 1 || (count > 1 && row->need == HG_METHOD_NEEDS_ANY))
        return true;
    fault->param = "params";
    (void)snprintf(fault->wanted, sizeof(fault->wanted), "%s one of %s",
                   row->need == HG_METHOD_NEEDS_ANY ? "at least" : "exactly",
                   text);
    return false;
}

bool hg_method_check_params(const struct hg_method_row *row, json_t *params,
                            bool is_admin, struct hg_param_fault *ret_fault)
{
    for (size_t i = 0; i < HG_METHOD_PARAMS_MAX; i++) {
        const struct hg_param *param = &row->param[i];

        if (param->kind == HG_PARAM_NONE)
            break;
        if (!param->is_required) {
            if (json_is_null(json_object_get(params, param->name)))
                (void)json_object_del(params, param->name);
            if (json_object_get(params, param->name) == NULL)
                continue;
        }
        if (!is_right(params, param)) {
            say_wanted(param, ret_fault);
            return false;
        }
    }
    return meets_need(row, params, is_admin, ret_fault);
}
