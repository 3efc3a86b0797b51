#ifndef HG_ACCESS_FILE_IO_H
#define HG_ACCESS_FILE_IO_H

/*
 * Replacing a small file so that a crash leaves the old one or the new one,
 * never half of either: write a temporary file beside it, fsync, rename,
 * fsync the folder; every step checked. The system calls go through a table,
 * so that tests can make each of them fail.
 */
#include "base/err.h"
#include <stddef.h>
#include <sys/types.h>

struct hg_access_io {
    void *arg; /* first argument of each call */
    int (*open)(void *arg, const char *path, int flags, mode_t mode);
    ssize_t (*write)(void *arg, int fd, const void *bytes, size_t len);
    int (*fsync)(void *arg, int fd);
    int (*close)(void *arg, int fd);
    int (*rename)(void *arg, const char *from, const char *to);
    int (*unlink)(void *arg, const char *path);
};

/* The real system calls. */
extern const struct hg_access_io hg_access_io_system;

struct hg_access_file {
    const char *dir;  /* existing folder */
    const char *name; /* file in it */
};

/*
 * Put len bytes in the place of the file, mode 0600, durably.
 * HG_ERR_SYSTEM (errno kept): nothing was replaced, or the folder's fsync
 * failed, in which case the new content is there but might not survive a
 * crash. HG_ERR_RANGE: a path too long. *ret_step names the failed step in
 * words ("write"), for the message; set only on failure.
 */
HG_MUST_CHECK int hg_access_file_replace(const struct hg_access_io *io,
                                         const struct hg_access_file *file,
                                         const void *bytes, size_t len,
                                         const char **ret_step);

/*
 * Read the whole file of at most max bytes into fresh memory with a NUL
 * behind it; the caller wipes and frees it.
 * HG_ERR_NOT_FOUND: there is none. HG_ERR_DENIED: others than its owner may
 * read or change it. HG_ERR_RANGE: too large. HG_ERR_SYSTEM, HG_ERR_MEMORY.
 */
HG_MUST_CHECK int hg_access_file_read(const struct hg_access_file *file,
                                      size_t max, char **ret_text,
                                      size_t *ret_len);

#endif
