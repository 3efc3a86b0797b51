#ifndef HG_BASE_PLATINUM_H
#define HG_BASE_PLATINUM_H

/*
 * Industrial platinum resistance thermometers: resistance and temperature by
 * the Callendar-Van Dusen equations of IEC 60751. Pure; no module of its own
 * looks at leads: their resistance has to be taken off before.
 */
#include "base/err.h"
#include <stdint.h>

enum hg_platinum { /* resistance at 0 C */
                   HG_PLATINUM_NONE = 0,
                   HG_PLATINUM_PT100,
                   HG_PLATINUM_PT1000
};

/* where the standard defines them */
#define HG_PLATINUM_MIN_C (-200.0)
#define HG_PLATINUM_MAX_C 850.0

/*
 * The temperature of an element, rounded to the nearest thousandth of a
 * degree Celsius.
 *
 * ohm  of the element alone
 *
 * HG_ERR_RANGE: no temperature from -200 C to 850 C has this resistance, it
 * is not a number, or there is no such element; ret_mc is untouched
 */
HG_MUST_CHECK int hg_platinum_to_mc(enum hg_platinum element, double ohm,
                                    int32_t *ret_mc);

/*
 * The resistance of an element at celsius, which is cut to the range of the
 * standard. 0 for HG_PLATINUM_NONE.
 */
double hg_platinum_to_ohm(enum hg_platinum element, double celsius);

#endif
