/*
 * Small parsers and printers with a maximum on everything. They move on only
 * over what they understood and write their output at the very end. Dates
 * follow the proleptic Gregorian calendar, as RFC 3339 does; nothing asks
 * the C library for time zones or locales.
 */
#include "base/text.h"
#include <stdio.h>
#include <string.h>

#define MS_PER_SECOND   1000
#define MS_PER_MINUTE   (60 * MS_PER_SECOND)
#define MS_PER_HOUR     (60 * MS_PER_MINUTE)
#define MS_PER_DAY      (INT64_C(24) * MS_PER_HOUR)
#define WALL_LAST_MS    INT64_C(253402300799999) /* 9999-12-31T23:59:59.999Z */
#define DURATION_MAX_MS ((uint64_t)(366 * MS_PER_DAY))

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

int hg_text_copy(char *dst, size_t cap, const char *src)
{
    size_t len = strlen(src);

    if (len >= cap)
        return HG_ERR_RANGE;
    memmove(dst, src, len + 1);
    return HG_OK;
}

/* -- numbers and names -- */

/*
 * Read the digits at *text, at least one, and move *text behind them. A
 * number that does not fit reads as UINT64_MAX, so that a range check ends it.
 */
static int read_u64(const char **text, uint64_t *ret_value)
{
    const char *c = *text;
    uint64_t value = 0;

    if (!is_digit(*c))
        return HG_ERR_INPUT;
    for (; is_digit(*c); c++) {
        uint64_t digit = (uint64_t)(*c - '0');

        if (value > (UINT64_MAX - digit) / 10)
            value = UINT64_MAX;
        else
            value = value * 10 + digit;
    }
    *text = c;
    *ret_value = value;
    return HG_OK;
}

/* Is the text a decimal number above 2^64 - 1? */
static bool is_beyond_u64(const char *digits)
{
    static const char LARGEST[] = "18446744073709551615";
    size_t len;

    while (*digits == '0')
        digits++;
    len = strlen(digits);
    if (len != sizeof(LARGEST) - 1)
        return len > sizeof(LARGEST) - 1;
    return strcmp(digits, LARGEST) > 0;
}

int hg_text_to_u64(const char *text, uint64_t min, uint64_t max,
                   uint64_t *ret_value)
{
    const char *end = text;
    uint64_t value;

    if (read_u64(&end, &value) < 0 || *end != '\0')
        return HG_ERR_INPUT;
    if (is_beyond_u64(text) || value < min || value > max)
        return HG_ERR_RANGE;
    *ret_value = value;
    return HG_OK;
}

bool hg_text_is_room(const char *text)
{
    size_t len = 0;

    for (; text[len] != '\0'; len++) {
        char c = text[len];
        bool is_word = is_digit(c) || (c >= 'a' && c <= 'z');

        if (len == 32 || !(is_word || (c == '-' && len > 0)))
            return false;
    }
    return len > 0;
}

/* -- durations -- */

int hg_text_to_duration(const char *text, uint64_t *ret_ms)
{
    static const char UNIT[] = "hms";
    static const uint64_t UNIT_MS[] = { MS_PER_HOUR, MS_PER_MINUTE,
                                        MS_PER_SECOND };
    uint64_t sum_ms = 0;
    size_t from = 0; /* units before this one are used up */
    const char *c = text;

    do {
        uint64_t count;
        const char *unit;

        if (read_u64(&c, &count) < 0)
            return HG_ERR_INPUT;
        if (*c == '\0' && from > 0)
            return HG_ERR_INPUT; /* "2h30": thirty what? */
        unit = *c == '\0' ? &UNIT[1] : strchr(UNIT + from, *c++);
        if (unit == NULL)
            return HG_ERR_INPUT;
        from = (size_t)(unit - UNIT);
        /* keep on parsing when it is too long: bad text is the worse news */
        if (count > DURATION_MAX_MS / UNIT_MS[from])
            count = DURATION_MAX_MS / UNIT_MS[from] + 1;
        sum_ms += count * UNIT_MS[from];
        from++;
    } while (*c != '\0');
    if (sum_ms < MS_PER_SECOND || sum_ms > DURATION_MAX_MS)
        return HG_ERR_RANGE;
    *ret_ms = sum_ms;
    return HG_OK;
}

/* -- wall times -- */

struct civil {
    int32_t year;
    int32_t month; /* 1 to 12 */
    int32_t day;   /* 1 to 31 */
};

static bool is_leap_year(int32_t year)
{
    return year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
}

static int32_t days_in_month(int32_t year, int32_t month)
{
    static const int8_t DAYS[] = { 31, 28, 31, 30, 31, 30,
                                   31, 31, 30, 31, 30, 31 };

    return DAYS[month - 1] + (month == 2 && is_leap_year(year) ? 1 : 0);
}

/*
 * Days from 1970-01-01. Counting the year from March puts the leap day at its
 * end; the days before a month are then (153 * month + 2) / 5.
 */
static int64_t days_from_civil(struct civil date)
{
    int64_t year = date.year - (date.month <= 2 ? 1 : 0);
    int64_t month = (date.month + 9) % 12;
    int64_t era = (year >= 0 ? year : year - 399) / 400;
    int64_t year_of_era = year - era * 400;
    int64_t day_of_year = (153 * month + 2) / 5 + date.day - 1;
    int64_t leap_days = year_of_era / 4 - year_of_era / 100;

    return era * 146097 + year_of_era * 365 + leap_days + day_of_year - 719468;
}

/* The date of a day at or after 1970-01-01. */
static struct civil civil_from_days(int64_t days)
{
    int64_t shifted = days + 719468; /* from 0000-03-01 */
    int64_t era = shifted / 146097;
    int64_t day_of_era = shifted % 146097;
    int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36524 -
                           day_of_era / 146096) /
                          365;
    int64_t day_of_year =
        day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t month = (5 * day_of_year + 2) / 153; /* from March */
    struct civil date;

    date.day = (int32_t)(day_of_year - (153 * month + 2) / 5 + 1);
    date.month = (int32_t)(month < 10 ? month + 3 : month - 9);
    date.year = (int32_t)(year_of_era + era * 400 + (month >= 10 ? 1 : 0));
    return date;
}

/* Read exactly count digits, then what must follow ('\0': anything). */
static int read_field(const char **text, size_t count, char follow,
                      int32_t *ret_value)
{
    int32_t value = 0;

    for (size_t i = 0; i < count; i++) {
        char c = (*text)[i];

        if (!is_digit(c))
            return HG_ERR_INPUT;
        value = value * 10 + (c - '0');
    }
    if (follow != '\0' && (*text)[count] != follow)
        return HG_ERR_INPUT;
    *text += count + (follow != '\0' ? 1 : 0);
    *ret_value = value;
    return HG_OK;
}

/* full-date and the T behind it; days from 1970-01-01 */
static int read_date(const char **text, int64_t *ret_days)
{
    struct civil date;

    if (read_field(text, 4, '-', &date.year) < 0 ||
        read_field(text, 2, '-', &date.month) < 0 ||
        read_field(text, 2, '\0', &date.day) < 0 ||
        (**text != 'T' && **text != 't'))
        return HG_ERR_INPUT;
    (*text)++;
    if (date.month < 1 || date.month > 12 || date.day < 1 ||
        date.day > days_in_month(date.year, date.month))
        return HG_ERR_RANGE;
    *ret_days = days_from_civil(date);
    return HG_OK;
}

/* time-secfrac or nothing; digits past the third are dropped */
static int read_fraction(const char **text, int32_t *ret_ms)
{
    int32_t ms = 0;
    int32_t weight = 100;

    if (**text == '.') {
        (*text)++;
        if (!is_digit(**text))
            return HG_ERR_INPUT;
        for (; is_digit(**text); (*text)++) {
            ms += (**text - '0') * weight;
            weight /= 10;
        }
    }
    *ret_ms = ms;
    return HG_OK;
}

/* partial-time, in milliseconds of the day; 60 s only as a leap second */
static int read_time(const char **text, bool *ret_is_leap, int64_t *ret_ms)
{
    int32_t hour, minute, second, ms;

    if (read_field(text, 2, ':', &hour) < 0 ||
        read_field(text, 2, ':', &minute) < 0 ||
        read_field(text, 2, '\0', &second) < 0 || read_fraction(text, &ms) < 0)
        return HG_ERR_INPUT;
    if (hour > 23 || minute > 59 || second > 60)
        return HG_ERR_RANGE;
    *ret_is_leap = second == 60;
    *ret_ms = (int64_t)hour * MS_PER_HOUR + (int64_t)minute * MS_PER_MINUTE +
              (int64_t)second * MS_PER_SECOND + ms;
    return HG_OK;
}

/* time-offset: what local time is ahead of UTC */
static int read_offset(const char **text, int64_t *ret_ms)
{
    int32_t hour, minute;
    char sign = **text;

    (*text)++;
    if (sign == 'Z' || sign == 'z') {
        *ret_ms = 0;
        return HG_OK;
    }
    if ((sign != '+' && sign != '-') || read_field(text, 2, ':', &hour) < 0 ||
        read_field(text, 2, '\0', &minute) < 0)
        return HG_ERR_INPUT;
    if (hour > 23 || minute > 59)
        return HG_ERR_RANGE;
    *ret_ms = (int64_t)hour * MS_PER_HOUR + (int64_t)minute * MS_PER_MINUTE;
    if (sign == '-')
        *ret_ms = -*ret_ms;
    return HG_OK;
}

/*
 * Leap seconds come at the end of a UTC month only (RFC 3339, 5.7). Unix time
 * has none: the 60th second is counted as the first of the next day, which is
 * the first of a month.
 */
static bool is_leap_second_place(int64_t utc_ms)
{
    int64_t of_day_ms = (utc_ms % MS_PER_DAY + MS_PER_DAY) % MS_PER_DAY;
    int64_t days = (utc_ms - of_day_ms) / MS_PER_DAY;

    /* the calendar repeats after 146097 days; a few rounds make it positive */
    return of_day_ms < MS_PER_SECOND &&
           civil_from_days((days + 5 * 146097) % 146097).day == 1;
}

int hg_text_to_wall(const char *text, int64_t *ret_ms)
{
    int64_t days, time_ms, offset_ms, utc_ms;
    bool is_leap;
    int err;

    err = read_date(&text, &days);
    if (err < 0)
        return err;
    err = read_time(&text, &is_leap, &time_ms);
    if (err < 0)
        return err;
    err = *text == '\0' ? HG_ERR_INPUT : read_offset(&text, &offset_ms);
    if (err < 0)
        return err;
    if (*text != '\0')
        return HG_ERR_INPUT;
    utc_ms = days * MS_PER_DAY + time_ms - offset_ms;
    if (is_leap && !is_leap_second_place(utc_ms))
        return HG_ERR_RANGE;
    *ret_ms = utc_ms;
    return HG_OK;
}

/* The nearest time that can be printed, and its parts. */
static struct civil split_wall(int64_t *ms, int64_t *ret_of_day_ms)
{
    if (*ms < 0)
        *ms = 0;
    if (*ms > WALL_LAST_MS)
        *ms = WALL_LAST_MS;
    *ret_of_day_ms = *ms % MS_PER_DAY;
    return civil_from_days(*ms / MS_PER_DAY);
}

static void put_digits(char *out, int64_t value, size_t count)
{
    for (size_t i = count; i > 0; i--) {
        out[i - 1] = (char)('0' + value % 10);
        value /= 10;
    }
}

/* "YYYY-MM-DDThh:mm:ss", 19 bytes without NUL; milliseconds are returned */
static int64_t put_date_time(int64_t ms, char *out)
{
    static const char FORM[] = "0000-00-00T00:00:00";
    int64_t of_day_ms;
    struct civil date = split_wall(&ms, &of_day_ms);

    memcpy(out, FORM, sizeof(FORM) - 1);
    put_digits(out, date.year, 4);
    put_digits(out + 5, date.month, 2);
    put_digits(out + 8, date.day, 2);
    put_digits(out + 11, of_day_ms / MS_PER_HOUR, 2);
    put_digits(out + 14, of_day_ms / MS_PER_MINUTE % 60, 2);
    put_digits(out + 17, of_day_ms / MS_PER_SECOND % 60, 2);
    return of_day_ms % MS_PER_SECOND;
}

void hg_text_from_wall(int64_t ms, char out[HG_WALL_TEXT_BYTES])
{
    (void)put_date_time(ms, out);
    memcpy(out + 19, "Z", 2);
}

void hg_text_from_wall_ms(int64_t ms, char out[HG_WALL_MS_TEXT_BYTES])
{
    int64_t fraction_ms = put_date_time(ms, out);

    memcpy(out + 19, ".000Z", 6);
    put_digits(out + 20, fraction_ms, 3);
}

/* -- bytes -- */

void hg_hex_from_bytes(const uint8_t *bytes, size_t len, char *out)
{
    static const char DIGITS[] = "0123456789abcdef";

    for (size_t i = 0; i < len; i++) {
        out[2 * i] = DIGITS[bytes[i] >> 4];
        out[2 * i + 1] = DIGITS[bytes[i] & 15];
    }
    out[2 * len] = '\0';
}

static int hex_value(char c)
{
    if (is_digit(c))
        return c - '0';
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    return -1;
}

int hg_hex_to_bytes(const char *text, uint8_t *ret_bytes, size_t len)
{
    /* look first: the output stays untouched by a bad text */
    for (size_t i = 0; i < 2 * len; i++) {
        if (hex_value(text[i]) < 0)
            return HG_ERR_INPUT;
    }
    if (text[2 * len] != '\0')
        return HG_ERR_INPUT;
    for (size_t i = 0; i < len; i++) {
        int high = hex_value(text[2 * i]);
        int low = hex_value(text[2 * i + 1]);

        ret_bytes[i] = (uint8_t)(high << 4 | low);
    }
    return HG_OK;
}

bool hg_secret_equal(const void *a, const void *b, size_t len)
{
    /* volatile: the compiler must not stop at the first difference */
    const volatile uint8_t *left = a;
    const volatile uint8_t *right = b;
    uint8_t difference = 0;

    for (size_t i = 0; i < len; i++)
        difference = (uint8_t)(difference | (left[i] ^ right[i]));
    return difference == 0;
}

int hg_secret_no_phrase(char *phrase, int size, int is_writing, void *ctx)
{
    (void)phrase;
    (void)size;
    (void)is_writing;
    (void)ctx;
    return -1;
}

/* -- UTF-8 -- */

/*
 * Length of the well-formed sequence at bytes (RFC 3629, section 4: no
 * overlong form, no surrogate, nothing above U+10FFFF), or 0.
 */
static size_t utf8_sequence(const uint8_t *bytes, size_t len)
{
    uint8_t lead = bytes[0];
    uint8_t low = 0x80, high = 0xbf; /* range of the second byte */
    size_t want;

    if (lead < 0x80)
        return 1;
    if (lead < 0xc2 || lead > 0xf4)
        return 0;
    want = lead < 0xe0 ? 2 : lead < 0xf0 ? 3 : 4;
    if (lead == 0xe0)
        low = 0xa0;
    else if (lead == 0xed)
        high = 0x9f;
    else if (lead == 0xf0)
        low = 0x90;
    else if (lead == 0xf4)
        high = 0x8f;
    if (len < want || bytes[1] < low || bytes[1] > high)
        return 0;
    for (size_t i = 2; i < want; i++) {
        if ((bytes[i] & 0xc0) != 0x80)
            return 0;
    }
    return want;
}

bool hg_text_is_plain_utf8(const char *text, size_t len)
{
    const uint8_t *bytes = (const uint8_t *)text;

    for (size_t i = 0; i < len;) {
        size_t step = utf8_sequence(bytes + i, len - i);

        if (step == 0 || bytes[i] < 0x20)
            return false;
        i += step;
    }
    return true;
}
