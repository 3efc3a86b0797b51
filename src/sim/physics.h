#ifndef HG_SIM_PHYSICS_H
#define HG_SIM_PHYSICS_H

/*
 * The physics of a hot room, for the simulator: lumped heat capacities joined
 * by conductances. Four nodes: stones with their elements, air, lining
 * (panelling and benches), core (what is behind the lining). Pure: no clock,
 * no I/O, no heap, no global; the time step comes in as a value.
 *
 *   elements -> stones -> air ----> lining -> core -> ambient
 *                  \______________/      air -> ambient (vents, door)
 *
 * Units are in the names: _c degrees Celsius, _w watts, _j joules, _s
 * seconds, _j_per_k, _w_per_k, _kg, _m2, _m3.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stdint.h>

/* What a room is made of. Start from hg_physics_spec_of(), change, check. */
struct hg_physics_spec {
    double heater_w;
    double stones_j_per_k;
    double air_j_per_k;
    double lining_j_per_k;
    double core_j_per_k; /* 0: no core; the lining loses to ambient */
    double stones_air_w_per_k;
    double stones_lining_w_per_k; /* radiation, made linear */
    double air_lining_w_per_k;
    double lining_core_w_per_k;
    double shell_w_per_k; /* last layer to ambient */
    double vent_w_per_k;  /* air exchange with the door shut */
    double door_w_per_k;  /* more of it while the door is open */
    double ambient_c;
    double sensor_lag_s;      /* first order; 0: none */
    double sensor_door_share; /* 0..1: open-door draught at the sensor */
    double sensor_noise_c;    /* standard deviation */
};

/* The room right now, and where its energy went since it was made. */
struct hg_physics_room {
    double stones_c, air_c, lining_c, core_c;
    double sensor_c;     /* of the lagging sensor body, without noise */
    double water_j;      /* poured water: heat it still takes from stones */
    double input_j;      /* from the elements */
    double lost_j;       /* to ambient, through shell, vents and door */
    double set_j;        /* added by hg_physics_set_air() */
    uint64_t noise_seed; /* state of the noise generator */
};

/* Plain measures of a room; 0 for a length or mass means "the usual". */
struct hg_physics_build {
    double heater_kw; /* 0.5 .. 60 */
    double volume_m3; /* 1 .. 300 */
    double stones_kg; /* usual: 4 kg for each kW */
    double lining_m2; /* usual: walls, ceiling and benches of that volume */
    double lining_mm; /* usual: 12 mm, panelling */
    double core_mm;   /* usual: 0, light insulation; e.g. 60 for log */
    double glass_m2;  /* usual: 0 */
    double air_changes_per_h; /* usual: 4 */
    double ambient_c;         /* -40 .. 50 */
};

/* hg_physics_step() never integrates in steps longer than this */
#define HG_PHYSICS_SLICE_S 0.5
/* longest dt_s of one call: a day */
#define HG_PHYSICS_STEP_MAX_S 86400.0

/*
 * Turn measures into capacities and conductances.
 *
 * HG_ERR_RANGE: a measure is not a number or out of range, or the outcome
 * would be too stiff for the integrator; ret_spec is untouched.
 */
HG_MUST_CHECK int hg_physics_spec_of(const struct hg_physics_build *build,
                                     struct hg_physics_spec *ret_spec);

/*
 * Is every figure finite and in range, and every time constant at least four
 * integration steps long? HG_OK or HG_ERR_RANGE. A spec made by hand may have
 * conductances of 0, but no heat capacity of 0 except the core's.
 */
HG_MUST_CHECK int hg_physics_spec_check(const struct hg_physics_spec *spec);

/* Everything at start_c, no water, books at zero. Any seed will do. */
void hg_physics_init(double start_c, uint64_t seed,
                     struct hg_physics_room *room);

/*
 * Let dt_s seconds pass (0 .. HG_PHYSICS_STEP_MAX_S, else cut to that) with
 * the elements at power_w and the door as given.
 *
 * spec passed hg_physics_spec_check(). Energy is conserved to rounding:
 * stored - stored before = input_j + set_j - lost_j.
 */
void hg_physics_step(const struct hg_physics_spec *spec, double power_w,
                     bool is_door_open, double dt_s,
                     struct hg_physics_room *room);

/* Energy held relative to 0 C, with what pending water still moves. */
double hg_physics_stored_j(const struct hg_physics_spec *spec,
                           const struct hg_physics_room *room);

/*
 * Pour water on the stones: it boils off in seconds and carries their heat
 * into air and lining. HG_ERR_RANGE: not 0.01 .. 2 litres; HG_ERR_BUSY: the
 * stones are below 120 C, it would only trickle through; room untouched.
 */
HG_MUST_CHECK int hg_physics_pour(double litres, struct hg_physics_room *room);

/*
 * Put air, sensor and lining at air_c, the core halfway to ambient, and the
 * stones at least that hot. Books the difference in set_j.
 */
void hg_physics_set_air(const struct hg_physics_spec *spec, double air_c,
                        struct hg_physics_room *room);

/* What the sensor reports: lag, noise, steps of 0.1 C; in milli-degrees. */
int32_t hg_physics_read_mc(const struct hg_physics_spec *spec,
                           struct hg_physics_room *room);

/* Next of a stream of 64-bit numbers; not for secrets. */
uint64_t hg_physics_next_u64(uint64_t *seed);

#endif
