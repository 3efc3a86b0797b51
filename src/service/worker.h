#ifndef HG_SERVICE_WORKER_H
#define HG_SERVICE_WORKER_H

/*
 * A helper thread that takes jobs one after the other, so that the loop never
 * waits for the disk. A job runs in the thread and is finished in the loop's.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>

struct hg_worker;

/* The first member of a job of the caller's own. */
struct hg_job {
    struct hg_job *next;
    /* In the thread; may touch nothing that the loop's thread touches. */
    void (*run)(struct hg_job *job);
    /* In the loop's thread, once; owns the job from then on. */
    void (*done)(struct hg_job *job);
};

/*
 * max   jobs under way at a time
 * wake  called from the thread when a job has run
 *
 * HG_ERR_MEMORY, HG_ERR_SYSTEM (no thread)
 */
HG_MUST_CHECK int hg_worker_new(size_t max, void (*wake)(void *),
                                void *wake_arg, struct hg_worker **ret_worker);

/* Run what is queued, end the thread, finish every job. NULL is fine. */
void hg_worker_free(struct hg_worker *worker);

/* Queue a job. HG_ERR_FULL: max jobs are under way; it stays the caller's. */
HG_MUST_CHECK int hg_worker_submit(struct hg_worker *worker,
                                   struct hg_job *job);

/* Jobs submitted and not finished. */
size_t hg_worker_under_way(const struct hg_worker *worker);

/* Finish the jobs that have run. */
void hg_worker_poll(struct hg_worker *worker);

/* Is hg_worker_free() waiting? A long job asks now and then and stops. */
bool hg_worker_is_ending(struct hg_worker *worker);

#endif
