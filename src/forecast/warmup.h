#ifndef HG_FORECAST_WARMUP_H
#define HG_FORECAST_WARMUP_H

/*
 * When will this room be ready? Starts from rated power and volume alone and
 * learns the room's own capacities and losses from its telemetry, one
 * warm-up after the other. Pure: no clock, no heap, no files; the service
 * feeds it, asks it, and keeps its numbers over a restart.
 *
 * Typical use
 *   hg_warmup_model_init(&model, policy.heater_w, volume_m3);
 *   if numbers were stored: (void)hg_warmup_recall(&model, &memory)
 *   at each fresh telemetry message: hg_warmup_feed(&model, &sample) and,
 *   when it says so, store hg_warmup_remember()'s numbers
 *   whenever wanted: hg_warmup_estimate(&model, air_mc, target_mc, &estimate)
 *
 * It never decides about heat. A wrong forecast costs comfort only.
 */
#include "base/err.h"
#include "forecast/thermal.h"
#include "heatgate/tick.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_WARMUP_PARAMS  5  /* logarithms of the members of hg_thermal */
#define HG_WARMUP_BINS    96 /* of a recorded warm-up */
#define HG_WARMUP_NUMBERS 32

/* What is known about the room: a normal distribution of the parameters. */
struct hg_warmup_belief {
    double mean[HG_WARMUP_PARAMS];
    double cov[HG_WARMUP_PARAMS][HG_WARMUP_PARAMS];
};

/* One stretch of a recorded warm-up. */
struct hg_warmup_bin {
    float air_c;   /* mean of the readings */
    float power_w; /* mean heater power */
    bool is_held;  /* door open or no reading: not the room's own curve */
};

/* The warm-up that is being recorded. */
struct hg_warmup_record {
    struct hg_warmup_bin bin[HG_WARMUP_BINS];
    uint32_t count;
    double bin_s; /* length of each; doubles when all are used */
    double off_s; /* heater off since the start, in sum */
    struct hg_thermal_state start;
    double outside_c;
};

/* Sums over the bin that is being filled. */
struct hg_warmup_filling {
    double seconds, air_c_s, air_s, energy_j;
    bool is_held;
};

struct hg_warmup_model {
    double heater_w;
    double volume_m3;
    uint32_t warmups;                /* learned from, in all */
    struct hg_warmup_belief learned; /* after the last complete warm-up */
    struct hg_warmup_belief present; /* and with the running one */
    double miss_start, miss_half;    /* sums of squares of log errors */
    bool has_state, has_sample, is_recording;
    struct hg_mono sampled_at;
    double air_c; /* smoothed reading */
    double outside_c;
    double idle_s;                 /* heater off for so long */
    double settle_s;               /* since the door was last seen open */
    struct hg_thermal_state state; /* followed through the telemetry */
    struct hg_warmup_record record;
    struct hg_warmup_filling filling;
};

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
 * Start with what rated power and volume tell.
 *
 * heater_w   rated power; below 1 counts as 1
 * volume_m3  of the room; below 0.1 counts as 0.1
 */
void hg_warmup_model_init(struct hg_warmup_model *model, uint32_t heater_w,
                          double volume_m3);

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
 */
void hg_warmup_estimate(const struct hg_warmup_model *model, int32_t air_mc,
                        int32_t target_mc, struct hg_warmup_estimate *estimate);

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
