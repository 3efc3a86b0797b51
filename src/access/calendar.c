/*
 * Stays out of iCalendar files, see calendar.h. Section numbers are those of
 * RFC 5545.
 */
#include "access/calendar.h"
#include "base/text.h"
#include <libical/ical.h>
#include <openssl/evp.h>
#include <stdlib.h>
#include <string.h>

#define DAY_MS       INT64_C(86400000)
#define STAY_MAX_MS  (366 * DAY_MS)
#define STEPS_MAX    200000 /* of all recurrence rules */
#define ALIKE_MAX    1000   /* events of one UID */
#define EVENTS_MAX   20000
#define DAYS_MAX     3660 /* of a DURATION; what is longer is no stay */
#define UID_TEXT_MAX 1024
#define EXCEPT_MAX   10000 /* instances of a series that are not taken */
#define PLACE_BYTES  32

/* One event, as far as it matters. */
struct event {
    icalcomponent *component;
    const char *uid;
    int sequence;
    bool is_override;          /* has a RECURRENCE-ID (3.8.4.4) */
    struct icaltimetype place; /* … which */
    bool is_replaced;          /* a newer event of the same is there */
};

struct reading {
    const struct hg_calendar_ask *ask;
    struct hg_buf *why;
    icaltimezone *zone; /* for times without one, or NULL */
    struct event *event;
    size_t event_count, override_count;
    uint32_t steps; /* of recurrence rules so far */
    struct hg_calendar *out;
    size_t cap;
};

/* -- telling ----------------------------------------------------------------*/

/* Events have no names that may be shown: they are counted. */
static int refuse(const struct reading *reading, const struct event *event,
                  const char *text)
{
    hg_buf_addf(reading->why,
                "event %zu cannot be imported: %s. Nothing was imported; "
                "correct the event in its calendar, or take it out of the "
                "file",
                (size_t)(event - reading->event) + 1, text);
    return HG_ERR_INPUT;
}

/* -- times ------------------------------------------------------------------*/

/* A time's zone: its own, of the file (3.6.5), of the system, or ours. */
static int find_zone(const struct reading *reading, const struct event *event,
                     icalproperty *property, struct icaltimetype *time)
{
    icalparameter *parameter = NULL;
    const char *tzid;
    icaltimezone *zone;

    if (property != NULL)
        parameter =
            icalproperty_get_first_parameter(property, ICAL_TZID_PARAMETER);
    if (icaltime_is_utc(*time) || time->is_date)
        parameter = NULL;
    if (parameter == NULL) {
        if (!icaltime_is_utc(*time))
            time->zone = reading->zone;
        if (!icaltime_is_utc(*time) && reading->zone == NULL)
            return refuse(reading, event,
                          "it has a date or a time without a time zone, and "
                          "the configuration names none (\"timezone\")");
        return HG_OK;
    }
    tzid = icalparameter_get_tzid(parameter);
    zone = icalcomponent_get_timezone(
        icalcomponent_get_parent(event->component), tzid);
    if (zone == NULL)
        zone = icaltimezone_get_builtin_timezone(tzid);
    if (zone == NULL)
        return refuse(reading, event,
                      "its time zone (TZID) is neither in the file nor known "
                      "to this system");
    time->zone = zone;
    return HG_OK;
}

/* By how much the clock on the wall is then ahead of this time. */
static int64_t ahead_s(time_t at, struct icaltimetype time)
{
    struct icaltimetype wall = icaltime_from_timet_with_zone(at, 0, time.zone);

    return (int64_t)icaltime_as_timet(wall) - (int64_t)icaltime_as_timet(time);
}

/*
 * 3.3.5: of two moments that read the same, as clocks go back, the first; a
 * time that there is not, as they go forward, counts from before the gap.
 * libical takes the other one in both cases.
 */
static int64_t to_ms(struct icaltimetype time)
{
    static const int BACK_S[] = { 7200, 3600, 1800 }; /* there are no others */
    int64_t at = (int64_t)icaltime_as_timet_with_zone(time, time.zone);
    int64_t ahead;

    if (time.zone == NULL)
        return at * 1000;
    for (size_t i = 0; i < HG_COUNT(BACK_S); i++)
        if (ahead_s((time_t)(at - BACK_S[i]), time) == 0)
            return (at - BACK_S[i]) * 1000;
    ahead = ahead_s((time_t)at, time);
    return (ahead < 0 ? at - ahead : at) * 1000;
}

/* A night's end: that day at this minute, local. */
static struct icaltimetype at_minute(struct icaltimetype day, int minute,
                                     icaltimezone *zone)
{
    day.is_date = 0;
    day.hour = minute / 60;
    day.minute = minute % 60;
    day.second = 0;
    day.zone = zone;
    return day;
}

/*
 * The first instance. What the others of a series share is in days what wall
 * clocks say and else exact (3.3.6, 3.8.5.3): a DTEND gives an exact length, a
 * DURATION its days by the wall clock and its hours exactly.
 */
struct span {
    struct icaltimetype start, end; /* end: of dates only */
    int days;                       /* between times … */
    int64_t rest_ms;                /* … and what comes on top */
};

static bool is_sane(struct icaltimetype time)
{
    /* the library lets the 30th of February through */
    return !icaltime_is_null_time(time) && icaltime_is_valid_time(time) &&
           time.year >= 1970 && time.year < 2100 && time.month >= 1 &&
           time.month <= 12 && time.day >= 1 &&
           time.day <= icaltime_days_in_month(time.month, time.year) &&
           time.hour >= 0 && time.hour < 24 && time.minute >= 0 &&
           time.minute < 60 && time.second >= 0 && time.second <= 60;
}

/* The end of times that begin at start. */
static int64_t end_ms(const struct span *span, struct icaltimetype start)
{
    const icaltimezone *zone = start.zone;

    icaltime_adjust(&start, span->days, 0, 0, 0);
    start.zone = zone;
    return to_ms(start) + span->rest_ms;
}

static int read_duration(const struct reading *reading,
                         const struct event *event, icalproperty *property,
                         struct span *span)
{
    struct icaldurationtype length = icalproperty_get_duration(property);
    uint64_t days = (uint64_t)length.weeks * 7 + length.days +
                    length.hours / 24 + length.minutes / 1440 +
                    length.seconds / 86400;

    if (length.is_neg || icaldurationtype_is_bad_duration(length) ||
        days > DAYS_MAX)
        return refuse(reading, event, "its DURATION is no length of a stay");
    span->days = (int)(length.weeks * 7 + length.days);
    span->rest_ms = ((int64_t)length.hours * 3600 +
                     (int64_t)length.minutes * 60 + (int64_t)length.seconds) *
                    1000;
    if (span->start.is_date && span->rest_ms != 0)
        return refuse(reading, event, "its DURATION is not in whole days");
    return HG_OK;
}

/* DTEND, or DTSTART and DURATION; a date alone lasts a day (3.6.1). */
static int read_end(const struct reading *reading, const struct event *event,
                    struct span *span)
{
    icalproperty *end =
        icalcomponent_get_first_property(event->component, ICAL_DTEND_PROPERTY);
    icalproperty *duration = icalcomponent_get_first_property(
        event->component, ICAL_DURATION_PROPERTY);
    int err = HG_OK;

    if (end != NULL) {
        span->end = icalproperty_get_dtend(end);
        err = find_zone(reading, event, end, &span->end);
        if (err == HG_OK && is_sane(span->end) && is_sane(span->start))
            span->rest_ms = to_ms(span->end) - to_ms(span->start);
        return err;
    }
    if (duration == NULL && !span->start.is_date)
        return refuse(reading, event, "it has no end (DTEND)");
    span->days = 1;
    if (duration != NULL)
        err = read_duration(reading, event, duration, span);
    span->end = span->start;
    icaltime_adjust(&span->end, span->days, 0, 0, 0);
    span->end.zone = span->start.zone;
    return err;
}

static int read_span(const struct reading *reading, const struct event *event,
                     struct span *span)
{
    icalproperty *start = icalcomponent_get_first_property(
        event->component, ICAL_DTSTART_PROPERTY);
    int err;

    if (start == NULL)
        return refuse(reading, event, "it has no start (DTSTART)");
    span->start = icalproperty_get_dtstart(start);
    err = find_zone(reading, event, start, &span->start);
    if (err == HG_OK)
        err = read_end(reading, event, span);
    if (err < 0)
        return err;
    if (!is_sane(span->start) || !is_sane(span->end) ||
        span->start.is_date != span->end.is_date)
        return refuse(reading, event,
                      "its start and end must be two dates or two times "
                      "between the years 1970 and 2099");
    if (span->start.is_date ? icaltime_compare(span->end, span->start) <= 0
                            : span->days == 0 && span->rest_ms <= 0)
        return refuse(reading, event, "it ends before it begins");
    return HG_OK;
}

/* -- stays ------------------------------------------------------------------*/

/* SHA-256 of room, UID and, in a series, the place in it. */
static int make_uid(const struct reading *reading, const struct event *event,
                    const char *place, uint8_t out[HG_CALENDAR_UID_BYTES])
{
    EVP_MD_CTX *digest = EVP_MD_CTX_new();
    bool is_good;

    if (digest == NULL)
        return HG_ERR_MEMORY;
    is_good =
        EVP_DigestInit_ex(digest, EVP_sha256(), NULL) == 1 &&
        EVP_DigestUpdate(digest, reading->ask->room,
                         strlen(reading->ask->room) + 1) == 1 &&
        EVP_DigestUpdate(digest, event->uid, strlen(event->uid) + 1) == 1 &&
        EVP_DigestUpdate(digest, place, strlen(place)) == 1 &&
        EVP_DigestFinal_ex(digest, out, NULL) == 1;
    EVP_MD_CTX_free(digest);
    return is_good ? HG_OK : HG_ERR_CRYPTO;
}

static bool is_cancelled(const struct event *event)
{
    icalcomponent *calendar = icalcomponent_get_parent(event->component);
    icalproperty *status = icalcomponent_get_first_property(
        event->component, ICAL_STATUS_PROPERTY);

    return (status != NULL &&
            icalproperty_get_status(status) == ICAL_STATUS_CANCELLED) ||
           (calendar != NULL &&
            icalcomponent_get_method(calendar) == ICAL_METHOD_CANCEL);
}

static int add(struct reading *reading, const struct hg_calendar_stay *stay)
{
    struct hg_calendar *out = reading->out;

    if (out->count == HG_CALENDAR_STAYS_MAX) {
        hg_buf_addf(reading->why,
                    "there are more than %d stays in it. Export a shorter "
                    "time",
                    HG_CALENDAR_STAYS_MAX);
        return HG_ERR_RANGE;
    }
    if (out->count == reading->cap) {
        size_t cap = reading->cap == 0 ? 64 : reading->cap * 2;
        struct hg_calendar_stay *grown =
            realloc(out->stay, cap * sizeof(*grown));

        if (grown == NULL)
            return HG_ERR_MEMORY;
        out->stay = grown;
        reading->cap = cap;
    }
    out->stay[out->count++] = *stay;
    return HG_OK;
}

/* One stay; place names the instance of a series, "" else. */
static int take_stay(struct reading *reading, const struct event *event,
                     const struct span *span, const char *place)
{
    const struct hg_calendar_ask *ask = reading->ask;
    struct hg_calendar_stay stay;
    int err;

    memset(&stay, 0, sizeof(stay));
    if (span->start.is_date) {
        stay.from_ms =
            to_ms(at_minute(span->start, ask->check_in_min, reading->zone));
        stay.until_ms =
            to_ms(at_minute(span->end, ask->check_out_min, reading->zone));
    } else {
        stay.from_ms = to_ms(span->start);
        stay.until_ms = end_ms(span, span->start);
    }
    if (stay.until_ms <= stay.from_ms)
        return refuse(reading, event, "it ends before it begins");
    if (stay.until_ms <= ask->now_ms ||
        stay.from_ms > ask->now_ms + HG_CALENDAR_DAYS_AHEAD * DAY_MS) {
        reading->out->left_out++;
        return HG_OK;
    }
    stay.is_too_long = stay.until_ms - stay.from_ms > STAY_MAX_MS;
    stay.is_cancelled = is_cancelled(event);
    err = make_uid(reading, event, place, stay.uid);
    return err == HG_OK ? add(reading, &stay) : err;
}

/* -- series -----------------------------------------------------------------*/

static const char *place_text(struct icaltimetype time, char out[PLACE_BYTES])
{
    struct hg_buf buf;

    if (!time.is_date && time.zone != NULL)
        time = icaltime_convert_to_zone(time, icaltimezone_get_utc_timezone());
    hg_buf_init(&buf, out, PLACE_BYTES);
    hg_buf_addf(&buf, "%04d%02d%02d", time.year, time.month, time.day);
    if (!time.is_date)
        hg_buf_addf(&buf, "T%02d%02d%02d", time.hour, time.minute, time.second);
    return out;
}

static bool is_same_place(struct icaltimetype a, struct icaltimetype b)
{
    char first[PLACE_BYTES], second[PLACE_BYTES];

    return strcmp(place_text(a, first), place_text(b, second)) == 0;
}

/* Instances that are not to be taken: sorted, to be asked for each one. */
struct except {
    char (*place)[PLACE_BYTES];
    size_t count, cap;
};

static int by_place(const void *a, const void *b)
{
    return strcmp(a, b);
}

static int except_add(const struct reading *reading, const struct event *event,
                      struct icaltimetype time, struct except *except)
{
    if (except->count == EXCEPT_MAX)
        return refuse(reading, event, "more than 10000 dates are taken out");
    if (except->count == except->cap) {
        size_t cap = except->cap == 0 ? 16 : except->cap * 2;
        char(*grown)[PLACE_BYTES] =
            realloc(except->place, cap * sizeof(*grown));

        if (grown == NULL)
            return HG_ERR_MEMORY;
        except->place = grown;
        except->cap = cap;
    }
    (void)place_text(time, except->place[except->count++]);
    return HG_OK;
}

/* Those taken out (EXDATE, 3.8.5.1), those told by another event. */
static int except_find(const struct reading *reading, const struct event *event,
                       struct except *except)
{
    icalproperty *one = icalcomponent_get_first_property(event->component,
                                                         ICAL_EXDATE_PROPERTY);
    int err = HG_OK;

    for (; err == HG_OK && one != NULL;
         one = icalcomponent_get_next_property(event->component,
                                               ICAL_EXDATE_PROPERTY)) {
        struct icaltimetype time = icalproperty_get_exdate(one);

        err = find_zone(reading, event, one, &time);
        if (err == HG_OK)
            err = except_add(reading, event, time, except);
    }
    for (size_t i = 0; err == HG_OK && reading->override_count > 0 &&
                       i < reading->event_count;
         i++) {
        const struct event *other = &reading->event[i];

        if (other->is_override && strcmp(other->uid, event->uid) == 0)
            err = except_add(reading, event, other->place, except);
    }
    if (err == HG_OK && except->count > 0)
        qsort(except->place, except->count, sizeof(*except->place), by_place);
    return err;
}

static bool is_excepted(const struct except *except, const char *place)
{
    return except->count > 0 &&
           bsearch(place, except->place, except->count, sizeof(*except->place),
                   by_place) != NULL;
}

/* 3.3.10: what a stay may repeat by. */
static const char *refuse_rule(const struct icalrecurrencetype *rule)
{
    if (rule->freq == ICAL_SECONDLY_RECURRENCE ||
        rule->freq == ICAL_MINUTELY_RECURRENCE ||
        rule->freq == ICAL_HOURLY_RECURRENCE ||
        rule->by_hour[0] != ICAL_RECURRENCE_ARRAY_MAX ||
        rule->by_minute[0] != ICAL_RECURRENCE_ARRAY_MAX ||
        rule->by_second[0] != ICAL_RECURRENCE_ARRAY_MAX)
        return "it repeats more than once a day";
    return NULL;
}

static int take_instances(struct reading *reading, const struct event *event,
                          const struct span *span, const struct except *except,
                          icalrecur_iterator *each)
{
    struct icaldurationtype length = icaltime_subtract(span->end, span->start);
    int64_t last_ms =
        reading->ask->now_ms + (HG_CALENDAR_DAYS_AHEAD + 2) * DAY_MS;
    struct icaltimetype at = icalrecur_iterator_next(each);
    int err = HG_OK;

    for (; err == HG_OK && !icaltime_is_null_time(at);
         at = icalrecur_iterator_next(each)) {
        struct span one = *span;
        char place[PLACE_BYTES];

        at.zone = span->start.zone;
        if (to_ms(at) > last_ms)
            break;
        if (reading->steps++ == STEPS_MAX)
            return refuse(reading, event, "it repeats too often");
        one.start = at;
        if (at.is_date) {
            one.end = icaltime_add(at, length);
            one.end.zone = span->end.zone;
        }
        if (!is_excepted(except, place_text(at, place)))
            err = take_stay(reading, event, &one, place);
    }
    return err;
}

static int take_series(struct reading *reading, const struct event *event,
                       const struct span *span, icalproperty *property)
{
    struct icalrecurrencetype rule = icalproperty_get_rrule(property);
    const char *text = refuse_rule(&rule);
    struct except except = { NULL, 0, 0 };
    icalrecur_iterator *each;
    int err;

    if (text != NULL)
        return refuse(reading, event, text);
    each = icalrecur_iterator_new(rule, span->start);
    if (each == NULL)
        return refuse(reading, event, "its repetition (RRULE) is malformed");
    err = except_find(reading, event, &except);
    if (err == HG_OK)
        err = take_instances(reading, event, span, &except, each);
    free(except.place);
    icalrecur_iterator_free(each);
    return err;
}

/* -- events -----------------------------------------------------------------*/

static int take_event(struct reading *reading, const struct event *event)
{
    icalcomponent *component = event->component;
    icalproperty *rule =
        icalcomponent_get_first_property(component, ICAL_RRULE_PROPERTY);
    struct span span;
    char place[PLACE_BYTES] = "";
    int err;

    if (icalcomponent_count_errors(component) > 0)
        return refuse(reading, event, "a line of it is malformed");
    memset(&span, 0, sizeof(span));
    err = read_span(reading, event, &span);
    if (err < 0)
        return err;
    if (icalcomponent_get_first_property(component, ICAL_RDATE_PROPERTY) !=
        NULL)
        return refuse(reading, event, "it repeats on single dates (RDATE)");
    if (rule != NULL &&
        icalcomponent_get_next_property(component, ICAL_RRULE_PROPERTY) != NULL)
        return refuse(reading, event, "it repeats in two ways (RRULE)");
    if (event->is_override)
        return take_stay(reading, event, &span,
                         place_text(event->place, place));
    if (rule != NULL)
        return take_series(reading, event, &span, rule);
    return take_stay(reading, event, &span, place);
}

static int read_identity(struct reading *reading, struct event *event)
{
    icalproperty *place = icalcomponent_get_first_property(
        event->component, ICAL_RECURRENCEID_PROPERTY);
    icalproperty *sequence = icalcomponent_get_first_property(
        event->component, ICAL_SEQUENCE_PROPERTY);

    event->uid = icalcomponent_get_uid(event->component);
    if (event->uid == NULL || event->uid[0] == '\0' ||
        strlen(event->uid) > UID_TEXT_MAX)
        return refuse(reading, event,
                      "it has no name to follow it by (UID, 1 to 1024 bytes)");
    if (sequence != NULL)
        event->sequence = icalproperty_get_sequence(sequence);
    if (place == NULL)
        return HG_OK;
    if (icalproperty_get_first_parameter(place, ICAL_RANGE_PARAMETER) != NULL)
        return refuse(reading, event,
                      "it changes a series from one place on (RANGE)");
    event->is_override = true;
    reading->override_count++;
    event->place = icalproperty_get_recurrenceid(place);
    return find_zone(reading, event, place, &event->place);
}

/* Of two with the same UID and place the higher SEQUENCE counts, then the
 * later in the file (3.8.7.4). */
static bool is_newer(const struct event *other, const struct event *event)
{
    if (strcmp(other->uid, event->uid) != 0 ||
        other->is_override != event->is_override ||
        (event->is_override && !is_same_place(other->place, event->place)))
        return false;
    return other->sequence != event->sequence
               ? other->sequence > event->sequence
               : other > event;
}

static int by_uid(const void *a, const void *b)
{
    const struct event *const *first = a, *const *second = b;
    int order = strcmp((*first)->uid, (*second)->uid);

    if (order != 0)
        return order;
    return *first < *second ? -1 : *first > *second;
}

/* Neighbours in the order of their UIDs, so that many events cost little. */
static int find_replaced(struct reading *reading)
{
    size_t count = reading->event_count;
    struct event **order = calloc(count, sizeof(struct event *));
    int err = HG_OK;

    if (order == NULL)
        return HG_ERR_MEMORY;
    for (size_t i = 0; i < count; i++)
        order[i] = &reading->event[i];
    qsort(order, count, sizeof(struct event *), by_uid);
    for (size_t i = 0; err == HG_OK && i < count; i++)
        for (size_t j = i + 1;
             j < count && strcmp(order[i]->uid, order[j]->uid) == 0; j++) {
            if (j - i == ALIKE_MAX) {
                err = refuse(reading, order[j],
                             "more than 1000 events have its UID");
                break;
            }
            if (is_newer(order[j], order[i]))
                order[i]->is_replaced = true;
            else if (is_newer(order[i], order[j]))
                order[j]->is_replaced = true;
        }
    free(order);
    return err;
}

static int take_events(struct reading *reading)
{
    int err = HG_OK;

    for (size_t i = 0; err == HG_OK && i < reading->event_count; i++)
        err = read_identity(reading, &reading->event[i]);
    if (err == HG_OK && reading->event_count > 0)
        err = find_replaced(reading);
    for (size_t i = 0; err == HG_OK && i < reading->event_count; i++)
        if (!reading->event[i].is_replaced)
            err = take_event(reading, &reading->event[i]);
    return err;
}

/* -- the file ---------------------------------------------------------------*/

static int collect(struct reading *reading, icalcomponent *calendar)
{
    icalcomponent *one =
        icalcomponent_get_first_component(calendar, ICAL_VEVENT_COMPONENT);

    for (; one != NULL; one = icalcomponent_get_next_component(
                            calendar, ICAL_VEVENT_COMPONENT)) {
        if (reading->event_count == EVENTS_MAX) {
            hg_buf_addf(reading->why,
                        "there are more than %d events in it. Export a "
                        "shorter time",
                        EVENTS_MAX);
            return HG_ERR_RANGE;
        }
        reading->event[reading->event_count++].component = one;
    }
    return HG_OK;
}

static int read_root(struct reading *reading, icalcomponent *root)
{
    icalcomponent *one;
    int err = HG_OK;

    if (icalcomponent_isa(root) == ICAL_VCALENDAR_COMPONENT)
        err = collect(reading, root);
    one = icalcomponent_get_first_component(root, ICAL_VCALENDAR_COMPONENT);
    for (; err == HG_OK && one != NULL;
         one = icalcomponent_get_next_component(root, ICAL_VCALENDAR_COMPONENT))
        err = collect(reading, one);
    reading->out->events = reading->event_count;
    return err == HG_OK ? take_events(reading) : err;
}

static int by_time(const void *a, const void *b)
{
    const struct hg_calendar_stay *first = a, *second = b;

    if (first->from_ms != second->from_ms)
        return first->from_ms < second->from_ms ? -1 : 1;
    return memcmp(first->uid, second->uid, sizeof(first->uid));
}

/* The whole text, from BEGIN to END (3.4); libical would guess the rest. */
static bool is_framed(const char *text)
{
    const char *end = text + strlen(text);

    while (end > text && strchr("\r\n \t", end[-1]) != NULL)
        end--;
    if (strncmp(text, "\xef\xbb\xbf", 3) == 0)
        text += 3;
    return strncasecmp(text, "BEGIN:VCALENDAR", 15) == 0 && end - text >= 28 &&
           strncasecmp(end - 13, "END:VCALENDAR", 13) == 0;
}

static int parse(struct reading *reading, const char *text)
{
    icalcomponent *root;
    int err;

    icalerror_set_errors_are_fatal(0);
    root = is_framed(text) ? icalparser_parse_string(text) : NULL;
    if (root == NULL) {
        hg_buf_add(reading->why, "it is no iCalendar file (RFC 5545: from "
                                 "BEGIN:VCALENDAR to END:VCALENDAR). Export "
                                 "the calendar again");
        return HG_ERR_INPUT;
    }
    if (reading->ask->zone != NULL)
        reading->zone = icaltimezone_get_builtin_timezone(reading->ask->zone);
    err = read_root(reading, root);
    icalcomponent_free(root);
    return err;
}

int hg_calendar_read(const struct hg_calendar_ask *ask, struct hg_buf *why,
                     struct hg_calendar *ret_calendar)
{
    struct hg_calendar out = { NULL, 0, 0, 0 };
    struct reading reading = { .ask = ask, .why = why, .out = &out };
    char *text = NULL;
    int err = HG_ERR_MEMORY;

    if (ask->len > HG_CALENDAR_BYTES_MAX) {
        hg_buf_addf(why, "it is larger than %zu bytes. Export a shorter time",
                    HG_CALENDAR_BYTES_MAX);
        return HG_ERR_RANGE;
    }
    text = strndup(ask->text, ask->len); /* ends at a NUL: then not framed */
    reading.event = calloc(EVENTS_MAX, sizeof(*reading.event));
    if (text != NULL && reading.event != NULL)
        err = parse(&reading, text);
    free(reading.event);
    free(text);
    if (err < 0) {
        if (why->len == 0)
            hg_buf_add(why, hg_err_text(err));
        hg_calendar_release(&out);
        return err;
    }
    if (out.count > 0)
        qsort(out.stay, out.count, sizeof(*out.stay), by_time);
    *ret_calendar = out;
    return HG_OK;
}

void hg_calendar_release(struct hg_calendar *calendar)
{
    free(calendar->stay);
    memset(calendar, 0, sizeof(*calendar));
}
