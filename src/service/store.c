/*
 * Owns the state directory: its lock, the epoch, and replacing a file so
 * that after a crash at any point either the old or the new one is there,
 * whole.
 */
#include "service/store.h"
#include "base/text.h"
#include "service/store_parts.h"
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define EPOCH_FILE      "epoch"
#define EPOCH_BYTES_MAX 32
#define LOCK_FILE       "lock"
#define FRESH_SUFFIX    ".new"

static int system_open_at(int dir, const char *name, int flags, mode_t mode)
{
    return openat(dir, name, flags, mode);
}

static const struct hg_store_io system_io = {
    .open_at = system_open_at,
    .write = write,
    .sync = fsync,
    .close = close,
    .rename_at = renameat,
    .unlink_at = unlinkat,
};

/* -- files ------------------------------------------------------------------*/

static int write_all(const struct hg_store_io *io, int fd, const char *bytes,
                     size_t len)
{
    while (len > 0) {
        ssize_t put = io->write(fd, bytes, len);

        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0) {
            if (put == 0)
                errno = EIO; /* no progress, or this would go on for ever */
            return HG_ERR_SYSTEM;
        }
        bytes += put;
        len -= (size_t)put;
    }
    return 0;
}

static int write_fresh(const struct hg_store *store, const char *fresh,
                       const char *bytes, size_t len)
{
    const struct hg_store_io *io = store->io;
    int fd = io->open_at(store->dir, fresh,
                         O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW,
                         0600);
    int err, kept;

    if (fd < 0)
        return HG_ERR_SYSTEM;
    err = write_all(io, fd, bytes, len);
    if (err == 0 && io->sync(fd) < 0)
        err = HG_ERR_SYSTEM;
    kept = errno;
    if (io->close(fd) < 0 && err == 0)
        return HG_ERR_SYSTEM;
    errno = kept;
    return err;
}

int hg_store_put_file(const struct hg_store *store, const char *name,
                      const char *bytes, size_t len)
{
    const struct hg_store_io *io = store->io;
    char fresh_bytes[64];
    struct hg_buf fresh;
    int err, kept;

    hg_buf_init(&fresh, fresh_bytes, sizeof(fresh_bytes));
    hg_buf_addf(&fresh, "%s" FRESH_SUFFIX, name);
    err = write_fresh(store, fresh.bytes, bytes, len);
    if (err == 0 &&
        io->rename_at(store->dir, fresh.bytes, store->dir, name) < 0)
        err = HG_ERR_SYSTEM;
    if (err < 0) {
        kept = errno;
        /* a leftover would do no harm: the next write truncates it */
        (void)io->unlink_at(store->dir, fresh.bytes, 0);
        errno = kept;
        return err;
    }
    return io->sync(store->dir) < 0 ? HG_ERR_SYSTEM : 0;
}

static int read_fd(int fd, size_t cap, char **ret_bytes, size_t *ret_len)
{
    struct stat info;
    char *bytes;
    size_t len = 0;
    ssize_t got = 1;

    if (fstat(fd, &info) < 0)
        return HG_ERR_SYSTEM;
    if (info.st_size < 0 || (size_t)info.st_size > cap)
        return HG_ERR_RANGE;
    bytes = malloc((size_t)info.st_size + 1);
    if (bytes == NULL)
        return HG_ERR_MEMORY;
    while (got > 0 && len < (size_t)info.st_size) {
        got = read(fd, bytes + len, (size_t)info.st_size - len);
        if (got < 0 && errno == EINTR)
            got = 1;
        else if (got > 0)
            len += (size_t)got;
    }
    if (got < 0) {
        free(bytes);
        return HG_ERR_SYSTEM;
    }
    bytes[len] = '\0';
    *ret_bytes = bytes;
    *ret_len = len;
    return 0;
}

int hg_store_get_file(const struct hg_store *store, const char *name,
                      size_t cap, char **ret_bytes, size_t *ret_len)
{
    int fd = store->io->open_at(store->dir, name,
                                O_RDONLY | O_CLOEXEC | O_NOFOLLOW, 0);
    int err, kept;

    if (fd < 0)
        return errno == ENOENT ? HG_ERR_NOT_FOUND : HG_ERR_SYSTEM;
    err = read_fd(fd, cap, ret_bytes, ret_len);
    kept = errno;
    (void)store->io->close(fd); /* opened for reading only */
    errno = kept;
    return err;
}

/* -- the epoch --------------------------------------------------------------*/

static void why_epoch(const struct hg_store *store, struct hg_buf *why)
{
    hg_buf_addf(why,
                "%s/" EPOCH_FILE " does not hold a number, so it is not "
                "known which permits were already given. Write a number into "
                "it that is higher than any before (the retained topic "
                "\"gateway\" on the broker and the journal show the last "
                "one), then start again.",
                store->path);
}

static int read_epoch(struct hg_store *store, struct hg_buf *why)
{
    char *bytes = NULL;
    size_t len;
    int err =
        hg_store_get_file(store, EPOCH_FILE, EPOCH_BYTES_MAX, &bytes, &len);

    if (err == HG_ERR_NOT_FOUND)
        return 0; /* rooms.json may know better, else: the first start */
    if (err == HG_ERR_SYSTEM || err == HG_ERR_MEMORY) {
        hg_buf_addf(why,
                    "%s/" EPOCH_FILE " cannot be read (%s); check the "
                    "owner and the disk.",
                    store->path,
                    strerror(err == HG_ERR_MEMORY ? ENOMEM : errno));
        return err;
    }
    if (err == 0) {
        if (len > 0 && bytes[len - 1] == '\n')
            bytes[--len] = '\0';
        if (strlen(bytes) != len ||
            hg_text_to_u64(bytes, 0, HG_STORE_EPOCH_MAX, &store->epoch) < 0)
            err = HG_ERR_RANGE;
    }
    free(bytes);
    if (err == 0)
        return 0;
    why_epoch(store, why);
    return HG_ERR_CORRUPT;
}

static int set_epoch(struct hg_store *store, uint64_t epoch, struct hg_buf *why)
{
    char bytes[EPOCH_BYTES_MAX];
    int len, err;

    if (epoch > HG_STORE_EPOCH_MAX) {
        hg_buf_addf(why,
                    "The epoch %llu is above %llu, the last one that permits "
                    "can carry. Look for a sender of false permits on the "
                    "broker.",
                    (unsigned long long)epoch,
                    (unsigned long long)HG_STORE_EPOCH_MAX);
        return HG_ERR_RANGE;
    }
    len = snprintf(bytes, sizeof(bytes), "%llu\n", (unsigned long long)epoch);
    err = hg_store_put_file(store, EPOCH_FILE, bytes, (size_t)len);
    if (err < 0) {
        hg_buf_addf(why,
                    "%s/" EPOCH_FILE " cannot be written (%s), so no permit "
                    "may be given. Free space or mend the disk.",
                    store->path, strerror(errno));
        return err;
    }
    store->epoch = epoch;
    return 0;
}

int hg_store_epoch_next(struct hg_store *store, struct hg_buf *why,
                        uint64_t *ret_epoch)
{
    int err = set_epoch(store, store->epoch + 1, why);

    if (err == 0)
        *ret_epoch = store->epoch;
    return err;
}

int hg_store_epoch_raise(struct hg_store *store, uint64_t epoch,
                         struct hg_buf *why)
{
    return epoch <= store->epoch ? 0 : set_epoch(store, epoch, why);
}

uint64_t hg_store_epoch(const struct hg_store *store)
{
    return store->epoch;
}

/* -- open and close ---------------------------------------------------------*/

/* a directory that was made must survive a power failure, too */
static int sync_parent(int dir)
{
    int parent = openat(dir, "..", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int err, kept;

    if (parent < 0)
        return HG_ERR_SYSTEM;
    err = fsync(parent) < 0 ? HG_ERR_SYSTEM : 0;
    kept = errno;
    (void)close(parent); /* opened for reading only */
    errno = kept;
    return err;
}

static int open_dir(struct hg_store *store, struct hg_buf *why)
{
    bool is_made = mkdir(store->path, 0700) == 0;

    store->dir = open(store->path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (store->dir < 0 || (is_made && sync_parent(store->dir) < 0)) {
        hg_buf_addf(why,
                    "The state directory %s cannot be used (%s). Make it and "
                    "give it to the user of the service, or set state_dir.",
                    store->path, strerror(errno));
        return HG_ERR_SYSTEM;
    }
    return 0;
}

static int take_lock(struct hg_store *store, struct hg_buf *why)
{
    store->lock = store->io->open_at(
        store->dir, LOCK_FILE, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (store->lock >= 0 && flock(store->lock, LOCK_EX | LOCK_NB) == 0)
        return 0;
    if (store->lock >= 0 && errno == EWOULDBLOCK) {
        hg_buf_addf(why,
                    "Another heatgated uses %s already. Stop that one first, "
                    "or give this one its own state_dir.",
                    store->path);
        return HG_ERR_BUSY;
    }
    hg_buf_addf(why,
                "%s/" LOCK_FILE " cannot be locked (%s). Check the owner of "
                "the directory and the disk.",
                store->path, strerror(errno));
    return HG_ERR_SYSTEM;
}

int hg_store_open(const char *dir, const struct hg_store_io *io,
                  struct hg_buf *why, struct hg_store **ret_store)
{
    struct hg_store *store = calloc(1, sizeof(*store));
    int err = HG_ERR_MEMORY;

    if (store == NULL)
        goto out;
    store->io = io == NULL ? &system_io : io;
    store->dir = -1;
    store->lock = -1;
    store->path = strdup(dir);
    store->rooms = json_object();
    if (store->path == NULL || store->rooms == NULL)
        goto out;
    err = open_dir(store, why);
    if (err == 0)
        err = take_lock(store, why);
    if (err == 0)
        err = read_epoch(store, why);
    if (err == 0)
        err = hg_store_read_rooms(store, why);
    if (err < 0)
        goto out;

    *ret_store = store;
    store = NULL;
out:
    if (err == HG_ERR_MEMORY && why->len == 0)
        hg_buf_add(why, "There is no memory left to read the state.");
    hg_store_close(store);
    return err;
}

void hg_store_close(struct hg_store *store)
{
    if (store == NULL)
        return;
    if (store->lock >= 0)
        (void)close(store->lock); /* nothing was written to it */
    if (store->dir >= 0)
        (void)close(store->dir); /* opened for reading only */
    json_decref(store->rooms);
    free(store->path);
    free(store);
}
