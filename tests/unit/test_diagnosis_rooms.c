/*
 * Faults of simulated rooms under the gate's own step: is each one named, and
 * how soon; and is a healthy room ever accused? Rooms, sensors, doors and
 * noise vary; the seed is fixed and printed.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "check.h"
#include "gate_room.h"
#include "service/diagnosis.h"
#include "sim/physics.h"

#define SEED       20261125
#define ROOMS      1000
#define PERIOD_MS  4000
#define NEVER_S    1e9
#define FAR_FUTURE INT64_C(1800000000000)

enum fault {
    NONE = 0,
    SILENT,
    NO_POWER,
    NO_WARMTH,
    UNMEASURED, /* no warmth and no meter */
    WELDED,
    GONE,
    WILD,
    FROZEN,
    DRIFT,
    NEAR_DOOR,
    DOOR_GONE,
    CHATTER,
    LOSSY,
    LATE,
    WARM_MODULE,
    HOT_MODULE,
    UNFOLLOWED,
    RIVAL
};

struct cabin { /* a room, its controller and what watches both */
    struct room gate;
    struct hg_diagnosis dia;
    struct hg_physics_build build;
    struct hg_physics_spec spec;
    struct hg_physics_room air;
    uint64_t seed;
    enum fault fault;
    double s, target_c, hysteresis_c, mains_w;
    bool has_power, has_door_count, is_door_open, is_on, wants_stop;
    double drift_c;
    int32_t frozen_mc;
    uint32_t ever;     /* findings that were on at any time */
    hg_why_set locked; /* lockouts that were on at any time */
    double found_s[HG_FINDING_COUNT];
    uint64_t messages;
};

static double between(struct cabin *cabin, double low, double high)
{
    double unit = (double)(hg_physics_next_u64(&cabin->seed) >> 11) * 0x1p-53;

    return low + (high - low) * unit;
}

static void build_cabin(struct cabin *cabin, uint64_t seed, double start_c)
{
    struct hg_physics_build *build = &cabin->build;

    memset(cabin, 0, sizeof(*cabin));
    cabin->seed = seed;
    build->heater_kw = between(cabin, 4.5, 12);
    build->volume_m3 = build->heater_kw / between(cabin, 0.7, 1.1);
    build->stones_kg = build->heater_kw * between(cabin, 2, 9);
    build->lining_mm = between(cabin, 9, 18);
    build->core_mm = between(cabin, 0, 1) < 0.3 ? between(cabin, 20, 80) : 0;
    build->glass_m2 = between(cabin, 0, 1) < 0.4 ? between(cabin, 0.5, 3) : 0;
    build->air_changes_per_h = between(cabin, 2, 8);
    build->ambient_c = start_c;
    HG_CHECK_EQ("spec", hg_physics_spec_of(build, &cabin->spec), HG_OK);
    cabin->spec.sensor_lag_s = between(cabin, 5, 40);
    cabin->spec.sensor_noise_c = between(cabin, 0, 0.4);
    hg_physics_init(start_c, seed, &cabin->air);
    cabin->target_c = between(cabin, 60, 90);
    cabin->hysteresis_c = between(cabin, 1, 5);
    cabin->mains_w = build->heater_kw * 1000 * between(cabin, 0.9, 1.05);
    cabin->has_power = between(cabin, 0, 1) < 0.6;
    cabin->has_door_count = between(cabin, 0, 1) < 0.8;
}

static void note(struct cabin *cabin, bool is_reading)
{
    struct hg_diagnosis_sight sight = { .at = cabin->gate.now,
                                        .policy = &cabin->gate.policy,
                                        .gate = &cabin->gate.state,
                                        .is_reading = is_reading };
    uint32_t came;

    hg_diagnosis_see(&cabin->dia, &sight);
    came = cabin->dia.on & ~cabin->ever;
    for (int i = 0; i < HG_FINDING_COUNT; i++)
        if (came & HG_FINDING_BIT(i))
            cabin->found_s[i] = cabin->s;
    cabin->ever |= came;
    cabin->locked |= cabin->gate.state.lockouts;
}

static void set_up(struct cabin *cabin)
{
    struct room *room = &cabin->gate;

    room->policy = room_policy();
    room->policy.heater_w = (uint32_t)(cabin->build.heater_kw * 1000);
    room->policy.evidence = HG_EVIDENCE_PANEL;
    room->now.mono.ms = 1000000;
    room->now.wall.ms = FAR_FUTURE;
    room->now.wall.is_trusted = true;
    room->controller_start_ms = room->now.mono.ms - 1000;
    snprintf(room->boot, sizeof(room->boot), "b00t");
    room->door = HG_DOOR_CLOSED;
    hg_gate_init(&room->policy, NULL, room->now, 7, &room->state);
    room_do(room, HG_EVENT_LINK_UP);
    {
        struct hg_event event;

        memset(&event, 0, sizeof(event));
        event.kind = HG_EVENT_PRESENCE;
        event.is_online = true;
        room_step(room, &event);
    }
}

/* What the controller reports now, faults and all. */
static struct hg_event report(struct cabin *cabin)
{
    struct room *room = &cabin->gate;
    struct hg_event event = room_reading(room);
    struct hg_reading *reading = &event.reading;
    enum fault fault = cabin->fault;
    double power_w = cabin->is_on && fault != NO_POWER ? cabin->mains_w : 0;

    reading->air_mc = hg_physics_read_mc(&cabin->spec, &cabin->air) +
                      (int32_t)(cabin->drift_c * 10) * 100;
    if (fault == FROZEN)
        reading->air_mc = cabin->frozen_mc;
    cabin->frozen_mc = reading->air_mc;
    if (fault == WILD && cabin->messages % 64 == 0)
        reading->air_mc = 149000;
    reading->has_air = fault != GONE;
    reading->door = cabin->is_door_open ? HG_DOOR_OPEN : HG_DOOR_CLOSED;
    if (fault == DOOR_GONE)
        reading->door = HG_DOOR_UNKNOWN;
    if (fault == CHATTER && cabin->messages % 2 == 0)
        room->door_count++;
    reading->has_door_count = cabin->has_door_count || fault == CHATTER;
    reading->door_count = room->door_count;
    reading->heater = cabin->is_on ? HG_HEATER_ON : HG_HEATER_OFF;
    reading->has_power =
        fault != UNMEASURED &&
        (cabin->has_power || fault == NO_POWER || fault == NO_WARMTH);
    reading->power_w = (uint32_t)power_w;
    reading->has_module_c = true;
    reading->has_module_rh = true;
    reading->module_mc = fault == WARM_MODULE  ? 46000
                         : fault == HOT_MODULE ? 51000
                                               : 31000;
    reading->module_rh = 42;
    reading->has_permit = true;
    reading->permit = fault == UNFOLLOWED ? 3 : room->state.permit.serial;
    return event;
}

/* The thermostat and the wiring: does the heater report on? */
static void regulate(struct cabin *cabin)
{
    bool may = cabin->gate.state.permit.is_live && !cabin->is_door_open;
    double felt_c = cabin->air.sensor_c + cabin->drift_c;

    if (felt_c >= cabin->target_c)
        cabin->is_on = false;
    else if (felt_c < cabin->target_c - cabin->hysteresis_c)
        cabin->is_on = true;
    if (!may || cabin->fault == SILENT)
        cabin->is_on = false;
    if (cabin->fault == WELDED)
        cabin->is_on = true;
}

static void live(struct cabin *cabin, double for_s)
{
    struct room *room = &cabin->gate;
    double end_s = cabin->s + for_s;
    bool is_dead;

    while (cabin->s < end_s) {
        struct hg_event event;

        regulate(cabin);
        is_dead = cabin->fault == NO_POWER || cabin->fault == NO_WARMTH ||
                  cabin->fault == UNMEASURED;
        hg_physics_step(&cabin->spec,
                        cabin->is_on && !is_dead ? cabin->mains_w : 0,
                        cabin->is_door_open, PERIOD_MS / 1000.0, &cabin->air);
        if (cabin->fault == DRIFT)
            cabin->drift_c += 12.0 * PERIOD_MS / 3600000;
        cabin->s += PERIOD_MS / 1000.0;
        room_pass(room, PERIOD_MS);
        cabin->messages++;
        event = report(cabin);
        if (cabin->fault == LOSSY && between(cabin, 0, 1) < 0.08)
            event.kind = HG_EVENT_TICK;
        if (cabin->fault == LATE && between(cabin, 0, 1) < 0.10)
            event.reading.uptime_ms -= 7000;
        {
            uint64_t fresh = room->state.stream.counts.fresh;

            room_step(room, &event);
            note(cabin, room->state.stream.counts.fresh != fresh);
        }
        room_do(room, HG_EVENT_TICK);
        if (cabin->fault == RIVAL && cabin->messages % 50 == 0) {
            memset(&event, 0, sizeof(event));
            event.kind = HG_EVENT_PERMIT_HEARD;
            event.heard.serial = room->state.serial + 5;
            event.heard.is_heat = true;
            room_step(room, &event);
        }
    }
}

static void open_door(struct cabin *cabin, double for_s)
{
    cabin->is_door_open = true;
    cabin->gate.door_count++;
    live(cabin, for_s);
    cabin->is_door_open = false;
}

/* Panel check, signature, start, record: as the service would carry it. */
static bool start(struct cabin *cabin)
{
    struct room *room = &cabin->gate;
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CHECK_OPEN;
    event.asker = room_owner();
    event.asker.request = 1;
    event.check.id = 77;
    room_step(room, &event);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    memcpy(event.local.boot, room->boot, HG_BOOT_BYTES);
    event.local.seq = ++room->seq;
    event.local.what = HG_LOCAL_ROOM_CHECK;
    room_step(room, &event);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CHECK_SIGN;
    event.asker = room_owner();
    event.asker.request = 2;
    event.check.id = 77;
    event.check.agreed = HG_STATEMENT_ALL;
    room_step(room, &event);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_START;
    event.asker = room_owner();
    event.asker.request = 3;
    snprintf(event.heat.heat_id, sizeof(event.heat.heat_id), "h-1");
    event.heat.target_mc = (int32_t)(cabin->target_c * 1000);
    event.heat.duration_ms = 300 * MIN_MS;
    room_step(room, &event);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMITTED;
    event.ticket = room->state.pending.ticket;
    room_step(room, &event);
    return room->state.session.is_active;
}

/* -- healthy rooms ---------------------------------------------------------*/

static void test_diagnosis__accuses_no_healthy_room(void **state)
{
    static struct cabin cabin;
    int warm = 0;

    (void)state;
    print_message("seed %d\n", SEED);
    for (uint64_t i = 0; i < ROOMS; i++) {
        struct cabin pick = { .seed = SEED + 7919 * i };
        double start_c = between(&pick, -15, 28);
        int openings;

        build_cabin(&cabin, SEED + 7919 * i, start_c);
        set_up(&cabin);
        live(&cabin, 60);
        HG_CHECK_TRUE("starts", start(&cabin));
        live(&cabin, between(&cabin, 2400, 5400));
        openings = (int)between(&cabin, 1, 6);
        for (int k = 0; k < openings; k++) {
            open_door(&cabin, between(&cabin, 5, 60));
            live(&cabin, between(&cabin, 120, 900));
        }
        HG_CHECK_TRUE("heats still", cabin.gate.state.session.is_active);
        if (cabin.air.air_c > 45)
            warm++;
        room_do(&cabin.gate, HG_EVENT_STOP);
        /* every tenth room is watched through the night */
        live(&cabin, i % 10 == 0 ? 14 * 3600 : 1800);
        if (cabin.ever != 0 || cabin.locked != 0)
            print_error("room %d: %.1f kW, %.1f C\n", (int)i,
                        cabin.build.heater_kw, start_c);
        HG_CHECK_EQ_U64("no finding", cabin.ever, 0);
        HG_CHECK_EQ_U64("no lockout", cabin.locked, 0);
    }
    print_message("%d rooms, %d of them above 45 C\n", ROOMS, warm);
    HG_CHECK_TRUE("these were warm-ups", warm > ROOMS * 9 / 10);
}

/* -- faults ----------------------------------------------------------------*/

struct fault_row {
    const char *label;
    enum fault fault;
    enum hg_finding want;
    bool is_heating; /* the fault comes while it heats */
    double live_s;   /* watched for so long … */
    double within_s; /* … and found within */
    uint32_t along;  /* may be found beside it */
};

static const struct fault_row fault_rows[] = {
    { "never on", SILENT, HG_FINDING_HEATER_SILENT, true, 1200, 910, 0 },
    { "no power", NO_POWER, HG_FINDING_HEATER_NO_POWER, true, 1200, 70, 0 },
    { "power, no warmth", NO_WARMTH, HG_FINDING_HEATER_NO_WARMTH, true, 2400,
      1500, 0 },
    { "no warmth, no meter", UNMEASURED, HG_FINDING_HEATER_NO_WARMTH, true,
      2400, 1500, 0 },
    { "welded", WELDED, HG_FINDING_HEATER_UNBIDDEN, false, 300, 100, 0 },
    { "sensor gone", GONE, HG_FINDING_SENSOR_MISSING, false, 60, 5, 0 },
    { "sensor wild", WILD, HG_FINDING_SENSOR_IMPOSSIBLE, false, 600, 260, 0 },
    { "sensor frozen", FROZEN, HG_FINDING_SENSOR_FROZEN, true, 1800, 610, 0 },
    { "sensor drifts", DRIFT, HG_FINDING_SENSOR_DRIFTING, false, 6 * 3600,
      2.2 * 3600, 0 },
    { "door unknown", DOOR_GONE, HG_FINDING_DOOR_MISSING, false, 60, 5, 0 },
    { "door chatters", CHATTER, HG_FINDING_DOOR_CHATTER, false, 300, 60, 0 },
    { "link loses", LOSSY, HG_FINDING_LOSSY_LINK, false, 3600, 1200, 0 },
    { "link is slow", LATE, HG_FINDING_LATE_MESSAGES, false, 3600, 900, 0 },
    { "module warm", WARM_MODULE, HG_FINDING_MODULE_NEAR_LIMIT, false, 60, 5,
      0 },
    { "module hot", HOT_MODULE, HG_FINDING_MODULE_CLIMATE, false, 60, 5, 0 },
    { "permit ignored", UNFOLLOWED, HG_FINDING_PERMIT_NOT_FOLLOWED, true, 300,
      40, 0 },
    { "rival", RIVAL, HG_FINDING_RIVAL_GATEWAY, false, 600, 210, 0 },
};

static void run_fault(const struct fault_row *row, uint64_t seed,
                      double *ret_worst_s)
{
    static struct cabin cabin;
    double since_s, took_s;

    build_cabin(&cabin, seed, 8);
    set_up(&cabin);
    live(&cabin, 60);
    if (row->is_heating)
        HG_CHECK_TRUE(row->label, start(&cabin));
    cabin.fault = row->fault;
    since_s = cabin.s;
    live(&cabin, row->live_s);
    HG_CHECK_TRUE(row->label, cabin.ever & HG_FINDING_BIT(row->want));
    HG_CHECK_EQ_U64(row->label,
                    cabin.ever & ~HG_FINDING_BIT(row->want) & ~row->along, 0);
    took_s = cabin.found_s[row->want] - since_s;
    if (took_s > *ret_worst_s)
        *ret_worst_s = took_s;
}

static void test_diagnosis__finds_each_fault_in_time(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(fault_rows) / sizeof(fault_rows[0]); i++) {
        const struct fault_row *row = &fault_rows[i];
        double worst_s = 0;

        for (uint64_t k = 0; k < 5; k++)
            run_fault(row, SEED + 31 * k, &worst_s);
        print_message("%-20s %-20s at the latest after %6.0f s\n", row->label,
                      hg_finding_words[row->want].code, worst_s);
        HG_CHECK_TRUE(row->label, worst_s <= row->within_s);
    }
}

static void test_diagnosis__finds_a_sensor_in_the_draught(void **state)
{
    static struct cabin cabin;
    int found = 0;

    (void)state;
    for (uint64_t k = 0; k < 20; k++) {
        build_cabin(&cabin, SEED + 97 * k, 8);
        cabin.spec.sensor_door_share = 0.6; /* as the simulator's fault */
        cabin.spec.sensor_lag_s = between(&cabin, 4, 15);
        set_up(&cabin);
        live(&cabin, 60);
        HG_CHECK_TRUE("starts", start(&cabin));
        live(&cabin, 4000);
        for (int i = 0; i < 5; i++) {
            open_door(&cabin, between(&cabin, 8, 30));
            live(&cabin, 300);
        }
        if (cabin.ever == HG_FINDING_BIT(HG_FINDING_SENSOR_NEAR_DOOR))
            found++;
        HG_CHECK_EQ_U64(
            "nothing else",
            cabin.ever & ~HG_FINDING_BIT(HG_FINDING_SENSOR_NEAR_DOOR), 0);
    }
    print_message("sensor near the door: %d of 20 after five openings\n",
                  found);
    HG_CHECK_TRUE("most", found >= 18);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_diagnosis__accuses_no_healthy_room),
        cmocka_unit_test(test_diagnosis__finds_each_fault_in_time),
        cmocka_unit_test(test_diagnosis__finds_a_sensor_in_the_draught),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
