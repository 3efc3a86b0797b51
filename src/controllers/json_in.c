/*
 * The one door for JSON from the broker. It parses nothing by itself: the
 * limits are checked on the bytes, then jansson reads them.
 */
#include "controllers/json_in.h"
#include "base/text.h"
#include "controllers/codec.h"
#include "heatgate/version.h"
#include <math.h>
#include <string.h>

/* numbers out of range that one message may have before it is refused */
#define OVERFLOWS_MAX 8

/*
 * jansson recurses once per level. Counting every opening bracket is enough
 * for ordinary messages and cheap; only where that count is high are strings
 * told apart from structure. A malformed text may be counted wrongly, but
 * never too low before the place where the parser stops.
 */
static bool is_too_deep(const char *bytes, size_t len)
{
    size_t opened = 0;
    size_t depth = 0;
    bool is_in_string = false;

    for (size_t i = 0; i < len; i++)
        opened += (size_t)((bytes[i] == '{') | (bytes[i] == '['));
    if (opened <= HG_CODEC_DEPTH_MAX)
        return false;

    for (size_t i = 0; i < len; i++) {
        if (is_in_string) {
            if (bytes[i] == '\\')
                i++;
            else if (bytes[i] == '"')
                is_in_string = false;
        } else if (bytes[i] == '"') {
            is_in_string = true;
        } else if (bytes[i] == '{' || bytes[i] == '[') {
            if (++depth > HG_CODEC_DEPTH_MAX)
                return true;
        } else if ((bytes[i] == '}' || bytes[i] == ']') && depth > 0) {
            depth--;
        }
    }
    return false;
}

static bool is_number_byte(char c)
{
    return (c >= '0' && c <= '9') || c == '+' || c == '-' || c == '.' ||
           c == 'e' || c == 'E';
}

/*
 * Overwrite the number that ends at end with {} and blanks. Too large a
 * number has at least 5 bytes ("1e999"), so there is room.
 */
static bool blank_number(char *bytes, size_t len, int end)
{
    size_t last = end > 0 ? (size_t)end : 0;
    size_t first;

    if (last > len)
        return false;
    first = last;
    while (first > 0 && is_number_byte(bytes[first - 1]))
        first--;
    if (last - first < 2)
        return false;
    memset(bytes + first, ' ', last - first);
    bytes[first] = '{';
    bytes[first + 1] = '}';
    return true;
}

/*
 * A number beyond every double is valid JSON, and must not hide an open door
 * in the member beside it: read the message again without that number.
 */
static json_t *parse_without_overflows(const char *payload, size_t len,
                                       size_t flags, json_error_t *error)
{
    char copy[HG_CODEC_BYTES_MAX];
    json_t *root = NULL;

    memcpy(copy, payload, len);
    for (int i = 0; i < OVERFLOWS_MAX && root == NULL; i++) {
        if (json_error_code(error) != json_error_numeric_overflow ||
            !blank_number(copy, len, error->position))
            break;
        root = json_loadb(copy, len, flags, error);
    }
    return root;
}

/* jansson quotes the input; keep what a log line and a terminal can take */
static void explain(const json_error_t *error, struct hg_buf *why)
{
    hg_buf_addf(why, "not valid JSON at byte %d: ", error->position);
    for (const char *c = error->text; *c != '\0'; c++)
        hg_buf_addf(why, "%c", *c >= 0x20 && *c < 0x7f ? *c : '?');
}

/* What holds for every payload before it is parsed. */
static int check_limits(const void *payload, size_t len, struct hg_buf *why)
{
    if (len > HG_CODEC_BYTES_MAX) {
        hg_buf_addf(why, "the message has %zu bytes; at most %d are read", len,
                    HG_CODEC_BYTES_MAX);
        return HG_ERR_INPUT;
    }
    if (len == 0) {
        hg_buf_add(why, "the message is empty; a JSON object is wanted");
        return HG_ERR_INPUT;
    }
    if (is_too_deep(payload, len)) {
        hg_buf_addf(why, "the message is nested deeper than %d levels",
                    HG_CODEC_DEPTH_MAX);
        return HG_ERR_INPUT;
    }
    return 0;
}

static json_t *parse(const void *payload, size_t len, size_t flags,
                     json_error_t *error)
{
    json_t *root =
        json_loadb(payload, len, JSON_REJECT_DUPLICATES | flags, error);

    if (root == NULL)
        root = parse_without_overflows(payload, len,
                                       JSON_REJECT_DUPLICATES | flags, error);
    return root;
}

int hg_json_in_object(const void *payload, size_t len, struct hg_buf *why,
                      json_t **ret_object)
{
    json_error_t error;
    json_t *root;
    int err = check_limits(payload, len, why);

    if (err < 0)
        return err;
    root = parse(payload, len, 0, &error);
    if (root == NULL) {
        explain(&error, why);
        return HG_ERR_INPUT;
    }
    if (!json_is_object(root)) {
        hg_buf_add(why, "a JSON object is wanted");
        json_decref(root);
        return HG_ERR_INPUT;
    }
    *ret_object = root;
    return 0;
}

static bool is_blank(char byte)
{
    return byte == ' ' || byte == '\t' || byte == '\r' || byte == '\n';
}

/* NULL: no text either */
static json_t *take_text(const char *bytes, size_t len)
{
    while (len > 0 && is_blank(bytes[len - 1]))
        len--;
    while (len > 0 && is_blank(bytes[0])) {
        bytes++;
        len--;
    }
    if (len == 0 || len > HG_JSON_IN_TEXT_MAX || bytes[0] == '{' ||
        bytes[0] == '[' || bytes[0] == '"' ||
        !hg_text_is_plain_utf8(bytes, len))
        return NULL;
    return json_stringn(bytes, len);
}

int hg_json_in_any(const void *payload, size_t len, struct hg_buf *why,
                   json_t **ret_value)
{
    json_error_t error;
    json_t *root;
    int err = check_limits(payload, len, why);

    if (err < 0)
        return err;
    root = parse(payload, len, JSON_DECODE_ANY, &error);
    if (root == NULL)
        root = take_text(payload, len);
    if (root == NULL) {
        explain(&error, why);
        return HG_ERR_INPUT;
    }
    *ret_value = root;
    return 0;
}

bool hg_json_in_u64(const json_t *value, uint64_t limit, uint64_t *ret_number)
{
    if (json_is_integer(value)) {
        json_int_t number = json_integer_value(value);

        if (number < 0 || (uint64_t)number >= limit)
            return false;
        *ret_number = (uint64_t)number;
        return true;
    }
    if (json_is_real(value)) {
        double number = json_real_value(value);

        /* false for NaN too; below 2^53 the conversion is exact */
        if (!(number >= 0.0 && number < (double)limit) ||
            number > floor(number))
            return false;
        *ret_number = (uint64_t)number;
        return true;
    }
    return false;
}

bool hg_json_in_scaled(const json_t *value, double scale, double min,
                       double max, double *ret_number)
{
    double number;

    if (!json_is_number(value))
        return false;
    number = round(json_number_value(value) * scale);
    if (isnan(number))
        return false;
    *ret_number = number < min ? min : number > max ? max : number;
    return true;
}

bool hg_json_in_plain(const json_t *value, char *out, size_t cap)
{
    const char *text = json_string_value(value);
    size_t len = text != NULL ? json_string_length(value) : 0;

    if (len == 0 || len >= cap)
        return false;
    for (size_t i = 0; i < len; i++) {
        if (text[i] <= 0x20 || text[i] >= 0x7f || text[i] == '"' ||
            text[i] == '\\')
            return false;
    }
    memset(out, 0, cap);
    memcpy(out, text, len);
    return true;
}

bool hg_json_in_is_v1(const json_t *object, struct hg_buf *why)
{
    uint64_t v;

    if (hg_json_in_u64(json_object_get(object, "v"), UINT64_C(1) << 53, &v) &&
        v == HG_CONTRACT_V)
        return true;
    hg_buf_add(why, "v: the number 1 is wanted");
    return false;
}
