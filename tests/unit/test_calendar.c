/*
 * Stays out of iCalendar files. Examples and rules of RFC 5545 stand with
 * their section; moments in UTC were taken from the rules of the zones named
 * (Helsinki: EET +2, EEST +3, changes on the last Sundays of March and
 * October; from memory).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "access/calendar.h"
#include "base/text.h"
#include "check.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HEAD "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\n"
#define TAIL "END:VCALENDAR\r\n"
#define EVENT(lines)                                                           \
    "BEGIN:VEVENT\r\nDTSTAMP:20260101T000000Z\r\n" lines "END:VEVENT\r\n"
#define UID(name) "UID:" name "@example.org\r\n"
#define NIGHTS    "DTSTART;VALUE=DATE:20261204\r\nDTEND;VALUE=DATE:20261207\r\n"

static char why_text[HG_CALENDAR_WHY_BYTES];

static int64_t ms_of(const char *text)
{
    int64_t ms;

    assert_int_equal(hg_text_to_wall(text, &ms), 0);
    return ms;
}

static int read_as(const char *text, const char *room, const char *zone,
                   struct hg_calendar *calendar)
{
    struct hg_calendar_ask ask = { .text = text,
                                   .len = strlen(text),
                                   .room = room,
                                   .zone = zone,
                                   .check_in_min = 15 * 60,
                                   .check_out_min = 11 * 60,
                                   .now_ms = ms_of("2026-01-01T00:00:00Z") };
    struct hg_buf why;

    hg_buf_init(&why, why_text, sizeof(why_text));
    memset(calendar, 0xa5, sizeof(*calendar));
    return hg_calendar_read(&ask, &why, calendar);
}

static void read_good(const char *text, struct hg_calendar *calendar)
{
    int err = read_as(text, "heron", "Europe/Helsinki", calendar);

    if (err != 0)
        print_error("%s\n", why_text);
    assert_int_equal(err, 0);
}

static void read_at(const char *text, const char *now,
                    struct hg_calendar *calendar)
{
    struct hg_calendar_ask ask = { .text = text,
                                   .len = strlen(text),
                                   .room = "heron",
                                   .zone = "Europe/Helsinki",
                                   .check_in_min = 15 * 60,
                                   .check_out_min = 11 * 60,
                                   .now_ms = ms_of(now) };
    struct hg_buf why;

    hg_buf_init(&why, why_text, sizeof(why_text));
    if (hg_calendar_read(&ask, &why, calendar) < 0)
        print_error("%s\n", why_text);
}

static void check_from(const char *label, const struct hg_calendar *calendar,
                       size_t i, const char *from)
{
    char text[HG_WALL_TEXT_BYTES];

    assert_true(i < calendar->count);
    hg_text_from_wall(calendar->stay[i].from_ms, text);
    HG_CHECK_STR(label, text, from);
}

static void check_stay(const char *label, const struct hg_calendar *calendar,
                       size_t i, const char *from, const char *until)
{
    char text[HG_WALL_TEXT_BYTES];

    assert_true(i < calendar->count);
    hg_text_from_wall(calendar->stay[i].from_ms, text);
    HG_CHECK_STR(label, text, from);
    hg_text_from_wall(calendar->stay[i].until_ms, text);
    HG_CHECK_STR(label, text, until);
}

static void test_calendar__one_stay_in_every_form(void **state)
{
    static const struct {
        const char *label, *text, *from, *until;
    } row[] = {
        { "dates are nights (3.6.1)", HEAD EVENT(UID("a") NIGHTS) TAIL,
          "2026-12-04T13:00:00Z", "2026-12-07T09:00:00Z" },
        { "one date is one night (3.6.1)",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261204\r\n") TAIL,
          "2026-12-04T13:00:00Z", "2026-12-05T09:00:00Z" },
        { "nights of a duration (3.3.6)",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261204\r\n"
                              "DURATION:P3D\r\n") TAIL,
          "2026-12-04T13:00:00Z", "2026-12-07T09:00:00Z" },
        { "nights over the end of summer time",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261024\r\n"
                              "DTEND;VALUE=DATE:20261026\r\n") TAIL,
          "2026-10-24T12:00:00Z", "2026-10-26T09:00:00Z" },
        { "nights over its beginning",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20260328\r\n"
                              "DTEND;VALUE=DATE:20260330\r\n") TAIL,
          "2026-03-28T13:00:00Z", "2026-03-30T08:00:00Z" },
        { "UTC, form 2 (3.3.5)",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000Z\r\n"
                              "DTEND:20261207T100000Z\r\n") TAIL,
          "2026-12-04T14:00:00Z", "2026-12-07T10:00:00Z" },
        { "floating, form 1 (3.3.5): the configuration's zone",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000\r\n"
                              "DURATION:P2DT3H\r\n") TAIL,
          "2026-12-04T12:00:00Z", "2026-12-06T15:00:00Z" },
        { "a zone known by name, in summer",
          HEAD EVENT(UID("a") "DTSTART;TZID=America/New_York:20260704T160000"
                              "\r\nDTEND;TZID=America/New_York:"
                              "20260706T100000\r\n") TAIL,
          "2026-07-04T20:00:00Z", "2026-07-06T14:00:00Z" },
        { "a zone of the file's own (3.6.5)",
          HEAD "BEGIN:VTIMEZONE\r\nTZID:Our cabin\r\nBEGIN:STANDARD\r\n"
               "DTSTART:19700101T000000\r\nTZOFFSETFROM:+0530\r\n"
               "TZOFFSETTO:+0530\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n" EVENT(
                   UID("a") "DTSTART;TZID=Our cabin:20261204T160000\r\n"
                            "DTEND;TZID=Our cabin:20261205T100000\r\n") TAIL,
          "2026-12-04T10:30:00Z", "2026-12-05T04:30:00Z" },
        { "folded lines (3.1)",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DA\r\n TE:20261204\r\n"
                              "DTEND;VALUE=DATE:2026\r\n\t1207\r\n") TAIL,
          "2026-12-04T13:00:00Z", "2026-12-07T09:00:00Z" },
        { "newlines alone",
          "BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:a\n"
          "DTSTART;VALUE=DATE:20261204\n"
          "DTEND;VALUE=DATE:20261207\nEND:VEVENT\n"
          "END:VCALENDAR",
          "2026-12-04T13:00:00Z", "2026-12-07T09:00:00Z" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_calendar calendar;

        read_good(row[i].text, &calendar);
        HG_CHECK_EQ(row[i].label, calendar.count, 1);
        check_stay(row[i].label, &calendar, 0, row[i].from, row[i].until);
        HG_CHECK_FALSE(row[i].label, calendar.stay[0].is_cancelled);
        hg_calendar_release(&calendar);
    }
}

static void test_calendar__cancellation_in_both_forms(void **state)
{
    static const struct {
        const char *label, *text;
    } row[] = {
        { "STATUS (3.8.1.11)",
          HEAD EVENT(UID("a") NIGHTS "STATUS:CANCELLED\r\n") TAIL },
        { "METHOD (3.7.2)",
          HEAD "METHOD:CANCEL\r\n" EVENT(UID("a") NIGHTS) TAIL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_calendar calendar;

        read_good(row[i].text, &calendar);
        HG_CHECK_EQ(row[i].label, calendar.count, 1);
        HG_CHECK_TRUE(row[i].label, calendar.stay[0].is_cancelled);
        hg_calendar_release(&calendar);
    }
}

/* 3.8.5.3: "Daily for 10 occurrences", "Every other week", and EXDATE */
static void test_calendar__series_of_days_and_weeks(void **state)
{
    struct hg_calendar calendar;

    (void)state;
    read_good(HEAD EVENT(UID("a") "DTSTART;TZID=America/New_York:"
                                  "20260902T090000\r\n"
                                  "DTEND;TZID=America/New_York:"
                                  "20260902T110000\r\n"
                                  "RRULE:FREQ=DAILY;COUNT=10\r\n") TAIL,
              &calendar);
    assert_int_equal(calendar.count, 10);
    check_stay("first", &calendar, 0, "2026-09-02T13:00:00Z",
               "2026-09-02T15:00:00Z");
    check_stay("last", &calendar, 9, "2026-09-11T13:00:00Z",
               "2026-09-11T15:00:00Z");
    assert_memory_not_equal(calendar.stay[0].uid, calendar.stay[1].uid,
                            HG_CALENDAR_UID_BYTES);
    hg_calendar_release(&calendar);

    /* over the end of summer time the wall time stays */
    read_good(HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261016\r\n"
                                  "DTEND;VALUE=DATE:20261018\r\n"
                                  "RRULE:FREQ=WEEKLY;INTERVAL=2;"
                                  "UNTIL=20261130\r\n"
                                  "EXDATE;VALUE=DATE:20261030\r\n") TAIL,
              &calendar);
    assert_int_equal(calendar.count, 3);
    check_stay("summer", &calendar, 0, "2026-10-16T12:00:00Z",
               "2026-10-18T08:00:00Z");
    check_stay("winter", &calendar, 1, "2026-11-13T13:00:00Z",
               "2026-11-15T09:00:00Z");
    hg_calendar_release(&calendar);

    /* without an end: as far as is looked ahead, and no further */
    read_good(HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20260102\r\n"
                                  "RRULE:FREQ=DAILY\r\n") TAIL,
              &calendar);
    assert_int_equal(calendar.count, HG_CALENDAR_DAYS_AHEAD - 1);
    hg_calendar_release(&calendar);
}

/* "Monthly on the first Friday" and its like of 3.8.5.3, with dates of ours */
static void test_calendar__series_of_months_and_years(void **state)
{
    static const struct {
        const char *label, *start, *rule;
        size_t count;
        const char *last; /* its from, at 15:00 in Helsinki */
    } row[] = {
        { "first Friday", "20261204", "FREQ=MONTHLY;COUNT=4;BYDAY=1FR", 4,
          "2027-03-05T13:00:00Z" },
        { "every other month, first and last Sunday", "20261206",
          "FREQ=MONTHLY;INTERVAL=2;COUNT=4;BYDAY=1SU,-1SU", 4,
          "2027-02-28T13:00:00Z" },
        { "the last but two days", "20261229",
          "FREQ=MONTHLY;BYMONTHDAY=-3;COUNT=2", 2, "2027-01-29T13:00:00Z" },
        { "the 31st, where there is one", "20261231",
          "FREQ=MONTHLY;UNTIL=20270531", 4, "2027-05-31T12:00:00Z" },
        { "yearly", "20261204", "FREQ=YEARLY", 2, "2027-12-04T13:00:00Z" },
        { "a week of the year", "20260511", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO",
          1, "2027-05-17T12:00:00Z" },
        { "days of the year", "20260101", "FREQ=YEARLY;BYYEARDAY=1,100", 2,
          "2027-04-10T12:00:00Z" },
        { "a leap day", "20240229", "FREQ=YEARLY", 0, NULL },
        { "a day that never comes", "20261204",
          "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", 0, NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char text[1024];
        struct hg_calendar calendar;

        (void)snprintf(text, sizeof(text),
                       HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:%s\r\n"
                                           "RRULE:%s\r\n") TAIL,
                       row[i].start, row[i].rule);
        memset(&calendar, 0, sizeof(calendar));
        read_at(text, "2026-11-25T00:00:00Z", &calendar);
        HG_CHECK_EQ(row[i].label, calendar.count, row[i].count);
        if (row[i].last != NULL)
            check_from(row[i].label, &calendar, calendar.count - 1,
                       row[i].last);
        hg_calendar_release(&calendar);
    }
}

/*
 * Over the changes of the clocks. Helsinki goes from 04:00 to 03:00 on 25
 * October 2026 and from 03:00 to 04:00 on 28 March 2027. 3.8.5.3: the
 * instances of a series with DTEND last exactly as long as the first, those
 * with DURATION as many days by the wall clock; 3.3.5: a time that there is
 * not counts from before the gap, of two that read the same it is the first.
 */
static void test_calendar__clocks_change(void **state)
{
    static const struct {
        const char *label, *lines;
        size_t at;
        const char *from, *until;
    } row[] = {
        { "DTEND, summer",
          "DTSTART:20261016T150000\r\nDTEND:20261018T110000\r\n"
          "RRULE:FREQ=WEEKLY;COUNT=2\r\n",
          0, "2026-10-16T12:00:00Z", "2026-10-18T08:00:00Z" },
        { "DTEND, over the change: 44 hours",
          "DTSTART:20261016T150000\r\nDTEND:20261018T110000\r\n"
          "RRULE:FREQ=WEEKLY;COUNT=2\r\n",
          1, "2026-10-23T12:00:00Z", "2026-10-25T08:00:00Z" },
        { "DURATION, over the change: two days and less 4 hours is no such",
          "DTSTART:20261016T150000\r\nDURATION:P1DT20H\r\n"
          "RRULE:FREQ=WEEKLY;COUNT=2\r\n",
          1, "2026-10-23T12:00:00Z", "2026-10-25T08:00:00Z" },
        { "days by the wall clock",
          "DTSTART:20261023T150000\r\nDURATION:P2D\r\n", 0,
          "2026-10-23T12:00:00Z", "2026-10-25T13:00:00Z" },
        { "hours exactly", "DTSTART:20261023T150000\r\nDURATION:PT48H\r\n", 0,
          "2026-10-23T12:00:00Z", "2026-10-25T12:00:00Z" },
        { "one DTEND over the change",
          "DTSTART:20261023T150000\r\nDTEND:20261025T110000\r\n", 0,
          "2026-10-23T12:00:00Z", "2026-10-25T09:00:00Z" },
        { "two times that read the same",
          "DTSTART:20261025T033000\r\nDURATION:PT2H\r\n", 0,
          "2026-10-25T00:30:00Z", "2026-10-25T02:30:00Z" },
        { "a time that there is not",
          "DTSTART:20270328T033000\r\nDURATION:PT2H\r\n", 0,
          "2027-03-28T01:30:00Z", "2027-03-28T03:30:00Z" },
        { "into the year", "DTSTART:20261231T220000\r\nDURATION:P1W\r\n", 0,
          "2026-12-31T20:00:00Z", "2027-01-07T20:00:00Z" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char text[1024];
        struct hg_calendar calendar;

        (void)snprintf(text, sizeof(text), HEAD EVENT(UID("a") "%s") TAIL,
                       row[i].lines);
        memset(&calendar, 0, sizeof(calendar));
        read_at(text, "2026-09-01T00:00:00Z", &calendar);
        check_stay(row[i].label, &calendar, row[i].at, row[i].from,
                   row[i].until);
        hg_calendar_release(&calendar);
    }
}

/* Once as slow as their number times that of the instances. */
static void test_calendar__takes_out_many_dates(void **state)
{
    struct hg_calendar calendar;
    size_t len = 600000;
    char *text = calloc(1, len);

    (void)state;
    assert_non_null(text);
    for (int more = 0; more < 2; more++) {
        FILE *out = fmemopen(text, len, "w");
        int err;

        assert_non_null(out);
        fputs(HEAD "BEGIN:VEVENT\r\n" UID(
                  "a") "DTSTART:20260102T120000Z\r\n"
                       "DURATION:PT1H\r\nRRULE:FREQ=DAILY\r\n",
              out);
        for (int i = 0; i < 10000 + more; i++)
            fprintf(out, "EXDATE:20%02d%02d%02dT120000Z\r\n", 26 + i / 336,
                    i / 28 % 12 + 1, i % 28 + 1);
        fputs("END:VEVENT\r\n" TAIL, out);
        assert_int_equal(fclose(out), 0);
        err = read_as(text, "heron", "UTC", &calendar);
        HG_CHECK_EQ("err", err, more ? HG_ERR_INPUT : 0);
        if (err == 0) {
            /* the 29th to the 31st of each month until 5 February 2027 */
            HG_CHECK_EQ("left", calendar.count, 29 + 3);
            hg_calendar_release(&calendar);
        } else {
            HG_CHECK_TRUE("said", strstr(why_text, "10000 dates") != NULL);
        }
    }
    free(text);
}

/* 3.8.4.4: one instance moved, another cancelled */
static void test_calendar__instances_told_by_events_of_their_own(void **state)
{
    struct hg_calendar calendar;

    (void)state;
    read_good(HEAD EVENT(UID("a") "DTSTART:20260905T120000Z\r\n"
                                  "DTEND:20260906T100000Z\r\n"
                                  "RRULE:FREQ=WEEKLY;COUNT=3\r\n")
                  EVENT(UID("a") "RECURRENCE-ID:20260912T120000Z\r\n"
                                 "DTSTART:20260913T120000Z\r\n"
                                 "DTEND:20260914T100000Z\r\n")
                      EVENT(UID("a") "RECURRENCE-ID:20260919T120000Z\r\n"
                                     "DTSTART:20260919T120000Z\r\n"
                                     "DTEND:20260920T100000Z\r\n"
                                     "STATUS:CANCELLED\r\n") TAIL,
              &calendar);
    assert_int_equal(calendar.count, 3);
    check_stay("moved", &calendar, 1, "2026-09-13T12:00:00Z",
               "2026-09-14T10:00:00Z");
    assert_false(calendar.stay[1].is_cancelled);
    assert_true(calendar.stay[2].is_cancelled);
    hg_calendar_release(&calendar);
}

/* What a moved stay is known by stays the same; 3.8.7.4 which one counts. */
static void test_calendar__a_moved_stay_keeps_its_uid(void **state)
{
    struct hg_calendar first, second, other;

    (void)state;
    read_good(HEAD EVENT(UID("a") NIGHTS "SUMMARY:A. Guest\r\n") TAIL, &first);
    read_good(HEAD EVENT(UID("a") "SEQUENCE:2\r\n"
                                  "DTSTART;VALUE=DATE:20261211\r\n"
                                  "DTEND;VALUE=DATE:20261212\r\n")
                  EVENT(UID("a") "SEQUENCE:1\r\n" NIGHTS) EVENT(UID("b") NIGHTS)
                      TAIL,
              &second);
    assert_int_equal(second.count, 2);
    check_stay("the later", &second, 1, "2026-12-11T13:00:00Z",
               "2026-12-12T09:00:00Z");
    assert_memory_equal(first.stay[0].uid, second.stay[1].uid,
                        HG_CALENDAR_UID_BYTES);
    assert_memory_not_equal(first.stay[0].uid, second.stay[0].uid,
                            HG_CALENDAR_UID_BYTES);
    assert_int_equal(read_as(HEAD EVENT(UID("a") NIGHTS) TAIL, "otter",
                             "Europe/Helsinki", &other),
                     0);
    assert_memory_not_equal(first.stay[0].uid, other.stay[0].uid,
                            HG_CALENDAR_UID_BYTES);
    hg_calendar_release(&first);
    hg_calendar_release(&second);
    hg_calendar_release(&other);
}

static void test_calendar__leaves_out_what_is_over_or_far(void **state)
{
    struct hg_calendar calendar;

    (void)state;
    read_good(HEAD EVENT(UID("past") "DTSTART;VALUE=DATE:20251201\r\n")
                  EVENT(UID("far") "DTSTART;VALUE=DATE:20280101\r\n")
                      EVENT(UID("long") "DTSTART;VALUE=DATE:20260601\r\n"
                                        "DTEND;VALUE=DATE:20270701\r\n") TAIL,
              &calendar);
    assert_int_equal(calendar.events, 3);
    assert_int_equal(calendar.left_out, 2);
    assert_int_equal(calendar.count, 1);
    assert_true(calendar.stay[0].is_too_long);
    hg_calendar_release(&calendar);
    read_good(HEAD TAIL, &calendar);
    assert_int_equal(calendar.events + calendar.count, 0);
    hg_calendar_release(&calendar);
}

static void test_calendar__refuses_all_of_a_file_it_cannot_follow(void **state)
{
    static const struct {
        const char *label, *text, *word;
    } row[] = {
        { "empty", "", "no iCalendar file" },
        { "a page", "<html>sign in first</html>", "no iCalendar file" },
        { "cut short", HEAD EVENT(UID("a") NIGHTS), "no iCalendar file" },
        { "no UID (3.6.1)", HEAD EVENT(NIGHTS) TAIL, "UID" },
        { "no start", HEAD EVENT(UID("a") "DTEND;VALUE=DATE:20261207\r\n") TAIL,
          "DTSTART" },
        { "a time without end",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000Z\r\n") TAIL, "DTEND" },
        { "backwards",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261207\r\n"
                              "DTEND;VALUE=DATE:20261204\r\n") TAIL,
          "ends before" },
        { "date and time",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261204\r\n"
                              "DTEND:20261207T100000Z\r\n") TAIL,
          "two dates or two times" },
        { "no such day",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20260230\r\n") TAIL, "" },
        { "not a date", HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:soon\r\n") TAIL,
          "" },
        { "unknown zone",
          HEAD EVENT(UID("a") "DTSTART;TZID=Nowhere/Here:20261204T140000\r\n"
                              "DURATION:P1D\r\n") TAIL,
          "TZID" },
        { "hourly", HEAD EVENT(UID("a") NIGHTS "RRULE:FREQ=HOURLY\r\n") TAIL,
          "more than once a day" },
        { "hours of a day",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000Z\r\nDURATION:PT1H\r\n"
                              "RRULE:FREQ=DAILY;BYHOUR=9,17\r\n") TAIL,
          "more than once a day" },
        { "hours of a month",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000Z\r\nDURATION:PT1H\r\n"
                              "RRULE:FREQ=MONTHLY;BYHOUR=9,17\r\n") TAIL,
          "more than once a day" },
        { "hours of a date",
          HEAD EVENT(UID("a") "DTSTART;VALUE=DATE:20261204\r\n"
                              "DURATION:PT30H\r\n") TAIL,
          "whole days" },
        { "endless",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000Z\r\n"
                              "DURATION:P2147483647D\r\n") TAIL,
          "no length" },
        { "lasting nothing",
          HEAD EVENT(UID("a") "DTSTART:20261204T140000Z\r\n"
                              "DURATION:PT0S\r\n") TAIL,
          "ends before" },
        { "no rule",
          HEAD EVENT(UID("a") NIGHTS "RRULE:FREQ=SOMETIMES\r\n") TAIL,
          "malformed" },
        { "single dates",
          HEAD EVENT(UID("a") NIGHTS "RDATE;VALUE=DATE:20261224\r\n") TAIL,
          "RDATE" },
        { "from one place on",
          HEAD EVENT(UID("a") NIGHTS "RECURRENCE-ID;RANGE=THISANDFUTURE;"
                                     "VALUE=DATE:20261204\r\n") TAIL,
          "RANGE" },
    };
    struct hg_calendar calendar, before;

    (void)state;
    memset(&before, 0xa5, sizeof(before));
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        int err = read_as(row[i].text, "heron", "Europe/Helsinki", &calendar);

        HG_CHECK_EQ(row[i].label, err, HG_ERR_INPUT);
        HG_CHECK_TRUE(row[i].label, strstr(why_text, row[i].word) != NULL);
        HG_CHECK_TRUE(row[i].label, strlen(why_text) > 10);
        assert_memory_equal(&calendar, &before, sizeof(before));
    }
    HG_CHECK_EQ(
        "no zone to take a date in",
        read_as(HEAD EVENT(UID("a") NIGHTS) TAIL, "heron", NULL, &calendar),
        HG_ERR_INPUT);
    HG_CHECK_TRUE("says so", strstr(why_text, "time zone") != NULL);
}

/* Each truncation and many flips of a good file: no crash, a verdict. */
static void test_calendar__survives_garbage(void **state)
{
    static const char good[] = HEAD EVENT(
        UID("a") "DTSTART;TZID=Europe/Paris:20261204T140000\r\n"
                 "DURATION:P1D\r\nRRULE:FREQ=DAILY;COUNT=3\r\n"
                 "EXDATE;TZID=Europe/Paris:20261205T140000\r\n") TAIL;
    char text[sizeof(good)];
    struct hg_calendar calendar;
    uint32_t seed = 7;
    int err;

    (void)state;
    for (size_t len = 0; len < sizeof(good) - 3; len++) {
        memcpy(text, good, len);
        text[len] = '\0';
        assert_int_equal(read_as(text, "heron", "UTC", &calendar),
                         HG_ERR_INPUT);
    }
    for (int turn = 0; turn < 3000; turn++) {
        memcpy(text, good, sizeof(good));
        for (int flip = 0; flip < 3; flip++) {
            seed = seed * 1664525u + 1013904223u;
            text[seed % (sizeof(good) - 1)] = (char)(seed >> 24);
        }
        err = read_as(text, "heron", "UTC", &calendar);
        if (err == 0)
            hg_calendar_release(&calendar);
        else
            assert_true(why_text[0] != '\0');
    }
}

static void test_calendar__is_bounded(void **state)
{
    size_t len = HG_CALENDAR_BYTES_MAX + 1;
    char *text = calloc(1, len + 1);
    struct hg_calendar calendar;
    FILE *out;

    (void)state;
    assert_non_null(text);
    memset(text, 'x', len);
    assert_int_equal(read_as(text, "heron", "UTC", &calendar), HG_ERR_RANGE);
    out = fmemopen(text, len, "w");
    assert_non_null(out);
    fputs(HEAD, out);
    for (int i = 0; i <= HG_CALENDAR_STAYS_MAX; i++)
        fprintf(out, "BEGIN:VEVENT\r\nUID:%d\r\n" NIGHTS "END:VEVENT\r\n", i);
    fprintf(out, TAIL "%c", 0);
    assert_int_equal(fclose(out), 0);
    assert_int_equal(read_as(text, "heron", "UTC", &calendar), HG_ERR_RANGE);
    free(text);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_calendar__one_stay_in_every_form),
        cmocka_unit_test(test_calendar__cancellation_in_both_forms),
        cmocka_unit_test(test_calendar__series_of_days_and_weeks),
        cmocka_unit_test(test_calendar__series_of_months_and_years),
        cmocka_unit_test(test_calendar__clocks_change),
        cmocka_unit_test(test_calendar__takes_out_many_dates),
        cmocka_unit_test(test_calendar__instances_told_by_events_of_their_own),
        cmocka_unit_test(test_calendar__a_moved_stay_keeps_its_uid),
        cmocka_unit_test(test_calendar__leaves_out_what_is_over_or_far),
        cmocka_unit_test(test_calendar__refuses_all_of_a_file_it_cannot_follow),
        cmocka_unit_test(test_calendar__survives_garbage),
        cmocka_unit_test(test_calendar__is_bounded),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
