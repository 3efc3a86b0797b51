/*
 * Platinum resistances against the reference table of IEC 60751 (Pt100, in
 * ohm with two decimals; Pt1000 is tenfold).
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/platinum.h"
#include "base/text.h"
#include "check.h"
#include <math.h>
#include <stdio.h>

#define SENTINEL 0x5a5a5a

/* IEC 60751, table of resistances of Pt100 */
static const struct {
    double celsius, ohm;
} TABLE[] = {
    { -200, 18.52 }, { -150, 39.72 }, { -100, 60.26 }, { -50, 80.31 },
    { -40, 84.27 },  { -10, 96.09 },  { 0, 100.00 },   { 10, 103.90 },
    { 20, 107.79 },  { 60, 123.24 },  { 100, 138.51 }, { 150, 157.33 },
    { 200, 175.86 }, { 300, 212.05 }, { 400, 247.09 }, { 500, 280.98 },
    { 600, 313.71 }, { 700, 345.28 }, { 800, 375.70 }, { 850, 390.48 },
};

/* half of the table's last digit: 0.005 ohm, over the least slope of its
 * two neighbours, 0.2927 ohm a degree at 850 C, 0.357 below 300 C */
static double tolerance_mc(double celsius)
{
    return celsius > 300 ? 17.1 : 14.0;
}

static void test_platinum__agrees_with_the_published_table(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(TABLE); i++) {
        double mc = TABLE[i].celsius * 1000;
        char label[32];
        int32_t got = SENTINEL;

        (void)snprintf(label, sizeof(label), "%g C", TABLE[i].celsius);
        HG_CHECK_EQ(
            label, hg_platinum_to_mc(HG_PLATINUM_PT100, TABLE[i].ohm, &got), 0);
        HG_CHECK_NEAR(label, got, mc, tolerance_mc(TABLE[i].celsius));
        HG_CHECK_EQ(
            label,
            hg_platinum_to_mc(HG_PLATINUM_PT1000, 10 * TABLE[i].ohm, &got), 0);
        HG_CHECK_NEAR(label, got, mc, tolerance_mc(TABLE[i].celsius));
        HG_CHECK_NEAR(label,
                      hg_platinum_to_ohm(HG_PLATINUM_PT100, TABLE[i].celsius),
                      TABLE[i].ohm, 0.0051);
        HG_CHECK_NEAR(label,
                      hg_platinum_to_ohm(HG_PLATINUM_PT1000, TABLE[i].celsius),
                      10 * TABLE[i].ohm, 0.051);
    }
}

/* both branches, each degree, and no step where they meet */
static void test_platinum__there_and_back_is_the_same(void **state)
{
    (void)state;
    for (int c = -200; c <= 850; c++)
        for (int e = HG_PLATINUM_PT100; e <= HG_PLATINUM_PT1000; e++) {
            enum hg_platinum element = (enum hg_platinum)e;
            int32_t got = SENTINEL;
            char label[32];

            (void)snprintf(label, sizeof(label), "%d C", c);
            HG_CHECK_EQ(label,
                        hg_platinum_to_mc(element,
                                          hg_platinum_to_ohm(element, c), &got),
                        0);
            HG_CHECK_EQ(label, got, c * 1000);
        }
}

static void test_platinum__refuses_what_no_element_has(void **state)
{
    static const struct {
        const char *label;
        enum hg_platinum element;
        double ohm;
    } row[] = {
        { "a short", HG_PLATINUM_PT100, 0 },
        { "less than nothing", HG_PLATINUM_PT100, -1 },
        { "below -200 C", HG_PLATINUM_PT100, 18.51 },
        { "above 850 C", HG_PLATINUM_PT100, 390.49 },
        { "a Pt1000 taken for a Pt100", HG_PLATINUM_PT100, 1000 },
        { "a Pt100 taken for a Pt1000", HG_PLATINUM_PT1000, 100 },
        { "below -200 C", HG_PLATINUM_PT1000, 185.1 },
        { "above 850 C", HG_PLATINUM_PT1000, 3904.9 },
        { "a break", HG_PLATINUM_PT1000, 1e9 },
        { "infinite", HG_PLATINUM_PT100, (double)INFINITY },
        { "no number", HG_PLATINUM_PT100, (double)NAN },
        { "no element", HG_PLATINUM_NONE, 100 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        int32_t got = SENTINEL;

        HG_CHECK_EQ(row[i].label,
                    hg_platinum_to_mc(row[i].element, row[i].ohm, &got),
                    HG_ERR_RANGE);
        HG_CHECK_EQ(row[i].label, got, SENTINEL);
    }
}

static void test_platinum__cuts_a_temperature_to_its_range(void **state)
{
    (void)state;
    HG_CHECK_NEAR("colder", hg_platinum_to_ohm(HG_PLATINUM_PT100, -300), 18.52,
                  0.005);
    HG_CHECK_NEAR("hotter", hg_platinum_to_ohm(HG_PLATINUM_PT100, 900), 390.48,
                  0.005);
    HG_CHECK_NEAR("none", hg_platinum_to_ohm(HG_PLATINUM_NONE, 20), 0, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_platinum__agrees_with_the_published_table),
        cmocka_unit_test(test_platinum__there_and_back_is_the_same),
        cmocka_unit_test(test_platinum__refuses_what_no_element_has),
        cmocka_unit_test(test_platinum__cuts_a_temperature_to_its_range),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
