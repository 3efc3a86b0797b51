#ifndef HG_CLI_CARD_H
#define HG_CLI_CARD_H

/*
 * What a guest is handed: the code, where to go with it, how the room is
 * checked and heated, and the cautions. As one self-contained HTML page (no
 * script, nothing loaded from elsewhere) or as text for a terminal. It holds
 * a code that opens the heat, and nobody's name.
 */
#include "base/err.h"
#include "base/url.h"
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#define HG_CARD_ROOMS_MAX  64
#define HG_CARD_LINK_BYTES (HG_URL_BYTES_MAX + 80)
#define HG_CARD_CODE_BYTES 64

enum hg_card_evidence { /* of a look-in */
                        HG_CARD_DOOR_CYCLE = 0,
                        HG_CARD_PANEL,
                        HG_CARD_PLACE_CODE
};

struct hg_card_room {
    const char *label;
    enum hg_card_evidence evidence;
};

struct hg_card { /* all borrowed */
    const char *code;
    const char *id;      /* of the code, for its end */
    const char *address; /* passed hg_url_is_public() */
    struct hg_card_room room[HG_CARD_ROOMS_MAX];
    size_t room_count;
    int64_t from_ms, until_ms; /* printed in the zone of this process */
};

/*
 * The address with the code behind it: ADDRESS/#code=CODE. What stands behind
 * a # is never sent by a browser, so no log on the way holds it (RFC 3986,
 * 3.5).
 *
 * HG_ERR_INPUT: the address is none, or the code holds what no code has.
 */
HG_MUST_CHECK int hg_card_link(const char *address, const char *code,
                               char ret_link[HG_CARD_LINK_BYTES]);

/*
 * Write the page, or the text. Whether all was written, ferror(out) says.
 * Errors of hg_card_link(), HG_ERR_MEMORY; what was written is void then.
 */
HG_MUST_CHECK int hg_card_page(const struct hg_card *card, FILE *out);
HG_MUST_CHECK int hg_card_text(const struct hg_card *card, bool has_colour,
                               FILE *out);

#endif
