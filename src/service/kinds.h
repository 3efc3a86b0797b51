#ifndef HG_SERVICE_KINDS_H
#define HG_SERVICE_KINDS_H

/*
 * Record kinds that the service adds to the gate's (HG_RECORD_LIST), and the
 * statements of the room check in words. A name is never reused.
 */
#include "heatgate/gate.h"
#include <jansson.h>
#include <stdbool.h>

/* kinds of refusals, counted on behind enum hg_record */
#define HG_KIND_SIGN_IN_REFUSED ((uint32_t)HG_RECORD_COUNT)
#define HG_KIND_CALL_REFUSED    ((uint32_t)HG_RECORD_COUNT + 1)
#define HG_KIND_REFUSALS        ((uint32_t)HG_RECORD_COUNT + 2)

/* The "kind" of a record; of enum hg_record or one of the above. */
const char *hg_kind_text(uint32_t kind);

#define HG_KIND_GATEWAY_STARTED     "gateway-started"
#define HG_KIND_GATEWAY_STOPPED     "gateway-stopped"
#define HG_KIND_JOURNAL_REPAIRED    "journal-repaired"
#define HG_KIND_COMMISSION_WAIVED   "commissioning-waived"
#define HG_KIND_COMMISSION_RECORDED "commissioning-recorded"
#define HG_KIND_ACCESS_ISSUED       "access-issued"
#define HG_KIND_ACCESS_ENDED        "access-ended"
#define HG_KIND_ACCESS_MOVED        "access-moved"
#define HG_KIND_CONFIG_RELOADED     "configuration-reloaded"
#define HG_KIND_CONFIG_REFUSED      "configuration-refused"
#define HG_KIND_SETTINGS_TAKEN      "settings-taken"
#define HG_KIND_SIGNED_IN           "signed-in"
#define HG_KIND_OUTPUT_SET          "output-set"

/* codes of notices that are no reasons and no records of the gate */
#define HG_CODE_SETTINGS_WAIT  "settings-wait"
#define HG_CODE_SETTINGS_TAKEN "settings-taken"

/* [{id,text}] of all statements, or only their ids. NULL: no memory. */
json_t *hg_statements_json(bool has_text);
/* Bits of enum hg_statement that an array of ids agrees to. */
uint32_t hg_statements_find(const json_t *ids);

#endif
