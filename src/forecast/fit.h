#ifndef HG_FORECAST_FIT_H
#define HG_FORECAST_FIT_H

/*
 * What is believed about the parameters of a room, and how one recorded
 * warm-up changes it: the most probable parameters given both (Gauss-Newton
 * on the logarithms, readings weighed down when they stray: Huber's rule).
 * Sources: any text on non-linear least squares with a prior; P. J. Huber,
 * "Robust Statistics", for the weights. From memory. All pure, bounded.
 */
#include "forecast/thermal.h"
#include <stdint.h>

#define HG_FIT_PARAMS 7  /* logarithms of the members of hg_thermal */
#define HG_FIT_BINS   96 /* of a recorded warm-up; even */

/* A normal distribution of the parameters. */
struct hg_fit_belief {
    double mean[HG_FIT_PARAMS];
    double cov[HG_FIT_PARAMS][HG_FIT_PARAMS];
};

/* One stretch of a recorded warm-up. */
struct hg_fit_bin {
    float air_c;   /* mean of the readings */
    float power_w; /* mean heater power */
    bool is_held;  /* door open or no reading: not the room's own curve */
};

/* A recorded warm-up. */
struct hg_fit_record {
    struct hg_fit_bin bin[HG_FIT_BINS];
    uint32_t count;
    double bin_s; /* length of each */
    struct hg_thermal_state start;
    double outside_c;
};

/* What is known of a room before it has been heated. */
struct hg_fit_room {
    double heater_w, volume_m3;
    double stones_kg; /* 0: unknown */
    double wood_mm;   /* thickness, panels or logs; 0: unknown */
};

/* What these alone tell. heater_w and volume_m3 are above 0. */
void hg_fit_prior(const struct hg_fit_room *room, struct hg_fit_belief *belief);

/* Is it a distribution, not far beyond what that prior allows? */
bool hg_fit_is_sane(const struct hg_fit_belief *belief,
                    const struct hg_fit_belief *prior);

/* The room with the parameters given as logarithms. */
void hg_fit_thermal(const double mean[HG_FIT_PARAMS],
                    struct hg_thermal *thermal);

/* Where the first count bins of the record lead; 0 bins: to its start. */
void hg_fit_replay(const double mean[HG_FIT_PARAMS],
                   const struct hg_fit_record *record, uint32_t count,
                   struct hg_thermal_state *state);

/*
 * What is believed after the first count bins of the record. posterior is
 * overwritten and may be the prior itself; it stays the prior where the bins
 * say nothing or no better parameters are found.
 */
void hg_fit_update(const struct hg_fit_belief *prior,
                   const struct hg_fit_record *record, uint32_t count,
                   struct hg_fit_belief *posterior);

#endif
