/* Platinum resistance thermometers; see platinum.h. */
#include "base/platinum.h"
#include <math.h>

/*
 * IEC 60751: R(t) = R0 (1 + A t + B t^2 + C (t - 100 C) t^3), where the last
 * term counts below 0 C only.
 */
#define A 3.9083e-3    /* per C */
#define B (-5.775e-7)  /* per C^2 */
#define C (-4.183e-12) /* per C^4 */

/* from the quadratic's root 3 steps reach a double's end; one to spare */
#define NEWTON_STEPS 4

/* of -200 C and 850 C, with half of the last digit that tables print */
#define RATIO_MIN 0.18515
#define RATIO_MAX 3.90485

static double zero_ohm(enum hg_platinum element)
{
    switch (element) {
    case HG_PLATINUM_PT100:
        return 100.0;
    case HG_PLATINUM_PT1000:
        return 1000.0;
    case HG_PLATINUM_NONE:
        break;
    }
    return 0.0;
}

/* R(t) / R0 */
static double ratio_at(double t)
{
    double ratio = 1 + t * (A + t * B);

    return t < 0 ? ratio + C * (t - 100) * t * t * t : ratio;
}

/* the temperature of R / R0; the branch at or above 0 C has a closed form */
static double celsius_of(double ratio)
{
    double t = (-A + sqrt(A * A - 4 * B * (1 - ratio))) / (2 * B);

    if (ratio >= 1)
        return t;
    for (int i = 0; i < NEWTON_STEPS; i++) {
        double slope = A + 2 * B * t + C * t * t * (4 * t - 300);

        t -= (ratio_at(t) - ratio) / slope;
    }
    return t;
}

int hg_platinum_to_mc(enum hg_platinum element, double ohm, int32_t *ret_mc)
{
    double r0 = zero_ohm(element);
    double celsius;

    /* written so that NaN fails it */
    if (!(r0 > 0 && ohm >= r0 * RATIO_MIN && ohm <= r0 * RATIO_MAX))
        return HG_ERR_RANGE;
    celsius = celsius_of(ohm / r0);
    celsius = fmin(fmax(celsius, HG_PLATINUM_MIN_C), HG_PLATINUM_MAX_C);
    *ret_mc = (int32_t)lround(celsius * 1000);
    return 0;
}

double hg_platinum_to_ohm(enum hg_platinum element, double celsius)
{
    return zero_ohm(element) *
           ratio_at(fmin(fmax(celsius, HG_PLATINUM_MIN_C), HG_PLATINUM_MAX_C));
}
