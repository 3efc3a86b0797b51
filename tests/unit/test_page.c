/*
 * The page's files: what is there, what may not be in them, how much a phone
 * has to load, and that both catalogues know every word and every reason.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/why.h"
#include "check.h"
#include "page/page.h"
#include <jansson.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define PHONE_BYTES_MAX ((size_t)60 << 10) /* uncompressed, in one language */

static void test_page__finds_files_by_their_exact_path(void **unused)
{
    static const struct {
        const char *path, *type; /* NULL: there is none */
    } row[] = {
        { "/", "text/html; charset=utf-8" },
        { "/page.css", "text/css; charset=utf-8" },
        { "/page.js", "text/javascript; charset=utf-8" },
        { "/page.svg", "image/svg+xml" },
        { "/en.json", "application/json" },
        { "/de.json", "application/json" },
        { "", NULL },
        { "/page", NULL },
        { "/page.js/", NULL },
        { "/PAGE.js", NULL },
        { "//", NULL },
        { "/index.html", NULL },
        { "/en.json?", NULL },
    };

    (void)unused;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        const struct hg_page_file *file = hg_page_find(row[i].path);

        HG_CHECK_STR(row[i].path, file == NULL ? NULL : file->type,
                     row[i].type);
        if (file == NULL)
            continue;
        HG_CHECK_EQ(row[i].path, strlen(file->etag), 20);
        HG_CHECK_EQ(row[i].path, strncmp(file->etag, "W/\"", 3), 0);
        HG_CHECK_TRUE(row[i].path, file->len > 100);
    }
}

static void test_page__stays_light_for_a_weak_signal(void **unused)
{
    size_t sum = 0, words = 0;

    (void)unused;
    for (size_t i = 0; hg_page_get(i) != NULL; i++) {
        const struct hg_page_file *file = hg_page_get(i);

        if (strcmp(file->type, "application/json") != 0)
            sum += file->len;
        else if (file->len > words)
            words = file->len;
    }
    print_message("a phone loads %zu bytes\n", sum + words);
    assert_true(words > 0 && sum + words < PHONE_BYTES_MAX);
}

static bool holds(const struct hg_page_file *file, const char *text)
{
    return memmem(file->bytes, file->len, text, strlen(text)) != NULL;
}

/* Text from outside must stay text, and nothing comes from elsewhere. */
static void test_page__parses_no_markup_and_asks_nobody_else(void **unused)
{
    static const char *const banned[] = {
        "innerHTML",      "outerHTML", "insertAdjacentHTML",
        "document.write", "eval(",     "Function(",
        "DOMParser",      "https:",    "style=",
        "javascript:",    "srcdoc",    "console.",
    };

    (void)unused;
    for (size_t i = 0; hg_page_get(i) != NULL; i++)
        for (size_t k = 0; k < sizeof(banned) / sizeof(banned[0]); k++)
            if (holds(hg_page_get(i), banned[k]))
                fail_msg("%s holds %s", hg_page_get(i)->path, banned[k]);
    assert_false(holds(hg_page_find("/"), "<style"));
    assert_false(holds(hg_page_find("/"), "<script>"));
    assert_true(holds(hg_page_find("/"), "<script src=\"/page.js\""));
}

static json_t *catalogue(const char *path, const char *part)
{
    const struct hg_page_file *file = hg_page_find(path);
    json_error_t error;
    json_t *all = json_loadb((const char *)file->bytes, file->len,
                             JSON_REJECT_DUPLICATES, &error);
    json_t *found;

    if (all == NULL)
        fail_msg("%s:%d: %s", path, error.line, error.text);
    found = json_incref(json_object_get(all, part));
    assert_true(json_is_object(found));
    json_decref(all);
    return found;
}

static void test_page__knows_every_reason_in_each_language(void **unused)
{
    static const char *const path[] = { "/en.json", "/de.json" };

    (void)unused;
    for (size_t i = 0; i < 2; i++) {
        json_t *reasons = catalogue(path[i], "reasons");

        for (int why = 1; why < HG_WHY_COUNT; why++) {
            const char *code = hg_why_code((enum hg_why)why);
            const json_t *pair = json_object_get(reasons, code);

            HG_CHECK_EQ(code, json_array_size(pair), 2);
            for (size_t k = 0; k < 2; k++)
                HG_CHECK_TRUE(code,
                              json_string_length(json_array_get(pair, k)) > 10);
        }
        assert_int_equal(json_object_size(reasons), HG_WHY_COUNT - 1);
        json_decref(reasons);
    }
}

/* The names in braces, in the order of the text. */
static void holes(const char *text, char out[200])
{
    size_t len = 0;
    bool is_in = false;

    for (; *text != '\0'; text++) {
        is_in = is_in ? *text != '}' : *text == '{';
        if (is_in && len < 198)
            out[len++] = *text;
    }
    out[len] = '\0';
}

static void test_page__has_each_text_in_each_language(void **unused)
{
    json_t *english = catalogue("/en.json", "text");
    json_t *german = catalogue("/de.json", "text");
    const char *key;
    json_t *text;

    (void)unused;
    json_object_foreach(english, key, text)
    {
        const char *other = json_string_value(json_object_get(german, key));
        char here[200], there[200];

        if (other == NULL || other[0] == '\0')
            fail_msg("/de.json has no text for %s", key);
        holes(json_string_value(text), here);
        holes(other, there);
        HG_CHECK_EQ(key, strlen(here), strlen(there));
    }
    assert_int_equal(json_object_size(english), json_object_size(german));
    json_decref(english);
    json_decref(german);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_page__finds_files_by_their_exact_path),
        cmocka_unit_test(test_page__stays_light_for_a_weak_signal),
        cmocka_unit_test(test_page__parses_no_markup_and_asks_nobody_else),
        cmocka_unit_test(test_page__knows_every_reason_in_each_language),
        cmocka_unit_test(test_page__has_each_text_in_each_language),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
