#ifndef HG_CLI_IMPORT_H
#define HG_CLI_IMPORT_H

/*
 * What has to be done so that the codes of a room follow its calendar. Pure:
 * the stays of the file and the codes that the service knows come in, a list
 * of deeds comes out.
 */
#include "access/calendar.h"
#include <jansson.h>

enum hg_import_deed {
    HG_IMPORT_KEEP = 0, /* the code is right as it is */
    HG_IMPORT_ISSUE,
    HG_IMPORT_MOVE,
    HG_IMPORT_REVOKE, /* cancelled */
    HG_IMPORT_PRUNE,  /* not in the file any more, and to come */
    HG_IMPORT_GONE,   /* the same, but it was not asked for */
    HG_IMPORT_ENDED,  /* its code was ended: left alone */
    HG_IMPORT_TOO_LONG,
    HG_IMPORT_NONE /* cancelled, and there never was a code */
};

struct hg_import_ask {
    const struct hg_calendar *calendar;
    const json_t *guests; /* of guest.list of the room */
    int64_t now_ms;
    bool is_pruning, is_renewing;
};

struct hg_import_step {
    enum hg_import_deed deed;
    char uid[2 * HG_CALENDAR_UID_BYTES + 1];
    char id[64]; /* of the code there is; "": none */
    int64_t from_ms, until_ms;
};

/* The word of a deed: "issue", "move", "left out: …". */
const char *hg_import_word(enum hg_import_deed deed);

/*
 * Decide. The steps are in the order of the file, then those not in it.
 *
 * ret_steps  the caller frees it
 *
 * HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_import_plan(const struct hg_import_ask *ask,
                                 struct hg_import_step **ret_steps,
                                 size_t *ret_count);

#endif
