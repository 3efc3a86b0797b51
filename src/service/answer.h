#ifndef HG_SERVICE_ANSWER_H
#define HG_SERVICE_ANSWER_H

/* Answers of the gate, and refusals, as JSON-RPC. */
#include "api/backend.h"
#include "heatgate/gate.h"
#include <jansson.h>

struct hg_room;
struct hg_service;

/*
 * Complete the request that an ANSWER effect belongs to. n is the number of
 * the record made just before in the same step (0: none): answers that rest
 * on it wait until it is durable.
 */
void hg_answer_effect(struct hg_service *service, struct hg_room *room,
                      const struct hg_effect *effect, uint64_t n);

/* data of error 1001: {"reasons":[…]} with what is unmet. NULL: no memory. */
json_t *hg_answer_reasons(hg_why_set reasons);
/* Error 1001 at once, for what is refused before the gate is asked. */
void hg_answer_refused(struct hg_api_reply *reply, hg_why_set reasons);
/* "door-cycle" and so on. */
const char *hg_answer_evidence_word(enum hg_evidence evidence);
/* What proves that somebody was there, for check.open. */
json_t *hg_answer_evidence(struct hg_service *service,
                           const struct hg_room *room);

#endif
