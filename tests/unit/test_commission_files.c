/* Photographs in pieces, and the room's file: what comes back, and what a
 * failure leaves behind. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "service/commission_files.h"
#include <dirent.h>
#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char dir[] = "/tmp/heatgate-test-XXXXXX";
static char why_bytes[1024];
static struct hg_buf why;

static const unsigned char JPEG[] = { 0xff, 0xd8, 0xff, 0xe0, 1, 2,
                                      3,    4,    5,    6,    7, 8 };
/* sha256sum of these bytes, by coreutils */
static const char JPEG_SHA256[] =
    "09b5552834e9447177c9295547b5394726a6213f33bb9a8ff430b3f5a4a877ed";

static size_t count_photos(void)
{
    char path[64];
    size_t count = 0;
    DIR *folder;

    snprintf(path, sizeof(path), "%s/photos", dir);
    folder = opendir(path);
    if (folder == NULL)
        return 0;
    while (readdir(folder) != NULL)
        count++;
    closedir(folder);
    return count - 2; /* . and .. */
}

static void test_commission_files__keep_a_photo_in_pieces(void **unused)
{
    struct hg_com_upload *upload;
    struct hg_com_photo photo;
    char bytes[8192];
    struct hg_buf piece;

    (void)unused;
    assert_int_equal(
        hg_com_upload_new(dir, "heron", sizeof(JPEG), &why, &upload), 0);
    assert_int_equal(hg_com_upload_add(upload, JPEG, 5, &why), 0);
    photo.bytes = 99;
    HG_CHECK_EQ("missing", hg_com_upload_finish(upload, &why, &photo),
                HG_ERR_RANGE);
    HG_CHECK_EQ("untouched", photo.bytes, 99);
    assert_int_equal(
        hg_com_upload_add(upload, JPEG + 5, sizeof(JPEG) - 5, &why), 0);
    HG_CHECK_EQ("too much", hg_com_upload_add(upload, JPEG, 1, &why),
                HG_ERR_RANGE);
    assert_int_equal(hg_com_upload_finish(upload, &why, &photo), 0);
    hg_com_upload_free(upload);
    HG_CHECK_STR("digest", photo.sha256, JPEG_SHA256);
    HG_CHECK_EQ("bytes", photo.bytes, sizeof(JPEG));
    assert_false(photo.is_png);
    HG_CHECK_EQ("one file", count_photos(), 1);
    hg_buf_init(&piece, bytes, sizeof(bytes));
    assert_int_equal(hg_com_photo_read(dir, photo.sha256, false, 3, &piece), 0);
    HG_CHECK_EQ("from 3 on", piece.len, sizeof(JPEG) - 3);
    HG_CHECK_BYTES("from 3 on", piece.bytes, JPEG + 3, sizeof(JPEG) - 3);
    hg_buf_init(&piece, bytes, sizeof(bytes));
    assert_int_equal(hg_com_photo_read(dir, photo.sha256, false, 99, &piece),
                     0);
    HG_CHECK_EQ("behind the end", piece.len, 0);
    HG_CHECK_EQ("no such",
                hg_com_photo_read(dir, photo.sha256, true, 0, &piece),
                HG_ERR_NOT_FOUND);
}

static void test_commission_files__take_pictures_only(void **unused)
{
    static const struct {
        const char *label;
        const char *bytes;
        size_t len;
        int want;
    } ROWS[] = {
        { "png", "\x89PNG\r\n\x1a\nIHDR", 12, 0 },
        { "cut png", "\x89PNG\r\n", 6, HG_ERR_INPUT },
        { "text", "<html><body>", 12, HG_ERR_INPUT },
        { "one byte", "\xff", 1, HG_ERR_INPUT },
    };
    size_t before = count_photos();

    (void)unused;
    for (size_t i = 0; i < sizeof(ROWS) / sizeof(ROWS[0]); i++) {
        struct hg_com_upload *upload;

        assert_int_equal(
            hg_com_upload_new(dir, "heron", ROWS[i].len, &why, &upload), 0);
        HG_CHECK_EQ(ROWS[i].label,
                    hg_com_upload_add(upload, ROWS[i].bytes, ROWS[i].len, &why),
                    ROWS[i].want);
        hg_com_upload_free(upload); /* dropped: leaves nothing */
        HG_CHECK_EQ(ROWS[i].label, count_photos(), before);
    }
}

static void test_commission_files__know_how_much_fits(void **unused)
{
    struct hg_com_upload *upload = NULL;

    (void)unused;
    HG_CHECK_EQ("none", hg_com_upload_new(dir, "heron", 0, &why, &upload),
                HG_ERR_RANGE);
    HG_CHECK_EQ(
        "too large",
        hg_com_upload_new(dir, "heron", HG_COM_PHOTO_BYTES + 1, &why, &upload),
        HG_ERR_RANGE);
    assert_null(upload);
    HG_CHECK_EQ(
        "the largest",
        hg_com_upload_new(dir, "heron", HG_COM_PHOTO_BYTES, &why, &upload), 0);
    HG_CHECK_EQ("an empty piece", hg_com_upload_add(upload, "", 0, &why),
                HG_ERR_RANGE);
    hg_com_upload_free(upload);
}

static void test_commission_files__replace_the_file_of_a_room(void **unused)
{
    json_t *json = json_pack("{s:i}", "v", 1);
    json_t *back = NULL;
    char path[64];
    int fd;

    (void)unused;
    HG_CHECK_EQ("none yet", hg_com_file_read(dir, "heron", &why, &back),
                HG_ERR_NOT_FOUND);
    assert_null(back);
    assert_int_equal(hg_com_file_write(dir, "heron", json, &why), 0);
    assert_int_equal(hg_com_file_read(dir, "heron", &why, &back), 0);
    assert_true(json_equal(json, back));
    json_decref(back);
    json_decref(json);
    snprintf(path, sizeof(path), "%s/commission/heron.json", dir);
    fd = open(path, O_WRONLY | O_TRUNC);
    assert_int_equal(write(fd, "{", 1), 1);
    close(fd);
    back = NULL;
    why.len = 0;
    HG_CHECK_EQ("torn", hg_com_file_read(dir, "heron", &why, &back),
                HG_ERR_CORRUPT);
    assert_null(back);
    assert_non_null(strstr(why.bytes, "move it away"));
}

static void test_commission_files__say_when_they_cannot(void **unused)
{
    struct hg_com_upload *upload = NULL;
    json_t *json = json_object();
    char path[64];
    int fd;

    (void)unused;
    snprintf(path, sizeof(path), "%s/plain", dir);
    fd = open(path, O_WRONLY | O_CREAT, 0600);
    close(fd);
    why.len = 0;
    HG_CHECK_EQ("no folder", hg_com_file_write(path, "heron", json, &why),
                HG_ERR_SYSTEM);
    HG_CHECK_EQ("no folder",
                hg_com_upload_new(path, "heron", 10, &why, &upload),
                HG_ERR_SYSTEM);
    assert_null(upload);
    assert_non_null(strstr(why.bytes, "Check the owner"));
    json_decref(json);
}

static int make_dir(void **unused)
{
    (void)unused;
    hg_buf_init(&why, why_bytes, sizeof(why_bytes));
    return mkdtemp(dir) == NULL ? -1 : 0;
}

static int remove_one(const char *path, const struct stat *what, int kind,
                      struct FTW *where)
{
    (void)what;
    (void)kind;
    (void)where;
    return remove(path);
}

static int remove_dir(void **unused)
{
    (void)unused;
    return nftw(dir, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_commission_files__keep_a_photo_in_pieces),
        cmocka_unit_test(test_commission_files__take_pictures_only),
        cmocka_unit_test(test_commission_files__know_how_much_fits),
        cmocka_unit_test(test_commission_files__replace_the_file_of_a_room),
        cmocka_unit_test(test_commission_files__say_when_they_cannot),
    };

    return cmocka_run_group_tests(tests, make_dir, remove_dir);
}
