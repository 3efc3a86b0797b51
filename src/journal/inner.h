#ifndef HG_JOURNAL_INNER_H
#define HG_JOURNAL_INNER_H

/*
 * What the parts of an open journal share. Three kinds of fields: fixed
 * after opening; the loop's own; the syncer's own; and those under the lock.
 * Inner to the module.
 */
#include "journal/files.h"
#include "journal/journal.h"
#include "journal/key.h"
#include "journal/line.h"
#include <pthread.h>

/* where a queued record ends in its batch, and its hash */
struct hg_journal_mark {
    size_t end;
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
};

/* finished lines, one behind the other */
struct hg_journal_batch {
    char *bytes;
    struct hg_journal_mark *mark;
    size_t count;     /* records held */
    uint64_t first_n; /* number of the first one */
};

/* the newest segment; the syncer's own once it runs */
struct hg_journal_tail {
    int fd;               /* -1: to be opened again and cut to bytes */
    uint64_t first_n;     /* its name */
    uint64_t bytes;       /* durable length */
    bool has_name_synced; /* its name is durable in the folder */
};

struct hg_journal {
    /* fixed after opening */
    char dir[HG_JOURNAL_DIR_BYTES];
    const struct hg_journal_io *io;
    void (*wake)(void *arg);
    void *wake_arg;
    uint64_t segment_bytes;
    size_t queue_bytes, queue_records;
    uint32_t retry_ms;
    int lock_fd;
    struct hg_journal_key key;
    bool has_lock, has_thread;
    pthread_t thread;

    /* the loop's own */
    struct hg_journal_digest digest;
    struct hg_journal_last last;
    char last_hash[HG_JOURNAL_HASH_TEXT_BYTES];

    /* the syncer's own */
    struct hg_journal_batch flight; /* being written; stays until durable */
    size_t flight_done;             /* its first records already durable */
    struct hg_journal_tail tail;

    /* under the lock */
    pthread_mutex_t lock;
    pthread_cond_t work; /* tells the syncer */
    pthread_cond_t done; /* tells hg_journal_flush */
    struct hg_journal_batch waiting;
    size_t queued_bytes, queued_records; /* waiting and in flight */
    uint64_t durable_n;
    uint8_t durable_hash[HG_JOURNAL_HASH_BYTES];
    struct hg_journal_head head;
    bool has_head, is_serving, is_ending;
    bool is_failed, has_failed, has_recovered, has_head_failed;
    char text[HG_JOURNAL_TEXT_BYTES];
};

/*
 * Find the end of the journal in its folder: last, last_hash, durable_*, and
 * tail are set, a torn line is cut off. Fills problem when it fails.
 */
HG_MUST_CHECK int hg_journal_find_end(struct hg_journal *journal,
                                      char problem[HG_JOURNAL_TEXT_BYTES],
                                      uint64_t *ret_repaired_bytes);

/* which records to read: after_n + 1 to upto_n, at most limit (0: all) */
struct hg_journal_reading {
    const char *dir;
    uint64_t after_n, upto_n, limit;
};
HG_MUST_CHECK int
hg_journal_read_range(const struct hg_journal_reading *reading,
                      hg_journal_line_fn *fn, void *arg);

/* Start and end the syncer; end tries once more to write what waits.
 * HG_ERR_SYSTEM with errno */
HG_MUST_CHECK int hg_journal_syncer_start(struct hg_journal *journal);
void hg_journal_syncer_end(struct hg_journal *journal);

#endif
