/*
 * Energy of one heat, stretch by stretch. Half milli-joules keep the
 * trapezoid of two whole-watt readings over whole milliseconds exact.
 */
#include "forecast/energy.h"
#include "base/sat.h"

#define HALF_MJ_PER_WH  UINT64_C(7200000)
#define BELIEF_FACTOR   4
#define BELIEF_SLACK_WH 1000

void hg_energy_init(struct hg_energy *energy, uint32_t heater_w,
                    uint32_t stale_after_ms)
{
    *energy = (struct hg_energy) { .heater_w = heater_w,
                                   .stale_after_ms = stale_after_ms };
}

/* Could the heater have used that much in this time? */
static bool is_believable(const struct hg_energy *energy, uint64_t wh,
                          uint64_t stretch_ms)
{
    uint64_t top_w = (uint64_t)energy->heater_w * BELIEF_FACTOR;
    uint64_t hours = stretch_ms / 3600000;
    uint64_t rest_ms = stretch_ms % 3600000;
    uint64_t top_wh;

    if (hours > UINT32_MAX / 8)
        return true; /* centuries: any reading is possible */
    top_wh = top_w * hours + top_w * rest_ms / 3600000 + BELIEF_SLACK_WH;
    return wh <= top_wh;
}

/* Use of the meter between two readings, if they can be believed. */
static bool metered(const struct hg_energy *energy,
                    const struct hg_energy_sample *sample, uint64_t stretch_ms,
                    uint64_t *ret_wh)
{
    uint64_t now_wh = sample->energy_wh;
    uint64_t last_wh = energy->last.energy_wh;
    uint64_t used_wh;

    if (!energy->last.has_energy || !sample->has_energy)
        return false;
    if (now_wh < last_wh ||
        (sample->is_new_boot && is_believable(energy, now_wh, stretch_ms)))
        used_wh = now_wh;
    else
        used_wh = now_wh - last_wh;
    if (!is_believable(energy, used_wh, stretch_ms))
        return false;
    *ret_wh = used_wh;
    return true;
}

/* Sum of the power at both ends: readings if both have one, else rated. */
static uint64_t ends_w(const struct hg_energy *energy,
                       const struct hg_energy_sample *sample)
{
    uint64_t top_w = (uint64_t)energy->heater_w * BELIEF_FACTOR;
    uint64_t first_w = energy->last.power_w;
    uint64_t second_w = sample->power_w;

    if (!energy->last.has_power || !sample->has_power)
        return energy->last.is_heater_on ? 2 * (uint64_t)energy->heater_w : 0;
    return (first_w < top_w ? first_w : top_w) +
           (second_w < top_w ? second_w : top_w);
}

void hg_energy_feed(struct hg_energy *energy,
                    const struct hg_energy_sample *sample)
{
    uint64_t stretch_ms = hg_mono_since(sample->at, energy->last.at);
    bool is_known = stretch_ms <= energy->stale_after_ms;
    uint64_t used_wh;

    if (energy->has_last && stretch_ms == 0)
        return;
    if (energy->has_last) {
        if (is_known && energy->last.is_heater_on)
            energy->on_ms = hg_sat_add_u64(energy->on_ms, stretch_ms);
        if (metered(energy, sample, stretch_ms, &used_wh))
            energy->metered_wh = hg_sat_add_u64(energy->metered_wh, used_wh);
        else if (is_known)
            energy->half_mj = hg_sat_add_u64(
                energy->half_mj, ends_w(energy, sample) * stretch_ms);
    }
    energy->last = *sample;
    energy->has_last = true;
}

uint64_t hg_energy_wh(const struct hg_energy *energy)
{
    return hg_sat_add_u64(energy->metered_wh, energy->half_mj / HALF_MJ_PER_WH);
}

uint64_t hg_energy_on_ms(const struct hg_energy *energy)
{
    return energy->on_ms;
}
