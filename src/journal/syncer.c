/*
 * The syncer: one thread that makes queued records durable. Whatever waits
 * when it comes round is written with one write and one fdatasync per
 * segment (group commit); only then are the records called durable.
 *
 * After any failure nothing the kernel may still hold is trusted: a failed
 * fsync can leave pages that look clean but never reached the disk. The file
 * is cut back to its durable length, opened again, and every record since is
 * written anew. This file may read the clock: it decides nothing but when to
 * try again.
 */
#include "base/buf.h"
#include "journal/inner.h"
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define HEAD_NAME     "head.json"
#define WAIT_SLICE_MS 250

/* what a failed step was, for the text */
struct failure {
    const char *step;
    int number; /* errno */
};

static uint64_t boot_ms(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_BOOTTIME, &now); /* cannot fail on Linux 5+ */
    return (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
}

/*
 * Wait on a condition for at most ms. Conditions know no CLOCK_BOOTTIME, so
 * callers keep their deadline in it and wait in slices.
 */
static void wait_slice(pthread_cond_t *cond, pthread_mutex_t *lock, uint64_t ms)
{
    struct timespec until;

    if (ms > WAIT_SLICE_MS)
        ms = WAIT_SLICE_MS;
    (void)clock_gettime(CLOCK_MONOTONIC, &until);
    until.tv_nsec += (long)ms * 1000000;
    if (until.tv_nsec >= 1000000000) {
        until.tv_sec++;
        until.tv_nsec -= 1000000000;
    }
    (void)pthread_cond_timedwait(cond, lock, &until);
}

static int fail(struct failure *failure, const char *step)
{
    failure->step = step;
    failure->number = errno;
    return HG_ERR_SYSTEM;
}

/* -- the newest segment --------------------------------------------------*/

/* Give it up after a failure; a torn line is cut off at once if possible. */
static void abandon_tail(struct hg_journal *journal)
{
    const struct hg_journal_io *io = journal->io;
    struct hg_journal_tail *tail = &journal->tail;
    struct stat stat;

    if (tail->fd < 0)
        return;
    /* never lengthens: zeros would stand in for records somebody removed */
    if (fstat(tail->fd, &stat) == 0 && (uint64_t)stat.st_size > tail->bytes) {
        /* tried again, and then checked, when it is opened next */
        (void)io->ftruncate(io->arg, tail->fd, (off_t)tail->bytes);
    }
    (void)io->close(io->arg, tail->fd);
    tail->fd = -1;
}

/* Bring an opened file back to its durable length. */
static int cut_tail(struct hg_journal *journal, struct failure *failure)
{
    const struct hg_journal_io *io = journal->io;
    struct hg_journal_tail *tail = &journal->tail;
    struct stat stat;

    if (fstat(tail->fd, &stat) != 0)
        return fail(failure, "look at");
    if ((uint64_t)stat.st_size < tail->bytes) {
        errno = EUCLEAN;
        return fail(failure, "continue (it lost durable records)");
    }
    if ((uint64_t)stat.st_size > tail->bytes &&
        io->ftruncate(io->arg, tail->fd, (off_t)tail->bytes) != 0)
        return fail(failure, "cut a torn line off");
    return HG_OK;
}

static int open_tail(struct hg_journal *journal, struct failure *failure)
{
    const struct hg_journal_io *io = journal->io;
    struct hg_journal_tail *tail = &journal->tail;
    int flags = O_WRONLY | O_APPEND | O_CLOEXEC | O_NOFOLLOW;
    char name[HG_JOURNAL_FILE_NAME_BYTES];
    char path[HG_JOURNAL_PATH_BYTES];
    int err;

    hg_journal_segment_name(tail->first_n, name);
    err = hg_journal_path(journal->dir, name, path);
    if (err < 0)
        return err;
    /* one that held durable records must be there; never begin it anew */
    if (tail->bytes == 0)
        flags |= O_CREAT;
    tail->fd = io->open(io->arg, path, flags, 0600);
    if (tail->fd < 0)
        return fail(failure, "open");
    err = cut_tail(journal, failure);
    if (err == HG_OK && !tail->has_name_synced) {
        if (hg_journal_sync_dir(io, journal->dir) < 0)
            return fail(failure, "make the name durable of");
        tail->has_name_synced = true;
    }
    return err;
}

static size_t record_start(const struct hg_journal_batch *batch, size_t i)
{
    return i == 0 ? 0 : batch->mark[i - 1].end;
}

/* Close a full segment and begin the next, so that record i fits. */
static void rotate_tail(struct hg_journal *journal, size_t i)
{
    const struct hg_journal_batch *flight = &journal->flight;
    const struct hg_journal_io *io = journal->io;
    struct hg_journal_tail *tail = &journal->tail;
    size_t len = flight->mark[i].end - record_start(flight, i);

    if (tail->bytes == 0 || tail->bytes + len <= journal->segment_bytes)
        return;
    if (tail->fd >= 0)
        (void)io->close(io->arg, tail->fd); /* all in it is synced */
    tail->fd = -1;
    tail->first_n = flight->first_n + i;
    tail->bytes = 0;
    tail->has_name_synced = false;
}

/* -- one batch -----------------------------------------------------------*/

/* How many records from i on go into the segment as it stands: at least 1. */
static size_t records_that_fit(const struct hg_journal *journal, size_t i)
{
    const struct hg_journal_batch *flight = &journal->flight;
    size_t start = record_start(flight, i);
    size_t count = 1;

    while (i + count < flight->count &&
           journal->tail.bytes + (flight->mark[i + count].end - start) <=
               journal->segment_bytes)
        count++;
    return count;
}

static void publish(struct hg_journal *journal, size_t count)
{
    const struct hg_journal_batch *flight = &journal->flight;
    size_t start = record_start(flight, journal->flight_done);
    size_t last = journal->flight_done + count - 1;

    (void)pthread_mutex_lock(&journal->lock);
    journal->durable_n = flight->first_n + last;
    memcpy(journal->durable_hash, flight->mark[last].hash,
           HG_JOURNAL_HASH_BYTES);
    journal->queued_bytes -= flight->mark[last].end - start;
    journal->queued_records -= count;
    (void)pthread_mutex_unlock(&journal->lock);
    journal->flight_done += count;
}

/* Write what fits the segment, sync it, and only then say so. */
static int write_some(struct hg_journal *journal, struct failure *failure)
{
    const struct hg_journal_io *io = journal->io;
    const struct hg_journal_batch *flight = &journal->flight;
    struct hg_journal_tail *tail = &journal->tail;
    size_t start = record_start(flight, journal->flight_done);
    size_t count;
    size_t len;
    int err = HG_OK;

    rotate_tail(journal, journal->flight_done);
    if (tail->fd < 0)
        err = open_tail(journal, failure);
    if (err < 0)
        return err;
    count = records_that_fit(journal, journal->flight_done);
    len = flight->mark[journal->flight_done + count - 1].end - start;
    if (hg_journal_write_all(io, tail->fd, flight->bytes + start, len) < 0)
        return fail(failure, "write");
    if (io->fdatasync(io->arg, tail->fd) != 0)
        return fail(failure, "sync");
    tail->bytes += len;
    publish(journal, count);
    return HG_OK;
}

static int write_flight(struct hg_journal *journal, struct failure *failure)
{
    while (journal->flight_done < journal->flight.count) {
        int err = write_some(journal, failure);

        if (err < 0) {
            abandon_tail(journal);
            return err;
        }
    }
    return HG_OK;
}

static int write_head(struct hg_journal *journal,
                      const struct hg_journal_head *head,
                      struct failure *failure)
{
    char text[HG_JOURNAL_HEAD_TEXT_BYTES];
    struct hg_journal_small file = { journal->dir, HEAD_NAME, text, 0, 0600 };

    file.len = hg_journal_head_format(head, text);
    text[file.len++] = '\n'; /* takes the place of the NUL */
    if (hg_journal_replace(journal->io, &file) < 0)
        return fail(failure, "replace");
    return HG_OK;
}

/* -- telling -------------------------------------------------------------*/

static void say(struct hg_journal *journal, const char *name,
                const struct failure *failure, const char *advice)
{
    struct hg_buf buf;

    hg_buf_init(&buf, journal->text, sizeof(journal->text));
    hg_buf_addf(&buf, "cannot %s %.500s/%s: %s", failure->step, journal->dir,
                name, strerrordesc_np(failure->number));
    hg_buf_add(&buf, advice);
}

/* Under the lock: note how a batch went; edges are for poll to take. */
static void note_batch(struct hg_journal *journal, int err,
                       const struct failure *failure)
{
    char name[HG_JOURNAL_FILE_NAME_BYTES];

    if (err < 0) {
        hg_journal_segment_name(journal->tail.first_n, name);
        say(journal, name, failure,
            "; the records wait in memory and are tried again every few "
            "seconds, nothing may heat meanwhile: free space or repair the "
            "disk");
        journal->has_failed = journal->has_failed || !journal->is_failed;
        journal->is_failed = true;
    } else if (journal->is_failed) {
        journal->has_recovered = true;
        journal->is_failed = false;
    }
}

static void note_head(struct hg_journal *journal, int err,
                      const struct failure *failure)
{
    if (err == HG_OK)
        return;
    journal->has_head_failed = true;
    say(journal, HEAD_NAME, failure,
        "; the older signed head stays there and the next one is tried: free "
        "space or repair the disk");
}

/* -- the thread ----------------------------------------------------------*/

static bool has_records(const struct hg_journal *journal)
{
    return journal->flight_done < journal->flight.count ||
           journal->waiting.count > 0;
}

/* Under the lock: until there is something to do, or a retry is due. */
static void wait_for_work(struct hg_journal *journal)
{
    uint64_t due_ms;
    uint64_t now_ms;

    if (!journal->is_failed) {
        while (!journal->is_ending && !journal->has_head &&
               !has_records(journal))
            (void)pthread_cond_wait(&journal->work, &journal->lock);
        return;
    }
    due_ms = boot_ms() + journal->retry_ms;
    while (!journal->is_ending && (now_ms = boot_ms()) < due_ms)
        wait_slice(&journal->work, &journal->lock, due_ms - now_ms);
}

/* Under the lock: take what waits when the flight before has landed. */
static void take_work(struct hg_journal *journal)
{
    struct hg_journal_batch landed = journal->flight;

    if (journal->flight_done < landed.count || journal->waiting.count == 0)
        return;
    journal->flight = journal->waiting;
    journal->flight_done = 0;
    landed.count = 0;
    journal->waiting = landed;
}

/* One turn without the lock at its start and end. Returns how it went. */
static int serve(struct hg_journal *journal, const struct hg_journal_head *head)
{
    struct failure failure = { "write", 0 };
    struct failure head_failure = { "write", 0 };
    int err = write_flight(journal, &failure);
    int head_err = HG_OK;

    /* a head is worth nothing while the records behind it cannot follow */
    if (err == HG_OK && head != NULL)
        head_err = write_head(journal, head, &head_failure);
    (void)pthread_mutex_lock(&journal->lock);
    note_head(journal, head_err, &head_failure);
    note_batch(journal, err, &failure);
    if (err < 0 && head != NULL && !journal->has_head) {
        journal->head = *head; /* for the next turn, unless overtaken */
        journal->has_head = true;
    }
    journal->is_serving = false;
    (void)pthread_cond_broadcast(&journal->done);
    (void)pthread_mutex_unlock(&journal->lock);
    if (journal->wake != NULL)
        journal->wake(journal->wake_arg);
    return err;
}

static void *syncer_main(void *arg)
{
    struct hg_journal *journal = arg;
    bool is_last = false;
    int err = HG_OK;

    (void)pthread_mutex_lock(&journal->lock);
    while (!(is_last && (err < 0 || !has_records(journal)))) {
        struct hg_journal_head head;
        bool has_head;

        wait_for_work(journal);
        is_last = journal->is_ending;
        has_head = journal->has_head;
        if (!has_head && !has_records(journal))
            continue;
        take_work(journal);
        head = journal->head;
        journal->has_head = false;
        journal->is_serving = true;
        (void)pthread_mutex_unlock(&journal->lock);
        err = serve(journal, has_head ? &head : NULL);
        (void)pthread_mutex_lock(&journal->lock);
    }
    (void)pthread_mutex_unlock(&journal->lock);
    return NULL;
}

int hg_journal_syncer_start(struct hg_journal *journal)
{
    sigset_t all;
    sigset_t before;
    int number;

    /* signals belong to the loop: the thread is born with all of them off */
    (void)sigfillset(&all);
    number = pthread_sigmask(SIG_SETMASK, &all, &before);
    if (number == 0) {
        number = pthread_create(&journal->thread, NULL, syncer_main, journal);
        (void)pthread_sigmask(SIG_SETMASK, &before, NULL);
    }
    if (number != 0) {
        errno = number;
        return HG_ERR_SYSTEM;
    }
    journal->has_thread = true;
    return HG_OK;
}

void hg_journal_syncer_end(struct hg_journal *journal)
{
    if (!journal->has_thread)
        return;
    (void)pthread_mutex_lock(&journal->lock);
    journal->is_ending = true;
    (void)pthread_cond_signal(&journal->work);
    (void)pthread_mutex_unlock(&journal->lock);
    (void)pthread_join(journal->thread, NULL);
    journal->has_thread = false;
}

int hg_journal_flush(struct hg_journal *journal, uint32_t timeout_ms)
{
    uint64_t due_ms = boot_ms() + timeout_ms;
    uint64_t now_ms = 0;
    int err = HG_OK;

    (void)pthread_mutex_lock(&journal->lock);
    while (!journal->is_failed &&
           (journal->queued_records > 0 || journal->has_head ||
            journal->is_serving) &&
           (now_ms = boot_ms()) < due_ms)
        wait_slice(&journal->done, &journal->lock, due_ms - now_ms);
    if (journal->is_failed)
        err = HG_ERR_SYSTEM;
    else if (journal->queued_records > 0)
        err = HG_ERR_BUSY;
    (void)pthread_mutex_unlock(&journal->lock);
    return err;
}
