#ifndef HG_ACCESS_CALENDAR_H
#define HG_ACCESS_CALENDAR_H

/*
 * Stays out of an iCalendar file (RFC 5545), as booking calendars export
 * them: one stay an event. Nothing of an event is kept but its times and a
 * hash of its UID: no summary, no names. The file is from outside: call this
 * in a program for people, never in the service.
 *
 * Dates are nights: from check-in on the first day to check-out on the day
 * that DTEND names. Times are taken as they are. A time without zone is of
 * the zone given. Recurrences by days, weeks, months and years are expanded;
 * finer ones are refused, as is everything that cannot be read: all or
 * nothing.
 */
#include "base/buf.h"
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_CALENDAR_BYTES_MAX  ((size_t)4 << 20)
#define HG_CALENDAR_STAYS_MAX  5000
#define HG_CALENDAR_UID_BYTES  32
#define HG_CALENDAR_WHY_BYTES  512
#define HG_CALENDAR_DAYS_AHEAD 400 /* stays that begin later are left out */

struct hg_calendar_ask { /* borrowed for the call */
    const char *text;
    size_t len;
    const char *room; /* the same event in two rooms is two stays */
    const char *zone; /* IANA name for times without a zone, or NULL */
    int check_in_min, check_out_min; /* of the day, local */
    int64_t now_ms;                  /* stays over by then are left out */
};

struct hg_calendar_stay {
    uint8_t uid[HG_CALENDAR_UID_BYTES];
    int64_t from_ms, until_ms;
    bool is_cancelled; /* STATUS:CANCELLED or METHOD:CANCEL */
    bool is_too_long;  /* more than 366 days: a code may not last so long */
};

struct hg_calendar {
    struct hg_calendar_stay *stay; /* by from, then by uid */
    size_t count;
    size_t events;   /* VEVENTs in the file */
    size_t left_out; /* over, or more than HG_CALENDAR_DAYS_AHEAD ahead */
};

/*
 * Read a file.
 *
 * why  HG_CALENDAR_WHY_BYTES; on failure what is wrong, where, what to do
 *
 * HG_ERR_INPUT: no calendar, or an event that cannot be read; HG_ERR_RANGE:
 * too large, too many; HG_ERR_MEMORY, HG_ERR_CRYPTO
 */
HG_MUST_CHECK int hg_calendar_read(const struct hg_calendar_ask *ask,
                                   struct hg_buf *why,
                                   struct hg_calendar *ret_calendar);

/* Free it and zero it. */
void hg_calendar_release(struct hg_calendar *calendar);

#endif
