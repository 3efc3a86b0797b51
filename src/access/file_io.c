/* Replacing and reading one small file, with every step checked. */
#include "access/file_io.h"
#include "base/buf.h"
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <openssl/crypto.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int system_open(void *arg, const char *path, int flags, mode_t mode)
{
    (void)arg;
    return open(path, flags, mode);
}

static ssize_t system_write(void *arg, int fd, const void *bytes, size_t len)
{
    (void)arg;
    return write(fd, bytes, len);
}

static int system_fsync(void *arg, int fd)
{
    (void)arg;
    return fsync(fd);
}

static int system_close(void *arg, int fd)
{
    (void)arg;
    return close(fd);
}

static int system_rename(void *arg, const char *from, const char *to)
{
    (void)arg;
    return rename(from, to);
}

static int system_unlink(void *arg, const char *path)
{
    (void)arg;
    return unlink(path);
}

const struct hg_access_io hg_access_io_system = {
    NULL,         system_open,   system_write,  system_fsync,
    system_close, system_rename, system_unlink,
};

static int make_path(const struct hg_access_file *file, const char *suffix,
                     char path[PATH_MAX])
{
    struct hg_buf buf;

    hg_buf_init(&buf, path, PATH_MAX);
    hg_buf_addf(&buf, "%s/%s%s", file->dir, file->name, suffix);
    return buf.is_cut ? HG_ERR_RANGE : HG_OK;
}

static int write_all(const struct hg_access_io *io, int fd, const char *bytes,
                     size_t len)
{
    while (len > 0) {
        ssize_t done = io->write(io->arg, fd, bytes, len);

        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0) {
            if (done == 0)
                errno = EIO; /* a write that takes nothing never ends */
            return HG_ERR_SYSTEM;
        }
        bytes += done;
        len -= (size_t)done;
    }
    return HG_OK;
}

/* Close without losing the errno of what went wrong before. */
static void close_quietly(const struct hg_access_io *io, int fd)
{
    int kept = errno;

    (void)io->close(io->arg, fd);
    errno = kept;
}

/* Write and sync a fresh file; NULL, or the name of the step that failed. */
static const char *write_file(const struct hg_access_io *io, const char *path,
                              const void *bytes, size_t len)
{
    int flags = O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW;
    const char *step = NULL;
    int fd;

    /* what a crash left behind; only its absence matters */
    if (io->unlink(io->arg, path) < 0 && errno != ENOENT)
        return "remove the old temporary file";
    fd = io->open(io->arg, path, flags, 0600);
    if (fd < 0)
        return "create the temporary file";
    if (write_all(io, fd, bytes, len) < 0)
        step = "write";
    else if (io->fsync(io->arg, fd) < 0)
        step = "sync";
    if (step != NULL) {
        close_quietly(io, fd);
        return step;
    }
    return io->close(io->arg, fd) < 0 ? "close" : NULL;
}

/* Make the rename itself durable; NULL, or the step that failed. */
static const char *sync_folder(const struct hg_access_io *io, const char *dir)
{
    int fd = io->open(io->arg, dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0);

    if (fd < 0)
        return "open the folder";
    if (io->fsync(io->arg, fd) < 0) {
        close_quietly(io, fd);
        return "sync the folder";
    }
    return io->close(io->arg, fd) < 0 ? "close the folder" : NULL;
}

int hg_access_file_replace(const struct hg_access_io *io,
                           const struct hg_access_file *file, const void *bytes,
                           size_t len, const char **ret_step)
{
    char path[PATH_MAX];
    char temporary[PATH_MAX];
    const char *step;
    int kept;

    if (make_path(file, "", path) < 0 ||
        make_path(file, ".new", temporary) < 0) {
        *ret_step = "name";
        return HG_ERR_RANGE;
    }
    step = write_file(io, temporary, bytes, len);
    if (step == NULL && io->rename(io->arg, temporary, path) < 0)
        step = "rename";
    if (step != NULL) {
        kept = errno;
        (void)io->unlink(io->arg, temporary); /* tidiness only */
        errno = kept;
    } else {
        step = sync_folder(io, file->dir);
    }
    if (step == NULL)
        return HG_OK;
    *ret_step = step;
    return HG_ERR_SYSTEM;
}

/* Fill bytes from fd; HG_ERR_SYSTEM also for a file that got shorter. */
static int read_all(int fd, char *bytes, size_t len)
{
    while (len > 0) {
        ssize_t done = read(fd, bytes, len);

        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0) {
            if (done == 0)
                errno = EIO;
            return HG_ERR_SYSTEM;
        }
        bytes += done;
        len -= (size_t)done;
    }
    return HG_OK;
}

/* May this file be used, and how large is it? */
static int check_file(int fd, size_t max, size_t *ret_len)
{
    struct stat info;

    if (fstat(fd, &info) < 0)
        return HG_ERR_SYSTEM;
    if (!S_ISREG(info.st_mode) || (info.st_mode & 077) != 0)
        return HG_ERR_DENIED;
    if ((uint64_t)info.st_size > max)
        return HG_ERR_RANGE;
    *ret_len = (size_t)info.st_size;
    return HG_OK;
}

int hg_access_file_read(const struct hg_access_file *file, size_t max,
                        char **ret_text, size_t *ret_len)
{
    char path[PATH_MAX];
    char *text = NULL;
    size_t len = 0;
    int fd = -1;
    int err;

    err = make_path(file, "", path);
    if (err < 0)
        return err;
    fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (fd < 0)
        return errno == ENOENT ? HG_ERR_NOT_FOUND : HG_ERR_SYSTEM;
    err = check_file(fd, max, &len);
    if (err < 0)
        goto out;
    text = calloc(1, len + 1);
    err = text == NULL ? HG_ERR_MEMORY : read_all(fd, text, len);
    if (err < 0)
        goto out;
    *ret_text = text;
    *ret_len = len;
    text = NULL;
out:
    if (text != NULL)
        OPENSSL_cleanse(text, len);
    free(text);
    close_quietly(&hg_access_io_system, fd);
    return err;
}
