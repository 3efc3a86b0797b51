#ifndef HG_SERVICE_REPLAY_H
#define HG_SERVICE_REPLAY_H

/*
 * What happened between the last save of rooms.json and a sudden end of the
 * service, out of the journal. Everything is taken the safe way: a check is
 * never better than the journal says, a lockout is never forgotten, nothing
 * heats.
 */
#include "base/err.h"
#include "heatgate/gate.h"
#include <jansson.h>

struct hg_room;
struct hg_service;

/* Make place for all rooms. */
HG_MUST_CHECK int hg_replay_new(struct hg_service *service);

/* Note what was kept of a room; energy as memory.c writes it, or NULL. */
void hg_replay_begin(struct hg_service *service, struct hg_room *room,
                     const struct hg_gate_memory *memory, uint64_t journal_n,
                     const json_t *energy);

/*
 * Read the journal's tail and begin every room's gate. Heat that was cut
 * short gets its end recorded. Needs journal and access to be open.
 * HG_ERR_CORRUPT, HG_ERR_SYSTEM, HG_ERR_MEMORY: the journal cannot be read.
 */
HG_MUST_CHECK int hg_replay_finish(struct hg_service *service);

#endif
