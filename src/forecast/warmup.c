/*
 * Following a room through its telemetry, recording its warm-ups, and the
 * forecast. The numerical work is in fit.c.
 */
#include "forecast/warmup.h"
#include "base/sat.h"
#include <math.h>
#include <string.h>

#define N             HG_FIT_PARAMS
#define GAP_S         60.0   /* telemetry missing longer: follow blindly */
#define FOLLOW_S      60.0   /* a reading corrects the followed air so fast */
#define FOLLOW_OPEN_S 5.0    /* and with the door open */
#define LINING_S      400.0  /* and it corrects the lining */
#define CORE_S        3600.0 /* and the core */
#define LOST_C        8.0    /* a reading so far off is taken as it is */
#define SETTLE_S      120.0  /* the air needs so long after the door */
#define COOL_S        (6 * 3600.0) /* the coldest air seen fades so fast */
#define BIN_S         60.0
#define IDLE_S        300.0   /* off so long: the next heat is a new warm-up */
#define LONG_S        18000.0 /* nor is anything longer one */
#define OFF_S         300.0   /* off so long in sum: the warm-up is complete */
#define RISE_MIN_C    15.0    /* less teaches nothing */
#define COUNT_MIN     6       /* bins of a usable record */
#define ASK_C         5.0 /* asked about another air than the followed one */

/* errors of earlier forecasts count as this many more, of this size */
#define MISS_COUNT 4.0
#define MISS_USUAL 0.05
#define MISS_FADE  0.85 /* an error counts so much less a warm-up later */
#define MISS_MAX   0.5  /* larger ones were no fault of the model */
#define READING_C  0.3  /* what is uncertain about the air itself */
#define GOAL_SHARE 0.9
#define FULL_SHARE 0.5 /* how fast the real full power is believed */
#define NUDGE      0.02
#define DAY_MS     UINT64_C(86400000)
/*
 * 90 % of the errors lie within so many spreads. Less than 1.645, as many
 * small errors and a few large ones make the spread; found on simulated rooms.
 */
#define Z90        1.4
#define SPREAD_MAX 1.0  /* of a logarithm: the interval says "no idea" */
#define DRIFT      0.03 /* parameters move so much between warm-ups */

_Static_assert(8 + N + N * (N + 1) / 2 <= HG_WARMUP_NUMBERS, "numbers fit");

void hg_warmup_model_init(struct hg_warmup_model *model,
                          const struct hg_fit_room *room)
{
    memset(model, 0, sizeof(*model));
    model->room = *room;
    model->room.heater_w = fmax(room->heater_w, 1);
    model->room.volume_m3 = fmax(room->volume_m3, 0.1);
    model->full_w = model->room.heater_w;
    hg_fit_prior(&model->room, &model->learned);
    model->present = model->learned;
    hg_fit_thermal(model->present.mean, &model->thermal);
}

/* -- following the room -- */

static double reading_c(const struct hg_warmup_sample *sample)
{
    return sample->air_mc / 1000.0;
}

/* Power between the last sample and this one. */
static double power_of(const struct hg_warmup_model *model,
                       const struct hg_warmup_sample *sample)
{
    double top_w = 1.5 * model->room.heater_w;

    if (sample->has_power)
        return sample->power_w < top_w ? sample->power_w : top_w;
    return sample->is_heater_on ? model->full_w : 0;
}

/* The room is as warm as its air; nothing else is known. */
static void start_following(struct hg_warmup_model *model, double air_c)
{
    model->state.air_c = air_c;
    model->state.lining_c = air_c;
    model->state.core_c = air_c;
    model->state.heat_w = 0;
    if (!model->has_state)
        model->outside_c = fmin(air_c, 20);
    model->has_state = true;
}

/* A room that is off for long drifts to what surrounds it. */
static void follow_outside(struct hg_warmup_model *model, double dt_s)
{
    double coldest_c = fmin(model->state.air_c, model->state.core_c);
    double fade_s = coldest_c < model->outside_c ? 600 : COOL_S;

    if (model->idle_s > COOL_S || coldest_c < model->outside_c)
        model->outside_c +=
            dt_s / (fade_s + dt_s) * (fmin(coldest_c, 35) - model->outside_c);
}

static void follow(struct hg_warmup_model *model,
                   const struct hg_warmup_sample *sample, double dt_s,
                   double power_w)
{
    struct hg_thermal_input input = { power_w, model->outside_c };
    double follow_s = model->settle_s < SETTLE_S ? FOLLOW_OPEN_S : FOLLOW_S;
    double miss_c;

    /* a step of a minute at most, however long the gap was */
    for (double left_s = dt_s; left_s > 0; left_s -= 60)
        hg_thermal_step(&model->thermal, &model->state, &input,
                        fmin(left_s, 60));
    if (!sample->has_air)
        return;
    miss_c = reading_c(sample) - model->state.air_c;
    if (fabs(miss_c) > LOST_C || dt_s > GAP_S)
        model->state.air_c += miss_c;
    else
        model->state.air_c += dt_s / (follow_s + dt_s) * miss_c;
    if (model->settle_s >= SETTLE_S) {
        /* what the air does for long tells of what is behind it */
        miss_c = fmin(fmax(miss_c, -LOST_C), LOST_C);
        model->state.lining_c += dt_s / (LINING_S + dt_s) * miss_c;
        model->state.core_c += dt_s / (CORE_S + dt_s) * miss_c;
    }
    follow_outside(model, dt_s);
}

/* -- recording a warm-up -- */

static void record_begin(struct hg_warmup_model *model)
{
    memset(&model->record, 0, sizeof(model->record));
    memset(&model->filling, 0, sizeof(model->filling));
    model->record.bin_s = BIN_S;
    model->record.start = model->state;
    model->record.outside_c = model->outside_c;
    model->off_s = 0;
    model->is_recording = true;
}

static void record_drop(struct hg_warmup_model *model)
{
    model->is_recording = false;
    model->present = model->learned;
    hg_fit_thermal(model->present.mean, &model->thermal);
}

/* A long warm-up: two bins become one of twice the length. */
static void record_halve(struct hg_fit_record *record)
{
    record->count /= 2;
    record->bin_s *= 2;
    for (uint32_t i = 0; i < record->count; i++) {
        const struct hg_fit_bin *first = &record->bin[2 * i];
        const struct hg_fit_bin *second = &record->bin[2 * i + 1];
        struct hg_fit_bin both = {
            .air_c = (first->air_c + second->air_c) / 2,
            .power_w = (first->power_w + second->power_w) / 2,
            .is_held = first->is_held || second->is_held,
        };

        record->bin[i] = both;
    }
}

/* Take the running warm-up into the present belief and the followed room. */
static void refit(struct hg_warmup_model *model)
{
    const struct hg_fit_record *record = &model->record;
    struct hg_thermal_state there;

    hg_fit_update(&model->learned, record, record->count, &model->present);
    hg_fit_thermal(model->present.mean, &model->thermal);
    hg_fit_replay(model->present.mean, record, record->count, &there);
    model->state.heat_w = there.heat_w;
    model->state.lining_c = there.lining_c;
    model->state.core_c = there.core_c;
    if (model->settle_s >= SETTLE_S)
        model->state.lining_c += model->state.air_c - there.air_c;
}

static void bin_complete(struct hg_warmup_model *model)
{
    struct hg_warmup_filling *filling = &model->filling;
    struct hg_fit_record *record = &model->record;
    bool has_air = filling->air_s > 0;
    double air_c =
        has_air ? filling->air_c_s / filling->air_s : model->state.air_c;
    struct hg_fit_bin bin = {
        .air_c = (float)air_c,
        .power_w = (float)(filling->energy_j / filling->seconds),
        .is_held = filling->is_held || !has_air,
    };

    record->bin[record->count++] = bin;
    memset(filling, 0, sizeof(*filling));
    if (record->count == HG_FIT_BINS)
        record_halve(record);
    refit(model);
}

static void record_add(struct hg_warmup_model *model,
                       const struct hg_warmup_sample *sample, double dt_s,
                       double power_w)
{
    struct hg_warmup_filling *filling = &model->filling;

    /* a sample is at most GAP_S long, no longer than a bin */
    while (dt_s > 0) {
        double room_s = model->record.bin_s - filling->seconds;
        double part_s = fmin(dt_s, room_s);

        filling->seconds += part_s;
        filling->energy_j += power_w * part_s;
        if (sample->has_air) {
            filling->air_s += part_s;
            filling->air_c_s += reading_c(sample) * part_s;
        }
        if (model->settle_s < SETTLE_S)
            filling->is_held = true;
        dt_s -= part_s;
        if (part_s >= room_s)
            bin_complete(model);
    }
}

/* -- learning from a complete warm-up -- */

/* What the record of a complete warm-up comes to. */
struct summary {
    uint32_t peak;  /* index of its warmest bin */
    double goal_c;  /* most of the way up: the curve is still steep there */
    double reach_s; /* when the goal was reached */
    double power_w; /* mean until then */
};

static void find_peak(const struct hg_fit_record *record,
                      struct summary *summary, uint32_t *ret_free)
{
    summary->peak = 0;
    *ret_free = 0;
    for (uint32_t i = 0; i < record->count; i++) {
        if (record->bin[i].is_held)
            continue;
        ++*ret_free;
        if (record->bin[i].air_c >= record->bin[summary->peak].air_c)
            summary->peak = i;
    }
}

/* False when the record teaches nothing. */
static bool summarise(const struct hg_fit_record *record,
                      struct summary *summary)
{
    double start_c = record->start.air_c;
    double before_c = start_c;
    double energy_w = 0;
    uint32_t free_bins;

    find_peak(record, summary, &free_bins);
    if (free_bins < COUNT_MIN ||
        (double)record->bin[summary->peak].air_c < start_c + RISE_MIN_C)
        return false;
    summary->goal_c =
        start_c +
        GOAL_SHARE * ((double)record->bin[summary->peak].air_c - start_c);
    for (uint32_t i = 0; i <= summary->peak; i++) {
        double air_c = (double)record->bin[i].air_c;

        energy_w += (double)record->bin[i].power_w;
        if (!record->bin[i].is_held && air_c >= summary->goal_c) {
            double part =
                (summary->goal_c - before_c) / fmax(air_c - before_c, 1e-3);

            /* a bin's mean belongs to its middle */
            part = fmin(fmax(part, 0), 1);
            summary->reach_s = record->bin_s * fmax(i - 0.5 + part, 0);
            summary->power_w = energy_w / (i + 1);
            return true;
        }
        before_c = air_c;
    }
    return false;
}

/* Square of the log error of a forecast after the first count bins. */
static double miss_after(const struct hg_warmup_model *model, uint32_t count,
                         const struct summary *summary)
{
    struct hg_fit_belief belief = model->learned;
    struct hg_thermal_input input = { model->full_w, model->record.outside_c };
    double left_s = summary->reach_s - count * model->record.bin_s;
    double guess_s = HG_THERMAL_HORIZON_S;
    struct hg_thermal_state state;
    struct hg_thermal thermal;
    double miss;

    if (count > 0)
        hg_fit_update(&model->learned, &model->record, count, &belief);
    hg_fit_replay(belief.mean, &model->record, count, &state);
    hg_fit_thermal(belief.mean, &thermal);
    (void)hg_thermal_time_to(&thermal, &state, &input, summary->goal_c,
                             &guess_s);
    miss = log(fmax(guess_s, 1) / fmax(left_s, 1));
    return fmin(miss * miss, MISS_MAX * MISS_MAX);
}

/* How well did it go? Only a full-power warm-up can tell. */
static void learn_misses(struct hg_warmup_model *model,
                         const struct summary *summary)
{
    uint32_t half = (uint32_t)(summary->reach_s / model->record.bin_s / 2);

    if (model->warmups == 0 || summary->power_w < 0.9 * model->full_w)
        return; /* the first forecast is not what later ones are like */
    model->miss_start =
        MISS_FADE * model->miss_start + miss_after(model, 0, summary);
    model->miss_half =
        MISS_FADE * model->miss_half + miss_after(model, half, summary);
    model->miss_weight = MISS_FADE * model->miss_weight + 1;
}

/* What the heater draws when it is on all the time. */
static void learn_full_power(struct hg_warmup_model *model, uint32_t peak)
{
    const struct hg_fit_bin *bin = model->record.bin;
    double top_w = 0, sum_w = 0;
    uint32_t count = 0;

    for (uint32_t i = 0; i <= peak; i++)
        top_w = fmax(top_w, (double)bin[i].power_w);
    if (top_w < 0.5 * model->room.heater_w)
        return; /* a stage only */
    for (uint32_t i = 0; i <= peak; i++) {
        if ((double)bin[i].power_w < 0.9 * top_w)
            continue;
        sum_w += (double)bin[i].power_w;
        count++;
    }
    model->full_w += FULL_SHARE * (sum_w / count - model->full_w);
}

static bool record_finish(struct hg_warmup_model *model)
{
    struct hg_fit_belief prior;
    struct summary summary;
    uint32_t used;

    if (!summarise(&model->record, &summary)) {
        record_drop(model);
        return false;
    }
    used = summary.peak + 1;
    learn_misses(model, &summary);
    learn_full_power(model, summary.peak);
    hg_fit_update(&model->learned, &model->record, used, &model->learned);
    for (int i = 0; i < N; i++)
        model->learned.cov[i][i] += DRIFT * DRIFT;
    hg_fit_prior(&model->room, &prior);
    if (!hg_fit_is_sane(&model->learned, &prior))
        model->learned = prior; /* start again rather than believe that */
    model->warmups++;
    record_drop(model);
    return true;
}

/* -- the way of a sample -- */

static void follow_counters(struct hg_warmup_model *model,
                            const struct hg_warmup_sample *sample, double dt_s)
{
    model->idle_s = sample->is_heater_on ? 0 : model->idle_s + dt_s;
    model->settle_s = sample->is_door_closed ? model->settle_s + dt_s : 0;
    if (!sample->is_heater_on)
        model->off_s += dt_s;
}

static bool record_sample(struct hg_warmup_model *model,
                          const struct hg_warmup_sample *sample, double dt_s,
                          double power_w)
{
    record_add(model, sample, dt_s, power_w);
    if (model->off_s < OFF_S &&
        model->record.count * model->record.bin_s < LONG_S)
        return false;
    return record_finish(model);
}

bool hg_warmup_feed(struct hg_warmup_model *model,
                    const struct hg_warmup_sample *sample)
{
    uint64_t dt_ms = hg_mono_since(sample->at, model->last.at);
    double dt_s = (double)(dt_ms < DAY_MS ? dt_ms : DAY_MS) / 1000;
    bool is_gap = dt_s > GAP_S;
    bool is_first = !model->has_sample;
    double power_w;

    if (!is_first && dt_ms == 0)
        return false;
    model->last = *sample;
    model->has_sample = true;
    if (!model->has_state && sample->has_air)
        start_following(model, reading_c(sample));
    if (is_first || !model->has_state)
        return false;
    if (is_gap && model->is_recording)
        record_drop(model);
    power_w = is_gap ? 0 : power_of(model, sample);
    if (!is_gap && !model->is_recording && sample->is_heater_on &&
        model->idle_s >= IDLE_S)
        record_begin(model);
    follow_counters(model, sample, dt_s);
    follow(model, sample, dt_s, power_w);
    return model->is_recording && record_sample(model, sample, dt_s, power_w);
}

/* -- the forecast -- */

/* Where the room stands, as far as known. */
static void present_state(const struct hg_warmup_model *model, double air_c,
                          struct hg_thermal_state *state,
                          struct hg_thermal_input *input)
{
    input->power_w = model->full_w;
    input->outside_c = model->has_state ? model->outside_c : fmin(air_c, 20);
    *state = model->state;
    if (!model->has_state) {
        state->air_c = air_c;
        state->lining_c = air_c;
        state->core_c = air_c;
        state->heat_w = 0;
    } else if (fabs(air_c - state->air_c) > ASK_C) {
        state->air_c = air_c; /* a door, a ladle: walls are not that quick */
    }
}

/*
 * Where a room of other parameters would stand now after the same warm-up.
 * Its air is where the readings are; what is behind the air differs.
 */
static void other_state(const struct hg_warmup_model *model,
                        const double mean[N],
                        const struct hg_thermal_state *there,
                        struct hg_thermal_state *state)
{
    const struct hg_fit_record *record = &model->record;
    struct hg_thermal_state other;

    hg_fit_replay(mean, record, record->count, &other);
    state->heat_w += other.heat_w - there->heat_w;
    state->core_c += other.core_c - there->core_c;
    state->lining_c +=
        other.lining_c - there->lining_c - (other.air_c - there->air_c);
}

/* How the logarithm of seconds goes with each parameter. */
static void slopes_of(const struct hg_warmup_model *model,
                      const struct hg_thermal_state *state,
                      const struct hg_thermal_input *input, double target_c,
                      double slope[N])
{
    double seconds[N + 1];
    struct hg_thermal_state there;

    if (model->is_recording)
        hg_fit_replay(model->present.mean, &model->record, model->record.count,
                      &there);
    for (int i = 0; i <= N; i++) {
        struct hg_thermal_state other = *state;
        struct hg_thermal thermal;
        double mean[N];

        memcpy(mean, model->present.mean, sizeof(mean));
        if (i < N)
            mean[i] += NUDGE;
        hg_fit_thermal(mean, &thermal);
        if (model->is_recording)
            other_state(model, mean, &there, &other);
        seconds[i] = HG_THERMAL_HORIZON_S;
        (void)hg_thermal_time_to(&thermal, &other, input, target_c,
                                 &seconds[i]);
    }
    for (int i = 0; i < N; i++)
        slope[i] = log(fmax(seconds[i], 1) / fmax(seconds[N], 1)) / NUDGE;
}

/* Variance of the logarithm of seconds that comes from the parameters. */
static double parameter_variance(const struct hg_warmup_model *model,
                                 const struct hg_thermal_state *state,
                                 const struct hg_thermal_input *input,
                                 double target_c)
{
    double slope[N];
    double variance = 0;

    slopes_of(model, state, input, target_c, slope);
    for (int i = 0; i < N; i++) {
        for (int j = 0; j < N; j++)
            variance += slope[i] * model->present.cov[i][j] * slope[j];
    }
    return variance;
}

/* Variance that no parameter explains: doors, draughts, more nodes. */
static double miss_variance(const struct hg_warmup_model *model, double rise_c)
{
    bool is_under_way = model->is_recording && model->record.count >= COUNT_MIN;
    double sum = is_under_way ? model->miss_half : model->miss_start;
    double reading = READING_C / rise_c;

    return (sum + MISS_COUNT * MISS_USUAL * MISS_USUAL) /
               (model->miss_weight + MISS_COUNT) +
           reading * reading;
}

void hg_warmup_estimate(const struct hg_warmup_model *model, int32_t air_mc,
                        int32_t target_mc, struct hg_warmup_estimate *estimate)
{
    double target_c = target_mc / 1000.0;
    struct hg_thermal_state state;
    struct hg_thermal_input input;
    double seconds, spread;

    memset(estimate, 0, sizeof(*estimate));
    present_state(model, air_mc / 1000.0, &state, &input);
    if (!hg_thermal_time_to(&model->thermal, &state, &input, target_c,
                            &seconds))
        return;
    estimate->is_reachable = true;
    if (seconds <= 0)
        return;
    spread = sqrt(parameter_variance(model, &state, &input, target_c) +
                  miss_variance(model, target_c - state.air_c));
    spread = fmin(spread, SPREAD_MAX);
    estimate->seconds = seconds;
    estimate->low_s = seconds * exp(-Z90 * spread);
    estimate->high_s = seconds * exp(Z90 * spread);
}

/* -- over a restart -- */

#define LAYOUT 1.0

bool hg_warmup_has_learned(const struct hg_warmup_model *model)
{
    /* the real power is known before a whole warm-up is */
    return model->warmups > 0 || model->full_w < model->room.heater_w ||
           model->full_w > model->room.heater_w;
}

void hg_warmup_remember(const struct hg_warmup_model *model,
                        struct hg_warmup_memory *memory)
{
    double *number = memory->number;

    memset(memory, 0, sizeof(*memory));
    *number++ = LAYOUT;
    *number++ = model->room.heater_w;
    *number++ = model->room.volume_m3;
    *number++ = model->full_w;
    *number++ = model->warmups;
    *number++ = model->miss_start;
    *number++ = model->miss_half;
    *number++ = model->miss_weight;
    for (int i = 0; i < N; i++)
        *number++ = model->learned.mean[i];
    for (int i = 0; i < N; i++) {
        for (int j = 0; j <= i; j++)
            *number++ = model->learned.cov[i][j];
    }
}

/* Read the belief behind the first eight numbers. */
static void recall_belief(const double *number, struct hg_fit_belief *belief)
{
    for (int i = 0; i < N; i++)
        belief->mean[i] = *number++;
    for (int i = 0; i < N; i++) {
        for (int j = 0; j <= i; j++) {
            belief->cov[i][j] = *number;
            belief->cov[j][i] = *number++;
        }
    }
}

static bool is_between(double number, double low, double high)
{
    return number >= low && number <= high; /* false for NaN */
}

int hg_warmup_recall(struct hg_warmup_model *model,
                     const struct hg_warmup_memory *memory)
{
    const double *number = memory->number;
    struct hg_fit_belief belief;

    if (number[0] != LAYOUT || !(number[1] > 0) || !(number[2] > 0))
        return HG_ERR_CORRUPT;
    if (fabs(number[1] / model->room.heater_w - 1) > 1e-6 ||
        fabs(number[2] / model->room.volume_m3 - 1) > 1e-6)
        return HG_ERR_RANGE;
    recall_belief(number + 8, &belief);
    if (!is_between(number[3], 0.3 * number[1], 1.6 * number[1]) ||
        !is_between(number[4], 0, UINT32_MAX - 1.0) ||
        !is_between(number[7], 0, 1 / (1 - MISS_FADE) + 1e-6) ||
        !is_between(number[5], 0, number[7] * MISS_MAX * MISS_MAX + 1e-6) ||
        !is_between(number[6], 0, number[7] * MISS_MAX * MISS_MAX + 1e-6) ||
        !hg_fit_is_sane(&belief, &model->learned))
        return HG_ERR_CORRUPT;
    model->full_w = number[3];
    model->warmups = (uint32_t)number[4];
    model->miss_start = number[5];
    model->miss_half = number[6];
    model->miss_weight = number[7];
    model->learned = belief;
    model->present = belief;
    hg_fit_thermal(belief.mean, &model->thermal);
    return HG_OK;
}
