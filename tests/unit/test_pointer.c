/* JSON Pointer: the examples of RFC 6901, and what is none. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/pointer.h"
#include <stdlib.h>

/* RFC 6901 section 5: the document, and the value of each pointer */
static const char DOCUMENT[] =
    "{\"foo\": [\"bar\", \"baz\"], \"\": 0, \"a/b\": 1, \"c%d\": 2, "
    "\"e^f\": 3, \"g|h\": 4, \"i\\\\j\": 5, \"k\\\"l\": 6, \" \": 7, "
    "\"m~n\": 8}";

static void test_pointer__leads_where_rfc_6901_says(void **state)
{
    static const struct {
        const char *pointer, *value;
    } row[] = {
        { "", DOCUMENT },        { "/foo", "[\"bar\", \"baz\"]" },
        { "/foo/0", "\"bar\"" }, { "/", "0" },
        { "/a~1b", "1" },        { "/c%d", "2" },
        { "/e^f", "3" },         { "/g|h", "4" },
        { "/i\\j", "5" },        { "/k\"l", "6" },
        { "/ ", "7" },           { "/m~0n", "8" },
    };
    json_t *root = json_loads(DOCUMENT, 0, NULL);

    (void)state;
    assert_non_null(root);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        json_t *want = json_loads(row[i].value, JSON_DECODE_ANY, NULL);
        const json_t *got;

        HG_CHECK_TRUE(row[i].pointer, hg_pointer_is_valid(row[i].pointer));
        got = hg_pointer_find(root, row[i].pointer);
        HG_CHECK_TRUE(row[i].pointer, got != NULL && json_equal(got, want));
        json_decref(want);
    }
    json_decref(root);
}

static void test_pointer__leads_nowhere(void **state)
{
    static const char *const row[] = {
        "/bar",
        "/foo/2",
        "/foo/-",
        "/foo/00",
        "/foo/01",
        "/foo/+1",
        "/foo/a",
        "/foo/0/",
        "//",
        "/ /x",
        "/foo/",
        "/a/b",
        "/foo/99999999999999999999",
    };
    json_t *root = json_loads(DOCUMENT, 0, NULL);

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        HG_CHECK_TRUE(row[i], hg_pointer_is_valid(row[i]));
        HG_CHECK_TRUE(row[i], hg_pointer_find(root, row[i]) == NULL);
    }
    json_decref(root);
}

static void test_pointer__undoes_escapes_in_their_order(void **state)
{
    /* section 4: ~01 is ~1, never a slash */
    json_t *root = json_pack("{s:i, s:i}", "~1", 1, "/", 2);

    (void)state;
    assert_int_equal(json_integer_value(hg_pointer_find(root, "/~01")), 1);
    assert_int_equal(json_integer_value(hg_pointer_find(root, "/~1")), 2);
    json_decref(root);
}

static void test_pointer__has_a_syntax_and_a_length(void **state)
{
    char longest[HG_POINTER_BYTES + 1];

    (void)state;
    HG_CHECK_TRUE("no slash", !hg_pointer_is_valid("foo"));
    HG_CHECK_TRUE("fragment", !hg_pointer_is_valid("#/foo"));
    HG_CHECK_TRUE("lone tilde", !hg_pointer_is_valid("/a~"));
    HG_CHECK_TRUE("tilde 2", !hg_pointer_is_valid("/a~2"));
    HG_CHECK_TRUE("control", !hg_pointer_is_valid("/a\n"));
    HG_CHECK_TRUE("not UTF-8", !hg_pointer_is_valid("/\xff"));
    memset(longest, 'a', sizeof(longest));
    longest[0] = '/';
    longest[HG_POINTER_BYTES - 1] = '\0';
    HG_CHECK_TRUE("256 bytes", hg_pointer_is_valid(longest));
    longest[HG_POINTER_BYTES - 1] = 'a';
    longest[HG_POINTER_BYTES] = '\0';
    HG_CHECK_TRUE("257 bytes", !hg_pointer_is_valid(longest));
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pointer__leads_where_rfc_6901_says),
        cmocka_unit_test(test_pointer__leads_nowhere),
        cmocka_unit_test(test_pointer__undoes_escapes_in_their_order),
        cmocka_unit_test(test_pointer__has_a_syntax_and_a_length),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
