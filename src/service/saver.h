#ifndef HG_SERVICE_SAVER_H
#define HG_SERVICE_SAVER_H

/*
 * A helper thread that writes rooms.json, so that the loop never waits for
 * the disk. One text at a time: the next is taken when the last is done.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>

struct hg_saver;
struct hg_store;

#define HG_SAVER_WHY_BYTES 1024

/* wake is called from the helper's thread when a text is done. */
HG_MUST_CHECK int hg_saver_new(struct hg_store *store, void (*wake)(void *),
                               void *wake_arg, struct hg_saver **ret_saver);

/* Finish what is being written, end the thread. NULL is fine. */
void hg_saver_free(struct hg_saver *saver);

/*
 * Write this text. text_taken is freed by the saver, also on failure.
 * HG_ERR_BUSY: the last one is not done (or its outcome not fetched).
 */
HG_MUST_CHECK int hg_saver_submit(struct hg_saver *saver, char *text_taken,
                                  size_t len);

/* Is one done? Then its outcome, and when it failed a sentence in ret_why. */
bool hg_saver_poll(struct hg_saver *saver, int *ret_err,
                   char ret_why[HG_SAVER_WHY_BYTES]);

/* Nothing under way and nothing to fetch. */
bool hg_saver_is_idle(struct hg_saver *saver);

#endif
