/* The course of one heat; see trace.h. */
#include "service/trace.h"
#include "base/why.h"
#include <stdlib.h>
#include <string.h>

#define FIRST_CAP 64
#define HEX_LEN   16

bool hg_trace_is_id(const char *heat_id)
{
    return strncmp(heat_id, "h-", 2) == 0 && strlen(heat_id) == 2 + HEX_LEN &&
           strspn(heat_id + 2, "0123456789abcdef") == HEX_LEN;
}

/* Two neighbours as one: what must not be overlooked wins. */
static struct hg_trace_sample join(const struct hg_trace_sample *first,
                                   const struct hg_trace_sample *second)
{
    struct hg_trace_sample one = *first;

    if (one.air_mc == HG_TRACE_NO_AIR)
        one.air_mc = second->air_mc;
    one.is_open = first->is_open || second->is_open;
    one.has_permit = first->has_permit && second->has_permit;
    one.is_on = first->is_on || second->is_on;
    return one;
}

/* The first sample stays as it is: it is the start. */
static void halve(struct hg_trace *trace)
{
    size_t kept = 1;

    for (size_t i = 1; i < trace->count; i += 2) {
        trace->sample[kept] = trace->sample[i];
        if (i + 1 < trace->count)
            trace->sample[kept] =
                join(&trace->sample[i], &trace->sample[i + 1]);
        kept++;
    }
    trace->count = kept;
    trace->period_ms *= 2;
}

static int grow(struct hg_trace *trace)
{
    size_t cap = trace->cap == 0 ? FIRST_CAP : trace->cap * 2;
    struct hg_trace_sample *sample =
        realloc(trace->sample, cap * sizeof(*sample));

    if (sample == NULL)
        return HG_ERR_MEMORY;
    trace->sample = sample;
    trace->cap = cap;
    return 0;
}

static bool is_wanted(const struct hg_trace *trace,
                      const struct hg_trace_sample *sample)
{
    const struct hg_trace_sample *last;

    if (trace->count == 0)
        return true;
    last = &trace->sample[trace->count - 1];
    return sample->is_open != last->is_open ||
           sample->has_permit != last->has_permit ||
           sample->target_mc != last->target_mc ||
           (sample->ready_s != 0 && last->ready_s == 0) ||
           sample->at_ms - last->at_ms >= trace->period_ms;
}

int hg_trace_add(struct hg_trace *trace, const struct hg_trace_sample *sample)
{
    int err = 0;

    trace->target_mc = sample->target_mc;
    if (!is_wanted(trace, sample))
        return 0;
    if (trace->count == HG_TRACE_SAMPLES)
        halve(trace);
    else if (trace->count == trace->cap)
        err = grow(trace);
    if (err == 0)
        trace->sample[trace->count++] = *sample;
    return err;
}

struct hg_trace *hg_trace_copy(const struct hg_trace *trace)
{
    struct hg_trace *copy = malloc(sizeof(*copy));

    if (copy == NULL)
        return NULL;
    *copy = *trace;
    copy->cap = copy->count;
    copy->sample = NULL;
    if (copy->count == 0)
        return copy;
    copy->sample = malloc(copy->count * sizeof(*copy->sample));
    if (copy->sample == NULL) {
        free(copy);
        return NULL;
    }
    memcpy(copy->sample, trace->sample, copy->count * sizeof(*copy->sample));
    return copy;
}

void hg_trace_free(struct hg_trace *trace)
{
    if (trace == NULL)
        return;
    free(trace->sample);
    free(trace);
}

static json_t *seconds_or_null(uint32_t seconds)
{
    return seconds == 0 ? json_null() : json_integer(seconds);
}

static json_t *sample_json(const struct hg_trace_sample *sample)
{
    bool has_air = sample->air_mc != HG_TRACE_NO_AIR;

    return json_pack(
        "[I, o, o, i, i, i, o, o, o]", (json_int_t)(sample->at_ms / 1000),
        has_air ? hg_json_celsius(sample->air_mc) : json_null(),
        hg_json_celsius(sample->target_mc), (int)sample->is_open,
        (int)sample->has_permit, (int)sample->is_on,
        seconds_or_null(sample->ready_s), seconds_or_null(sample->low_s),
        seconds_or_null(sample->high_s));
}

json_t *hg_trace_json(const struct hg_trace *trace)
{
    json_t *samples = json_array();
    json_t *json;

    for (size_t i = 0; samples != NULL && i < trace->count; i++)
        if (json_array_append_new(samples, sample_json(&trace->sample[i])) <
            0) {
            json_decref(samples);
            return NULL;
        }
    json = json_pack(
        "{s:i, s:s, s:s, s:s, s:o, s:o, s:s?, s:o, s:I, s:I,"
        " s:[s, s, s, s, s, s, s, s, s], s:o}",
        "v", 1, "heat_id", trace->heat_id, "room", trace->room, "by", trace->by,
        "started_at", hg_json_wall(trace->started_ms), "ended_at",
        trace->has_ended ? hg_json_wall(trace->ended_ms) : json_null(), "end",
        trace->has_ended ? hg_why_code(trace->end) : NULL, "target_c",
        hg_json_celsius(trace->target_mc), "energy_wh",
        (json_int_t)trace->energy_wh, "period_s",
        (json_int_t)(trace->period_ms / 1000), "columns", "t_s", "air_c",
        "target_c", "door_open", "permit", "heater_on", "ready_s", "low_s",
        "high_s", "samples", samples);
    return json;
}

bool hg_trace_close_json(json_t *trace, int64_t ended_ms, enum hg_why end)
{
    if (json_is_string(json_object_get(trace, "ended_at")))
        return false;
    json_object_set_new(trace, "ended_at", hg_json_wall(ended_ms));
    json_object_set_new(trace, "end", json_string(hg_why_code(end)));
    return true;
}
