#ifndef HG_TESTS_JOURNAL_FAULTS_H
#define HG_TESTS_JOURNAL_FAULTS_H

/*
 * A disk that fails on order, in front of the real one. A failing write
 * leaves half of its bytes behind; a failing fdatasync loses what was written
 * since the last good one, as a page cache may (the bytes read as zeros).
 * It also counts the lines that are truly safe, which the journal must never
 * overtake. Include after journal_dir.h.
 */
#include "journal/io.h"
#include <errno.h>
#include <stdbool.h>
#include <string.h>

#define FAULT_FDS   64
#define FAULT_FILES 512

enum fault_op {
    FAULT_OPEN,
    FAULT_WRITE,
    FAULT_FDATASYNC,
    FAULT_FSYNC,
    FAULT_FTRUNCATE,
    FAULT_CLOSE,
    FAULT_RENAME,
    FAULT_OPS
};

/* what of a segment is really on the disk, whoever has it open */
struct fault_file {
    bool is_named; /* its name would survive a crash */
    off_t safe_bytes;
    uint64_t safe_lines;
    char path[128];
};

struct faulty_disk {
    pthread_mutex_t lock;
    pthread_cond_t released;
    bool is_armed, is_held;
    bool keeps_pages;    /* a failing fdatasync loses nothing after all */
    int64_t good_left;   /* calls that still work once armed */
    int64_t bad_left;    /* calls that then fail; < 0: for good */
    unsigned int ops;    /* set of 1 << enum fault_op that may fail */
    int number;          /* errno of the failure */
    unsigned int failed; /* set of operations that did fail */
    uint64_t safe_lines; /* in all segments */
    struct fault_file file[FAULT_FILES];
    size_t files;
    struct fault_file *opened[FAULT_FDS]; /* NULL: no segment */
};

static inline void faulty_disk_init(struct faulty_disk *disk)
{
    memset(disk, 0, sizeof(*disk));
    assert_int_equal(pthread_mutex_init(&disk->lock, NULL), 0);
    assert_int_equal(pthread_cond_init(&disk->released, NULL), 0);
}

static inline void faulty_disk_release(struct faulty_disk *disk)
{
    (void)pthread_cond_destroy(&disk->released);
    (void)pthread_mutex_destroy(&disk->lock);
}

/* Let good calls pass, then fail bad ones (< 0: for good) of some kinds. */
static inline void faulty_disk_arm(struct faulty_disk *disk, unsigned int ops,
                                   int64_t good, int64_t bad)
{
    (void)pthread_mutex_lock(&disk->lock);
    disk->is_armed = true;
    disk->ops = ops;
    disk->good_left = good;
    disk->bad_left = bad;
    disk->failed = 0;
    (void)pthread_mutex_unlock(&disk->lock);
}

static inline void faulty_disk_heal(struct faulty_disk *disk)
{
    (void)pthread_mutex_lock(&disk->lock);
    disk->is_armed = false;
    (void)pthread_mutex_unlock(&disk->lock);
}

/* While held, writes wait, so that a test knows what is in a batch. */
static inline void faulty_disk_hold(struct faulty_disk *disk, bool is_held)
{
    (void)pthread_mutex_lock(&disk->lock);
    disk->is_held = is_held;
    (void)pthread_cond_broadcast(&disk->released);
    (void)pthread_mutex_unlock(&disk->lock);
}

static inline unsigned int faulty_disk_failed(struct faulty_disk *disk)
{
    unsigned int failed;

    (void)pthread_mutex_lock(&disk->lock);
    failed = disk->failed;
    (void)pthread_mutex_unlock(&disk->lock);
    return failed;
}

static inline uint64_t faulty_disk_safe_lines(struct faulty_disk *disk)
{
    uint64_t lines;

    (void)pthread_mutex_lock(&disk->lock);
    lines = disk->safe_lines;
    (void)pthread_mutex_unlock(&disk->lock);
    return lines;
}

/* Under the lock: must this call fail? */
static inline bool fault_due(struct faulty_disk *disk, enum fault_op op)
{
    if (!disk->is_armed || (disk->ops & 1U << op) == 0)
        return false;
    if (disk->good_left > 0) {
        disk->good_left--;
        return false;
    }
    if (disk->bad_left == 0)
        return false;
    if (disk->bad_left > 0)
        disk->bad_left--;
    disk->failed |= 1U << op;
    return true;
}

static inline bool fault_next(struct faulty_disk *disk, enum fault_op op)
{
    bool is_due;

    (void)pthread_mutex_lock(&disk->lock);
    while (op == FAULT_WRITE && disk->is_held)
        (void)pthread_cond_wait(&disk->released, &disk->lock);
    is_due = fault_due(disk, op);
    (void)pthread_mutex_unlock(&disk->lock);
    if (is_due)
        errno = op == FAULT_WRITE ? ENOSPC : EIO;
    return is_due;
}

static inline uint64_t fault_count_lines(const char *path, off_t len)
{
    FILE *file = fopen(path, "re");
    uint64_t lines = 0;

    assert_non_null(file);
    for (off_t i = 0; i < len; i++)
        lines += fgetc(file) == '\n' ? 1 : 0;
    (void)fclose(file);
    return lines;
}

/* Under the lock: what is known of a segment, found by its path. */
static inline struct fault_file *fault_find(struct faulty_disk *disk,
                                            const char *path, int fd)
{
    struct fault_file *file = disk->file;

    if (strstr(path, ".jsonl") == NULL)
        return NULL;
    while (file < disk->file + disk->files && strcmp(file->path, path) != 0)
        file++;
    if (file == disk->file + disk->files) {
        assert_true(disk->files < FAULT_FILES);
        disk->files++;
        (void)snprintf(file->path, sizeof(file->path), "%s", path);
        file->safe_bytes = lseek(fd, 0, SEEK_END);
        file->safe_lines = fault_count_lines(path, file->safe_bytes);
        file->is_named = file->safe_bytes > 0;
    }
    return file;
}

static inline int fault_open(void *arg, const char *path, int flags,
                             mode_t mode)
{
    struct faulty_disk *disk = arg;
    int fd;

    if (fault_next(disk, FAULT_OPEN))
        return -1;
    fd = open(path, flags, mode);
    if (fd < 0)
        return -1;
    assert_true(fd < FAULT_FDS);
    (void)pthread_mutex_lock(&disk->lock);
    disk->opened[fd] = fault_find(disk, path, fd);
    (void)pthread_mutex_unlock(&disk->lock);
    return fd;
}

static inline ssize_t fault_write(void *arg, int fd, const void *bytes,
                                  size_t len)
{
    if (!fault_next(arg, FAULT_WRITE))
        return write(fd, bytes, len);
    if (len > 1)
        (void)!write(fd, bytes, len / 2);
    errno = ENOSPC;
    return -1;
}

/* What was not synced before reads as zeros from now on. */
static inline void fault_lose_pages(struct faulty_disk *disk, int fd)
{
    off_t size = lseek(fd, 0, SEEK_END);
    off_t safe;

    (void)pthread_mutex_lock(&disk->lock);
    safe = disk->opened[fd] != NULL ? disk->opened[fd]->safe_bytes : 0;
    (void)pthread_mutex_unlock(&disk->lock);
    if (size > safe && !disk->keeps_pages) {
        (void)!ftruncate(fd, safe);
        (void)!ftruncate(fd, size);
    }
}

static inline int fault_fdatasync(void *arg, int fd)
{
    struct faulty_disk *disk = arg;
    struct fault_file *file;

    if (fault_next(disk, FAULT_FDATASYNC)) {
        fault_lose_pages(disk, fd);
        errno = EIO;
        return -1;
    }
    if (fdatasync(fd) != 0)
        return -1;
    (void)pthread_mutex_lock(&disk->lock);
    file = disk->opened[fd];
    if (file != NULL && file->is_named) {
        uint64_t lines;

        file->safe_bytes = lseek(fd, 0, SEEK_END);
        lines = fault_count_lines(file->path, file->safe_bytes);
        disk->safe_lines += lines - file->safe_lines;
        file->safe_lines = lines;
    }
    (void)pthread_mutex_unlock(&disk->lock);
    return 0;
}

/* Only folders are synced so: the names of all files in it. */
static inline int fault_fsync(void *arg, int fd)
{
    struct faulty_disk *disk = arg;

    if (fault_next(disk, FAULT_FSYNC) || fsync(fd) != 0)
        return -1;
    (void)pthread_mutex_lock(&disk->lock);
    for (size_t i = 0; i < disk->files; i++)
        disk->file[i].is_named = true;
    (void)pthread_mutex_unlock(&disk->lock);
    return 0;
}

static inline int fault_ftruncate(void *arg, int fd, off_t len)
{
    return fault_next(arg, FAULT_FTRUNCATE) ? -1 : ftruncate(fd, len);
}

/* The descriptor is gone either way, as on Linux. */
static inline int fault_close(void *arg, int fd)
{
    int result = close(fd);

    return fault_next(arg, FAULT_CLOSE) ? -1 : result;
}

static inline int fault_rename(void *arg, const char *from, const char *to)
{
    return fault_next(arg, FAULT_RENAME) ? -1 : rename(from, to);
}

static inline struct hg_journal_io faulty_disk_io(struct faulty_disk *disk)
{
    struct hg_journal_io io = {
        .arg = disk,
        .open = fault_open,
        .write = fault_write,
        .fdatasync = fault_fdatasync,
        .fsync = fault_fsync,
        .ftruncate = fault_ftruncate,
        .close = fault_close,
        .rename = fault_rename,
    };

    return io;
}

#endif
