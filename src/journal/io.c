/*
 * The system's own calls behind the table of journal/io.h.
 */
#include "journal/io.h"
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

static int io_open(void *arg, const char *path, int flags, mode_t mode)
{
    (void)arg;
    return open(path, flags, mode);
}

static ssize_t io_write(void *arg, int fd, const void *bytes, size_t len)
{
    (void)arg;
    return write(fd, bytes, len);
}

static int io_fdatasync(void *arg, int fd)
{
    (void)arg;
    return fdatasync(fd);
}

static int io_fsync(void *arg, int fd)
{
    (void)arg;
    return fsync(fd);
}

static int io_ftruncate(void *arg, int fd, off_t len)
{
    (void)arg;
    return ftruncate(fd, len);
}

static int io_close(void *arg, int fd)
{
    (void)arg;
    return close(fd);
}

static int io_rename(void *arg, const char *from, const char *to)
{
    (void)arg;
    return rename(from, to);
}

const struct hg_journal_io hg_journal_io_system = {
    .open = io_open,
    .write = io_write,
    .fdatasync = io_fdatasync,
    .fsync = io_fsync,
    .ftruncate = io_ftruncate,
    .close = io_close,
    .rename = io_rename,
};
