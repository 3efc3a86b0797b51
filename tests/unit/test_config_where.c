/*
 * JSON Pointers to lines: RFC 6901 section 3 (escapes) and section 5 (its
 * list of pointers into an example document).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/config_where.h"
#include <stdio.h>

static struct hg_where *scan(const char *text)
{
    struct hg_where *where = NULL;

    assert_int_equal(hg_where_new(text, strlen(text), &where), 0);
    return where;
}

static void test_config_where__finds_the_line_of_a_pointer(void **state)
{
    static const char text[] = "{\n"                                  /* 1 */
                               "  \"broker\": { \"port\": 1 },\n"     /* 2 */
                               "  \"rooms\":\n"                       /* 3 */
                               "  {\n"                                /* 4 */
                               "    \"heron\": {\n"                   /* 5 */
                               "      \"label\": \"a \\\"{,:\\n\",\n" /* 6 */
                               "      \"lease_s\":\n"                 /* 7 */
                               "        30\n"                         /* 8 */
                               "    },\n"                             /* 9 */
                               "    \"list\": [ true,\n"              /* 10 */
                               "      [], {\"deep\": null},\n"        /* 11 */
                               "      -1.5e3 ],\n"                    /* 12 */
                               "    \"after\": false\n"               /* 13 */
                               "  }\n"
                               "}\n";
    static const struct {
        const char *pointer;
        uint32_t line;
    } row[] = {
        { "", 1 },
        { "/broker", 2 },
        { "/broker/port", 2 },
        { "/rooms", 4 },
        { "/rooms/heron", 5 },
        { "/rooms/heron/label", 6 },
        { "/rooms/heron/lease_s", 8 },
        { "/rooms/list", 10 },
        { "/rooms/list/0", 10 },
        { "/rooms/list/1", 11 },
        { "/rooms/list/2/deep", 11 },
        { "/rooms/list/3", 12 },
        { "/rooms/after", 13 },
        { "/rooms/heron/missing", 5 },
        { "/rooms/heron/missing/deeper", 5 },
        { "/nowhere", 1 },
    };
    struct hg_where *where = scan(text);

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        HG_CHECK_EQ(row[i].pointer, hg_where_line(where, row[i].pointer),
                    row[i].line);
    hg_where_free(where);
}

/* the document of RFC 6901 section 5, one member a line */
static void test_config_where__escapes_as_rfc_6901_does(void **state)
{
    static const char text[] = "{\n\"foo\": [\"bar\", \"baz\"],\n\"\": 0,\n"
                               "\"a/b\": 1,\n\"c%d\": 2,\n\"e^f\": 3,\n"
                               "\"g|h\": 4,\n\"i\\\\j\": 5,\n\"k\\\"l\": 6,\n"
                               "\" \": 7,\n\"m~n\": 8,\n"
                               "\"\\u00fc\": 9,\n\"\\ud83d\\ude00\": 10,\n"
                               "\"\\u20ac\\t\": 11\n}";
    static const char *const pointer[] = {
        "/foo/1",
        "/",
        "/a~1b",
        "/c%d",
        "/e^f",
        "/g|h",
        "/i\\j",
        "/k\"l",
        "/ ",
        "/m~0n",
        "/\xc3\xbc",
        "/\xf0\x9f\x98\x80",
        "/\xe2\x82\xac\t",
    };
    struct hg_where *where = scan(text);

    (void)state;
    for (size_t i = 0; i < HG_COUNT(pointer); i++)
        HG_CHECK_EQ(pointer[i], hg_where_line(where, pointer[i]), i + 2);
    hg_where_free(where);
}

static void test_config_where__writes_pointers(void **state)
{
    char bytes[32];
    struct hg_buf pointer;

    (void)state;
    hg_buf_init(&pointer, bytes, sizeof(bytes));
    hg_where_push(&pointer, "a/b");
    hg_where_push(&pointer, "m~n");
    hg_where_push(&pointer, "");

    assert_string_equal(pointer.bytes, "/a~1b/m~0n/");
}

static void test_config_where__names_every_repeated_key(void **state)
{
    static const char text[] = "{ \"a\": {\"x\": 1,\n \"y\": 2,\n"
                               " \"x\": 3 },\n \"b\": [{\"x\":1},{\"x\":2}],\n"
                               " \"\\u0061\": 4,\n \"a\": 5 }";
    struct hg_where *where = scan(text);
    char bytes[64];
    struct hg_buf pointer;
    size_t cursor = 0;
    unsigned seen = 0;
    uint32_t line;

    (void)state;
    hg_buf_init(&pointer, bytes, sizeof(bytes));
    while ((line = hg_where_next_twice(where, &cursor, &pointer)) > 0) {
        if (strcmp(pointer.bytes, "/a/x") == 0 && line == 3)
            seen |= 1;
        else if (strcmp(pointer.bytes, "/a") == 0 && line == 5)
            seen |= 2;
        else if (strcmp(pointer.bytes, "/a") == 0 && line == 6)
            seen |= 4;
        else
            fail_msg("%s in line %u", pointer.bytes, (unsigned)line);
    }
    assert_int_equal(seen, 7);
    assert_int_equal(hg_where_line(where, "/a"), 6);
    hg_where_free(where);
}

static void test_config_where__bounds_its_depth(void **state)
{
    char text[400];
    char pointer[400] = "";
    struct hg_where *where;
    size_t len = 0;

    (void)state;
    for (size_t i = 0; i < 60; i++) {
        memcpy(text + len, "{\"d\":\n", 6);
        len += 6;
        memcpy(pointer + 2 * i, "/d", 3);
    }
    (void)snprintf(text + len, sizeof(text) - len, "0");
    where = scan(text);
    assert_int_equal(hg_where_line(where, "/d/d"), 3);
    /* the deepest that is known: HG_WHERE_DEPTH levels */
    assert_int_equal(hg_where_line(where, pointer), HG_WHERE_DEPTH + 1);
    hg_where_free(where);
}

/* no text may break it, accepted by the JSON library or not */
static void test_config_where__survives_any_text(void **state)
{
    static const char letters[] = "{}[]:,\"\\u09a \n-t";
    uint32_t seed = 12345;
    char text[48];

    (void)state;
    for (unsigned round = 0; round < 20000; round++) {
        size_t len = round % sizeof(text);
        struct hg_where *where = NULL;
        char bytes[16];
        struct hg_buf pointer;
        size_t cursor = 0;

        for (size_t i = 0; i < len; i++) {
            seed = seed * 1664525 + 1013904223;
            text[i] = letters[(seed >> 16) % (sizeof(letters) - 1)];
        }
        assert_int_equal(hg_where_new(text, len, &where), 0);
        hg_buf_init(&pointer, bytes, sizeof(bytes));
        while (hg_where_next_twice(where, &cursor, &pointer) > 0)
            assert_true(cursor <= len);
        assert_true(hg_where_line(where, "/a/0/") >= 1);
        hg_where_free(where);
    }
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_config_where__finds_the_line_of_a_pointer),
        cmocka_unit_test(test_config_where__escapes_as_rfc_6901_does),
        cmocka_unit_test(test_config_where__writes_pointers),
        cmocka_unit_test(test_config_where__names_every_repeated_key),
        cmocka_unit_test(test_config_where__bounds_its_depth),
        cmocka_unit_test(test_config_where__survives_any_text),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
