#ifndef HG_FORECAST_ENERGY_H
#define HG_FORECAST_ENERGY_H

/*
 * Energy of one heat. Each stretch between two samples is counted with the
 * best that both of them offer: the controller's meter, else its power
 * reading, else rated power while it reports the heater on. Pure integers.
 */
#include "heatgate/tick.h"
#include <stdbool.h>
#include <stdint.h>

/* One fresh telemetry message. */
struct hg_energy_sample {
    struct hg_mono at;
    bool is_new_boot; /* the controller restarted since the last sample */
    bool is_heater_on;
    bool has_power;
    bool has_energy;
    uint32_t power_w;
    uint64_t energy_wh; /* a counter that starts anew at a boot */
};

struct hg_energy {
    uint32_t heater_w;
    uint32_t stale_after_ms;
    bool has_last;
    struct hg_energy_sample last;
    uint64_t metered_wh; /* counted by the meter */
    uint64_t half_mj;    /* the rest, in halves of a milli-joule */
    uint64_t on_ms;      /* time with the heater reported on */
};

/*
 * Start at nothing.
 *
 * heater_w        rated power, as in struct hg_policy
 * stale_after_ms  a longer stretch without telemetry: nothing is known, and
 *                 only the meter is believed across it
 */
void hg_energy_init(struct hg_energy *energy, uint32_t heater_w,
                    uint32_t stale_after_ms);

/*
 * Take in one sample; the first one only marks the start. A sample that does
 * not advance the time is ignored.
 *
 * A meter that went back began again at 0: its whole reading was used since.
 * After a new boot the same holds when the whole reading is believable, else
 * the meter outlived the boot and the difference counts. Believable is up to
 * four times rated power and 1 kWh (meters may count in coarse steps); a
 * stretch whose meter is not believed is counted without it.
 */
void hg_energy_feed(struct hg_energy *energy,
                    const struct hg_energy_sample *sample);

/* What was used so far, rounded down. Never falls while samples come in. */
uint64_t hg_energy_wh(const struct hg_energy *energy);

/* How long the heater was reported on so far. */
uint64_t hg_energy_on_ms(const struct hg_energy *energy);

#endif
