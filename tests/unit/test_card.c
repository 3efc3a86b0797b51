/* Cards for guests, the address on them, the QR code. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "base/url.h"
#include "check.h"
#include "cli/card.h"
#include "cli/out_file.h"
#include "cli/qr.h"
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define CODE "7K2QF-9M4XZ8-TR1V0C"

static void test_card__takes_addresses_that_keep_a_code(void **state)
{
    static const struct {
        const char *text;
        bool is_good;
    } row[] = {
        { "https://sauna.example", true },
        { "https://sauna.example:8443/", true },
        { "https://sauna.example/a/b-c_d~e.f", true },
        { "https://192.0.2.7:1", true },
        { "https://[2001:db8::1]:65535/x", true },
        { "http://localhost:8080", true },
        { "http://127.0.0.1", true },
        { "http://[::1]:80", true },
        { "http://sauna.example", false },
        { "http://localhost.example", false },
        { "http://127.example", false },
        { "http://192.0.2.7", false },
        { "http://[::2]", false },
        { "https://", false },
        { "https:///x", false },
        { "https://-a", false },
        { "https://a:0", false },
        { "https://a:65536", false },
        { "https://a:", false },
        { "https://a:123456", false },
        { "https://user@a", false },
        { "https://a/?q", false },
        { "https://a/#x", false },
        { "https://a/\"", false },
        { "https://a b", false },
        { "https://[]", false },
        { "https://[::1", false },
        { "javascript:alert(1)", false },
        { "sauna.example", false },
        { "", false },
    };
    char longest[HG_URL_BYTES_MAX + 2];

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        HG_CHECK_EQ(row[i].text, hg_url_is_public(row[i].text), row[i].is_good);
    memset(longest, 'a', sizeof(longest));
    memcpy(longest, "https://", 8);
    longest[HG_URL_BYTES_MAX] = '\0';
    HG_CHECK_TRUE("longest", hg_url_is_public(longest));
    longest[HG_URL_BYTES_MAX] = 'a';
    longest[HG_URL_BYTES_MAX + 1] = '\0';
    HG_CHECK_TRUE("too long", !hg_url_is_public(longest));
}

static void test_card__puts_the_code_into_the_fragment(void **state)
{
    static const struct {
        const char *address, *code;
        int err;
        const char *link;
    } row[] = {
        { "https://a", CODE, 0, "https://a/#code=" CODE },
        { "https://a/b//", CODE, 0, "https://a/b/#code=" CODE },
        { "https://a?", CODE, HG_ERR_INPUT, "as it was" },
        { "https://a", "", HG_ERR_INPUT, "as it was" },
        { "https://a", "7K2QF&x=1", HG_ERR_INPUT, "as it was" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char link[HG_CARD_LINK_BYTES] = "as it was";

        HG_CHECK_EQ(row[i].address,
                    hg_card_link(row[i].address, row[i].code, link),
                    row[i].err);
        HG_CHECK_STR(row[i].address, link, row[i].link);
    }
}

static char *print(const struct hg_card *card, bool is_page)
{
    char *text = NULL;
    size_t len;
    FILE *out = open_memstream(&text, &len);

    assert_non_null(out);
    assert_int_equal(
        is_page ? hg_card_page(card, out) : hg_card_text(card, false, out), 0);
    assert_int_equal(fclose(out), 0);
    return text;
}

static void test_card__says_how_each_room_is_checked(void **state)
{
    struct hg_card card = { .code = CODE,
                            .id = "g-7k2qf",
                            .address = "https://sauna.example",
                            .room = { { "<b>Heron\033", HG_CARD_PANEL },
                                      { "Otter", HG_CARD_PANEL } },
                            .room_count = 2,
                            .from_ms = 0,
                            .until_ms = 3600000 };
    char *page = print(&card, true);
    char *text = print(&card, false);

    (void)state;
    HG_CHECK_EQ("escaped", hg_count_text(page, "<b>"), 0);
    HG_CHECK_EQ("escaped", hg_count_text(page, "&lt;b&gt;Heron"), 1);
    HG_CHECK_EQ("no controls", hg_count_text(text, "\033"), 0);
    HG_CHECK_EQ("no script", hg_count_text(page, "<script"), 0);
    HG_CHECK_EQ("one way for both", hg_count_text(page, "Press the button"), 1);
    HG_CHECK_EQ("one way for both", hg_count_text(text, "Press the button"), 1);
    HG_CHECK_TRUE("when",
                  strstr(page, "Thursday 1 January 1970, 00:00") != NULL);
    HG_CHECK_TRUE("when",
                  strstr(text, "Thursday 1 January 1970, 01:00") != NULL);
    free(page);
    free(text);
    card.room[1].evidence = HG_CARD_PLACE_CODE;
    page = print(&card, true);
    text = print(&card, false);
    HG_CHECK_EQ("named", hg_count_text(page, "Otter: Note the code"), 1);
    HG_CHECK_EQ("named", hg_count_text(text, "Otter: Note the code"), 1);
    HG_CHECK_EQ("named", hg_count_text(page, "Heron\033: Press"), 1);
    free(page);
    free(text);
}

static void test_card__draws_no_symbol_that_no_camera_reads(void **state)
{
    char text[HG_QR_BYTES_MAX + 2];
    char *page = NULL;
    size_t len;
    FILE *out = open_memstream(&page, &len);

    (void)state;
    assert_non_null(out);
    memset(text, 'a', sizeof(text));
    text[HG_QR_BYTES_MAX + 1] = '\0';
    HG_CHECK_EQ("too long", hg_qr_svg(text, out), HG_ERR_RANGE);
    HG_CHECK_EQ("too long", hg_qr_text(text, true, out), HG_ERR_RANGE);
    HG_CHECK_EQ("nothing", ftell(out), 0);
    text[HG_QR_BYTES_MAX] = '\0';
    HG_CHECK_EQ("longest", hg_qr_svg(text, out), 0);
    HG_CHECK_EQ("coloured", hg_qr_text("a", true, out), 0);
    assert_int_equal(fclose(out), 0);
    /* version 1: 21 modules (ISO/IEC 18004), four of quiet on each side */
    HG_CHECK_EQ("lines", hg_count_text(page, "\033[30;107m"), (21 + 8 + 1) / 2);
    free(page);
}

static void test_card__replaces_no_file(void **state)
{
    char folder[] = "/tmp/heatgate-card-XXXXXX";
    char path[64], text[512];
    struct hg_cli_out_file file;
    struct stat info;
    struct hg_buf why;

    (void)state;
    assert_non_null(mkdtemp(folder));
    (void)snprintf(path, sizeof(path), "%s/card", folder);
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_cli_out_file_open_new(path, &why, &file), 0);
    fputs("mine", file.out);
    assert_int_equal(hg_cli_out_file_commit(&file, &why), 0);
    assert_int_equal(stat(path, &info), 0);
    HG_CHECK_EQ("mode", info.st_mode & 0777, 0600);
    HG_CHECK_EQ("there", hg_cli_out_file_open_new(path, &why, &file),
                HG_ERR_SYSTEM);
    HG_CHECK_TRUE("told", strstr(text, "there already") != NULL);
    hg_cli_out_file_drop(&file);

    /* and one that came meanwhile stays too */
    assert_int_equal(unlink(path), 0);
    assert_int_equal(hg_cli_out_file_open_new(path, &why, &file), 0);
    assert_int_equal(mkdir(path, 0700), 0);
    HG_CHECK_EQ("came", hg_cli_out_file_commit(&file, &why), HG_ERR_SYSTEM);
    assert_int_equal(rmdir(path), 0);
    assert_int_equal(rmdir(folder), 0); /* nothing else is left */
}

static int in_utc(void **state)
{
    (void)state;
    if (setenv("TZ", "UTC", 1) != 0)
        return -1;
    tzset();
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_card__takes_addresses_that_keep_a_code),
        cmocka_unit_test(test_card__puts_the_code_into_the_fragment),
        cmocka_unit_test(test_card__says_how_each_room_is_checked),
        cmocka_unit_test(test_card__draws_no_symbol_that_no_camera_reads),
        cmocka_unit_test(test_card__replaces_no_file),
    };

    return cmocka_run_group_tests(tests, in_utc, NULL);
}
