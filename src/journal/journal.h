#ifndef HG_JOURNAL_JOURNAL_H
#define HG_JOURNAL_JOURNAL_H

/*
 * The audit journal: numbered JSON lines, each holding the SHA-256 of the
 * line before it, in files journal-<n of the first record>.jsonl. Appending
 * only numbers, chains and queues; one thread of its own, the syncer, writes
 * all waiting records with one write and one fdatasync, then wakes the loop.
 * A record is durable when hg_journal_poll() says so, never before.
 *
 * Never here: JSON building (the service hands over finished members), any
 * decision, any deletion of records. One process per folder (it is locked).
 * All functions belong to one thread, the loop; the syncer is inside.
 */
#include "base/err.h"
#include "journal/head.h"
#include "journal/io.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* bytes of the members of one record: a line stays below 64 KiB */
#define HG_JOURNAL_MEMBERS_MAX ((size_t)60 * 1024)
/* what happened, why, what to do; with NUL */
#define HG_JOURNAL_TEXT_BYTES 768

#define HG_JOURNAL_SEGMENT_BYTES ((uint64_t)16 * 1024 * 1024)
#define HG_JOURNAL_QUEUE_BYTES   ((size_t)4 * 1024 * 1024)
#define HG_JOURNAL_QUEUE_RECORDS 8192U
#define HG_JOURNAL_RETRY_MS      2000U
#define HG_JOURNAL_RETRY_MAX_MS  5000U

struct hg_journal; /* opaque */

struct hg_journal_options {
    const char *dir;        /* made with mode 0700 if only it is missing */
    uint64_t segment_bytes; /* 0: HG_JOURNAL_SEGMENT_BYTES; else >= 4096 */
    size_t queue_bytes;     /* 0: HG_JOURNAL_QUEUE_BYTES; else >= 64 KiB */
    size_t queue_records;   /* 0: HG_JOURNAL_QUEUE_RECORDS */
    uint32_t retry_ms;      /* 0: HG_JOURNAL_RETRY_MS; at most 5000 */
    /*
     * Called by the syncer's thread, holding no lock, whenever poll has
     * something new. May only do what is safe from another thread
     * (lws_cancel_service). NULL: nobody is woken.
     */
    void (*wake)(void *arg);
    void *wake_arg;
    const struct hg_journal_io *io; /* NULL: the system's; else borrowed */
};

/* what opening found and did; worth a record of its own when not zero */
struct hg_journal_opened {
    bool is_new;             /* the folder held no record */
    bool is_key_new;         /* a signing key was made now */
    uint64_t repaired_bytes; /* cut off: a line torn by a crash */
};

/*
 * Open the journal of a folder, or begin it: lock the folder, check the
 * newest segment (every number and hash in it, and its link to the segment
 * before), cut a torn last line, load or make the Ed25519 key (key.pem 0600,
 * key.pub.pem), start the syncer. All records found are durable on return.
 *
 * options     strings are copied, io and wake_arg borrowed until free
 * problem     HG_JOURNAL_TEXT_BYTES; "" on success, else what went wrong,
 *             why, and what to do, for the log
 *
 * HG_ERR_BUSY     another process has this journal open
 * HG_ERR_CORRUPT  a complete line, or the order of files, is not what was
 *                 written; nothing was changed
 * HG_ERR_DENIED   key.pem can be read by others
 * HG_ERR_RANGE    an option outside its limits, or a path too long
 * HG_ERR_SYSTEM, HG_ERR_MEMORY, HG_ERR_CRYPTO
 */
HG_MUST_CHECK int hg_journal_open(const struct hg_journal_options *options,
                                  char problem[HG_JOURNAL_TEXT_BYTES],
                                  struct hg_journal_opened *ret_opened,
                                  struct hg_journal **ret_journal);

/*
 * End: one last attempt to write what waits (call hg_journal_flush() first to
 * know how it went), stop the syncer, release everything. NULL is fine.
 */
void hg_journal_free(struct hg_journal *journal);

/*
 * Number a record, chain it and queue it for the disk. Never waits for it.
 *
 * wall_ms  becomes "at", UTC with milliseconds
 * members  the record's own members as JSON text without the braces, for
 *          example "kind":"heat-granted","room":"heron" - compact, valid
 *          UTF-8 JSON, 1 to HG_JOURNAL_MEMBERS_MAX bytes; copied. Must not
 *          name n, at or prev.
 * ret_n    its number, 1 for the first; compare with durable_n of poll
 *
 * HG_ERR_FULL     the bounded queue is full (it is, in the end, while the
 *                 disk fails); nothing was queued: count it, tell it later
 * HG_ERR_INPUT    empty, or a control character or no quote at the start
 * HG_ERR_RANGE    too long, or 999,999,999,999 records reached
 * HG_ERR_CRYPTO
 */
HG_MUST_CHECK int hg_journal_append(struct hg_journal *journal, int64_t wall_ms,
                                    const char *members, size_t len,
                                    uint64_t *ret_n);

/* what the syncer has to tell since the last poll */
struct hg_journal_news {
    uint64_t durable_n;   /* every record up to it is on the disk */
    bool has_failed;      /* once at the first failure after good times */
    bool has_recovered;   /* once when writing works again; nothing was lost */
    bool is_failed;       /* how it stands now; decides when both are set */
    bool has_head_failed; /* head.json could not be replaced; text says why */
    char text[HG_JOURNAL_TEXT_BYTES]; /* of the newest failure; "" if none */
};

/* Take the news. Never waits for the disk, never fails. */
void hg_journal_poll(struct hg_journal *journal, struct hg_journal_news *news);

/* the newest record appended, durable or not */
struct hg_journal_last {
    uint64_t n;      /* 0: no record yet */
    int64_t wall_ms; /* its "at"; 0 without a record */
};
struct hg_journal_last hg_journal_last(const struct hg_journal *journal);

/* The number of the newest durable record, 0 if none. */
uint64_t hg_journal_durable(struct hg_journal *journal);

/*
 * Wait until everything appended so far is durable; for shutdown and tests,
 * never inside the loop.
 * HG_ERR_SYSTEM: writing fails at present; HG_ERR_BUSY: not within timeout.
 */
HG_MUST_CHECK int hg_journal_flush(struct hg_journal *journal,
                                   uint32_t timeout_ms);

/*
 * Sign the newest durable record: Ed25519 (RFC 8032) over n, newline, its
 * hash, newline, at. About 0.1 ms, no disk.
 * HG_ERR_NOT_FOUND: no durable record yet; HG_ERR_CRYPTO.
 */
HG_MUST_CHECK int hg_journal_sign_head(struct hg_journal *journal,
                                       int64_t wall_ms,
                                       struct hg_journal_head *ret_head);

/*
 * Hand a head to the syncer, which replaces head.json in the folder by it,
 * whole or not at all; a newer one overtakes. A failure comes with poll as
 * has_head_failed and is tried again with the next head only.
 */
void hg_journal_store_head(struct hg_journal *journal,
                           const struct hg_journal_head *head);

/* which records to read, in rising order */
struct hg_journal_range {
    uint64_t after_n; /* 0: from the first one */
    uint64_t limit;   /* at most so many; 0: no limit */
};

/*
 * One record: the line without its newline, not NUL-terminated, valid during
 * the call. 0 goes on, anything else ends the reading.
 */
typedef int hg_journal_line_fn(void *arg, uint64_t n, const char *line,
                               size_t len);

/*
 * Read durable records. Finds the place by file name and by halving, so the
 * end of a long journal costs no more than its beginning. Form and number of
 * each line are checked, the chain is not (hg_journal_verify does).
 *
 * Returns 0, or what fn returned to end it, or HG_ERR_CORRUPT (a line or a
 * file is missing or broken), HG_ERR_SYSTEM, HG_ERR_MEMORY.
 */
HG_MUST_CHECK int hg_journal_read(struct hg_journal *journal,
                                  const struct hg_journal_range *range,
                                  hg_journal_line_fn *fn, void *arg);

/* The same on a folder nobody needs to have open; a torn last line is left
 * out. HG_ERR_NOT_FOUND: no journal there. */
HG_MUST_CHECK int hg_journal_read_dir(const char *dir,
                                      const struct hg_journal_range *range,
                                      hg_journal_line_fn *fn, void *arg);

#endif
