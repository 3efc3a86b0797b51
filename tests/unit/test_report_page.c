/* The page of a heat: what is drawn, and that nothing becomes markup. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "cli/report_page.h"
#include <stdlib.h>
#include <string.h>

/* A heat of an hour in samples of ten minutes; the door open in the third. */
static char *print(double low_s, double high_s)
{
    json_t *samples = json_array();
    json_t *report = json_pack("{s:s, s:s, s:o}", "room", "<b>heron", "by",
                               "\"&", "samples", samples);
    char *text = NULL;
    size_t len;
    FILE *out = open_memstream(&text, &len);

    assert_non_null(out);
    for (int i = 0; i <= 6; i++)
        json_array_append_new(
            samples, json_pack("[i, f, f, i, i, i, f, f, f]", i * 600,
                               20.0 + 10.0 * i, 80.0, i == 2, i != 2, i != 2,
                               (low_s + high_s) / 2.0, low_s, high_s));
    hg_report_page(report, out);
    assert_int_equal(fclose(out), 0);
    json_decref(report);
    return text;
}

/* each shape is in the key once more */
static void test_report_page__draws_runs_and_the_band(void **state)
{
    char *page = print(3000, 4200);

    (void)state;
    HG_CHECK_EQ("air", hg_count_text(page, "class=\"air\""), 2);
    HG_CHECK_EQ("target", hg_count_text(page, "class=\"target\""), 2);
    HG_CHECK_EQ("one opening", hg_count_text(page, "class=\"door\""), 2);
    HG_CHECK_EQ("before and after it", hg_count_text(page, "class=\"permit\""),
                3);
    HG_CHECK_EQ("likewise", hg_count_text(page, "class=\"heater\""), 3);
    HG_CHECK_EQ("band", hg_count_text(page, "class=\"band\""), 2);
    HG_CHECK_EQ("told", hg_count_text(page, "after 60 min, between 50 and 70"),
                1);
    HG_CHECK_EQ("escaped", hg_count_text(page, "<b>"), 0);
    HG_CHECK_EQ("escaped", hg_count_text(page, "&lt;b&gt;heron"), 1);
    HG_CHECK_EQ("escaped", hg_count_text(page, "&quot;&amp;"), 1);
    HG_CHECK_EQ("no script", hg_count_text(page, "<script"), 0);
    free(page);
}

static void test_report_page__leaves_a_far_band_to_the_words(void **state)
{
    char *page = print(5400, 9000); /* the plot ends after 90 minutes */

    (void)state;
    HG_CHECK_EQ("band", hg_count_text(page, "class=\"band\""), 1);
    HG_CHECK_EQ("told",
                hg_count_text(page, "after 120 min, between 90 and 150"), 1);
    free(page);
    page = print(5399, 9000);
    HG_CHECK_EQ("its begin is seen", hg_count_text(page, "class=\"band\""), 2);
    free(page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_report_page__draws_runs_and_the_band),
        cmocka_unit_test(test_report_page__leaves_a_far_band_to_the_words),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
