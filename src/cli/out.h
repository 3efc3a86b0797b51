#ifndef HG_CLI_OUT_H
#define HG_CLI_OUT_H

/*
 * Text for people: in 80 columns, and without control characters that came
 * from elsewhere (a terminal would obey them).
 */
#include <stddef.h>
#include <stdio.h>
#include <stdbool.h>
#include <stdint.h>

#define HG_CLI_COLUMNS 80

enum hg_paint {
    HG_PAINT_NONE = 0,
    HG_PAINT_GOOD,
    HG_PAINT_WARN,
    HG_PAINT_BAD,
    HG_PAINT_STRONG
};

/* The escape that begins a paint, or "" without colour; NONE ends it. */
const char *hg_cli_paint(bool has_colour, enum hg_paint paint);

/* Columns that a UTF-8 text takes: its code points. */
size_t hg_cli_width(const char *text);

/* Write text; control characters (C0, DEL, C1) become '?'. */
void hg_cli_put(FILE *out, const char *text);

/* Write text, cut or padded with blanks to width columns. */
void hg_cli_put_cell(FILE *out, const char *text, size_t width);

/*
 * Write text broken at blanks into lines of HG_CLI_COLUMNS, each but the
 * first indented, ending with a newline. column is where the first begins.
 */
void hg_cli_put_wrapped(FILE *out, size_t column, size_t indent,
                        const char *text);

/* "64.2 C", or "-" when there is none. */
#define HG_CLI_CELSIUS_BYTES 32
void hg_cli_celsius(bool has_one, double celsius,
                    char out[HG_CLI_CELSIUS_BYTES]);

/* A bar of width characters in brackets, filled by fraction (0 to 1). */
#define HG_CLI_BAR_BYTES 64
void hg_cli_bar(double fraction, size_t width, char out[HG_CLI_BAR_BYTES]);

#endif
