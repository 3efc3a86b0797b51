#ifndef HG_CLI_QR_H
#define HG_CLI_QR_H

/*
 * A text as a QR code (ISO/IEC 18004), for a page or for a terminal. The
 * symbol is libqrencode's; here it is only drawn, with its quiet zone of four
 * modules.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stdio.h>

#define HG_QR_BYTES_MAX                                                        \
    1000 /* more is no symbol for a camera at arm's length */

/*
 * Write an <svg> of class "qr": dark on a white ground of its own, so that it
 * can be read on a dark page too.
 *
 * HG_ERR_RANGE the text is longer than HG_QR_BYTES_MAX; HG_ERR_MEMORY.
 * Nothing was written then.
 */
HG_MUST_CHECK int hg_qr_svg(const char *text, FILE *out);

/*
 * Write lines of half blocks, two modules in height each. With colour the
 * ground is white on any terminal; without, dark modules are inked, as on
 * paper. Errors as above.
 */
HG_MUST_CHECK int hg_qr_text(const char *text, bool has_colour, FILE *out);

#endif
