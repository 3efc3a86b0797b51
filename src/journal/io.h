#ifndef HG_JOURNAL_IO_H
#define HG_JOURNAL_IO_H

/*
 * Everything the journal does to the disk, as a table of calls, so that
 * tests can make each of them fail. They behave as the system calls of the
 * same names: -1 with errno on failure. Called by the opening thread first,
 * then by the syncer only. Reading needs no table: it changes nothing.
 */
#include <stddef.h>
#include <sys/types.h>

struct hg_journal_io {
    void *arg; /* first argument of each call */
    int (*open)(void *arg, const char *path, int flags, mode_t mode);
    ssize_t (*write)(void *arg, int fd, const void *bytes, size_t len);
    int (*fdatasync)(void *arg, int fd);
    int (*fsync)(void *arg, int fd); /* of the folder */
    int (*ftruncate)(void *arg, int fd, off_t len);
    int (*close)(void *arg, int fd);
    int (*rename)(void *arg, const char *from, const char *to);
};

/* The real system calls. */
extern const struct hg_journal_io hg_journal_io_system;

#endif
