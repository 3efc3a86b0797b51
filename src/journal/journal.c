/*
 * The loop's side of the journal: opening, appending, taking news, signing
 * heads. Appending numbers and chains a record and puts it into the queue;
 * the disk is the syncer's business.
 */
#include "journal/journal.h"
#include "base/buf.h"
#include "journal/inner.h"
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define SEGMENT_BYTES_MIN 4096U
#define QUEUE_BYTES_MIN   ((size_t)64 * 1024)
#define QUEUE_BYTES_MAX   ((size_t)1024 * 1024 * 1024)

/* -- options -------------------------------------------------------------*/

static int take_options(struct hg_journal *journal,
                        const struct hg_journal_options *options)
{
    journal->io = options->io != NULL ? options->io : &hg_journal_io_system;
    journal->wake = options->wake;
    journal->wake_arg = options->wake_arg;
    journal->segment_bytes = options->segment_bytes != 0
                                 ? options->segment_bytes
                                 : HG_JOURNAL_SEGMENT_BYTES;
    journal->queue_bytes = options->queue_bytes != 0 ? options->queue_bytes
                                                     : HG_JOURNAL_QUEUE_BYTES;
    journal->queue_records = options->queue_records != 0
                                 ? options->queue_records
                                 : HG_JOURNAL_QUEUE_RECORDS;
    journal->retry_ms =
        options->retry_ms != 0 ? options->retry_ms : HG_JOURNAL_RETRY_MS;
    if (journal->segment_bytes < SEGMENT_BYTES_MIN ||
        journal->segment_bytes > INT64_MAX ||
        journal->queue_bytes < QUEUE_BYTES_MIN ||
        journal->queue_bytes > QUEUE_BYTES_MAX ||
        journal->queue_records > QUEUE_BYTES_MAX ||
        journal->retry_ms > HG_JOURNAL_RETRY_MAX_MS)
        return HG_ERR_RANGE;
    return hg_text_copy(journal->dir, sizeof(journal->dir), options->dir);
}

/* Untouched pages of both batches cost no memory. */
static int make_batch(const struct hg_journal *journal,
                      struct hg_journal_batch *batch)
{
    batch->bytes = malloc(journal->queue_bytes);
    batch->mark = calloc(journal->queue_records, sizeof(*batch->mark));
    return batch->bytes == NULL || batch->mark == NULL ? HG_ERR_MEMORY : HG_OK;
}

static int make_lock(struct hg_journal *journal)
{
    pthread_condattr_t attr;

    if (pthread_condattr_init(&attr) != 0)
        return HG_ERR_MEMORY;
    (void)pthread_condattr_setclock(&attr, CLOCK_MONOTONIC);
    /* these three cannot fail on Linux with these attributes */
    (void)pthread_mutex_init(&journal->lock, NULL);
    (void)pthread_cond_init(&journal->work, &attr);
    (void)pthread_cond_init(&journal->done, &attr);
    (void)pthread_condattr_destroy(&attr);
    journal->has_lock = true;
    return HG_OK;
}

static int journal_new(const struct hg_journal_options *options,
                       struct hg_journal **ret_journal)
{
    struct hg_journal *journal = calloc(1, sizeof(*journal));
    int err;

    if (journal == NULL)
        return HG_ERR_MEMORY;
    journal->lock_fd = -1;
    journal->tail.fd = -1;
    err = take_options(journal, options);
    if (err == HG_OK)
        err = make_batch(journal, &journal->waiting);
    if (err == HG_OK)
        err = make_batch(journal, &journal->flight);
    if (err == HG_OK)
        err = make_lock(journal);
    if (err == HG_OK)
        err = hg_journal_digest_init(&journal->digest);
    if (err < 0) {
        hg_journal_free(journal);
        return err;
    }
    *ret_journal = journal;
    return HG_OK;
}

/* -- opening -------------------------------------------------------------*/

/* Make the folder if need be and keep every other process out of it. */
static int lock_dir(struct hg_journal *journal)
{
    if (mkdir(journal->dir, 0700) != 0 && errno != EEXIST)
        return HG_ERR_SYSTEM;
    journal->lock_fd = open(journal->dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (journal->lock_fd < 0)
        return HG_ERR_SYSTEM;
    if (flock(journal->lock_fd, LOCK_EX | LOCK_NB) != 0)
        return errno == EWOULDBLOCK ? HG_ERR_BUSY : HG_ERR_SYSTEM;
    return HG_OK;
}

static const char *advice_for(int err)
{
    switch (err) {
    case HG_ERR_BUSY:
        return "another process has this journal open; stop it first";
    case HG_ERR_DENIED:
        return "key.pem must be a file that only its owner can read: chmod "
               "600, and ask who has read it";
    case HG_ERR_CORRUPT:
        return "key.pem is no Ed25519 private key, or key.pub.pem belongs to "
               "another one: put the pair back from a backup, or move both "
               "away to begin a new one";
    case HG_ERR_RANGE:
        return "an option is outside its limits or the path is too long";
    case HG_ERR_SYSTEM:
        return "check that the service's user may write there and that the "
               "disk has room";
    default:
        return "OpenSSL or memory failed";
    }
}

/* Say what failed unless a step has said it better already. */
static void describe(const struct hg_journal_options *options, int err,
                     int number, char problem[HG_JOURNAL_TEXT_BYTES])
{
    struct hg_buf buf;

    if (problem[0] != '\0')
        return;
    hg_buf_init(&buf, problem, HG_JOURNAL_TEXT_BYTES);
    hg_buf_addf(&buf, "cannot open the journal in %.300s: %s", options->dir,
                err == HG_ERR_SYSTEM ? strerrordesc_np(number)
                                     : hg_err_text(err));
    hg_buf_addf(&buf, "; %s", advice_for(err));
}

int hg_journal_open(const struct hg_journal_options *options,
                    char problem[HG_JOURNAL_TEXT_BYTES],
                    struct hg_journal_opened *ret_opened,
                    struct hg_journal **ret_journal)
{
    struct hg_journal_opened opened = { 0 };
    struct hg_journal *journal = NULL;
    int err;

    problem[0] = '\0';
    err = journal_new(options, &journal);
    if (err < 0)
        goto out;
    err = lock_dir(journal);
    if (err < 0)
        goto out;
    err = hg_journal_find_end(journal, problem, &opened.repaired_bytes);
    if (err < 0)
        goto out;
    opened.is_new = journal->last.n == 0;
    err = hg_journal_key_open(journal->io, journal->dir, &opened.is_key_new,
                              &journal->key);
    if (err < 0)
        goto out;
    err = hg_journal_syncer_start(journal);
    if (err < 0)
        goto out;
    *ret_opened = opened;
    *ret_journal = journal; /* the caller owns it now */
    journal = NULL;
out:
    if (err < 0)
        describe(options, err, errno, problem);
    hg_journal_free(journal);
    return err;
}

static void free_batch(struct hg_journal_batch *batch)
{
    free(batch->bytes);
    free(batch->mark);
}

void hg_journal_free(struct hg_journal *journal)
{
    if (journal == NULL)
        return;
    hg_journal_syncer_end(journal);
    if (journal->tail.fd >= 0)
        (void)journal->io->close(journal->io->arg, journal->tail.fd);
    if (journal->has_lock) {
        (void)pthread_cond_destroy(&journal->done);
        (void)pthread_cond_destroy(&journal->work);
        (void)pthread_mutex_destroy(&journal->lock);
    }
    hg_journal_key_release(&journal->key);
    hg_journal_digest_release(&journal->digest);
    free_batch(&journal->waiting);
    free_batch(&journal->flight);
    if (journal->lock_fd >= 0)
        (void)close(journal->lock_fd); /* unlocks the folder */
    free(journal);
}

/* -- appending -----------------------------------------------------------*/

static int check_members(const char *members, size_t len)
{
    if (len > HG_JOURNAL_MEMBERS_MAX)
        return HG_ERR_RANGE;
    if (len == 0 || members[0] != '"')
        return HG_ERR_INPUT;
    /* a control character, a newline above all, would break the line */
    for (size_t i = 0; i < len; i++) {
        if ((unsigned char)members[i] < 0x20)
            return HG_ERR_INPUT;
    }
    return HG_OK;
}

/* Under the lock: the line goes behind the waiting ones, without newline. */
static int queue_line(struct hg_journal *journal, const char *frame,
                      size_t frame_len, const char *members, size_t len)
{
    struct hg_journal_batch *waiting = &journal->waiting;
    size_t start =
        waiting->count == 0 ? 0 : waiting->mark[waiting->count - 1].end;
    size_t line_len = frame_len + len + 1;
    struct hg_journal_mark *mark;
    char *line;
    int err;

    if (journal->queued_records >= journal->queue_records ||
        line_len + 1 > journal->queue_bytes - journal->queued_bytes)
        return HG_ERR_FULL;
    line = waiting->bytes + start;
    memcpy(line, frame, frame_len);
    memcpy(line + frame_len, members, len);
    line[line_len - 1] = '}';
    line[line_len] = '\n';
    mark = &waiting->mark[waiting->count];
    err = hg_journal_digest_line(&journal->digest, line, line_len, mark->hash);
    if (err < 0)
        return err;
    mark->end = start + line_len + 1;
    if (waiting->count == 0)
        waiting->first_n = journal->last.n + 1;
    waiting->count++;
    journal->queued_records++;
    journal->queued_bytes += line_len + 1;
    hg_hex_from_bytes(mark->hash, HG_JOURNAL_HASH_BYTES, journal->last_hash);
    return HG_OK;
}

int hg_journal_append(struct hg_journal *journal, int64_t wall_ms,
                      const char *members, size_t len, uint64_t *ret_n)
{
    char frame[HG_JOURNAL_FRAME_BYTES];
    uint64_t n = journal->last.n + 1;
    size_t frame_len;
    int err;

    err = check_members(members, len);
    if (err == HG_OK && n > HG_JOURNAL_N_MAX)
        err = HG_ERR_RANGE;
    if (err < 0)
        return err;
    frame_len = hg_journal_line_begin(n, wall_ms, journal->last_hash, frame);

    (void)pthread_mutex_lock(&journal->lock);
    err = queue_line(journal, frame, frame_len, members, len);
    if (err == HG_OK)
        (void)pthread_cond_signal(&journal->work);
    (void)pthread_mutex_unlock(&journal->lock);
    if (err < 0)
        return err;

    journal->last.n = n;
    journal->last.wall_ms = wall_ms;
    *ret_n = n;
    return HG_OK;
}

/* -- news ----------------------------------------------------------------*/

void hg_journal_poll(struct hg_journal *journal, struct hg_journal_news *news)
{
    (void)pthread_mutex_lock(&journal->lock);
    news->durable_n = journal->durable_n;
    news->has_failed = journal->has_failed;
    news->has_recovered = journal->has_recovered;
    news->is_failed = journal->is_failed;
    news->has_head_failed = journal->has_head_failed;
    memcpy(news->text, journal->text, sizeof(news->text));
    journal->has_failed = false;
    journal->has_recovered = false;
    journal->has_head_failed = false;
    if (!journal->is_failed)
        journal->text[0] = '\0';
    (void)pthread_mutex_unlock(&journal->lock);
}

struct hg_journal_last hg_journal_last(const struct hg_journal *journal)
{
    return journal->last;
}

uint64_t hg_journal_durable(struct hg_journal *journal)
{
    uint64_t n;

    (void)pthread_mutex_lock(&journal->lock);
    n = journal->durable_n;
    (void)pthread_mutex_unlock(&journal->lock);
    return n;
}

/* -- heads ---------------------------------------------------------------*/

int hg_journal_sign_head(struct hg_journal *journal, int64_t wall_ms,
                         struct hg_journal_head *ret_head)
{
    char message[HG_JOURNAL_MESSAGE_BYTES];
    uint8_t sig[HG_JOURNAL_SIG_BYTES];
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
    struct hg_journal_head head = { 0 };
    int err;

    (void)pthread_mutex_lock(&journal->lock);
    head.n = journal->durable_n;
    memcpy(hash, journal->durable_hash, sizeof(hash));
    (void)pthread_mutex_unlock(&journal->lock);
    if (head.n == 0)
        return HG_ERR_NOT_FOUND;
    hg_hex_from_bytes(hash, sizeof(hash), head.hash);
    hg_text_from_wall_ms(wall_ms, head.at);
    hg_hex_from_bytes(journal->key.public_bytes, HG_JOURNAL_KEY_BYTES,
                      head.key);
    err = hg_journal_key_sign(&journal->key, message,
                              hg_journal_head_message(&head, message), sig);
    if (err < 0)
        return err;
    hg_hex_from_bytes(sig, sizeof(sig), head.sig);
    *ret_head = head;
    return HG_OK;
}

void hg_journal_store_head(struct hg_journal *journal,
                           const struct hg_journal_head *head)
{
    (void)pthread_mutex_lock(&journal->lock);
    journal->head = *head;
    journal->has_head = true;
    (void)pthread_cond_signal(&journal->work);
    (void)pthread_mutex_unlock(&journal->lock);
}

int hg_journal_read(struct hg_journal *journal,
                    const struct hg_journal_range *range,
                    hg_journal_line_fn *fn, void *arg)
{
    struct hg_journal_reading reading = { journal->dir, range->after_n,
                                          hg_journal_durable(journal),
                                          range->limit };

    return hg_journal_read_range(&reading, fn, arg);
}
