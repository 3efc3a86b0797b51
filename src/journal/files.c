/*
 * The files of a journal folder. Names carry the number of their first
 * record, so that the right file is found without opening the others.
 */
#include "journal/files.h"
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define READ_BYTES  ((size_t)1024 * 1024)
#define FIRST_BYTES ((size_t)128 * 1024)

void hg_journal_segment_name(uint64_t first_n,
                             char out[HG_JOURNAL_FILE_NAME_BYTES])
{
    if (first_n > HG_JOURNAL_N_MAX)
        first_n = HG_JOURNAL_N_MAX;
    (void)snprintf(out, HG_JOURNAL_FILE_NAME_BYTES, "journal-%012" PRIu64 ".%s",
                   first_n, "jsonl");
}

int hg_journal_path(const char *dir, const char *name,
                    char ret_path[HG_JOURNAL_PATH_BYTES])
{
    size_t dir_len = strlen(dir);
    size_t name_len = strlen(name);

    if (dir_len == 0 || dir_len >= HG_JOURNAL_DIR_BYTES ||
        name_len >= HG_JOURNAL_PATH_BYTES - HG_JOURNAL_DIR_BYTES)
        return HG_ERR_RANGE;
    (void)snprintf(ret_path, HG_JOURNAL_PATH_BYTES, "%s/%s", dir, name);
    return HG_OK;
}

/* -- the list of segments ------------------------------------------------*/

static bool name_to_first_n(const char *name, uint64_t *ret_n)
{
    char expected[HG_JOURNAL_FILE_NAME_BYTES];
    char digits[13];
    uint64_t n;

    if (strncmp(name, "journal-", 8) != 0 || strlen(name) != 26)
        return false;
    (void)snprintf(digits, sizeof(digits), "%.12s", name + 8);
    if (hg_text_to_u64(digits, 1, HG_JOURNAL_N_MAX, &n) < 0)
        return false;
    hg_journal_segment_name(n, expected);
    if (strcmp(expected, name) != 0)
        return false;
    *ret_n = n;
    return true;
}

static int add_segment(struct hg_journal_segments *list, size_t *cap,
                       const struct hg_journal_segment *segment)
{
    if (list->count == HG_JOURNAL_SEGMENTS_MAX)
        return HG_ERR_FULL;
    if (list->count == *cap) {
        size_t grown = *cap == 0 ? 16 : *cap * 2;
        struct hg_journal_segment *item;

        item = realloc(list->item, grown * sizeof(*item));
        if (item == NULL)
            return HG_ERR_MEMORY;
        list->item = item;
        *cap = grown;
    }
    list->item[list->count++] = *segment;
    return HG_OK;
}

static int compare_segments(const void *left, const void *right)
{
    const struct hg_journal_segment *a = left;
    const struct hg_journal_segment *b = right;

    return (a->first_n > b->first_n) - (a->first_n < b->first_n);
}

static int read_entries(DIR *entries, struct hg_journal_segments *list)
{
    size_t cap = 0;

    for (;;) {
        struct hg_journal_segment segment;
        struct dirent *entry;
        struct stat stat;
        int err;

        errno = 0;
        entry = readdir(entries);
        if (entry == NULL)
            return errno == 0 ? HG_OK : HG_ERR_SYSTEM;
        if (!name_to_first_n(entry->d_name, &segment.first_n))
            continue;
        if (fstatat(dirfd(entries), entry->d_name, &stat, 0) != 0)
            return HG_ERR_SYSTEM;
        segment.bytes = (uint64_t)stat.st_size;
        err = add_segment(list, &cap, &segment);
        if (err < 0)
            return err;
    }
}

int hg_journal_segments_list(const char *dir, struct hg_journal_segments *list)
{
    DIR *entries;
    int err;

    *list = (struct hg_journal_segments) { 0 };
    entries = opendir(dir);
    if (entries == NULL)
        return errno == ENOENT ? HG_ERR_NOT_FOUND : HG_ERR_SYSTEM;
    err = read_entries(entries, list);
    if (closedir(entries) != 0 && err == HG_OK)
        err = HG_ERR_SYSTEM;
    if (err == HG_OK && list->count > 1)
        qsort(list->item, list->count, sizeof(list->item[0]), compare_segments);
    return err;
}

void hg_journal_segments_release(struct hg_journal_segments *list)
{
    free(list->item);
    *list = (struct hg_journal_segments) { 0 };
}

/* -- reading -------------------------------------------------------------*/

static int open_to_read(const char *path, int *ret_fd)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);

    if (fd < 0)
        return errno == ENOENT ? HG_ERR_NOT_FOUND : HG_ERR_SYSTEM;
    *ret_fd = fd;
    return HG_OK;
}

int hg_journal_lines_open(const char *path, uint64_t offset,
                          struct hg_journal_lines *lines)
{
    int err;

    *lines = (struct hg_journal_lines) { .fd = -1,
                                         .offset = offset,
                                         .ask = FIRST_BYTES };
    err = open_to_read(path, &lines->fd);
    if (err < 0)
        return err;
    if (offset > INT64_MAX || lseek(lines->fd, (off_t)offset, SEEK_SET) < 0)
        return HG_ERR_SYSTEM;
    lines->bytes = malloc(READ_BYTES);
    return lines->bytes == NULL ? HG_ERR_MEMORY : HG_OK;
}

void hg_journal_lines_release(struct hg_journal_lines *lines)
{
    if (lines->fd >= 0)
        (void)close(lines->fd); /* only read: nothing to lose */
    free(lines->bytes);
    lines->fd = -1;
    lines->bytes = NULL;
}

/* Move what is left to the front and read more behind it. */
static int fill(struct hg_journal_lines *lines)
{
    size_t room;
    ssize_t got;

    memmove(lines->bytes, lines->bytes + lines->start,
            lines->end - lines->start);
    lines->end -= lines->start;
    lines->start = 0;
    room = READ_BYTES - lines->end;
    if (room > lines->ask)
        room = lines->ask;
    if (lines->ask < READ_BYTES)
        lines->ask *= 2;
    do
        got = read(lines->fd, lines->bytes + lines->end, room);
    while (got < 0 && errno == EINTR);
    if (got < 0)
        return HG_ERR_SYSTEM;
    lines->end += (size_t)got;
    lines->is_eof = got == 0;
    return HG_OK;
}

static void give(struct hg_journal_lines *lines, size_t len, bool has_end,
                 struct hg_journal_piece *piece)
{
    piece->line = lines->bytes + lines->start;
    piece->len = len;
    piece->offset = lines->offset;
    piece->has_end = has_end;
    len += has_end ? 1 : 0;
    lines->start += len;
    lines->offset += len;
}

int hg_journal_lines_next(struct hg_journal_lines *lines,
                          struct hg_journal_piece *ret_piece)
{
    for (;;) {
        const char *line = lines->bytes + lines->start;
        size_t held = lines->end - lines->start;
        size_t look = held < HG_JOURNAL_LINE_MAX ? held : HG_JOURNAL_LINE_MAX;
        const char *end = look > 0 ? memchr(line, '\n', look) : NULL;
        int err;

        if (end != NULL) {
            give(lines, (size_t)(end - line), true, ret_piece);
            return HG_OK;
        }
        if (look == HG_JOURNAL_LINE_MAX || (lines->is_eof && look > 0)) {
            give(lines, look, false, ret_piece);
            return HG_OK;
        }
        if (lines->is_eof)
            return HG_ERR_NOT_FOUND;
        err = fill(lines);
        if (err < 0)
            return err;
    }
}

int hg_journal_read_small(const char *path, char *ret_bytes, size_t cap,
                          size_t *ret_len)
{
    size_t len = 0;
    ssize_t got = 1;
    int fd;
    int err = open_to_read(path, &fd);

    if (err < 0)
        return err;
    while (got > 0 && len < cap) {
        got = read(fd, ret_bytes + len, cap - len);
        if (got < 0 && errno == EINTR)
            got = 1;
        else if (got > 0)
            len += (size_t)got;
    }
    (void)close(fd); /* only read: nothing to lose */
    if (got < 0)
        return HG_ERR_SYSTEM;
    if (len == cap)
        return HG_ERR_RANGE;
    ret_bytes[len] = '\0';
    *ret_len = len;
    return HG_OK;
}

/* -- writing -------------------------------------------------------------*/

int hg_journal_write_all(const struct hg_journal_io *io, int fd,
                         const void *bytes, size_t len)
{
    const char *at = bytes;

    while (len > 0) {
        ssize_t written = io->write(io->arg, fd, at, len);

        if (written < 0 && errno == EINTR)
            continue;
        if (written <= 0) {
            if (written == 0)
                errno = EIO;
            return HG_ERR_SYSTEM;
        }
        at += written;
        len -= (size_t)written;
    }
    return HG_OK;
}

int hg_journal_sync_dir(const struct hg_journal_io *io, const char *dir)
{
    int fd = io->open(io->arg, dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0);
    int saved;
    int err = HG_OK;

    if (fd < 0)
        return HG_ERR_SYSTEM;
    if (io->fsync(io->arg, fd) != 0)
        err = HG_ERR_SYSTEM;
    saved = errno;
    (void)io->close(io->arg, fd); /* the fsync has told already */
    errno = saved;
    return err;
}

static int write_beside(const struct hg_journal_io *io,
                        const struct hg_journal_small *file, const char *path)
{
    int saved;
    int fd;
    int err;

    fd = io->open(io->arg, path,
                  O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW,
                  file->mode);
    if (fd < 0)
        return HG_ERR_SYSTEM;
    err = hg_journal_write_all(io, fd, file->bytes, file->len);
    if (err == HG_OK && io->fdatasync(io->arg, fd) != 0)
        err = HG_ERR_SYSTEM;
    saved = errno;
    if (io->close(io->arg, fd) != 0 && err == HG_OK)
        return HG_ERR_SYSTEM;
    errno = saved;
    return err;
}

int hg_journal_replace(const struct hg_journal_io *io,
                       const struct hg_journal_small *file)
{
    char beside[HG_JOURNAL_PATH_BYTES];
    char path[HG_JOURNAL_PATH_BYTES];
    char name[40];
    int err;

    (void)snprintf(name, sizeof(name), "%.32s.new", file->name);
    err = hg_journal_path(file->dir, file->name, path);
    if (err == HG_OK)
        err = hg_journal_path(file->dir, name, beside);
    if (err == HG_OK)
        err = write_beside(io, file, beside);
    if (err == HG_OK && io->rename(io->arg, beside, path) != 0)
        err = HG_ERR_SYSTEM;
    if (err == HG_OK)
        err = hg_journal_sync_dir(io, file->dir);
    return err;
}
