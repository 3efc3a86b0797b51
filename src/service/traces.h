#ifndef HG_SERVICE_TRACES_H
#define HG_SERVICE_TRACES_H

/*
 * The traces of the heats of all rooms, and their files: state_dir/heats/
 * <heat_id>.json, replaced whole once a minute and at the end of the heat, by
 * a helper thread. Nothing here is asked before a permit or a revoke; a trace
 * that cannot be kept costs a plot, never a decision.
 */
#include "service/trace.h"

struct hg_service;
struct hg_traces;
struct hg_job;

#define HG_TRACES_DIR        "heats"
#define HG_TRACES_FILES_MAX  5000
#define HG_TRACES_KEPT_MS    (INT64_C(400) * 86400000)
#define HG_TRACES_SAVE_MS    60000
#define HG_TRACES_ENDED_MAX  256 /* that wait for the disk */
#define HG_TRACES_READS_MAX  32  /* of reports, under way */
#define HG_TRACES_FILE_BYTES ((size_t)1 << 20)

HG_MUST_CHECK int hg_traces_begin(struct hg_service *service);
/* Save what waits, for a bounded time, and end the helper. */
void hg_traces_end(struct hg_service *service);

/* A heat begins; what it uses is counted from the newest reading on. */
void hg_traces_start(struct hg_service *service, struct hg_room *room);
/* A fresh reading was taken during a heat. */
void hg_traces_feed(struct hg_service *service, struct hg_room *room);
/*
 * Has the heat that was counted ended with this step? Then count its energy
 * to the end, and hand its trace to the helper. Before the step's records.
 */
void hg_traces_look(struct hg_service *service, struct hg_room *room);

/* Finish what the helper has done, hand it what is due. */
void hg_traces_tick(struct hg_service *service);

/*
 * Have the helper do this, behind what it is saving now. HG_ERR_FULL: too
 * much waits, or there is no helper; the job stays the caller's.
 */
HG_MUST_CHECK int hg_traces_submit(struct hg_service *service,
                                   struct hg_job *job);

/* The running or not yet saved trace of a heat, or NULL. Borrowed. */
const struct hg_trace *hg_traces_find(const struct hg_service *service,
                                      const char *heat_id);

/*
 * The kept trace of a heat. For any thread.
 * HG_ERR_NOT_FOUND, HG_ERR_CORRUPT, HG_ERR_SYSTEM, HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_traces_read(const char *state_dir, const char *heat_id,
                                 json_t **ret_trace);

/*
 * At the start: the heat that a sudden stop cut short. Its energy as far as
 * it was kept (0: nothing was); the file gets its end.
 */
uint64_t hg_traces_close(struct hg_service *service, const char *heat_id,
                         enum hg_why end);

/*
 * Delete the oldest files above a count, those older than before_ms (wall; 0:
 * none for their age), and what writing left behind.
 * Returns how many were deleted.
 */
size_t hg_traces_prune(const char *dir, size_t max, int64_t before_ms);

#endif
