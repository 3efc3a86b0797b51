#ifndef HG_TESTS_JOURNAL_DIR_H
#define HG_TESTS_JOURNAL_DIR_H

/*
 * A journal in a folder of its own for one test, and a bell that the syncer
 * rings, so that tests wait for news instead of sleeping. Include after
 * cmocka.h and journal/journal.h.
 */
#include "check.h"
#include <dirent.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define AT_MS INT64_C(1767979351042) /* 2026-01-09T17:22:31.042Z */

struct bell {
    pthread_mutex_t lock;
    pthread_cond_t rung;
    unsigned int rings;
};

#define BELL_SILENT                                                            \
    {                                                                          \
        PTHREAD_MUTEX_INITIALIZER, PTHREAD_COND_INITIALIZER, 0                 \
    }

static inline void bell_ring(void *arg)
{
    struct bell *bell = arg;

    (void)pthread_mutex_lock(&bell->lock);
    bell->rings++;
    (void)pthread_cond_broadcast(&bell->rung);
    (void)pthread_mutex_unlock(&bell->lock);
}

/* Wait for the next ring after *heard; fails the test after 20 s. */
static inline void bell_wait(struct bell *bell, unsigned int *heard)
{
    struct timespec until;
    int number = 0;

    assert_int_equal(clock_gettime(CLOCK_REALTIME, &until), 0);
    until.tv_sec += 20;
    (void)pthread_mutex_lock(&bell->lock);
    while (bell->rings == *heard && number == 0)
        number = pthread_cond_timedwait(&bell->rung, &bell->lock, &until);
    *heard = bell->rings;
    (void)pthread_mutex_unlock(&bell->lock);
    assert_int_equal(number, 0);
}

/* -- folders -------------------------------------------------------------*/

struct journal_dir {
    char root[64];
    char dir[80]; /* does not exist at first */
};

static inline void journal_dir_make(struct journal_dir *made)
{
    /* in memory if possible: nothing here needs a real disk's slowness */
    (void)snprintf(made->root, sizeof(made->root), "%s/hg-journal-XXXXXX",
                   access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    assert_non_null(mkdtemp(made->root));
    (void)snprintf(made->dir, sizeof(made->dir), "%s/journal", made->root);
}

static inline void journal_dir_path(const struct journal_dir *made,
                                    const char *name, char out[160])
{
    (void)snprintf(out, 160, "%s/%.64s", made->dir, name);
}

static inline void journal_dir_remove(const struct journal_dir *made)
{
    DIR *entries = opendir(made->dir);
    struct dirent *entry;

    while (entries != NULL && (entry = readdir(entries)) != NULL) {
        if (entry->d_name[0] != '.')
            (void)unlinkat(dirfd(entries), entry->d_name, 0);
    }
    if (entries != NULL)
        (void)closedir(entries);
    (void)rmdir(made->dir);
    assert_int_equal(rmdir(made->root), 0);
}

/* A file of the folder as a string; free it. */
static inline char *journal_dir_read(const struct journal_dir *made,
                                     const char *name, size_t *ret_len)
{
    char path[160];
    struct stat stat;
    char *bytes;
    FILE *file;

    journal_dir_path(made, name, path);
    file = fopen(path, "re");
    assert_non_null(file);
    assert_int_equal(fstat(fileno(file), &stat), 0);
    bytes = malloc((size_t)stat.st_size + 1);
    assert_non_null(bytes);
    *ret_len = fread(bytes, 1, (size_t)stat.st_size, file);
    bytes[*ret_len] = '\0';
    assert_int_equal(fclose(file), 0);
    return bytes;
}

static inline void journal_dir_write(const struct journal_dir *made,
                                     const char *name, const char *bytes,
                                     size_t len)
{
    char path[160];
    FILE *file;

    journal_dir_path(made, name, path);
    file = fopen(path, "we");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, len, file), len);
    assert_int_equal(fclose(file), 0);
}

/* -- journals ------------------------------------------------------------*/

static inline struct hg_journal *
journal_dir_open(const struct hg_journal_options *options,
                 struct hg_journal_opened *opened)
{
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal *journal = NULL;
    int err = hg_journal_open(options, problem, opened, &journal);

    HG_CHECK_STR(options->dir, problem, "");
    HG_CHECK_EQ(options->dir, err, HG_OK);
    return journal;
}

/* Append record number n, one second after the one before. */
static inline int journal_dir_append(struct hg_journal *journal, uint64_t n)
{
    char members[160];
    uint64_t given = 0;
    int len = snprintf(members, sizeof(members),
                       "\"kind\":\"heat-granted\",\"room\":\"heron\","
                       "\"actor\":\"guest:g-%" PRIu64 "\",\"target_c\":80",
                       n);
    int err = hg_journal_append(journal, AT_MS + (int64_t)n * 1000, members,
                                (size_t)len, &given);

    if (err == HG_OK)
        HG_CHECK_EQ_U64("number of a record", given, n);
    return err;
}

/* Make a journal of count durable records with a signed head.json. */
static inline void journal_dir_fill(const struct journal_dir *made,
                                    uint64_t count, uint64_t segment_bytes)
{
    struct hg_journal_options options = { .dir = made->dir,
                                          .segment_bytes = segment_bytes };
    struct hg_journal_opened opened;
    struct hg_journal_head head;
    struct hg_journal *journal = journal_dir_open(&options, &opened);

    for (uint64_t n = 1; n <= count; n++) {
        int err = journal_dir_append(journal, n);

        while (err == HG_ERR_FULL) {
            assert_int_equal(hg_journal_flush(journal, 20000), HG_OK);
            err = journal_dir_append(journal, n);
        }
        assert_int_equal(err, HG_OK);
    }
    assert_int_equal(hg_journal_flush(journal, 20000), HG_OK);
    assert_int_equal(hg_journal_sign_head(journal, AT_MS, &head), HG_OK);
    hg_journal_store_head(journal, &head);
    assert_int_equal(hg_journal_flush(journal, 20000), HG_OK);
    hg_journal_free(journal);
}

#endif
