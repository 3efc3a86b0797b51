/* The page of one heat; see report_page.h. */
#include "cli/report_page.h"
#include "base/text.h"
#include "cli/cli.h"
#include "cli/handover_page.h"
#include "cli/when.h"
#include <math.h>
#include <string.h>

/* of the drawing, in its own units */
#define LEFT   46.0
#define TOP    10.0
#define WIDTH  820.0
#define HEIGHT 330.0
#define STRIPS 24.0 /* below the plot, each strip */

struct plot {
    const json_t *report;
    size_t count;
    double end_s, top_c, bottom_c;
    struct hg_report_sample forecast; /* the first that knew one */
    bool has_forecast;
};

static const char HEAD[] =
    "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src "
    "'none'; style-src 'unsafe-inline'\">\n"
    "<meta name=\"viewport\" content=\"width=device-width\">\n"
    "<meta name=\"color-scheme\" content=\"light dark\">\n"
    "<title>A heat</title>\n<style>\n"
    "@page{size:A4 landscape;margin:12mm}\n"
    "body{font:11pt/1.4 sans-serif;color:#1d1b18;background:#fff;"
    "max-width:260mm;margin:0 auto;padding:4mm}\n"
    "h1{font-size:16pt;margin:0 0 3mm}\n"
    "dl{display:grid;grid-template-columns:max-content 1fr;gap:.5mm 5mm;"
    "margin:0 0 4mm}dt{color:#6a635a}dd{margin:0}\n"
    ".plot{width:100%;height:auto;break-inside:avoid}\n"
    "svg text{font:11px sans-serif;fill:#4c463f}\n"
    ".grid{stroke:#e4ded5}.axis{stroke:#8d857a}\n"
    ".air{fill:none;stroke:#b3401f;stroke-width:2}\n"
    ".target{fill:none;stroke:#1d1b18;stroke-width:1.2;"
    "stroke-dasharray:6 4}\n"
    ".band{fill:#f0b63b;fill-opacity:.3}.ready{stroke:#a87408;"
    "stroke-width:1.5}\n"
    ".door{fill:#2f6f9f;fill-opacity:.35}.permit{fill:#5c8a4a}"
    ".heater{fill:#b3401f}.none{fill:#efeae2}\n"
    ".key{display:flex;flex-wrap:wrap;gap:1mm 6mm;margin:3mm 0 0;padding:0;"
    "list-style:none}.key svg{width:7mm;height:3mm;margin-right:2mm}\n"
    "@media screen and (prefers-color-scheme:dark){"
    "body{color:#ece7df;background:#1d1b18}dt{color:#a89f93}"
    "svg text{fill:#c9c1b6}.grid{stroke:#3a352f}.axis{stroke:#8d857a}"
    ".air{stroke:#ee7a55}.target{stroke:#ece7df}.none{fill:#2c2823}"
    ".heater{fill:#ee7a55}.permit{fill:#7db368}.door{fill:#6fb0e0;"
    "fill-opacity:.7}}\n"
    "*{print-color-adjust:exact;-webkit-print-color-adjust:exact}\n"
    "</style></head><body>\n";

static double number(const json_t *sample, size_t i)
{
    return json_number_value(json_array_get(sample, i));
}

bool hg_report_sample(const json_t *report, size_t i,
                      struct hg_report_sample *ret_sample)
{
    const json_t *sample =
        json_array_get(json_object_get(report, "samples"), i);

    if (json_array_size(sample) < 9)
        return false;
    ret_sample->t_s = number(sample, 0);
    ret_sample->has_air = json_is_number(json_array_get(sample, 1));
    ret_sample->air_c = number(sample, 1);
    ret_sample->target_c = number(sample, 2);
    ret_sample->is_open = number(sample, 3) != 0.0;
    ret_sample->has_permit = number(sample, 4) != 0.0;
    ret_sample->is_on = number(sample, 5) != 0.0;
    ret_sample->ready_s = number(sample, 6);
    ret_sample->low_s = number(sample, 7);
    ret_sample->high_s = number(sample, 8);
    return true;
}

/* -- measures ---------------------------------------------------------------
 */

static void measure(const json_t *report, struct plot *plot)
{
    struct hg_report_sample sample;
    double low_c = 0.0, high_c = 40.0;

    memset(plot, 0, sizeof(*plot));
    plot->report = report;
    plot->end_s = 60.0;
    for (; hg_report_sample(report, plot->count, &sample); plot->count++) {
        plot->end_s = fmax(plot->end_s, sample.t_s);
        high_c = fmax(high_c, sample.target_c);
        if (sample.has_air) {
            low_c = fmin(low_c, sample.air_c);
            high_c = fmax(high_c, sample.air_c);
        }
        if (sample.ready_s > 0.0 && !plot->has_forecast) {
            plot->has_forecast = true;
            plot->forecast = sample;
        }
    }
    /* the band is shown whole, unless that dwarfs a heat that was cut short */
    if (plot->has_forecast)
        plot->end_s =
            fmax(plot->end_s, fmin(plot->forecast.high_s, 1.5 * plot->end_s));
    plot->bottom_c = floor(low_c / 10.0) * 10.0;
    plot->top_c = ceil((high_c + 2.0) / 10.0) * 10.0;
}

static double x_of(const struct plot *plot, double t_s)
{
    return LEFT + WIDTH * fmin(fmax(t_s / plot->end_s, 0.0), 1.0);
}

static double y_of(const struct plot *plot, double c)
{
    return TOP + HEIGHT * (plot->top_c - c) / (plot->top_c - plot->bottom_c);
}

/* -- the drawing ------------------------------------------------------------
 */

static void put_grid(const struct plot *plot, FILE *out)
{
    static const double steps_min[] = { 1, 2, 5, 10, 15, 30, 60, 120, 180 };
    double step_s = 0.0;

    for (double c = plot->bottom_c; c <= plot->top_c; c += 10.0) {
        double y = y_of(plot, c);

        fprintf(out,
                "<path class=\"grid\" d=\"M%.1f %.1fh%.1f\"/>"
                "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">%.0f</text>\n",
                LEFT, y, WIDTH, LEFT - 6.0, y + 4.0, c);
    }
    for (size_t i = 0; i < HG_COUNT(steps_min); i++) {
        step_s = steps_min[i] * 60.0;
        if (plot->end_s / step_s <= 12.0)
            break;
    }
    for (double t_s = 0.0; t_s <= plot->end_s; t_s += step_s)
        fprintf(out,
                "<path class=\"grid\" d=\"M%.1f %.1fv%.1f\"/>"
                "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%.0f"
                "</text>\n",
                x_of(plot, t_s), TOP, HEIGHT, x_of(plot, t_s),
                TOP + HEIGHT + 15.0, t_s / 60.0);
    fprintf(out,
            "<text x=\"%.1f\" y=\"%.1f\">C</text><text x=\"%.1f\" "
            "y=\"%.1f\" text-anchor=\"end\">min</text>\n",
            2.0, TOP + 4.0, LEFT - 14.0, TOP + HEIGHT + 15.0);
    fprintf(out,
            "<path class=\"axis\" d=\"M%.1f %.1fv%.1fh%.1f\" "
            "fill=\"none\"/>\n",
            LEFT, TOP, HEIGHT, WIDTH);
}

static void put_forecast(const struct plot *plot, FILE *out)
{
    double from, to;

    if (!plot->has_forecast || plot->forecast.low_s >= plot->end_s)
        return; /* the words tell it */
    from = x_of(plot, plot->forecast.low_s);
    to = x_of(plot, plot->forecast.high_s);
    fprintf(out,
            "<rect class=\"band\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" "
            "height=\"%.1f\"/>\n",
            from, TOP, fmax(to - from, 1.0), HEIGHT);
    if (plot->forecast.ready_s <= plot->end_s)
        fprintf(out, "<path class=\"ready\" d=\"M%.1f %.1fv%.1f\"/>\n",
                x_of(plot, plot->forecast.ready_s), TOP, HEIGHT);
}

/* A line through what there is; a gap where there was no reading. */
static void put_air(const struct plot *plot, FILE *out)
{
    struct hg_report_sample sample;
    bool is_drawing = false;

    fprintf(out, "<path class=\"air\" d=\"");
    for (size_t i = 0; i < plot->count; i++) {
        (void)hg_report_sample(plot->report, i, &sample);
        if (sample.has_air)
            fprintf(out, "%c%.1f %.1f", is_drawing ? 'L' : 'M',
                    x_of(plot, sample.t_s), y_of(plot, sample.air_c));
        is_drawing = sample.has_air;
    }
    fprintf(out, "\"/>\n");
}

static void put_target(const struct plot *plot, FILE *out)
{
    struct hg_report_sample sample;

    fprintf(out, "<path class=\"target\" d=\"");
    for (size_t i = 0; i < plot->count; i++) {
        (void)hg_report_sample(plot->report, i, &sample);
        if (i > 0)
            fprintf(out, "H%.1fV%.1f", x_of(plot, sample.t_s),
                    y_of(plot, sample.target_c));
        else
            fprintf(out, "M%.1f %.1f", x_of(plot, sample.t_s),
                    y_of(plot, sample.target_c));
    }
    fprintf(out, "\"/>\n");
}

enum strip { STRIP_DOOR = 0, STRIP_PERMIT, STRIP_HEATER, STRIP_COUNT };

static bool is_set(const struct hg_report_sample *sample, enum strip strip)
{
    if (strip == STRIP_DOOR)
        return sample->is_open;
    return strip == STRIP_PERMIT ? sample->has_permit : sample->is_on;
}

/* What is true from a sample on holds until the next one. */
static void put_strip(const struct plot *plot, enum strip strip, FILE *out)
{
    static const char *const name[STRIP_COUNT] = { "door", "permit", "heater" };
    double y = TOP + HEIGHT + 26.0 + STRIPS * (double)strip;
    struct hg_report_sample sample, last;

    fprintf(out,
            "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">%s</text>"
            "<rect class=\"none\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" "
            "height=\"12\"/>\n",
            LEFT - 6.0, y + 10.0, name[strip], LEFT, y, WIDTH);
    for (size_t i = 0, next; i + 1 < plot->count; i = next) {
        (void)hg_report_sample(plot->report, i, &sample);
        last = sample;
        for (next = i + 1; next < plot->count; next++) {
            (void)hg_report_sample(plot->report, next, &last);
            if (is_set(&last, strip) != is_set(&sample, strip))
                break;
        }
        if (is_set(&sample, strip))
            fprintf(out,
                    "<rect class=\"%s\" x=\"%.1f\" y=\"%.1f\" "
                    "width=\"%.2f\" height=\"12\"/>\n",
                    name[strip], x_of(plot, sample.t_s), y,
                    fmax(x_of(plot, last.t_s) - x_of(plot, sample.t_s), 0.6));
    }
}

/* One entry of the key: a piece of the drawing, and what it is. */
static void put_key(const char *shape, const char *text, FILE *out)
{
    fprintf(out,
            "<li><svg viewBox=\"0 0 28 12\" aria-hidden=\"true\">%s</svg>%s"
            "</li>\n",
            shape, text);
}

static void put_keys(FILE *out)
{
    fputs("<ul class=\"key\">\n", out);
    put_key("<path class=\"air\" d=\"M0 6h28\"/>", "air", out);
    put_key("<path class=\"target\" d=\"M0 6h28\"/>", "target", out);
    put_key("<rect class=\"band\" width=\"28\" height=\"12\"/>"
            "<path class=\"ready\" d=\"M14 0v12\"/>",
            "when it was expected to be ready, as forecast at the beginning (9 "
            "of 10 lie in the band)",
            out);
    put_key("<rect class=\"door\" width=\"28\" height=\"12\"/>", "door open",
            out);
    put_key("<rect class=\"permit\" width=\"28\" height=\"12\"/>",
            "permit to heat", out);
    put_key("<rect class=\"heater\" width=\"28\" height=\"12\"/>", "heater on",
            out);
    fputs("</ul>\n", out);
}

static void put_plot(const json_t *report, FILE *out)
{
    struct plot plot;

    measure(report, &plot);
    fprintf(out,
            "<svg class=\"plot\" viewBox=\"0 0 %.0f %.0f\" role=\"img\" "
            "aria-label=\"Air and target in degrees Celsius over minutes, "
            "with door, permit and heater below\">\n",
            LEFT + WIDTH + 14.0, TOP + HEIGHT + 26.0 + STRIPS * STRIP_COUNT);
    put_forecast(&plot, out);
    put_grid(&plot, out);
    put_target(&plot, out);
    put_air(&plot, out);
    for (int strip = 0; strip < STRIP_COUNT; strip++)
        put_strip(&plot, (enum strip)strip, out);
    fputs("</svg>\n", out);
    put_keys(out);
}

/* -- the words --------------------------------------------------------------
 */

static void put_fact(const char *name, const char *text, FILE *out)
{
    fprintf(out, "<dt>%s</dt><dd>", name);
    hg_handover_put(out, text);
    fprintf(out, "</dd>\n");
}

static void put_when(const char *name, const char *text, FILE *out)
{
    char when[HG_CLI_WHEN_BYTES];
    int64_t ms;

    if (hg_text_to_wall(text, &ms) < 0) {
        put_fact(name, "-", out);
        return;
    }
    hg_cli_when_full(ms, when);
    put_fact(name, when, out);
}

/* The first forecast there was. */
static void put_expected(const json_t *report, FILE *out)
{
    struct hg_report_sample sample;
    char text[96];

    for (size_t i = 0; hg_report_sample(report, i, &sample); i++) {
        if (!(sample.ready_s > 0.0))
            continue;
        snprintf(text, sizeof(text),
                 "after %.0f min, between %.0f and %.0f (9 of 10)",
                 sample.ready_s / 60.0, sample.low_s / 60.0,
                 sample.high_s / 60.0);
        put_fact("Expected ready", text, out);
        return;
    }
}

void hg_report_page(const json_t *report, FILE *out)
{
    double kwh =
        json_number_value(json_object_get(report, "energy_wh")) / 1000.0;
    const json_t *price = json_object_get(report, "price_per_kwh");
    char text[96];

    fputs(HEAD, out);
    fprintf(out, "<h1>Heat in ");
    hg_handover_put(out, hg_cli_text(report, "room"));
    fprintf(out, "</h1>\n<dl>\n");
    put_fact("Heat", hg_cli_text(report, "heat_id"), out);
    put_fact("Asked for by", hg_cli_text(report, "by"), out);
    put_when("Began", hg_cli_text(report, "started_at"), out);
    put_when("Ended", hg_cli_text(report, "ended_at"), out);
    put_fact("Because of", hg_cli_text(report, "end"), out);
    snprintf(text, sizeof(text), "%.3f kWh", kwh);
    put_fact("Energy", text, out);
    if (json_is_number(price)) {
        snprintf(text, sizeof(text), "%.2f %.8s",
                 kwh * json_number_value(price),
                 hg_cli_text(report, "currency"));
        put_fact("Cost", text, out);
    }
    put_expected(report, out);
    fprintf(out, "</dl>\n");
    put_plot(report, out);
    fprintf(out, "</body></html>\n");
}
