/*
 * A controller as its firmware and wiring would behave. Owns the decision to
 * switch the contactor and the truth about the heater. What it says in JSON
 * is in words.c.
 */
#include "sim/controller.h"
#include "base/sat.h"
#include "base/text.h"
#include <math.h>
#include <stdio.h>
#include <string.h>

#define RELAY_TARGET_MC     1000000 /* a relay does not regulate */
#define DECIDE_SIM_S        5.0     /* thermostat period, in physics time */
#define SLICES_MAX          4096u   /* of one step, timers apart */
#define CHATTER_MS          700u
#define LIMIT_RESET_BELOW_C 20.0
#define MODULE_LAG_S        600.0
#define MODULE_REST_C       6.0  /* above ambient */
#define MODULE_LOAD_C       14.0 /* more of it at work */

static bool has(const struct hg_simctl *ctl, enum hg_simctl_fault fault)
{
    return (ctl->faults & (uint32_t)fault) != 0;
}

/* -- waking up --------------------------------------------------------------*/

static void name_boot(struct hg_simctl *ctl)
{
    uint64_t mix = ctl->setup.boot_salt + ctl->boots;

    snprintf(ctl->boot, sizeof(ctl->boot), "%08x",
             (unsigned)(hg_physics_next_u64(&mix) & 0xffffffffu));
}

static void decide(struct hg_simctl *ctl);

void hg_simctl_reboot(struct hg_simctl *ctl, uint64_t now_ms)
{
    hg_simctl_step(ctl, now_ms);
    ctl->boots++;
    name_boot(ctl);
    ctl->seq = 0;
    ctl->started_ms = ctl->now_ms;
    ctl->door_count = 0;
    ctl->permits_taken = 0;
    ctl->permits_ignored = 0;
    ctl->is_local = false;
    ctl->is_relay_on = false;
    ctl->is_thermostat_on = false;
    ctl->events = 0;
    hg_follower_init(&ctl->follower);
    decide(ctl);
    hg_simctl_nudge(ctl);
}

void hg_simctl_init(const struct hg_simctl_setup *setup, uint64_t now_ms,
                    struct hg_simctl *ctl)
{
    memset(ctl, 0, sizeof(*ctl));
    ctl->setup = *setup;
    ctl->bench_door_share = setup->spec.sensor_door_share;
    ctl->now_ms = now_ms;
    ctl->module_c = setup->spec.ambient_c + MODULE_REST_C;
    ctl->is_link_wanted = true;
    hg_physics_init(setup->start_c, setup->seed, &ctl->room);
    hg_simctl_reboot(ctl, now_ms);
}

/* -- deciding ---------------------------------------------------------------*/

static void push_event(struct hg_simctl *ctl, enum hg_simctl_event_kind kind,
                       const char *code)
{
    struct hg_simctl_event *event;

    if (ctl->events >= HG_SIMCTL_EVENTS || has(ctl, HG_SIMCTL_POWER_LOST))
        return;
    event = &ctl->event[ctl->events];
    event->kind = kind;
    if (hg_text_copy(event->code, sizeof(event->code), code) < 0)
        return;
    ctl->events++;
}

static void read_sensor(struct hg_simctl *ctl)
{
    int32_t mc = hg_physics_read_mc(&ctl->setup.spec, &ctl->room);

    if (has(ctl, HG_SIMCTL_SENSOR_OFFSET))
        mc += (int32_t)lround(ctl->offset_c * 10) * 100;
    if (has(ctl, HG_SIMCTL_SENSOR_FROZEN))
        mc = ctl->frozen_mc;
    ctl->reading_mc = mc;
}

/* does anything ask for heat, and for how much? */
static bool is_heat_wanted(struct hg_simctl *ctl, int32_t *target_mc)
{
    int32_t local_mc = (int32_t)lround(ctl->setup.local_target_c * 1000);
    bool may = hg_follower_may_heat(&ctl->follower, ctl->now_ms) == 1;

    if (ctl->setup.timer_ms) {
        *target_mc = RELAY_TARGET_MC;
        return ctl->is_relay_on || has(ctl, HG_SIMCTL_IGNORE_PERMIT);
    }
    if (may) {
        *target_mc = ctl->follower.target_mc;
        return true;
    }
    if (has(ctl, HG_SIMCTL_IGNORE_PERMIT)) {
        *target_mc = ctl->last_target_mc ? ctl->last_target_mc : local_mc;
        return true;
    }
    *target_mc = local_mc;
    return ctl->is_local;
}

/* switch with a band around the target; no reading, no heat */
static void run_thermostat(struct hg_simctl *ctl, int32_t target_mc)
{
    int32_t half_mc = (int32_t)lround(ctl->setup.hysteresis_c * 500);

    if (has(ctl, HG_SIMCTL_SENSOR_GONE) ||
        ctl->reading_mc >= target_mc + half_mc)
        ctl->is_thermostat_on = false;
    else if (ctl->reading_mc <= target_mc - half_mc)
        ctl->is_thermostat_on = true;
}

static void watch_limit(struct hg_simctl *ctl)
{
    if (ctl->is_limit_tripped || ctl->room.air_c < ctl->setup.limit_c)
        return;
    ctl->is_limit_tripped = true;
    push_event(ctl, HG_SIMCTL_EVENT_FAULT, "high-limit");
}

/* the door circuit: closed only when the switch says so */
static bool is_circuit_open(const struct hg_simctl *ctl)
{
    return ctl->is_switch_open || has(ctl, HG_SIMCTL_DOOR_GONE);
}

static void note_truth(struct hg_simctl *ctl, bool is_heating)
{
    if (is_heating == ctl->is_heating)
        return;
    ctl->is_heating = is_heating;
    ctl->switchings++;
    if (is_heating)
        ctl->last_on_ms = ctl->now_ms;
    else
        ctl->last_off_ms = ctl->now_ms;
}

static void decide(struct hg_simctl *ctl)
{
    bool was_reported = hg_simctl_reports_on(ctl);
    bool is_powered = !has(ctl, HG_SIMCTL_POWER_LOST);
    int32_t target_mc;
    bool is_wanted = is_heat_wanted(ctl, &target_mc);

    read_sensor(ctl);
    if (is_wanted)
        run_thermostat(ctl, target_mc);
    else
        ctl->is_thermostat_on = false;
    watch_limit(ctl);
    ctl->is_contactor_on =
        is_powered && (has(ctl, HG_SIMCTL_WELDED) ||
                       (ctl->is_thermostat_on && !is_circuit_open(ctl)));
    note_truth(ctl,
               hg_simctl_reports_on(ctl) && !has(ctl, HG_SIMCTL_ELEMENTS_DEAD));
    if (hg_simctl_reports_on(ctl) != was_reported)
        hg_simctl_nudge(ctl);
}

/* -- passing of time --------------------------------------------------------*/

/* the contact of the door: follows the door, or flickers */
static void set_switch(struct hg_simctl *ctl, bool is_open)
{
    if (is_open == ctl->is_switch_open)
        return;
    ctl->is_switch_open = is_open;
    if (is_open && !has(ctl, HG_SIMCTL_POWER_LOST))
        ctl->door_count++;
    hg_simctl_nudge(ctl);
}

static void run_timers(struct hg_simctl *ctl)
{
    if (ctl->door_until_ms && ctl->now_ms >= ctl->door_until_ms) {
        ctl->is_door_open = false;
        ctl->door_until_ms = 0;
    }
    if (!has(ctl, HG_SIMCTL_DOOR_CHATTER)) {
        set_switch(ctl, ctl->is_door_open != has(ctl, HG_SIMCTL_DOOR_SWAPPED));
    } else if (ctl->now_ms >= ctl->chatter_ms) {
        ctl->chatter_ms = ctl->now_ms + CHATTER_MS;
        set_switch(ctl, !ctl->is_switch_open);
    }
    if (ctl->is_relay_on && ctl->now_ms >= ctl->relay_until_ms)
        ctl->is_relay_on = false;
    if (ctl->is_local && ctl->now_ms >= ctl->local_until_ms) {
        ctl->is_local = false;
        push_event(ctl, HG_SIMCTL_EVENT_LOCAL_STOP, "");
    }
}

/* the earlier of a deadline and a timer, if that one still lies ahead */
static uint64_t sooner(uint64_t deadline, uint64_t timer, uint64_t now_ms)
{
    return timer > now_ms && timer < deadline ? timer : deadline;
}

/* the next moment at which a timer of its own may switch something */
static uint64_t next_timer(const struct hg_simctl *ctl, uint64_t until_ms)
{
    uint64_t at = until_ms;

    if (ctl->follower.ttl_ms)
        at = sooner(
            at, hg_sat_add_u64(ctl->follower.received_ms, ctl->follower.ttl_ms),
            ctl->now_ms);
    at = sooner(at, ctl->door_until_ms, ctl->now_ms);
    if (ctl->is_relay_on)
        at = sooner(at, ctl->relay_until_ms, ctl->now_ms);
    if (ctl->is_local)
        at = sooner(at, ctl->local_until_ms, ctl->now_ms);
    if (has(ctl, HG_SIMCTL_DOOR_CHATTER))
        at = sooner(at, ctl->chatter_ms, ctl->now_ms);
    return at;
}

static uint64_t decide_period_ms(const struct hg_simctl *ctl)
{
    double ms = DECIDE_SIM_S * 1000 / ctl->setup.speed;

    return ms < 1 ? 1 : (uint64_t)fmin(ms, 60000);
}

static void pass(struct hg_simctl *ctl, uint64_t until_ms)
{
    uint64_t real_ms = until_ms - ctl->now_ms;
    double sim_s = (double)real_ms / 1000 * ctl->setup.speed;
    double module_c = ctl->setup.spec.ambient_c + MODULE_REST_C +
                      (ctl->is_heating ? MODULE_LOAD_C : 0);

    hg_physics_step(&ctl->setup.spec,
                    ctl->is_heating ? ctl->setup.spec.heater_w : 0,
                    ctl->is_door_open, sim_s, &ctl->room);
    ctl->module_c +=
        (module_c - ctl->module_c) * (1 - exp(-sim_s / MODULE_LAG_S));
    if (ctl->is_heating)
        ctl->heater_on_ms += real_ms;
    ctl->now_ms = until_ms;
}

void hg_simctl_step(struct hg_simctl *ctl, uint64_t now_ms)
{
    uint64_t slice_ms = decide_period_ms(ctl);

    if (now_ms < ctl->now_ms)
        return;
    if ((now_ms - ctl->now_ms) / slice_ms > SLICES_MAX)
        slice_ms = (now_ms - ctl->now_ms) / SLICES_MAX;
    do {
        uint64_t end_ms = hg_sat_add_u64(ctl->now_ms, slice_ms);

        pass(ctl, next_timer(ctl, end_ms < now_ms ? end_ms : now_ms));
        run_timers(ctl);
        decide(ctl);
    } while (ctl->now_ms < now_ms);
}

uint64_t hg_simctl_deadline(const struct hg_simctl *ctl)
{
    bool is_at_work = ctl->is_heating || ctl->is_local || ctl->follower.ttl_ms;
    uint64_t at = hg_sat_add_u64(ctl->now_ms, 60000);

    at = sooner(at, ctl->telemetry_due_ms, ctl->now_ms);
    if (ctl->telemetry_due_ms <= ctl->now_ms)
        at = ctl->now_ms + 1;
    if (is_at_work)
        at = sooner(at, ctl->now_ms + decide_period_ms(ctl), ctl->now_ms);
    return next_timer(ctl, at);
}

/* -- hands on it ------------------------------------------------------------*/

bool hg_simctl_reports_on(const struct hg_simctl *ctl)
{
    return ctl->is_contactor_on && !ctl->is_limit_tripped;
}

void hg_simctl_nudge(struct hg_simctl *ctl)
{
    ctl->telemetry_due_ms = ctl->now_ms;
}

void hg_simctl_move_door(struct hg_simctl *ctl, bool is_open, uint64_t for_ms,
                         uint64_t now_ms)
{
    hg_simctl_step(ctl, now_ms);
    ctl->is_door_open = is_open;
    ctl->door_until_ms =
        is_open && for_ms ? hg_sat_add_u64(ctl->now_ms, for_ms) : 0;
    run_timers(ctl);
    decide(ctl);
}

void hg_simctl_set_relay(struct hg_simctl *ctl, bool is_on, uint64_t now_ms)
{
    hg_simctl_step(ctl, now_ms);
    if (is_on && !ctl->is_relay_on)
        ctl->relay_until_ms = hg_sat_add_u64(ctl->now_ms, ctl->setup.timer_ms);
    ctl->is_relay_on = is_on;
    decide(ctl);
}

void hg_simctl_press_check(struct hg_simctl *ctl)
{
    push_event(ctl, HG_SIMCTL_EVENT_ROOM_CHECK, "");
}

void hg_simctl_set_local(struct hg_simctl *ctl, bool is_on, uint64_t now_ms)
{
    hg_simctl_step(ctl, now_ms);
    if (has(ctl, HG_SIMCTL_POWER_LOST))
        return;
    ctl->is_local = is_on;
    ctl->local_until_ms = hg_sat_add_u64(ctl->now_ms, ctl->setup.local_max_ms);
    push_event(ctl,
               is_on ? HG_SIMCTL_EVENT_LOCAL_START : HG_SIMCTL_EVENT_LOCAL_STOP,
               "");
    decide(ctl);
}

void hg_simctl_set_fault(struct hg_simctl *ctl, uint32_t fault, double value,
                         uint64_t now_ms)
{
    bool was_lost = has(ctl, HG_SIMCTL_POWER_LOST);

    hg_simctl_step(ctl, now_ms);
    if (fault & HG_SIMCTL_SENSOR_FROZEN && !has(ctl, HG_SIMCTL_SENSOR_FROZEN))
        ctl->frozen_mc = ctl->reading_mc;
    if (fault & HG_SIMCTL_SENSOR_OFFSET)
        ctl->offset_c = value;
    if (fault & HG_SIMCTL_LATE)
        ctl->late_ms = (uint64_t)value;
    if (fault & HG_SIMCTL_DOOR_CHATTER)
        ctl->chatter_ms = ctl->now_ms;
    if (fault & HG_SIMCTL_SENSOR_GONE && !has(ctl, HG_SIMCTL_SENSOR_GONE))
        push_event(ctl, HG_SIMCTL_EVENT_FAULT, "sensor-fault");
    ctl->faults = fault ? ctl->faults | fault : 0;
    if (!has(ctl, HG_SIMCTL_LATE))
        ctl->late_ms = 0;
    ctl->setup.spec.sensor_door_share = has(ctl, HG_SIMCTL_SENSOR_NEAR_DOOR)
                                            ? HG_SIMCTL_NEAR_DOOR_SHARE
                                            : ctl->bench_door_share;
    if (fault & HG_SIMCTL_POWER_LOST)
        ctl->events = 0;
    run_timers(ctl);
    decide(ctl);
    if (was_lost && !has(ctl, HG_SIMCTL_POWER_LOST))
        hg_simctl_reboot(ctl, now_ms);
}

int hg_simctl_reset_limit(struct hg_simctl *ctl, uint64_t now_ms)
{
    hg_simctl_step(ctl, now_ms);
    if (ctl->room.air_c > ctl->setup.limit_c - LIMIT_RESET_BELOW_C)
        return HG_ERR_BUSY;
    ctl->is_limit_tripped = false;
    decide(ctl);
    return HG_OK;
}
