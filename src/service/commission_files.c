/* The files of commissioning; see commission_files.h. */
#include "service/commission_files.h"
#include "access/file_io.h"
#include "base/text.h"
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define ROOMS_DIR  "commission"
#define PHOTOS_DIR "photos"
#define MAGIC_LEN  8

/* -- the room's file --------------------------------------------------------*/

static int say(struct hg_buf *why, int err, const char *path, const char *what)
{
    hg_buf_addf(why,
                "%s could not be %s: %s. Check the owner of the state "
                "directory, its space and the disk.",
                path, what,
                err == HG_ERR_SYSTEM ? strerror(errno) : hg_err_text(err));
    return err;
}

static int join(struct hg_buf *why, const char *dir, const char *name,
                char path[PATH_MAX])
{
    if (snprintf(path, PATH_MAX, "%s/%s", dir, name) < PATH_MAX)
        return 0;
    hg_buf_addf(why, "The path of the state directory is too long.");
    return HG_ERR_RANGE;
}

/* The folder, made when it is missing; it lasts when its parent is synced. */
static int make_dir(const char *state_dir, const char *name, struct hg_buf *why,
                    char path[PATH_MAX])
{
    int err = join(why, state_dir, name, path);
    int fd;

    if (err < 0)
        return err;
    if (mkdir(path, 0700) < 0)
        return errno == EEXIST ? 0 : say(why, HG_ERR_SYSTEM, path, "made");
    fd = open(state_dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0 || fsync(fd) < 0)
        err = say(why, HG_ERR_SYSTEM, path, "made to last");
    if (fd >= 0)
        (void)close(fd); /* opened for reading only */
    return err;
}

int hg_com_file_read(const char *state_dir, const char *room,
                     struct hg_buf *why, json_t **ret_json)
{
    char dir[PATH_MAX], name[64];
    struct hg_access_file file = { dir, name };
    json_t *json;
    char *text;
    size_t len;
    int err = join(why, state_dir, ROOMS_DIR, dir);

    if (err < 0)
        return err;
    snprintf(name, sizeof(name), "%s.json", room);
    err = hg_access_file_read(&file, HG_COM_FILE_BYTES, &text, &len);
    if (err == HG_ERR_NOT_FOUND)
        return err;
    if (err < 0) {
        hg_buf_addf(why, "%s/", dir);
        return say(why, err, name, "read");
    }
    json = json_loadb(text, len, JSON_REJECT_DUPLICATES, NULL);
    free(text);
    if (json == NULL) {
        hg_buf_addf(why,
                    "%s/%s is not as heatgated writes it. Put a good copy in "
                    "its place, or move it away and begin again; what was "
                    "recorded stands in the journal.",
                    dir, name);
        return HG_ERR_CORRUPT;
    }
    *ret_json = json;
    return 0;
}

int hg_com_file_write(const char *state_dir, const char *room,
                      const json_t *json, struct hg_buf *why)
{
    char dir[PATH_MAX], name[64];
    struct hg_access_file file = { dir, name };
    const char *step;
    char *text;
    int err = make_dir(state_dir, ROOMS_DIR, why, dir);

    if (err < 0)
        return err;
    snprintf(name, sizeof(name), "%s.json", room);
    text = json_dumps(json, JSON_INDENT(1) | HG_COM_REAL_PRECISION);
    if (text == NULL)
        return say(why, HG_ERR_MEMORY, name, "put together");
    err = hg_access_file_replace(&hg_access_io_system, &file, text,
                                 strlen(text), &step);
    free(text);
    return err < 0 ? say(why, err, name, "written") : 0;
}

/* -- a photograph on its way in ---------------------------------------------*/

struct hg_com_upload {
    char dir[PATH_MAX];
    char path[PATH_MAX]; /* where it grows */
    uint64_t of, offset;
    EVP_MD_CTX *digest;
    unsigned char magic[MAGIC_LEN];
    bool is_png;
    bool has_file;
};

int hg_com_upload_new(const char *state_dir, const char *room, uint64_t of,
                      struct hg_buf *why, struct hg_com_upload **ret_upload)
{
    struct hg_com_upload *upload;
    char name[64];
    int err, fd;

    if (of == 0 || of > HG_COM_PHOTO_BYTES) {
        hg_buf_addf(why, "A photograph has 1 to %zu bytes.",
                    HG_COM_PHOTO_BYTES);
        return HG_ERR_RANGE;
    }
    upload = calloc(1, sizeof(*upload));
    if (upload == NULL)
        return say(why, HG_ERR_MEMORY, "The photograph", "taken");
    upload->of = of;
    snprintf(name, sizeof(name), ".new-%s", room);
    err = make_dir(state_dir, PHOTOS_DIR, why, upload->dir);
    if (err == 0)
        err = join(why, upload->dir, name, upload->path);
    if (err < 0)
        goto out;
    err = HG_ERR_CRYPTO;
    upload->digest = EVP_MD_CTX_new();
    if (upload->digest == NULL ||
        EVP_DigestInit_ex(upload->digest, EVP_sha256(), NULL) != 1) {
        say(why, err, "The photograph's digest", "begun");
        goto out;
    }
    fd = open(upload->path,
              O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (fd < 0 || close(fd) < 0) {
        err = say(why, HG_ERR_SYSTEM, upload->path, "made");
        goto out;
    }
    upload->has_file = true;
    *ret_upload = upload;
    return 0;
out:
    hg_com_upload_free(upload);
    return err;
}

void hg_com_upload_free(struct hg_com_upload *upload)
{
    if (upload == NULL)
        return;
    if (upload->has_file)
        (void)unlink(upload->path); /* a leftover is overwritten later */
    EVP_MD_CTX_free(upload->digest);
    free(upload);
}

uint64_t hg_com_upload_offset(const struct hg_com_upload *upload)
{
    return upload->offset;
}

uint64_t hg_com_upload_of(const struct hg_com_upload *upload)
{
    return upload->of;
}

/* Enough has come to know, or all: is it a picture? */
static int check_magic(struct hg_com_upload *upload, struct hg_buf *why)
{
    static const unsigned char PNG[MAGIC_LEN] = { 0x89, 'P',  'N',  'G',
                                                  '\r', '\n', 0x1a, '\n' };
    static const unsigned char JPEG[3] = { 0xff, 0xd8, 0xff };

    upload->is_png = memcmp(upload->magic, PNG, sizeof(PNG)) == 0;
    if (upload->is_png || memcmp(upload->magic, JPEG, sizeof(JPEG)) == 0)
        return 0;
    hg_buf_add(why, "This is neither a JPEG nor a PNG picture. Send the "
                    "photograph as one of them.");
    return HG_ERR_INPUT;
}

/* O_DSYNC: each piece pays for itself; no long sync waits at the end. */
static int write_piece(const char *path, const char *bytes, size_t len)
{
    int fd = open(path, O_WRONLY | O_APPEND | O_DSYNC | O_CLOEXEC | O_NOFOLLOW);
    int kept;

    if (fd < 0)
        return HG_ERR_SYSTEM;
    while (len > 0) {
        ssize_t done = write(fd, bytes, len);

        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0) {
            kept = done == 0 ? EIO : errno;
            (void)close(fd);
            errno = kept;
            return HG_ERR_SYSTEM;
        }
        bytes += done;
        len -= (size_t)done;
    }
    return close(fd) < 0 ? HG_ERR_SYSTEM : 0;
}

int hg_com_upload_add(struct hg_com_upload *upload, const void *bytes,
                      size_t len, struct hg_buf *why)
{
    int err;

    if (len == 0 || len > HG_COM_PIECE_BYTES ||
        len > upload->of - upload->offset) {
        hg_buf_add(why, "The piece is empty, too large, or more than was "
                        "announced.");
        return HG_ERR_RANGE;
    }
    for (size_t i = 0; i < len && upload->offset + i < MAGIC_LEN; i++)
        upload->magic[upload->offset + i] = ((const unsigned char *)bytes)[i];
    if (upload->offset < MAGIC_LEN && (upload->offset + len >= MAGIC_LEN ||
                                       upload->offset + len == upload->of)) {
        err = check_magic(upload, why);
        if (err < 0)
            return err;
    }
    if (EVP_DigestUpdate(upload->digest, bytes, len) != 1)
        return say(why, HG_ERR_CRYPTO, "The photograph's digest", "made");
    if (write_piece(upload->path, bytes, len) < 0)
        return say(why, HG_ERR_SYSTEM, upload->path, "written");
    upload->offset += len;
    return 0;
}

static int photo_path(const char *dir, const struct hg_com_photo *photo,
                      struct hg_buf *why, char path[PATH_MAX])
{
    char name[HG_COM_DIGEST_BYTES + 8];

    snprintf(name, sizeof(name), "%s.%s", photo->sha256,
             photo->is_png ? "png" : "jpg");
    return join(why, dir, name, path);
}

int hg_com_upload_finish(struct hg_com_upload *upload, struct hg_buf *why,
                         struct hg_com_photo *ret_photo)
{
    unsigned char digest[EVP_MAX_MD_SIZE];
    struct hg_com_photo photo;
    char path[PATH_MAX];
    unsigned int len;
    int err, fd;

    if (upload->offset != upload->of) {
        hg_buf_add(why, "Some of the photograph is missing. Send it again.");
        return HG_ERR_RANGE;
    }
    if (EVP_DigestFinal_ex(upload->digest, digest, &len) != 1)
        return say(why, HG_ERR_CRYPTO, "The photograph's digest", "made");
    memset(&photo, 0, sizeof(photo));
    hg_hex_from_bytes(digest, len, photo.sha256);
    photo.bytes = upload->of;
    photo.is_png = upload->is_png;
    err = photo_path(upload->dir, &photo, why, path);
    if (err < 0)
        return err;
    if (rename(upload->path, path) < 0)
        return say(why, HG_ERR_SYSTEM, path, "put in its place");
    upload->has_file = false;
    fd = open(upload->dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0 || fsync(fd) < 0)
        err = say(why, HG_ERR_SYSTEM, path, "made to last");
    if (fd >= 0)
        (void)close(fd); /* opened for reading only */
    if (err == 0)
        *ret_photo = photo;
    return err;
}

int hg_com_photo_read(const char *state_dir, const char *sha256, bool is_png,
                      uint64_t offset, struct hg_buf *piece)
{
    char dir[PATH_MAX], path[PATH_MAX], why_bytes[128], bytes[3072];
    struct hg_com_photo photo;
    struct hg_buf why;
    ssize_t got = 1;
    int fd, err, kept;

    hg_buf_init(&why, why_bytes, sizeof(why_bytes));
    memset(&photo, 0, sizeof(photo));
    photo.is_png = is_png;
    err = hg_text_copy(photo.sha256, sizeof(photo.sha256), sha256);
    if (err == 0)
        err = join(&why, state_dir, PHOTOS_DIR, dir);
    if (err == 0)
        err = photo_path(dir, &photo, &why, path);
    if (err < 0)
        return err;
    fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0)
        return errno == ENOENT ? HG_ERR_NOT_FOUND : HG_ERR_SYSTEM;
    while (got > 0 && piece->cap - piece->len > sizeof(bytes)) {
        got = pread(fd, bytes, sizeof(bytes), (off_t)(offset + piece->len));
        if (got > 0)
            hg_buf_add_bytes(piece, bytes, (size_t)got);
    }
    kept = errno;
    (void)close(fd); /* opened for reading only */
    errno = kept;
    return got < 0 ? HG_ERR_SYSTEM : 0;
}
