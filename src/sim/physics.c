/*
 * The hot room as a small network of heat capacities. Properties are those of
 * the tables in Incropera and DeWitt, Fundamentals of Heat and Mass Transfer,
 * appendix A (from memory); measures of a usual room and its heater are
 * common practice (from memory). Classical Runge-Kutta of order 4 over fixed
 * slices: it keeps linear invariants, so the energy books balance to
 * rounding. Never asks for the time.
 */
#include "sim/physics.h"
#include <math.h>
#include <stddef.h>

/* air near 320 K: 1.10 kg/m3 * 1008 J/kg K */
#define AIR_J_PER_M3_K 1110.0
/* granite 775, olivine about 840 */
#define STONE_J_PER_KG_K 800.0
/* 2 kg of elements and shell for each kW */
#define STEEL_J_PER_K_KW 900.0
/* dry softwood: 400 kg/m3 * 1600 J/kg K; and across the grain */
#define WOOD_J_PER_M3_K 6.4e5
#define WOOD_W_PER_M_K  0.11
/* free convection and radiation, indoors */
#define WALL_H_W_PER_M2_K 5.0
/* 10 cm of mineral wool, studs, bare floor */
#define WALL_U_W_PER_M2_K 0.5
/* a single toughened pane with both its films */
#define GLASS_U_W_PER_M2_K 4.5
/* benches add a fifth to walls, floor and ceiling */
#define BENCH_SHARE 1.2
/* stones near 230 C when the air is at 80 C at full power */
#define STONES_AIR_W_PER_K_KW    5.0
#define STONES_LINING_W_PER_K_KW 0.7
/*
 * An open door of 0.7 m x 1.9 m, buoyant exchange (Cd / 3) W H^1.5
 * sqrt(g dT / T) at dT = 60 K: 0.4 m3/s; half of that, as somebody stands in
 * it (from memory).
 */
#define DOOR_W_PER_K      220.0
#define WATER_J_PER_KG    2.57e6 /* from 20 C to steam: 4186 * 80 + 2.257e6 */
#define WATER_BOIL_S      6.0
#define WATER_AIR_SHARE   0.2 /* sensible; the rest condenses on wood */
#define POUR_MIN_STONES_C 120.0
#define SENSOR_LAG_S      15.0
#define SENSOR_DOOR_SHARE 0.08
#define SENSOR_NOISE_C    0.03

enum { STONES, AIR, LINING, CORE, SENSOR, WATER, LOST, STATES };

struct drive { /* what acts on the room during one step */
    const struct hg_physics_spec *spec;
    double power_w;
    bool is_door_open;
};

/* -- building -------------------------------------------------------------*/

static bool is_within(double value, double low, double high)
{
    return isfinite(value) && value >= low && value <= high;
}

static double usual(double asked, double otherwise)
{
    return asked > 0 ? asked : otherwise;
}

static bool is_build_sane(const struct hg_physics_build *b)
{
    return is_within(b->heater_kw, 0.5, 60) &&
           is_within(b->volume_m3, 1, 300) &&
           is_within(b->stones_kg, 0, 2000) &&
           is_within(b->lining_m2, 0, 1000) &&
           is_within(b->lining_mm, 0, 100) && is_within(b->core_mm, 0, 500) &&
           is_within(b->glass_m2, 0, 100) &&
           is_within(b->air_changes_per_h, 0, 60) &&
           is_within(b->ambient_c, -40, 50);
}

/* conductances of a shell of area m2 and what joins it */
static void join_shell(const struct hg_physics_build *b, double area_m2,
                       double lining_m, struct hg_physics_spec *s)
{
    double core_m = b->core_mm / 1000;

    s->air_lining_w_per_k = WALL_H_W_PER_M2_K * area_m2;
    s->shell_w_per_k = WALL_U_W_PER_M2_K * area_m2 / BENCH_SHARE;
    if (core_m > 0)
        s->lining_core_w_per_k =
            WOOD_W_PER_M_K * area_m2 / (0.5 * (lining_m + core_m));
    s->lining_j_per_k = WOOD_J_PER_M3_K * area_m2 * lining_m;
    s->core_j_per_k = WOOD_J_PER_M3_K * area_m2 * core_m;
}

int hg_physics_spec_of(const struct hg_physics_build *build,
                       struct hg_physics_spec *ret_spec)
{
    struct hg_physics_spec s = { 0 };
    double area_m2, air_per_s;
    int err;

    if (!is_build_sane(build))
        return HG_ERR_RANGE;
    area_m2 = usual(build->lining_m2, 6 * cbrt(build->volume_m3) *
                                          cbrt(build->volume_m3) * BENCH_SHARE);
    air_per_s = build->volume_m3 * usual(build->air_changes_per_h, 4) / 3600;
    s.heater_w = build->heater_kw * 1000;
    s.stones_j_per_k =
        usual(build->stones_kg, 4 * build->heater_kw) * STONE_J_PER_KG_K +
        STEEL_J_PER_K_KW * build->heater_kw;
    s.air_j_per_k = AIR_J_PER_M3_K * build->volume_m3;
    s.stones_air_w_per_k = STONES_AIR_W_PER_K_KW * build->heater_kw;
    s.stones_lining_w_per_k = STONES_LINING_W_PER_K_KW * build->heater_kw;
    join_shell(build, area_m2, usual(build->lining_mm, 12) / 1000, &s);
    s.vent_w_per_k =
        air_per_s * AIR_J_PER_M3_K + build->glass_m2 * GLASS_U_W_PER_M2_K;
    s.door_w_per_k = DOOR_W_PER_K;
    s.ambient_c = build->ambient_c;
    s.sensor_lag_s = SENSOR_LAG_S;
    s.sensor_door_share = SENSOR_DOOR_SHARE;
    s.sensor_noise_c = SENSOR_NOISE_C;
    err = hg_physics_spec_check(&s);
    if (err < 0)
        return err;
    *ret_spec = s;
    return HG_OK;
}

/* can the integrator follow a node of this capacity and conductance? */
static bool is_slow(double j_per_k, double w_per_k)
{
    return j_per_k >= 4 * HG_PHYSICS_SLICE_S * w_per_k;
}

int hg_physics_spec_check(const struct hg_physics_spec *spec)
{
    const double figure[] = {
        spec->heater_w,
        spec->stones_j_per_k,
        spec->air_j_per_k,
        spec->lining_j_per_k,
        spec->core_j_per_k,
        spec->stones_air_w_per_k,
        spec->air_lining_w_per_k,
        spec->stones_lining_w_per_k,
        spec->lining_core_w_per_k,
        spec->shell_w_per_k,
        spec->vent_w_per_k,
        spec->door_w_per_k,
        spec->sensor_lag_s,
        spec->sensor_noise_c,
    };
    double air = spec->stones_air_w_per_k + spec->air_lining_w_per_k +
                 spec->vent_w_per_k + spec->door_w_per_k;

    for (size_t i = 0; i < sizeof(figure) / sizeof(figure[0]); i++)
        if (!is_within(figure[i], 0, 1e12))
            return HG_ERR_RANGE;
    if (!is_within(spec->ambient_c, -100, 200) ||
        !is_within(spec->sensor_door_share, 0, 1) ||
        spec->stones_j_per_k <= 0 || spec->air_j_per_k <= 0 ||
        spec->lining_j_per_k <= 0)
        return HG_ERR_RANGE;
    if (!is_slow(spec->air_j_per_k, air) ||
        !is_slow(spec->stones_j_per_k,
                 spec->stones_air_w_per_k + spec->stones_lining_w_per_k) ||
        !is_slow(spec->lining_j_per_k,
                 spec->air_lining_w_per_k + spec->stones_lining_w_per_k +
                     spec->lining_core_w_per_k + spec->shell_w_per_k) ||
        (spec->core_j_per_k > 0 &&
         !is_slow(spec->core_j_per_k,
                  spec->lining_core_w_per_k + spec->shell_w_per_k)))
        return HG_ERR_RANGE;
    if (spec->sensor_lag_s > 0 && spec->sensor_lag_s < 4 * HG_PHYSICS_SLICE_S)
        return HG_ERR_RANGE;
    return HG_OK;
}

void hg_physics_init(double start_c, uint64_t seed,
                     struct hg_physics_room *room)
{
    *room = (struct hg_physics_room) { .stones_c = start_c,
                                       .air_c = start_c,
                                       .lining_c = start_c,
                                       .core_c = start_c,
                                       .sensor_c = start_c,
                                       .noise_seed = seed };
}

/* -- passing of time ------------------------------------------------------*/

/* what the sensor would settle at: air, with some draught of an open door */
static double felt_c(const struct drive *d, double air_c)
{
    double share = d->is_door_open ? d->spec->sensor_door_share : 0;

    return air_c + share * (d->spec->ambient_c - air_c);
}

/* rate of change of every state, per second */
static void flow(const struct drive *d, const double x[STATES],
                 double rate[STATES])
{
    const struct hg_physics_spec *s = d->spec;
    bool has_core = s->core_j_per_k > 0;
    double to_air = s->stones_air_w_per_k * (x[STONES] - x[AIR]);
    double to_lining = s->stones_lining_w_per_k * (x[STONES] - x[LINING]);
    double into_lining = s->air_lining_w_per_k * (x[AIR] - x[LINING]);
    double into_core =
        has_core ? s->lining_core_w_per_k * (x[LINING] - x[CORE]) : 0;
    double last_c = has_core ? x[CORE] : x[LINING];
    double shell = s->shell_w_per_k * (last_c - s->ambient_c);
    double out = (s->vent_w_per_k + (d->is_door_open ? s->door_w_per_k : 0)) *
                 (x[AIR] - s->ambient_c);
    double steam = x[WATER] / WATER_BOIL_S;

    rate[STONES] =
        (d->power_w - to_air - to_lining - steam) / s->stones_j_per_k;
    rate[AIR] =
        (to_air - into_lining - out + WATER_AIR_SHARE * steam) / s->air_j_per_k;
    rate[LINING] = (to_lining + into_lining - into_core -
                    (has_core ? 0 : shell) + (1 - WATER_AIR_SHARE) * steam) /
                   s->lining_j_per_k;
    rate[CORE] = has_core ? (into_core - shell) / s->core_j_per_k : 0;
    rate[SENSOR] = s->sensor_lag_s > 0
                       ? (felt_c(d, x[AIR]) - x[SENSOR]) / s->sensor_lag_s
                       : 0;
    rate[WATER] = -steam;
    rate[LOST] = shell + out;
}

/* one slice of Runge-Kutta, order 4 */
static void advance(const struct drive *d, double dt_s, double x[STATES])
{
    static const double at[4] = { 0, 0.5, 0.5, 1 };
    static const double weight[4] = { 1.0 / 6, 1.0 / 3, 1.0 / 3, 1.0 / 6 };
    double rate[STATES] = { 0 };
    double sum[STATES] = { 0 };

    for (int stage = 0; stage < 4; stage++) {
        double probe[STATES];

        for (int i = 0; i < STATES; i++)
            probe[i] = x[i] + at[stage] * dt_s * rate[i];
        flow(d, probe, rate);
        for (int i = 0; i < STATES; i++)
            sum[i] += weight[stage] * rate[i];
    }
    for (int i = 0; i < STATES; i++)
        x[i] += dt_s * sum[i];
}

void hg_physics_step(const struct hg_physics_spec *spec, double power_w,
                     bool is_door_open, double dt_s,
                     struct hg_physics_room *room)
{
    struct drive drive = { spec, power_w, is_door_open };
    double x[STATES] = { room->stones_c, room->air_c,    room->lining_c,
                         room->core_c,   room->sensor_c, room->water_j,
                         room->lost_j };
    double wanted_s = isfinite(dt_s) ? fmax(dt_s, 0) : 0;
    long slices;

    wanted_s = fmin(wanted_s, HG_PHYSICS_STEP_MAX_S);
    slices = (long)ceil(wanted_s / HG_PHYSICS_SLICE_S);
    for (long i = 0; i < slices; i++)
        advance(&drive, wanted_s / (double)slices, x);

    room->stones_c = x[STONES];
    room->air_c = x[AIR];
    room->lining_c = x[LINING];
    room->core_c = x[CORE];
    room->sensor_c =
        spec->sensor_lag_s > 0 ? x[SENSOR] : felt_c(&drive, x[AIR]);
    room->water_j = x[WATER];
    room->lost_j = x[LOST];
    room->input_j += power_w * wanted_s;
}

/* -- looking and touching -------------------------------------------------*/

double hg_physics_stored_j(const struct hg_physics_spec *spec,
                           const struct hg_physics_room *room)
{
    /* steam takes and gives the same heat: pending water holds none */
    return spec->stones_j_per_k * room->stones_c +
           spec->air_j_per_k * room->air_c +
           spec->lining_j_per_k * room->lining_c +
           spec->core_j_per_k * room->core_c;
}

int hg_physics_pour(double litres, struct hg_physics_room *room)
{
    if (!is_within(litres, 0.01, 2))
        return HG_ERR_RANGE;
    if (room->stones_c < POUR_MIN_STONES_C)
        return HG_ERR_BUSY;
    room->water_j += litres * WATER_J_PER_KG;
    return HG_OK;
}

void hg_physics_set_air(const struct hg_physics_spec *spec, double air_c,
                        struct hg_physics_room *room)
{
    double before_j = hg_physics_stored_j(spec, room);

    room->air_c = air_c;
    room->sensor_c = air_c;
    room->lining_c = air_c;
    room->core_c = 0.5 * (air_c + spec->ambient_c);
    room->stones_c = fmax(room->stones_c, air_c);
    room->set_j += hg_physics_stored_j(spec, room) - before_j;
}

uint64_t hg_physics_next_u64(uint64_t *seed)
{
    /* SplitMix64: Steele, Lea, Flood, "Fast splittable pseudorandom number
     * generators", OOPSLA 2014 */
    uint64_t z = (*seed += UINT64_C(0x9e3779b97f4a7c15));

    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

/* close to a standard normal: the sum of twelve uniforms less six */
static double next_normal(uint64_t *seed)
{
    double sum = -6;

    for (int i = 0; i < 12; i++)
        sum += (double)(hg_physics_next_u64(seed) >> 11) * 0x1.0p-53;
    return sum;
}

int32_t hg_physics_read_mc(const struct hg_physics_spec *spec,
                           struct hg_physics_room *room)
{
    double c =
        room->sensor_c + spec->sensor_noise_c * next_normal(&room->noise_seed);

    c = fmin(fmax(c, -99.9), 999.9);
    return (int32_t)lround(c * 10) * 100;
}
