#ifndef HG_SERVICE_TRACE_H
#define HG_SERVICE_TRACE_H

/*
 * The course of one heat, for a plot: a sample about every 10 s and at every
 * change of door, permit or target and the first forecast. Bounded: when it is
 * full, each two neighbours become one and the period doubles. Plain data; no
 * I/O, no clock.
 */
#include "base/err.h"
#include "heatgate/gate.h"
#include "service/room.h"
#include <jansson.h>

#define HG_TRACE_SAMPLES   1024
#define HG_TRACE_PERIOD_MS 10000
#define HG_TRACE_NO_AIR    INT32_MIN

struct hg_trace_sample {
    uint32_t at_ms; /* since the start; saturates after 49 days */
    int32_t air_mc; /* or HG_TRACE_NO_AIR */
    int32_t target_mc;
    bool is_open;    /* of two that became one: was it ever? */
    bool has_permit; /* … was it always there? */
    bool is_on;
    /* when it will be ready, seconds since the start; 0: not known */
    uint32_t ready_s, low_s, high_s;
};

struct hg_trace {
    char room[HG_CONFIG_ROOM_BYTES];
    char heat_id[HG_ID_BYTES];
    char by[HG_ACTOR_TEXT_BYTES];
    int64_t started_ms; /* wall */
    struct hg_mono started_at;
    bool has_ended;
    int64_t ended_ms; /* wall */
    enum hg_why end;
    int32_t target_mc; /* the newest */
    uint64_t energy_wh;
    uint32_t period_ms;
    size_t count, cap;
    struct hg_trace_sample *sample;
};

/* Is it the id of a heat, so that it can name a file? "h-" and 16 hex. */
bool hg_trace_is_id(const char *heat_id);

/*
 * Take in a sample if it is time for one or something has changed.
 * HG_ERR_MEMORY: it is left out.
 */
HG_MUST_CHECK int hg_trace_add(struct hg_trace *trace,
                               const struct hg_trace_sample *sample);

/* A copy with samples of its own. NULL: no memory. */
struct hg_trace *hg_trace_copy(const struct hg_trace *trace);

/* Free it with its samples. NULL is fine. */
void hg_trace_free(struct hg_trace *trace);

/*
 * As it is kept and answered by report.heat: {v, heat_id, room, by,
 * started_at, ended_at, end, target_c, energy_wh, period_s, columns,
 * samples}. NULL: no memory.
 */
json_t *hg_trace_json(const struct hg_trace *trace);

/*
 * Fill in the end of a trace that a sudden stop left without one, in the
 * JSON of above. Returns false, nothing changed, when it has an end.
 */
bool hg_trace_close_json(json_t *trace, int64_t ended_ms, enum hg_why end);

#endif
