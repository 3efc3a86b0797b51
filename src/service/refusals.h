#ifndef HG_SERVICE_REFUSALS_H
#define HG_SERVICE_REFUSALS_H

/*
 * Keeps refusals from filling the disk: at most one record a second for each
 * actor and room, with a count; one summary for all that came while the
 * journal could not be written. Pure: no I/O, no clock, a fixed table. When
 * the table is full, further actors share one entry without a name.
 */
#include "heatgate/gate.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_REFUSALS_MAX        256
#define HG_REFUSALS_PAUSE_MS   1000 /* contract 6 */
#define HG_REFUSALS_ROOM_BYTES 33

enum hg_refusal_scope {
    HG_REFUSAL_NONE = 0,
    HG_REFUSAL_ONE,    /* of this actor in this room */
    HG_REFUSAL_MANY,   /* of actors the table had no place for */
    HG_REFUSAL_SUMMARY /* of everybody while the journal was unavailable */
};

/* What is refused, and what is to be recorded. */
struct hg_refusal {
    enum hg_refusal_scope scope; /* of a record; ignored in what is noted */
    struct hg_actor actor;       /* zero unless scope is ONE */
    char room[HG_REFUSALS_ROOM_BYTES]; /* empty: none, or not scope ONE */
    uint32_t kind;      /* the caller's; of the latest one (ONE), else 0 */
    hg_why_set reasons; /* of all that are counted */
    uint64_t count;     /* of a record; ignored in what is noted */
    struct hg_mono first_at, last_at; /* of a record */
};

struct hg_refusals_entry {
    bool is_used;
    bool has_recorded; /* recorded_at holds */
    struct hg_mono recorded_at;
    struct hg_refusal waiting; /* count 0: nothing waits */
};

struct hg_refusals {
    bool is_journal_down;
    struct hg_refusals_entry summary;
    struct hg_refusals_entry many;
    struct hg_refusals_entry entry[HG_REFUSALS_MAX];
};

/* Start empty, with a journal that works. */
void hg_refusals_init(struct hg_refusals *table);

/*
 * Somebody was refused something.
 *
 * asked       actor, room, kind, reasons; borrowed
 * ret_record  set when true is returned: append this record now
 *
 * False: it is counted and comes out of hg_refusals_due() later.
 */
bool hg_refusals_note(struct hg_refusals *table, struct hg_mono now,
                      const struct hg_refusal *asked,
                      struct hg_refusal *ret_record);

/*
 * Take one record whose pause is over; call at every tick, until false.
 * Nothing comes while the journal is down.
 */
bool hg_refusals_due(struct hg_refusals *table, struct hg_mono now,
                     struct hg_refusal *ret_record);

/*
 * The journal failed, or works again. What waits at a failure goes into the
 * summary, which hg_refusals_due() returns once the journal works again. A
 * record whose append failed comes back by hg_refusals_return().
 */
void hg_refusals_journal(struct hg_refusals *table, bool is_ok);

/* Give a record back whose append failed: its count goes into the summary. */
void hg_refusals_return(struct hg_refusals *table,
                        const struct hg_refusal *record);

#endif
