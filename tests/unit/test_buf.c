/* The bounded buffer: all of a piece or nothing, always a string. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/buf.h"
#include "base/text.h"
#include "check.h"

#define CANARY 0x5a

/* storage with a canary on either side */
struct fenced {
    char before[4];
    char bytes[8];
    char after[4];
};

static void fence(struct fenced *fenced, struct hg_buf *buf, size_t cap)
{
    memset(fenced, CANARY, sizeof(*fenced));
    hg_buf_init(buf, fenced->bytes, cap);
}

static void check_fence(const char *label, const struct fenced *fenced,
                        size_t cap)
{
    for (size_t i = 0; i < sizeof(fenced->before); i++)
        HG_CHECK_EQ(label, fenced->before[i], CANARY);
    for (size_t i = cap; i < sizeof(fenced->bytes); i++)
        HG_CHECK_EQ(label, fenced->bytes[i], CANARY);
    for (size_t i = 0; i < sizeof(fenced->after); i++)
        HG_CHECK_EQ(label, fenced->after[i], CANARY);
}

static void test_buf__starts_as_an_empty_string(void **state)
{
    struct fenced fenced;
    struct hg_buf buf;

    (void)state;
    fence(&fenced, &buf, sizeof(fenced.bytes));

    HG_CHECK_STR("text", buf.bytes, "");
    HG_CHECK_EQ("len", buf.len, 0);
    HG_CHECK_FALSE("cut", buf.is_cut);
}

static void test_buf__takes_a_piece_whole_or_not_at_all(void **state)
{
    static const struct {
        const char *label;
        size_t cap;
        const char *first, *second;
        const char *want;
        bool is_cut;
    } row[] = {
        { "one below", 8, "abc", "def", "abcdef", false },
        { "full", 8, "abc", "defg", "abcdefg", false },
        { "one above", 8, "abc", "defgh", "abc", true },
        { "far above", 8, "abc", "defghijklmnopqrstuvw", "abc", true },
        { "first too long", 4, "abcd", "ef", "ef", true },
        { "only the NUL fits", 1, "", "a", "", true },
        { "nothing into nothing", 1, "", "", "", false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        for (int is_formatted = 0; is_formatted < 2; is_formatted++) {
            struct fenced fenced;
            struct hg_buf buf;

            fence(&fenced, &buf, row[i].cap);
            hg_buf_add(&buf, row[i].first);
            if (is_formatted)
                hg_buf_addf(&buf, "%s", row[i].second);
            else
                hg_buf_add(&buf, row[i].second);

            HG_CHECK_STR(row[i].label, buf.bytes, row[i].want);
            HG_CHECK_EQ(row[i].label, buf.len, strlen(row[i].want));
            HG_CHECK_EQ(row[i].label, buf.is_cut, row[i].is_cut);
            check_fence(row[i].label, &fenced, row[i].cap);
        }
    }
}

static void test_buf__remembers_that_something_was_cut(void **state)
{
    struct fenced fenced;
    struct hg_buf buf;

    (void)state;
    fence(&fenced, &buf, 4);
    hg_buf_add(&buf, "toolong");
    hg_buf_add(&buf, "ok");

    HG_CHECK_STR("later pieces still fit", buf.bytes, "ok");
    HG_CHECK_TRUE("but it was cut", buf.is_cut);
}

static void test_buf__takes_bytes_with_a_NUL_among_them(void **state)
{
    struct fenced fenced;
    struct hg_buf buf;

    (void)state;
    fence(&fenced, &buf, 8);
    hg_buf_add_bytes(&buf, "a\0b", 3);
    hg_buf_add_bytes(&buf, NULL, 0);

    HG_CHECK_EQ("len", buf.len, 3);
    HG_CHECK_BYTES("bytes", buf.bytes, "a\0b", 4);
    HG_CHECK_FALSE("cut", buf.is_cut);
}

static void test_buf__prints_numbers(void **state)
{
    char storage[32];
    struct hg_buf buf;

    (void)state;
    hg_buf_init(&buf, storage, sizeof(storage));
    hg_buf_addf(&buf, "%d-%02u", -5, 7u);
    hg_buf_addf(&buf, "/%s", "x");

    HG_CHECK_STR("text", buf.bytes, "-5-07/x");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_buf__starts_as_an_empty_string),
        cmocka_unit_test(test_buf__takes_a_piece_whole_or_not_at_all),
        cmocka_unit_test(test_buf__remembers_that_something_was_cut),
        cmocka_unit_test(test_buf__takes_bytes_with_a_NUL_among_them),
        cmocka_unit_test(test_buf__prints_numbers),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
