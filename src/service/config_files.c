/*
 * Owns reading the small files that a configuration names. A secret lives in
 * one buffer here and is wiped before returning.
 */
#include "service/config_files.h"
#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int open_checked(const char *path, mode_t forbidden, struct hg_buf *why,
                        int *ret_fd)
{
    /* O_NONBLOCK: a named pipe must not hold the start up */
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    struct stat info;

    if (fd < 0 || fstat(fd, &info) < 0) {
        hg_buf_addf(why, "%s cannot be read (%s)", path, strerror(errno));
        goto fail;
    }
    if (!S_ISREG(info.st_mode)) {
        hg_buf_addf(why, "%s is not a regular file", path);
        goto fail;
    }
    if ((info.st_mode & forbidden) != 0) {
        hg_buf_addf(why,
                    "%s has mode %04o, so others could read it; "
                    "allowed is 0600: chmod 0600 %s",
                    path, (unsigned)(info.st_mode & 07777), path);
        goto fail;
    }
    *ret_fd = fd;
    return 0;
fail:
    if (fd >= 0)
        (void)close(fd); /* opened for reading only */
    return HG_ERR_INPUT;
}

int hg_config_file_check(const char *path, mode_t forbidden, struct hg_buf *why)
{
    int fd;
    int err = open_checked(path, forbidden, why, &fd);

    if (err == 0)
        (void)close(fd); /* opened for reading only */
    return err;
}

static bool is_blank(char byte)
{
    return byte == ' ' || byte == '\t' || byte == '\r' || byte == '\n';
}

/* the line without blanks at its ends; HG_ERR_INPUT: none or several */
static int only_line(const char *bytes, size_t len, const char **ret_line,
                     size_t *ret_len)
{
    while (len > 0 && is_blank(bytes[len - 1]))
        len--;
    while (len > 0 && is_blank(*bytes)) {
        bytes++;
        len--;
    }
    if (len == 0 || memchr(bytes, '\n', len) != NULL ||
        memchr(bytes, '\0', len) != NULL)
        return HG_ERR_INPUT;
    *ret_line = bytes;
    *ret_len = len;
    return 0;
}

static int read_all(int fd, char *bytes, size_t cap, size_t *ret_len)
{
    size_t len = 0;

    while (len < cap) {
        ssize_t got = read(fd, bytes + len, cap - len);

        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return HG_ERR_SYSTEM;
        if (got == 0)
            break;
        len += (size_t)got;
    }
    *ret_len = len;
    return 0;
}

int hg_config_file_secret(const char *path, struct hg_buf *why, char *ret_line,
                          size_t cap)
{
    char bytes[HG_SECRET_FILE_BYTES_MAX];
    const char *line;
    size_t len, line_len;
    int fd;
    int err = open_checked(path, HG_FILE_OWNER_ONLY, why, &fd);

    if (err < 0)
        return err;
    err = read_all(fd, bytes, sizeof(bytes), &len);
    (void)close(fd); /* opened for reading only */
    if (err < 0) {
        hg_buf_addf(why, "%s cannot be read (%s)", path, strerror(errno));
        goto out;
    }
    err = len == sizeof(bytes) ? HG_ERR_INPUT
                               : only_line(bytes, len, &line, &line_len);
    if (err < 0) {
        hg_buf_addf(why, "%s must hold exactly one line", path);
        goto out;
    }
    if (line_len >= cap) {
        hg_buf_addf(why, "%s holds more than %zu characters", path, cap - 1);
        err = HG_ERR_RANGE;
        goto out;
    }
    memcpy(ret_line, line, line_len);
    ret_line[line_len] = '\0';
out:
    explicit_bzero(bytes, sizeof(bytes));
    return err;
}
