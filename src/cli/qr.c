/* A text as a QR code; see qr.h. */
#include "cli/qr.h"
#include <errno.h>
#include <qrencode.h>
#include <string.h>

#define QUIET 4

static int make(const char *text, QRcode **ret_code)
{
    QRcode *code;

    if (strlen(text) > HG_QR_BYTES_MAX)
        return HG_ERR_RANGE;
    /* M mends 15 %: a fold, a thumb, a drop of water */
    code = QRcode_encodeString8bit(text, 0, QR_ECLEVEL_M);
    if (code == NULL)
        return errno == ENOMEM ? HG_ERR_MEMORY : HG_ERR_RANGE;
    *ret_code = code;
    return 0;
}

/* The symbol holds a code that opens a door. */
static void drop(QRcode *code)
{
    explicit_bzero(code->data, (size_t)code->width * (size_t)code->width);
    QRcode_free(code);
}

/* Outside the symbol all is light. */
static bool is_dark(const QRcode *code, int x, int y)
{
    return x >= 0 && y >= 0 && x < code->width && y < code->width &&
           (code->data[y * code->width + x] & 1) != 0;
}

int hg_qr_svg(const char *text, FILE *out)
{
    QRcode *code;
    int err = make(text, &code);
    int side;

    if (err < 0)
        return err;
    side = code->width + 2 * QUIET;
    fprintf(out,
            "<svg class=\"qr\" xmlns=\"http://www.w3.org/2000/svg\" "
            "role=\"img\" aria-label=\"QR code of the address with the "
            "code\" viewBox=\"0 0 %d %d\" shape-rendering=\"crispEdges\">"
            "<rect width=\"%d\" height=\"%d\" fill=\"#fff\"/>"
            "<path fill=\"#000\" d=\"",
            side, side, side, side);
    for (int y = 0; y < code->width; y++) {
        for (int x = 0, len; x<code->width; x += len> 0 ? len : 1) {
            for (len = 0; is_dark(code, x + len, y);)
                len++;
            if (len > 0)
                fprintf(out, "M%d %dh%dv1h-%dz", x + QUIET, y + QUIET, len,
                        len);
        }
    }
    fputs("\"/></svg>\n", out);
    drop(code);
    return 0;
}

int hg_qr_text(const char *text, bool has_colour, FILE *out)
{
    /* by the upper module, then the lower: neither, lower, upper, both */
    static const char *const BLOCK[] = { " ", "\xe2\x96\x84", "\xe2\x96\x80",
                                         "\xe2\x96\x88" };
    QRcode *code;
    int err = make(text, &code);

    if (err < 0)
        return err;
    for (int y = -QUIET; y < code->width + QUIET; y += 2) {
        fputs(has_colour ? "\033[30;107m" : "", out);
        for (int x = -QUIET; x < code->width + QUIET; x++)
            fputs(BLOCK[2 * is_dark(code, x, y) + is_dark(code, x, y + 1)],
                  out);
        fputs(has_colour ? "\033[0m\n" : "\n", out);
    }
    drop(code);
    return 0;
}
