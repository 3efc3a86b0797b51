/* The hand-over sheet: nothing from outside becomes markup. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "cli/handover_page.h"
#include <stdlib.h>
#include <string.h>

static int put_photo(void *context, const char *room, const char *sha256,
                     FILE *out)
{
    int *calls = context;

    (void)room;
    (void)sha256;
    (*calls)++;
    fputs("AAAA", out);
    return *calls > 1 ? 3 : 0;
}

static json_t *state(void)
{
    return json_pack(
        "{s:s, s:s, s:s, s:n, s:{s:i, s:s, s:s, s:{s:s, s:s, s:{s:s}, s:{}, "
        "s:[{s:s, s:i, s:i, s:i, s:i}], s:[{s:s, s:s, s:s}]}}}",
        "room", "heron", "proof_at", "2026-01-09T17:22:31Z", "proof_due_at",
        "2026-07-08T17:22:31Z", "proof", "done", "n", 41, "digest", "d1gest",
        "recorded_at", "2026-01-09T17:30:00Z", "record", "label",
        "<script>alert('x')</script>", "by", "local:\"anna\"", "names",
        "heater", "6 & \"more\" <kW>", "limits", "steps", "step", "cut",
        "off_after_ms", 1200, "off_at_most_ms", 2000, "door_open_ms", 6000,
        "came_back_on", 1, "photos", "sha256", "abc", "label", "\"><img>",
        "type", "image/jpeg");
}

static char *print(const json_t *json, int *calls, int *ret_status)
{
    struct hg_handover_photos photos = { put_photo, calls };
    char *text = NULL;
    size_t len;
    FILE *out = open_memstream(&text, &len);

    assert_non_null(out);
    *ret_status = hg_handover_page(json, 0, &photos, out);
    assert_int_equal(fclose(out), 0);
    return text;
}

static void test_handover__escapes_all_it_is_told(void **unused)
{
    json_t *json = state();
    int calls = 0, status;
    char *text = print(json, &calls, &status);

    (void)unused;
    HG_CHECK_EQ("status", status, 0);
    assert_null(strstr(text, "<script"));
    assert_null(strstr(text, "<kW>"));
    assert_null(strstr(text, "\"><img>"));
    assert_non_null(strstr(text, "&lt;script&gt;alert(&#39;x&#39;)"));
    assert_non_null(strstr(text, "6 &amp; &quot;more&quot; &lt;kW&gt;"));
    assert_non_null(strstr(text, "local:&quot;anna&quot;"));
    free(text);
    json_decref(json);
}

static void test_handover__says_what_was_proved_and_warns(void **unused)
{
    static const char *const WORDS[] = {
        "may be restricted where you live",
        "not a safety device",
        "reported off 1.2 s after",
        "at most 2.0 s",
        "came back on by itself",
        "data:image/jpeg;base64,AAAA\"",
        "record 41 of the",
        "d1gest",
        "2026-07-08T17:22:31Z",
        "commission heron --proof",
        "not reported by this controller",
    };
    json_t *json = state();
    int calls = 0, status;
    char *text = print(json, &calls, &status);

    (void)unused;
    for (size_t i = 0; i < sizeof(WORDS) / sizeof(WORDS[0]); i++)
        HG_CHECK_TRUE(WORDS[i], strstr(text, WORDS[i]) != NULL);
    assert_null(strstr(text, "://"));
    free(text);
    json_decref(json);
}

static void test_handover__ends_when_a_photo_is_gone(void **unused)
{
    json_t *json = state();
    int calls = 1, status;
    char *text = print(json, &calls, &status);

    (void)unused;
    HG_CHECK_EQ("status", status, 3);
    assert_null(strstr(text, "</html>"));
    free(text);
    json_decref(json);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_handover__escapes_all_it_is_told),
        cmocka_unit_test(test_handover__says_what_was_proved_and_warns),
        cmocka_unit_test(test_handover__ends_when_a_photo_is_gone),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
