/*
 * What is learned about a room's warm-up and used for its energy: the wiring
 * between the gate's fresh readings and the forecast unit.
 */
#include "base/sat.h"
#include "service/service.h"
#include <math.h>
#include <string.h>

/* a move of the plan below this is not worth a word */
#define PLAN_MOVE_MIN_MS  60000
#define ESTIMATE_EVERY_MS 5000

void hg_forecast_begin(struct hg_service *service, struct hg_room *room,
                       const json_t *numbers)
{
    const struct hg_policy *policy = &room->config->policy;
    const struct hg_fit_room known = { .heater_w = policy->heater_w,
                                       .volume_m3 = room->config->volume_m3,
                                       .stones_kg = room->config->stones_kg,
                                       .wood_mm = room->config->wood_mm };
    struct hg_warmup_memory memory;

    hg_warmup_model_init(&room->warmup, &known);
    hg_energy_init(&room->energy, policy->heater_w, policy->stale_after_ms);
    if (numbers == NULL)
        return;
    for (size_t i = 0; i < HG_WARMUP_NUMBERS; i++)
        memory.number[i] = json_number_value(json_array_get(numbers, i));
    if (json_array_size(numbers) != HG_WARMUP_NUMBERS ||
        hg_warmup_recall(&room->warmup, &memory) < 0)
        hg_log_line(&service->log, HG_LOG_INFO,
                    "%s: the learned warm-up does not fit this room any more "
                    "and starts afresh",
                    room->config->name);
}

json_t *hg_forecast_numbers(const struct hg_room *room)
{
    struct hg_warmup_memory memory;
    json_t *numbers;

    if (!hg_warmup_has_learned(&room->warmup))
        return NULL; /* rated power and volume tell as much */
    numbers = json_array();
    hg_warmup_remember(&room->warmup, &memory);
    for (size_t i = 0; numbers != NULL && i < HG_WARMUP_NUMBERS; i++)
        if (json_array_append_new(numbers, json_real(memory.number[i])) < 0) {
            json_decref(numbers);
            return NULL;
        }
    return numbers;
}

static int64_t after_s(int64_t from_ms, double seconds)
{
    /* warm-ups are hours at most; the bound keeps the cast defined */
    double ms = fmin(fmax(seconds, 0.0), 1e7) * 1000.0;

    return hg_sat_add_i64(from_ms, (int64_t)ms);
}

void hg_forecast_ask(const struct hg_room *room, int32_t target_mc,
                     int64_t from_ms, struct hg_room_forecast *ret_forecast)
{
    const struct hg_gate_stream *stream = &room->gate.stream;
    struct hg_warmup_estimate estimate;

    memset(ret_forecast, 0, sizeof(*ret_forecast));
    if (!stream->has_reading || !stream->reading.has_air)
        return;
    hg_warmup_estimate(&room->warmup, stream->reading.air_mc, target_mc,
                       &estimate);
    if (!estimate.is_reachable)
        return;
    ret_forecast->has_one = true;
    ret_forecast->ready_ms = after_s(from_ms, estimate.seconds);
    ret_forecast->low_ms = after_s(from_ms, estimate.low_s);
    ret_forecast->high_ms = after_s(from_ms, estimate.high_s);
}

bool hg_forecast_lead(const struct hg_room *room, int32_t target_mc,
                      uint64_t *ret_lead_ms)
{
    struct hg_room_forecast forecast;

    hg_forecast_ask(room, target_mc, 0, &forecast);
    if (!forecast.has_one)
        return false;
    *ret_lead_ms = (uint64_t)forecast.high_ms;
    return true;
}

void hg_forecast_count(struct hg_room *room)
{
    const struct hg_reading *reading = &room->gate.stream.reading;
    struct hg_energy_sample sample;

    if (!room->gate.stream.is_fresh)
        return;
    memset(&sample, 0, sizeof(sample));
    sample.at = room->gate.stream.fresh_at;
    /* a session does not survive a new boot, and each begins afresh */
    sample.is_heater_on = reading->heater == HG_HEATER_ON;
    sample.has_power = reading->has_power;
    sample.power_w = reading->power_w;
    sample.has_energy = reading->has_energy;
    sample.energy_wh = reading->energy_wh;
    hg_energy_feed(&room->energy, &sample);
}

void hg_forecast_count_to(struct hg_room *room, struct hg_mono at)
{
    struct hg_energy_sample sample;

    hg_forecast_count(room);
    if (!room->energy.has_last)
        return;
    sample = room->energy.last;
    sample.at = at;
    sample.has_energy = false; /* the meter was not read then */
    hg_energy_feed(&room->energy, &sample);
}

void hg_forecast_feed(struct hg_service *service, struct hg_room *room)
{
    const struct hg_gate_state *gate = &room->gate;
    const struct hg_reading *reading = &gate->stream.reading;
    struct hg_warmup_sample sample;

    memset(&sample, 0, sizeof(sample));
    sample.at = gate->stream.fresh_at;
    sample.air_mc = reading->air_mc;
    sample.has_air = reading->has_air;
    sample.power_w = reading->power_w;
    sample.has_power = reading->has_power;
    sample.is_heater_on = reading->heater == HG_HEATER_ON;
    sample.is_door_closed = gate->stream.door == HG_DOOR_CLOSED;
    if (hg_warmup_feed(&room->warmup, &sample))
        hg_memory_changed(service);
    if (gate->session.is_active)
        hg_forecast_count(room);
}

/* What there is to estimate now: the running heat, else the plan. */
static void look_ahead(const struct hg_gate_state *gate,
                       struct hg_room_forecast_of *of)
{
    memset(of, 0, sizeof(*of));
    of->is_heat = gate->session.is_active && !gate->session.is_held;
    of->is_plan = !of->is_heat && gate->plan.is_active;
    if (of->is_heat)
        of->target_mc = gate->session.target_mc;
    if (of->is_plan) {
        of->target_mc = gate->plan.target_mc;
        of->starts_at_ms = gate->plan.starts_at_ms;
    }
}

void hg_forecast_tick(struct hg_service *service, struct hg_room *room)
{
    const struct hg_room_forecast_of *was = &room->forecast_of;
    struct hg_room_forecast_of of;

    look_ahead(&room->gate, &of);
    if (of.is_heat == was->is_heat && of.is_plan == was->is_plan &&
        of.target_mc == was->target_mc &&
        of.starts_at_ms == was->starts_at_ms &&
        (!(of.is_heat || of.is_plan) ||
         hg_mono_since(service->now.mono, was->at) < ESTIMATE_EVERY_MS))
        return;
    of.at = service->now.mono;
    room->forecast_of = of;
    memset(&room->forecast, 0, sizeof(room->forecast));
    if (of.is_heat || of.is_plan)
        hg_forecast_ask(room, of.target_mc,
                        of.is_heat ? service->now.wall.ms : of.starts_at_ms,
                        &room->forecast);
    room->is_changed = true;
    hg_show_room(service, room);
    hg_forecast_plan(service, room);
}

void hg_forecast_plan(struct hg_service *service, struct hg_room *room)
{
    const struct hg_gate_plan *plan = &room->gate.plan;
    struct hg_event event;
    uint64_t lead_ms;
    int64_t starts_at_ms, move_ms;

    if (!plan->is_active || service->is_leaving ||
        !hg_forecast_lead(room, plan->target_mc, &lead_ms))
        return;
    starts_at_ms = hg_sat_sub_i64(plan->ready_at_ms, (int64_t)lead_ms);
    move_ms = hg_sat_sub_i64(starts_at_ms, plan->starts_at_ms);
    if (move_ms <= PLAN_MOVE_MIN_MS && move_ms >= -PLAN_MOVE_MIN_MS)
        return;
    /* the room got colder than expected: now is the earliest there is */
    if (starts_at_ms < service->now.wall.ms)
        starts_at_ms = service->now.wall.ms;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PLAN_MOVE;
    event.heat.starts_at_ms = starts_at_ms;
    hg_room_step(service, room, &event);
}
