/* Photographs in pieces; see commission_photo.h. */
#include "cli/commission_photo.h"
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define PIECE_BYTES  ((size_t)30 * 1024) /* as the service takes; by 3 */
#define BASE64_BYTES (PIECE_BYTES / 3 * 4 + 1)
#define PHOTO_BYTES  ((off_t)20 << 20)

/* Standard base64 with padding. */
static void encode(const unsigned char *bytes, size_t len, char *out)
{
    static const char digit[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnop"
                                "qrstuvwxyz0123456789+/";

    for (size_t i = 0; i < len; i += 3) {
        size_t left = len - i;
        unsigned int three = (unsigned int)bytes[i] << 16;

        if (left > 1)
            three |= (unsigned int)bytes[i + 1] << 8;
        if (left > 2)
            three |= bytes[i + 2];
        *out++ = digit[three >> 18];
        *out++ = digit[three >> 12 & 63];
        *out++ = left > 1 ? digit[three >> 6 & 63] : '=';
        *out++ = left > 2 ? digit[three & 63] : '=';
    }
    *out = '\0';
}

static int fail_file(const struct hg_com_talk *talk, const char *path,
                     const char *why)
{
    return hg_cli_fail(talk->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                       "the photograph %s: %s", path, why);
}

static int open_file(const struct hg_com_talk *talk, const char *path,
                     int *ret_fd, off_t *ret_size)
{
    struct stat info;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    const char *why = NULL;

    if (fd < 0)
        return fail_file(talk, path, strerror(errno));
    if (fstat(fd, &info) < 0)
        why = strerror(errno);
    else if (!S_ISREG(info.st_mode))
        why = "not a file";
    else if (info.st_size == 0 || info.st_size > PHOTO_BYTES)
        why = "it has to be a JPEG or PNG of at most 20 MiB";
    if (why != NULL) {
        (void)close(fd);
        return fail_file(talk, path, why);
    }
    *ret_fd = fd;
    *ret_size = info.st_size;
    return 0;
}

static int send_piece(struct hg_com_talk *talk, const char *label,
                      const unsigned char *bytes, size_t len, off_t offset,
                      off_t of)
{
    char base64[BASE64_BYTES];
    json_t *data, *answer;
    int status;

    encode(bytes, len, base64);
    data =
        json_pack("{s:s, s:I, s:I, s:s}", "label", label, "offset",
                  (json_int_t)offset, "of", (json_int_t)of, "base64", base64);
    status = hg_cli_call(talk->cli, "commission.step",
                         json_pack("{s:s, s:s, s:o}", "room", talk->room,
                                   "step", "photos", "data", data),
                         &answer);
    if (status == 0)
        json_decref(answer);
    return status;
}

int hg_com_photo_send(struct hg_com_talk *talk, const char *path,
                      const char *label)
{
    unsigned char bytes[PIECE_BYTES];
    off_t offset = 0, of = 0;
    int fd = -1;
    int status = open_file(talk, path, &fd, &of);

    if (status != 0)
        return status;
    while (status == 0 && offset < of) {
        ssize_t got = read(fd, bytes, sizeof(bytes));

        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0 || got > of - offset) {
            status = fail_file(
                talk, path, got < 0 ? strerror(errno) : "it changes meanwhile");
            break;
        }
        status = send_piece(talk, label, bytes, (size_t)got, offset, of);
        offset += got;
    }
    (void)close(fd); /* opened for reading only */
    return status;
}

int hg_com_photo_put(struct hg_cli *cli, const char *room, const char *sha256,
                     FILE *out)
{
    json_int_t offset = 0, of = 1;

    while (offset < of) {
        const char *base64;
        json_t *piece;
        size_t len;
        int status = hg_cli_call(cli, "commission.state",
                                 json_pack("{s:s, s:s, s:I}", "room", room,
                                           "photo", sha256, "offset", offset),
                                 &piece);

        if (status != 0)
            return status;
        base64 = hg_cli_text(piece, "base64");
        len = strlen(base64);
        of = json_integer_value(json_object_get(piece, "of"));
        if (strspn(base64, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrst"
                           "uvwxyz0123456789+/=") == len &&
            len >= 4 && len % 4 == 0) {
            fputs(base64, out);
            offset += (json_int_t)(len / 4 * 3) - (base64[len - 1] == '=') -
                      (base64[len - 2] == '=');
            len = 1;
        } else {
            len = 0;
        }
        json_decref(piece);
        if (len == 0)
            return hg_cli_fail(cli, HG_CLI_REFUSED, HG_CLI_CODE_UNAVAILABLE,
                               "the photograph %s ends early: its file in the "
                               "state directory was changed",
                               sha256);
    }
    return 0;
}
