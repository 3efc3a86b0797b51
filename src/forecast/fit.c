/*
 * One recorded warm-up against the two-node room. The residuals of a warm-up
 * hang together (the room is no two-node room), so all its bins together
 * weigh only as much as a few independent readings would.
 */
#include "forecast/fit.h"
#include <math.h>
#include <string.h>

#define N        HG_FIT_PARAMS
#define ROUNDS   3
#define HALVINGS 4
#define NUDGE    1e-3 /* of a logarithm, for the derivatives */
#define STEP_MAX 0.7  /* a parameter at most doubles in a round */
#define READINGS 15.0 /* independent readings in one warm-up */
#define SIGMA_C  0.7  /* of such a reading, with the error of the model */
#define HUBER    1.5  /* sigmas after which a reading counts less */
#define FAR      3.0  /* from the prior: a factor of twenty */
#define PIECE_S  20.0 /* longest step of a replay */

/* -- what is known beforehand -- */

/*
 * From memory, for rooms panelled in wood: inner surface 6 V^(2/3); lining and
 * benches 10.5 kJ/(m2 K) and stones 6 kJ/K for each kW; behind them 7 kJ/(m2
 * K); into the lining 9 W/(m2 K), through it 6, out of the core 1.5; one and a
 * half times the air's own 1.2 kJ/(m3 K) follow it at once; elements and
 * stones lag by a quarter of an hour. Trued up against simulated rooms.
 */
#define LINING_J_M2_K 10500.0
#define BEHIND_J_M2_K 7000.0
#define STONES_J_K_W  6.0
#define LAG_S         900.0
/*
 * Where stones and wood are known, from memory too. Soapstone 980 J/(kg K),
 * olivine 840 cold and 1000 at 200 C; steel of elements and shell 0.9 J/K for
 * each W. Softwood 640 kJ/(m3 K), benches a fifth more. Heat goes sqrt(a t)
 * into it, a = 1.7e-7 m2/s: 16 mm in 25 minutes are lining, the core is what
 * lies behind it up to two and a half times as deep, and insulation with what
 * holds it, 5 kJ/(m2 K).
 */
#define STONE_J_KG_K        900.0
#define STEEL_J_K_W         0.9
#define WOOD_J_M2_K_MM      (1.2 * 640)
#define LINING_MM           16.0
#define CORE_MM             24.0
#define INSULATION_J_M2_K   5000.0
#define STONES_KNOWN_SPREAD 0.25
#define LINING_KNOWN_SPREAD 0.15
#define CORE_KNOWN_SPREAD   0.4

enum { AIR_J, LINING_J, CORE_J, LINING_W, CORE_W, OUTSIDE_W, LAG };

void hg_fit_prior(const struct hg_fit_room *room, struct hg_fit_belief *belief)
{
    double spread[N] = { 0.4, 0.3, 0.9, 0.22, 0.5, 0.5, 0.4 };
    double surface_m2 = 6 * pow(room->volume_m3, 2.0 / 3);
    double stones_j_k = STONES_J_K_W * room->heater_w;
    double lining_j_m2_k = LINING_J_M2_K;
    double behind_j_m2_k = BEHIND_J_M2_K;
    double lag_s = LAG_S;

    if (room->stones_kg > 0) {
        stones_j_k =
            STONE_J_KG_K * room->stones_kg + STEEL_J_K_W * room->heater_w;
        lag_s *= stones_j_k / (STONES_J_K_W * room->heater_w);
        spread[LAG] = STONES_KNOWN_SPREAD;
    }
    if (room->wood_mm > 0) {
        double core_mm = fmin(fmax(room->wood_mm - LINING_MM, 0), CORE_MM);

        lining_j_m2_k = WOOD_J_M2_K_MM * fmin(room->wood_mm, LINING_MM);
        behind_j_m2_k = WOOD_J_M2_K_MM * core_mm + INSULATION_J_M2_K;
        spread[LINING_J] = LINING_KNOWN_SPREAD;
        spread[CORE_J] = CORE_KNOWN_SPREAD;
    }
    memset(belief, 0, sizeof(*belief));
    belief->mean[AIR_J] = log(1.5 * 1200 * room->volume_m3);
    belief->mean[LINING_J] = log(lining_j_m2_k * surface_m2 + stones_j_k);
    belief->mean[CORE_J] = log(behind_j_m2_k * surface_m2);
    belief->mean[LINING_W] = log(9 * surface_m2);
    belief->mean[CORE_W] = log(6 * surface_m2);
    belief->mean[OUTSIDE_W] = log(1.5 * surface_m2);
    belief->mean[LAG] = log(lag_s);
    for (int i = 0; i < N; i++)
        belief->cov[i][i] = spread[i] * spread[i];
}

void hg_fit_thermal(const double mean[N], struct hg_thermal *thermal)
{
    thermal->air_j_k = exp(mean[0]);
    thermal->lining_j_k = exp(mean[1]);
    thermal->core_j_k = exp(mean[2]);
    thermal->lining_w_k = exp(mean[3]);
    thermal->core_w_k = exp(mean[4]);
    thermal->outside_w_k = exp(mean[5]);
    thermal->lag_s = exp(mean[6]);
}

/* -- replay -- */

/* Let one bin pass; ret_air_c is the mean of the air over it. */
static void pass_bin(const struct hg_thermal *thermal,
                     const struct hg_fit_record *record, uint32_t bin,
                     struct hg_thermal_state *state, double *ret_air_c)
{
    const struct hg_fit_bin *now = &record->bin[bin];
    struct hg_thermal_input input = { (double)now->power_w, record->outside_c };
    int pieces = (int)ceil(record->bin_s / PIECE_S);
    double piece_s = record->bin_s / pieces;
    double sum_c = 0;

    if (now->is_held)
        state->air_c = (double)now->air_c;
    for (int i = 0; i < pieces; i++) {
        double before_c = state->air_c;

        if (now->is_held)
            hg_thermal_step_held(thermal, state, &input, piece_s);
        else
            hg_thermal_step(thermal, state, &input, piece_s);
        sum_c += (before_c + state->air_c) / 2;
    }
    *ret_air_c = sum_c / pieces;
}

void hg_fit_replay(const double mean[N], const struct hg_fit_record *record,
                   uint32_t count, struct hg_thermal_state *state)
{
    struct hg_thermal thermal;
    double air_c;

    if (count > record->count)
        count = record->count;

    hg_fit_thermal(mean, &thermal);
    *state = record->start;
    for (uint32_t i = 0; i < count; i++)
        pass_bin(&thermal, record, i, state, &air_c);
}

/* -- small symmetric systems -- */

/* Lower Cholesky factor of a; false when a is not positive definite. */
static bool factor(double a[N][N], double lower[N][N])
{
    for (int i = 0; i < N; i++) {
        for (int j = 0; j <= i; j++) {
            double sum = a[i][j];

            for (int k = 0; k < j; k++)
                sum -= lower[i][k] * lower[j][k];
            if (i == j && !(sum > 0))
                return false;
            lower[i][j] = i == j ? sqrt(sum) : sum / lower[j][j];
        }
    }
    return true;
}

/* x solves (lower lower^T) x = b; x may be b. */
static void solve(double lower[N][N], const double b[N], double x[N])
{
    for (int i = 0; i < N; i++) {
        double sum = b[i];

        for (int k = 0; k < i; k++)
            sum -= lower[i][k] * x[k];
        x[i] = sum / lower[i][i];
    }
    for (int i = N - 1; i >= 0; i--) {
        double sum = x[i];

        for (int k = i + 1; k < N; k++)
            sum -= lower[k][i] * x[k];
        x[i] = sum / lower[i][i];
    }
}

static bool invert(double a[N][N], double inverse[N][N])
{
    double lower[N][N];

    if (!factor(a, lower))
        return false;
    for (int j = 0; j < N; j++) {
        double unit[N] = { 0 };

        unit[j] = 1;
        solve(lower, unit, unit);
        for (int i = 0; i < N; i++)
            inverse[i][j] = unit[i];
    }
    return true;
}

bool hg_fit_is_sane(const struct hg_fit_belief *belief,
                    const struct hg_fit_belief *prior)
{
    double cov[N][N], lower[N][N];

    for (int i = 0; i < N; i++) {
        if (!(fabs(belief->mean[i] - prior->mean[i]) <= FAR))
            return false; /* also when it is not a number */
        for (int j = 0; j < N; j++) {
            if (!(fabs(belief->cov[i][j]) <= FAR))
                return false;
        }
    }
    memcpy(cov, belief->cov, sizeof(cov));
    return factor(cov, lower);
}

/* -- the fit -- */

struct problem {
    const struct hg_fit_belief *prior;
    const struct hg_fit_record *record;
    uint32_t count;
    double weight;          /* of one bin, 1 / K^2 */
    double precision[N][N]; /* inverse of the prior's covariance */
};

/* Half the squared distance to the prior, and its downhill direction. */
static double prior_cost(const struct problem *problem, const double mean[N],
                         double downhill[N])
{
    double cost = 0;

    for (int i = 0; i < N; i++) {
        downhill[i] = 0;
        for (int j = 0; j < N; j++)
            downhill[i] +=
                problem->precision[i][j] * (problem->prior->mean[j] - mean[j]);
        cost -= downhill[i] * (mean[i] - problem->prior->mean[i]) / 2;
    }
    return cost;
}

/* Huber's loss and weight of a residual. */
static double loss(double residual_c, double *ret_weight)
{
    double limit_c = HUBER * SIGMA_C;
    double size_c = fabs(residual_c);

    if (size_c <= limit_c) {
        *ret_weight = 1;
        return residual_c * residual_c / 2;
    }
    *ret_weight = limit_c / size_c;
    return limit_c * (size_c - limit_c / 2);
}

/* How badly the parameters explain prior and bins. */
static double cost_of(const struct problem *problem, const double mean[N])
{
    struct hg_thermal_state state = problem->record->start;
    struct hg_thermal thermal;
    double downhill[N];
    double cost = prior_cost(problem, mean, downhill);

    hg_fit_thermal(mean, &thermal);
    for (uint32_t i = 0; i < problem->count; i++) {
        const struct hg_fit_bin *bin = &problem->record->bin[i];
        double air_c, weight;

        pass_bin(&thermal, problem->record, i, &state, &air_c);
        if (!bin->is_held)
            cost += problem->weight * loss((double)bin->air_c - air_c, &weight);
    }
    return cost;
}

/* The same room, and one more for each parameter nudged. */
struct bundle {
    struct hg_thermal thermal[N + 1];
    struct hg_thermal_state state[N + 1];
};

static void bundle_start(struct bundle *bundle, const double mean[N],
                         const struct hg_thermal_state *start)
{
    for (int k = 0; k <= N; k++) {
        double nudged[N];

        memcpy(nudged, mean, sizeof(nudged));
        if (k > 0)
            nudged[k - 1] += NUDGE;
        hg_fit_thermal(nudged, &bundle->thermal[k]);
        bundle->state[k] = *start;
    }
}

/* Curvature and downhill direction of the cost at mean. */
static void linearise(const struct problem *problem, const double mean[N],
                      double curvature[N][N], double downhill[N])
{
    struct bundle bundle;

    (void)prior_cost(problem, mean, downhill);
    memcpy(curvature, problem->precision, sizeof(problem->precision));
    bundle_start(&bundle, mean, &problem->record->start);
    for (uint32_t b = 0; b < problem->count; b++) {
        const struct hg_fit_bin *bin = &problem->record->bin[b];
        double air_c[N + 1], slope[N], residual_c, weight;

        for (int k = 0; k <= N; k++)
            pass_bin(&bundle.thermal[k], problem->record, b, &bundle.state[k],
                     &air_c[k]);
        if (bin->is_held)
            continue;
        residual_c = (double)bin->air_c - air_c[0];
        (void)loss(residual_c, &weight);
        weight *= problem->weight;
        for (int i = 0; i < N; i++)
            slope[i] = (air_c[i + 1] - air_c[0]) / NUDGE;
        for (int i = 0; i < N; i++) {
            downhill[i] += weight * slope[i] * residual_c;
            for (int j = 0; j < N; j++)
                curvature[i][j] += weight * slope[i] * slope[j];
        }
    }
}

/* One round from mean with this cost; false when nothing better was found. */
static bool improve(const struct problem *problem, double mean[N], double *cost)
{
    double curvature[N][N], lower[N][N], step[N];
    double scale = 1;

    linearise(problem, mean, curvature, step);
    if (!factor(curvature, lower))
        return false;
    solve(lower, step, step);
    for (int i = 0; i < N; i++) {
        if (fabs(step[i]) * scale > STEP_MAX)
            scale = STEP_MAX / fabs(step[i]);
    }
    for (int tries = 0; tries < HALVINGS; tries++, scale /= 2) {
        double next[N], next_cost;

        for (int i = 0; i < N; i++)
            next[i] = mean[i] + scale * step[i];
        next_cost = cost_of(problem, next);
        if (next_cost < *cost) {
            bool is_done = *cost - next_cost < 1e-3;

            memcpy(mean, next, sizeof(next));
            *cost = next_cost;
            return !is_done;
        }
    }
    return false;
}

void hg_fit_update(const struct hg_fit_belief *prior,
                   const struct hg_fit_record *record, uint32_t count,
                   struct hg_fit_belief *posterior)
{
    struct problem problem = { .prior = prior,
                               .record = record,
                               .count = count < record->count ? count
                                                              : record->count };
    double curvature[N][N], downhill[N];
    struct hg_fit_belief next = *prior;
    double cost;

    memcpy(curvature, prior->cov, sizeof(curvature));
    if (!invert(curvature, problem.precision)) {
        *posterior = *prior;
        return;
    }
    /* a whole warm-up weighs as READINGS, the beginning of one as its part */
    problem.weight = READINGS / (SIGMA_C * SIGMA_C) /
                     (count > READINGS * 2 ? count : READINGS * 2);
    cost = cost_of(&problem, next.mean);
    for (int i = 0; i < ROUNDS && improve(&problem, next.mean, &cost); i++)
        ;
    linearise(&problem, next.mean, curvature, downhill);
    if (invert(curvature, next.cov))
        *posterior = next;
    else
        *posterior = *prior;
}
