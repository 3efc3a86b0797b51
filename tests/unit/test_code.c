/*
 * Codes for people. The rule of the check symbol is Douglas Crockford's,
 * "Base 32", crockford.com/base32.html: the value modulo 37. The rows of
 * VECTORS were computed from that rule with big integers, outside this
 * program; count_modulo() is a second way to the same number, by Horner over
 * the printed symbols.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/code.h"
#include "base/text.h"
#include <string.h>

static const struct {
    const char *text;
    uint32_t number;
    const char *secret;
} VECTORS[] = {
    { "00000-000000-000000", 0, "00000000000" },
    { "00001-000000-00001U", 1, "00000000001" },
    { "ZZZZZ-ZZZZZZ-ZZZZZ~", 33554431, "ZZZZZZZZZZZ" },
    { "7GYPF-AYWAHE-PPJW77", 7895759, "AYWAHEPPJW7" },
    { "00000-000000-00014U", 0, "00000000014" },
    { "00000-000000-00013=", 0, "00000000013" },
    { "00000-000000-00010*", 0, "00000000010" },
    { "010HN-G00000-000007", 33333, "G0000000000" },
};

static const char ALPHABET[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ*~$=U";

/* The residue of the first 16 symbols of a printed code. */
static size_t count_modulo(const char *text)
{
    size_t residue = 0;
    size_t symbols = 0;

    for (; symbols < HG_CODE_SYMBOLS - 1; text++) {
        if (*text == '-')
            continue;
        residue =
            (residue * 32 + (size_t)(strchr(ALPHABET, *text) - ALPHABET)) % 37;
        symbols++;
    }
    return residue;
}

static void test_code__prints_and_parses_the_vectors(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(VECTORS); i++) {
        struct hg_code code = { 0 };
        struct hg_code want = { .number = VECTORS[i].number };
        char text[HG_CODE_TEXT_BYTES];

        assert_int_equal(
            hg_text_copy(want.secret, sizeof(want.secret), VECTORS[i].secret),
            0);

        hg_code_print(&want, text);

        assert_string_equal(text, VECTORS[i].text);
        assert_int_equal(hg_code_parse(VECTORS[i].text, &code), 0);
        assert_int_equal(code.number, VECTORS[i].number);
        assert_string_equal(code.secret, VECTORS[i].secret);
    }
}

static void test_code__reads_what_people_type(void **state)
{
    static const char *const TYPED[] = {
        "7GYPF-AYWAHE-PPJW77",  "7gypf-aywahe-ppjw77", "7GYPFAYWAHEPPJW77",
        "7gypf aywahe ppjw 77", "7-G-YPFaywahePPJW77",
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(TYPED); i++) {
        struct hg_code code = { 0 };

        assert_int_equal(hg_code_parse(TYPED[i], &code), 0);
        assert_int_equal(code.number, 7895759);
        assert_string_equal(code.secret, "AYWAHEPPJW7");
    }
}

static void test_code__reads_i_l_o_as_digits(void **state)
{
    struct hg_code code = { 0 };

    (void)state;
    assert_int_equal(hg_code_parse("oOoOi-OOOOOO-ooooLu", &code), 0);
    assert_int_equal(code.number, 1);
    assert_string_equal(code.secret, "00000000001");
}

static void test_code__refuses_what_is_no_code(void **state)
{
    static const char *const TYPED[] = {
        "",
        "-",
        "7GYPF-AYWAHE-PPJW7",
        "7GYPF-AYWAHE-PPJW777",
        "7GYPF-AYWAHE-PPJW76",
        "7GYPF-AYWAHE-PPJ+77",
        "UGYPF-AYWAHE-PPJW77",
        "7GYPF-AYWAHE-PPJWU7",
        "7GYPF-AYWAHE-PPJ7\xc3\xa9",
        "7GYPF-AYWAHE-PPJW77\n",
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(TYPED); i++) {
        struct hg_code code = { .number = 77, .secret = "untouched" };

        if (hg_code_parse(TYPED[i], &code) != HG_ERR_INPUT)
            fail_msg("accepted \"%s\"", TYPED[i]);
        assert_int_equal(code.number, 77);
        assert_string_equal(code.secret, "untouched");
    }
}

/* Each single wrong symbol and each swap of neighbours changes the residue. */
static void test_code__catches_every_single_mistake(void **state)
{
    struct hg_code drawn;
    char good[HG_CODE_TEXT_BYTES];

    (void)state;
    assert_int_equal(hg_code_draw(&drawn), 0);
    hg_code_print(&drawn, good);
    for (size_t at = 0; at < HG_CODE_TEXT_BYTES - 1; at++) {
        for (size_t symbol = 0; symbol < 32; symbol++) {
            char bad[HG_CODE_TEXT_BYTES];
            struct hg_code code;

            memcpy(bad, good, sizeof(bad));
            bad[at] = ALPHABET[symbol];
            if (good[at] == '-' || bad[at] == good[at])
                continue;
            if (hg_code_parse(bad, &code) != HG_ERR_INPUT)
                fail_msg("%s passes as %s", bad, good);
        }
    }
    for (size_t at = 0; at + 1 < HG_CODE_TEXT_BYTES - 2; at++) {
        char bad[HG_CODE_TEXT_BYTES];
        struct hg_code code;

        memcpy(bad, good, sizeof(bad));
        bad[at] = good[at + 1];
        bad[at + 1] = good[at];
        if (good[at] == good[at + 1] || good[at] == '-' || good[at + 1] == '-')
            continue;
        if (hg_code_parse(bad, &code) != HG_ERR_INPUT)
            fail_msg("%s passes as %s", bad, good);
    }
}

static void test_code__draws_codes_that_any_phone_can_type(void **state)
{
    char last[HG_CODE_TEXT_BYTES] = "";

    (void)state;
    for (size_t i = 0; i < 2000; i++) {
        struct hg_code code;
        struct hg_code back = { 0 };
        char text[HG_CODE_TEXT_BYTES];

        assert_int_equal(hg_code_draw(&code), 0);
        hg_code_print(&code, text);

        assert_null(strpbrk(text, "*~$="));
        assert_int_equal(text[HG_CODE_TEXT_BYTES - 2],
                         ALPHABET[count_modulo(text)]);
        assert_string_not_equal(text, last);
        assert_int_equal(hg_code_parse(text, &back), 0);
        assert_int_equal(back.number, code.number);
        assert_string_equal(back.secret, code.secret);
        memcpy(last, text, sizeof(last));
    }
}

static void test_code__prints_and_parses_ids(void **state)
{
    static const struct {
        enum hg_role role;
        const char *id;
    } ROWS[] = {
        { HG_ROLE_GUEST, "g-7gypf" },      { HG_ROLE_CARETAKER, "c-7gypf" },
        { HG_ROLE_INTEGRATOR, "i-7gypf" }, { HG_ROLE_MANAGER, "m-7gypf" },
        { HG_ROLE_OWNER, "o-7gypf" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        char id[HG_ID_BYTES];
        uint32_t number = 0;
        enum hg_role role = HG_ROLE_NONE;

        hg_code_print_id(7895759, ROWS[i].role, id);

        assert_string_equal(id, ROWS[i].id);
        assert_int_equal(hg_code_parse_id(id, &number, &role), 0);
        assert_int_equal(number, 7895759);
        assert_int_equal(role, ROWS[i].role);
    }
}

static void test_code__refuses_what_is_no_id(void **state)
{
    static const char *const ID[] = { "",        "g",        "g-",
                                      "g-7gyp",  "g-7gypff", "x-7gypf",
                                      "g_7gypf", "?-",       "g-7gyp*",
                                      "7gypf",   "guest" };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ID); i++) {
        uint32_t number = 77;
        enum hg_role role = HG_ROLE_GATEWAY;

        assert_int_equal(hg_code_parse_id(ID[i], &number, &role), HG_ERR_INPUT);
        assert_int_equal(number, 77);
        assert_int_equal(role, HG_ROLE_GATEWAY);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_code__prints_and_parses_the_vectors),
        cmocka_unit_test(test_code__reads_what_people_type),
        cmocka_unit_test(test_code__reads_i_l_o_as_digits),
        cmocka_unit_test(test_code__refuses_what_is_no_code),
        cmocka_unit_test(test_code__catches_every_single_mistake),
        cmocka_unit_test(test_code__draws_codes_that_any_phone_can_type),
        cmocka_unit_test(test_code__prints_and_parses_ids),
        cmocka_unit_test(test_code__refuses_what_is_no_id),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
