#ifndef HG_CLI_REPORT_PAGE_H
#define HG_CLI_REPORT_PAGE_H

/*
 * The course of one heat as a self-contained HTML page with an inline SVG
 * plot: no script, nothing loaded from elsewhere, every text escaped.
 */
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/* One sample of report.heat. */
struct hg_report_sample {
    double t_s, air_c, target_c;
    bool has_air, is_open, has_permit, is_on;
    double ready_s, low_s, high_s; /* 0: not known */
};

/* Read sample i of a report; false: there is none, or it is none. */
bool hg_report_sample(const json_t *report, size_t i,
                      struct hg_report_sample *ret_sample);

/* Write the page. Whether all was written, ferror(out) says. */
void hg_report_page(const json_t *report, FILE *out);

#endif
