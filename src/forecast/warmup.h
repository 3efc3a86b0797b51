#ifndef HG_FORECAST_WARMUP_H
#define HG_FORECAST_WARMUP_H

/*
 * When will this room be ready? Starts from rated power and volume alone and
 * learns the room's own capacities and losses from its telemetry, one
 * warm-up after the other. Pure: no clock, no heap, no files; the service
 * feeds it, asks it, and keeps its numbers over a restart.
 *
 * Typical use
 *   hg_warmup_model_init(&model, &room); power and volume at least
 *   if numbers were stored: (void)hg_warmup_recall(&model, &memory)
 *   at each fresh telemetry message: hg_warmup_feed(&model, &sample) and,
 *   when it says so, store hg_warmup_remember()'s numbers
 *   whenever wanted: hg_warmup_estimate(&model, air_mc, target_mc, &estimate)
 *
 * It never decides about heat. A wrong forecast costs comfort only.
 */
#include "base/err.h"
#include "forecast/fit.h"
#include "heatgate/tick.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_WARMUP_NUMBERS 48

/* One fresh telemetry message. */
struct hg_warmup_sample {
    struct hg_mono at;
    int32_t air_mc;
    uint32_t power_w;
    bool has_air; /* false: the sensor is in fault */
    bool is_heater_on;
    bool is_door_closed; /* known to be closed */
    bool has_power;      /* else rated power while the heater is on */
};

/* Sums over the bin that is being filled. */
struct hg_warmup_filling {
    double seconds, air_s, air_c_s, energy_j;
    bool is_held;
};

/* Of one room. Plain data; give it to the functions below only. */
struct hg_warmup_model {
    struct hg_fit_room room;
    double full_w;                /* what it really draws when it is on */
    uint32_t warmups;             /* learned from, in all */
    struct hg_fit_belief learned; /* after the last complete warm-up */
    struct hg_fit_belief present; /* and with the running one */
    struct hg_thermal thermal;    /* the mean of present */
    double miss_start, miss_half; /* sums of squares of log errors */
    double miss_weight;           /* how many, older ones count less */
    bool has_sample;
    struct hg_warmup_sample last;
    bool has_state;
    struct hg_thermal_state state; /* followed through the telemetry */
    double outside_c;
    double idle_s;   /* heater off without a break */
    double settle_s; /* door closed without a break */
    bool is_recording;
    double off_s; /* heater off during this record, in sum */
    struct hg_fit_record record;
    struct hg_warmup_filling filling;
};

/* Times are seconds of heating from now with the door closed. */
struct hg_warmup_estimate {
    bool is_reachable; /* false: this heater cannot reach the target */
    double seconds;
    double low_s, high_s; /* 90 % of warm-ups lie between */
};

/* Numbers to keep over a restart; any JSON array of them will do. */
struct hg_warmup_memory {
    double number[HG_WARMUP_NUMBERS];
};

/*
 * Start with what is known of the room; copied. Power below 1 W counts as 1,
 * a volume below 0.1 m3 as 0.1.
 */
void hg_warmup_model_init(struct hg_warmup_model *model,
                          const struct hg_fit_room *room);

/*
 * Take in one sample; samples come in the order of their times, and one that
 * does not advance the time is ignored. After a gap longer than 60 s the
 * heater counts as off during the gap, and a warm-up being recorded is
 * dropped.
 *
 * Returns true when a warm-up was completed and learned from: time to store
 * hg_warmup_remember()'s numbers. At most a few milliseconds of work.
 */
bool hg_warmup_feed(struct hg_warmup_model *model,
                    const struct hg_warmup_sample *sample);

/*
 * Time to reach target_mc, heating at rated power from now on.
 *
 * air_mc    the present reading; while the model follows the room it is
 *           taken for a noisy one and the followed temperature is used
 * estimate  overwritten; when the target cannot be reached the times are 0
 *
 * Costs about as much as a few thousand telemetry messages (up to a
 * millisecond): ask when somebody wants to know, not at each message.
 */
void hg_warmup_estimate(const struct hg_warmup_model *model, int32_t air_mc,
                        int32_t target_mc, struct hg_warmup_estimate *estimate);

/* Is there anything to remember, beyond rated power and volume? */
bool hg_warmup_has_learned(const struct hg_warmup_model *model);

/* What was learned, as plain finite numbers. memory is overwritten. */
void hg_warmup_remember(const struct hg_warmup_model *model,
                        struct hg_warmup_memory *memory);

/*
 * Take up numbers of an earlier run into a model just initialised. On
 * failure the model stays as it was.
 * HG_ERR_CORRUPT: they are not such numbers; HG_ERR_RANGE: they belong to
 * another heater or another room size, so learning starts afresh.
 */
HG_MUST_CHECK int hg_warmup_recall(struct hg_warmup_model *model,
                                   const struct hg_warmup_memory *memory);

#endif
