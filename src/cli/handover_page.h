#ifndef HG_CLI_HANDOVER_PAGE_H
#define HG_CLI_HANDOVER_PAGE_H

/*
 * The hand-over sheet as one self-contained HTML page: no script, nothing
 * loaded from elsewhere, every text from outside escaped.
 */
#include <jansson.h>
#include <stdint.h>
#include <stdio.h>

/* Where the photographs come from. */
struct hg_handover_photos {
    /* Write one as base64. 0, or a status that ends the page. */
    int (*put)(void *context, const char *room, const char *sha256, FILE *out);
    void *context;
};

/*
 * Write the page.
 *
 * state   answer of commission.state with a "done"
 * now_ms  wall time of printing
 *
 * 0, or what photos->put() returned. Whether all was written, ferror(out)
 * says.
 */
int hg_handover_page(const json_t *state, int64_t now_ms,
                     const struct hg_handover_photos *photos, FILE *out)
    __attribute__((warn_unused_result));

/* Text for HTML, safe in elements and in quoted attributes. */
void hg_handover_put(FILE *out, const char *text);

#endif
