/* Text for people; see out.h. */
#include "cli/out.h"
#include <string.h>

const char *hg_cli_paint(bool has_colour, enum hg_paint paint)
{
    static const char *const escape[] = {
        [HG_PAINT_NONE] = "\033[0m",   [HG_PAINT_GOOD] = "\033[32m",
        [HG_PAINT_WARN] = "\033[33m",  [HG_PAINT_BAD] = "\033[31m",
        [HG_PAINT_STRONG] = "\033[1m",
    };

    return has_colour ? escape[paint] : "";
}

static bool is_continuation(char c)
{
    return ((unsigned char)c & 0xc0) == 0x80;
}

size_t hg_cli_width(const char *text)
{
    size_t width = 0;

    for (; *text != '\0'; text++)
        width += !is_continuation(*text);
    return width;
}

/* Write one code point. Returns its bytes. */
static size_t put_point(FILE *out, const char *text)
{
    unsigned char first = (unsigned char)text[0];
    unsigned char second = (unsigned char)text[1];
    size_t len = 1;

    while (is_continuation(text[len]))
        len++;
    if (first < 0x20 || first == 0x7f ||
        (first == 0xc2 && second >= 0x80 && second < 0xa0) ||
        is_continuation(text[0]))
        fputc('?', out);
    else
        fwrite(text, 1, len, out);
    return len;
}

void hg_cli_put(FILE *out, const char *text)
{
    while (*text != '\0')
        text += put_point(out, text);
}

void hg_cli_put_cell(FILE *out, const char *text, size_t width)
{
    size_t used = 0;

    for (; *text != '\0' && used < width; used++)
        text += put_point(out, text);
    for (; used < width; used++)
        fputc(' ', out);
}

static size_t put_word(FILE *out, const char *word, size_t len)
{
    size_t width = 0;

    for (size_t i = 0; i < len; width++)
        i += put_point(out, word + i);
    return width;
}

void hg_cli_put_wrapped(FILE *out, size_t column, size_t indent,
                        const char *text)
{
    bool is_first = true;

    while (*text != '\0') {
        size_t len = strcspn(text, " ");
        size_t width = 0;

        for (size_t i = 0; i < len; i++)
            width += !is_continuation(text[i]);
        if (!is_first && column + 1 + width > HG_CLI_COLUMNS) {
            fprintf(out, "\n%*s", (int)indent, "");
            column = indent;
        } else if (!is_first) {
            fputc(' ', out);
            column++;
        }
        column += put_word(out, text, len);
        text += len;
        text += strspn(text, " ");
        is_first = false;
    }
    fputc('\n', out);
}

void hg_cli_celsius(bool has_one, double celsius,
                    char out[HG_CLI_CELSIUS_BYTES])
{
    if (has_one)
        snprintf(out, HG_CLI_CELSIUS_BYTES, "%.1f C", celsius);
    else
        snprintf(out, HG_CLI_CELSIUS_BYTES, "-");
}

void hg_cli_bar(double fraction, size_t width, char out[HG_CLI_BAR_BYTES])
{
    size_t filled;

    if (width > HG_CLI_BAR_BYTES - 3)
        width = HG_CLI_BAR_BYTES - 3;
    if (!(fraction > 0.0)) /* not a number too */
        fraction = 0.0;
    if (fraction > 1.0)
        fraction = 1.0;
    filled = (size_t)(fraction * (double)width);
    out[0] = '[';
    memset(out + 1, '#', filled);
    memset(out + 1 + filled, '.', width - filled);
    out[width + 1] = ']';
    out[width + 2] = '\0';
}
