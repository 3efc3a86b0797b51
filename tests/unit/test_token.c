/* Bearer tokens and the table of sessions. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/token.h"
#include "base/sat.h"
#include "base/text.h"
#include <string.h>

static const struct hg_mono START = { 5000 };

static int setup(void **state)
{
    struct hg_tokens *tokens = NULL;

    if (hg_tokens_new(&tokens) < 0)
        return -1;
    *state = tokens;
    return 0;
}

static int teardown(void **state)
{
    hg_tokens_free(*state);
    return 0;
}

/* The credential behind a token's text at a moment; UINT32_MAX: none. */
static uint32_t find(const struct hg_tokens *tokens, const char *text,
                     struct hg_mono now)
{
    struct hg_token token;
    uint32_t credential = UINT32_MAX;

    if (hg_token_parse(text, &token) < 0 ||
        hg_tokens_find(tokens, &token, now, &credential) < 0)
        assert_int_equal(credential, UINT32_MAX);
    return credential;
}

static void test_token__session_lives_12_hours(void **state)
{
    struct hg_tokens *tokens = *state;
    char text[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(hg_tokens_open(tokens, 42, START, text), 0);

    assert_int_equal(find(tokens, text, START), 42);
    assert_int_equal(find(tokens, text, hg_mono_add(START, 43199999)), 42);
    assert_int_equal(find(tokens, text, hg_mono_add(START, 43200000)),
                     UINT32_MAX);
    assert_int_equal(hg_tokens_count(tokens, hg_mono_add(START, 43199999)), 1);
    assert_int_equal(hg_tokens_count(tokens, hg_mono_add(START, 43200000)), 0);
}

static void test_token__dies_with_its_credential(void **state)
{
    struct hg_tokens *tokens = *state;
    char mine[2][HG_TOKEN_TEXT_BYTES];
    char other[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(hg_tokens_open(tokens, 42, START, mine[0]), 0);
    assert_int_equal(hg_tokens_open(tokens, 43, START, other), 0);
    assert_int_equal(hg_tokens_open(tokens, 42, START, mine[1]), 0);
    hg_tokens_end(tokens, 42);

    assert_int_equal(find(tokens, mine[0], START), UINT32_MAX);
    assert_int_equal(find(tokens, mine[1], START), UINT32_MAX);
    assert_int_equal(find(tokens, other, START), 43);
}

static void test_token__refuses_every_changed_character(void **state)
{
    struct hg_tokens *tokens = *state;
    char text[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(hg_tokens_open(tokens, 42, START, text), 0);
    for (size_t i = 0; i < HG_TOKEN_TEXT_BYTES - 1; i++) {
        char kept = text[i];

        text[i] = kept == '7' ? '8' : '7';
        assert_int_equal(find(tokens, text, START), UINT32_MAX);
        text[i] = kept;
    }
    assert_int_equal(find(tokens, text, START), 42);
}

static void test_token__refuses_what_has_not_the_form(void **state)
{
    static const char HEX[] =
        "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff";
    static const struct {
        const char *label;
        const char *before;
        const char *after;
    } ROWS[] = {
        { "nothing", "", NULL },
        { "another prefix", "hgx_00000_", HEX },
        { "no number", "hgs_000*0_", HEX },
        { "no underscore", "hgs_00000-", HEX },
        { "a character too few", "hgs_00000_", HEX + 1 },
        { "a character too many", "hgs_000000_", HEX },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        char text[2 * HG_TOKEN_TEXT_BYTES];
        struct hg_token token = { .number = 77 };
        memset(text, 0, sizeof(text));
        memcpy(text, ROWS[i].before, strlen(ROWS[i].before));
        if (ROWS[i].after != NULL)
            memcpy(text + strlen(text), ROWS[i].after, strlen(ROWS[i].after));
        if (hg_token_parse(text, &token) != HG_ERR_INPUT)
            fail_msg("%s", ROWS[i].label);
        assert_int_equal(token.number, 77);
    }
}

static void test_token__refuses_an_empty_place(void **state)
{
    struct hg_tokens *tokens = *state;
    struct hg_token token = { .kind = HG_TOKEN_SESSION, .number = 0 };
    uint32_t credential = 77;

    /* all zero, as an empty place is: must not match it */
    assert_int_equal(hg_tokens_find(tokens, &token, START, &credential),
                     HG_ERR_DENIED);
    token.number = HG_TOKENS_MAX;
    assert_int_equal(hg_tokens_find(tokens, &token, START, &credential),
                     HG_ERR_DENIED);
    assert_int_equal(credential, 77);
}

static void test_token__a_long_one_is_no_session(void **state)
{
    struct hg_tokens *tokens = *state;
    char text[HG_TOKEN_TEXT_BYTES];
    struct hg_token drawn;
    struct hg_token parsed;

    assert_int_equal(hg_token_draw(HG_TOKEN_LONG, 42, text, &drawn), 0);
    assert_int_equal(hg_token_parse(text, &parsed), 0);

    assert_int_equal(parsed.kind, HG_TOKEN_LONG);
    assert_int_equal(parsed.number, 42);
    assert_memory_equal(parsed.hash, drawn.hash, sizeof(drawn.hash));
    assert_int_equal(find(tokens, text, START), UINT32_MAX);
}

static void test_token__a_full_table_drops_the_oldest(void **state)
{
    struct hg_tokens *tokens = *state;
    char first[HG_TOKEN_TEXT_BYTES];
    char second[HG_TOKEN_TEXT_BYTES];
    char text[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(hg_tokens_open(tokens, 1, START, first), 0);
    assert_int_equal(hg_tokens_open(tokens, 2, hg_mono_add(START, 1), second),
                     0);
    for (uint32_t i = 2; i < HG_TOKENS_MAX; i++)
        assert_int_equal(
            hg_tokens_open(tokens, i + 1, hg_mono_add(START, 2), text), 0);
    assert_int_equal(find(tokens, first, START), 1);

    assert_int_equal(hg_tokens_open(tokens, 9, hg_mono_add(START, 3), text), 0);

    assert_int_equal(find(tokens, first, START), UINT32_MAX);
    assert_int_equal(find(tokens, second, START), 2);
    assert_int_equal(find(tokens, text, START), 9);
    assert_int_equal(hg_tokens_count(tokens, START), HG_TOKENS_MAX);
}

static void test_token__no_two_are_alike(void **state)
{
    struct hg_tokens *tokens = *state;
    char last[HG_TOKEN_TEXT_BYTES] = "";

    for (size_t i = 0; i < 100; i++) {
        char text[HG_TOKEN_TEXT_BYTES];

        assert_int_equal(hg_tokens_open(tokens, 1, START, text), 0);
        assert_string_not_equal(text + 10, last); /* the secret alone */
        memcpy(last, text + 10, strlen(text + 10) + 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_token__session_lives_12_hours,
                                        setup, teardown),
        cmocka_unit_test_setup_teardown(test_token__dies_with_its_credential,
                                        setup, teardown),
        cmocka_unit_test_setup_teardown(
            test_token__refuses_every_changed_character, setup, teardown),
        cmocka_unit_test_setup_teardown(
            test_token__refuses_what_has_not_the_form, setup, teardown),
        cmocka_unit_test_setup_teardown(test_token__refuses_an_empty_place,
                                        setup, teardown),
        cmocka_unit_test_setup_teardown(test_token__a_long_one_is_no_session,
                                        setup, teardown),
        cmocka_unit_test_setup_teardown(
            test_token__a_full_table_drops_the_oldest, setup, teardown),
        cmocka_unit_test_setup_teardown(test_token__no_two_are_alike, setup,
                                        teardown),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
