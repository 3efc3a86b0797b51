/* Times as people type and read them; see when.h. */
#include "cli/when.h"
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

int64_t hg_cli_now_ms(void)
{
    struct timespec now = { 0, 0 };

    clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

uint64_t hg_cli_mono_ms(void)
{
    struct timespec now = { 0, 0 };

    clock_gettime(CLOCK_BOOTTIME, &now);
    return (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
}

static bool to_local(int64_t ms, struct tm *ret_tm)
{
    time_t seconds = (time_t)(ms / 1000 - (ms % 1000 < 0));

    return localtime_r(&seconds, ret_tm) != NULL;
}

/*
 * The local time that reads as tm, the earlier where two do. mktime() moves
 * what does not exist, so what comes out is compared.
 */
static int from_local(const struct tm *tm, int64_t *ret_ms)
{
    int64_t best_ms = INT64_MAX;

    for (int is_dst = 0; is_dst < 2; is_dst++) {
        struct tm copy = *tm;
        time_t seconds;

        copy.tm_isdst = is_dst;
        seconds = mktime(&copy);
        if (seconds == (time_t)-1 || copy.tm_isdst != is_dst ||
            copy.tm_min != tm->tm_min || copy.tm_hour != tm->tm_hour ||
            copy.tm_mday != tm->tm_mday || copy.tm_mon != tm->tm_mon)
            continue;
        if ((int64_t)seconds * 1000 < best_ms)
            best_ms = (int64_t)seconds * 1000;
    }
    if (best_ms == INT64_MAX)
        return HG_ERR_RANGE;
    *ret_ms = best_ms;
    return 0;
}

/* digits[0] to digits[count - 1] as a number within the range. */
static bool read_digits(const char *digits, size_t count, int max, int *ret)
{
    int value = 0;

    for (size_t i = 0; i < count; i++) {
        if (digits[i] < '0' || digits[i] > '9')
            return false;
        value = value * 10 + (digits[i] - '0');
    }
    *ret = value;
    return value <= max;
}

static int time_of_day(const char *text, int64_t now_ms, int64_t *ret_ms)
{
    struct tm today, wanted;
    int hour, minute;
    int64_t ms;

    if (!read_digits(text, 2, 23, &hour) || text[2] != ':' ||
        !read_digits(text + 3, 2, 59, &minute))
        return HG_ERR_INPUT;
    if (!to_local(now_ms, &today))
        return HG_ERR_RANGE;
    for (int day = 0; day < 2; day++) {
        /* noon of that day first: mktime() then knows the date */
        wanted = today;
        wanted.tm_mday += day;
        wanted.tm_hour = 12;
        wanted.tm_isdst = -1;
        if (mktime(&wanted) == (time_t)-1)
            return HG_ERR_RANGE;
        wanted.tm_hour = hour;
        wanted.tm_min = minute;
        wanted.tm_sec = 0;
        if (from_local(&wanted, &ms) == 0 && ms > now_ms) {
            *ret_ms = ms;
            return 0;
        }
    }
    return HG_ERR_RANGE;
}

int hg_cli_time(const char *text, int64_t now_ms, int64_t *ret_ms)
{
    if (strlen(text) == 5)
        return time_of_day(text, now_ms, ret_ms);
    return hg_text_to_wall(text, ret_ms);
}

/* With offset; RFC 3339 wants seconds, ISO 8601 does not. */
static int with_offset(const char *text, size_t local_len, int64_t *ret_ms)
{
    char full[64];
    const char *offset = text + local_len;

    /* a fraction is of seconds, and then they must be there */
    if (strlen(text) + 4 > sizeof(full) || (local_len == 16 && *offset == '.'))
        return HG_ERR_INPUT;
    snprintf(full, sizeof(full), "%.*s%s%s", (int)local_len, text,
             local_len == 16 ? ":00" : "", offset);
    return hg_text_to_wall(full, ret_ms);
}

int hg_cli_date_time(const char *text, bool *ret_is_local, int64_t *ret_ms)
{
    size_t len = strcspn(text, "Zz+.");
    char zulu[32];
    struct tm tm;
    int64_t ms;
    int err;

    /* a minus behind the time is an offset, those in the date are not */
    if (len > 16)
        len = 16 + strcspn(text + 16, "Zz+-.");
    if (len != 16 && len != 19)
        return HG_ERR_INPUT;
    if (text[len] != '\0') {
        err = with_offset(text, len, ret_ms);
        if (err == 0)
            *ret_is_local = false;
        return err;
    }
    /* as if it were UTC: the form and the calendar are looked at there */
    snprintf(zulu, sizeof(zulu), "%s%sZ", text, len == 16 ? ":00" : "");
    err = hg_text_to_wall(zulu, &ms);
    if (err < 0)
        return err;
    memset(&tm, 0, sizeof(tm));
    if (gmtime_r(&(time_t) { (time_t)(ms / 1000) }, &tm) == NULL)
        return HG_ERR_RANGE;
    err = from_local(&tm, ret_ms);
    if (err == 0)
        *ret_is_local = true;
    return err;
}

void hg_cli_when(int64_t ms, int64_t now_ms, char out[HG_CLI_WHEN_BYTES])
{
    struct tm when, now;
    bool is_today;

    if (!to_local(ms, &when) || !to_local(now_ms, &now)) {
        snprintf(out, HG_CLI_WHEN_BYTES, "-");
        return;
    }
    is_today = when.tm_year == now.tm_year && when.tm_yday == now.tm_yday;
    if (strftime(out, HG_CLI_WHEN_BYTES, is_today ? "%H:%M" : "%Y-%m-%d %H:%M",
                 &when) == 0)
        out[0] = '\0';
}

void hg_cli_when_full(int64_t ms, char out[HG_CLI_WHEN_BYTES])
{
    struct tm when;

    if (!to_local(ms, &when) ||
        strftime(out, HG_CLI_WHEN_BYTES, "%Y-%m-%d %H:%M %z", &when) == 0)
        snprintf(out, HG_CLI_WHEN_BYTES, "-");
}

void hg_cli_when_text(const char *text, int64_t now_ms,
                      char out[HG_CLI_WHEN_BYTES])
{
    int64_t ms;

    if (hg_text_to_wall(text, &ms) == 0)
        hg_cli_when(ms, now_ms, out);
    else
        snprintf(out, HG_CLI_WHEN_BYTES, "%s", text[0] == '\0' ? "-" : text);
}

void hg_cli_span(int64_t ms, char out[HG_CLI_WHEN_BYTES])
{
    int64_t minutes = (ms + 30000) / 60000;

    if (minutes < 1)
        snprintf(out, HG_CLI_WHEN_BYTES, "under 1m");
    else if (minutes < 60)
        snprintf(out, HG_CLI_WHEN_BYTES, "%" PRId64 "m", minutes);
    else
        snprintf(out, HG_CLI_WHEN_BYTES, "%" PRId64 "h%02" PRId64 "m",
                 minutes / 60, minutes % 60);
}
