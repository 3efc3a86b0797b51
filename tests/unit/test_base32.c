/*
 * Base32 against its published rules: Douglas Crockford, "Base 32",
 * crockford.com/base32.html. The alphabet, the check symbols and the
 * readings of I, L and O below are that page's, written down from memory; the
 * page gives no worked example, so values are worked out by hand.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/base32.h"
#include "base/text.h"
#include "check.h"

static const char SYMBOL[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
static const char EXTRA[] = "*~$=U"; /* check symbols of 32 to 36 */

#define SENTINEL UINT64_C(0x5e5e5e5e5e5e5e5e)

static void test_base32__each_symbol_has_its_value(void **state)
{
    (void)state;
    for (uint64_t value = 0; value < 32; value++) {
        char text[2], want[2] = { SYMBOL[value], '\0' };
        uint64_t got = SENTINEL;

        hg_base32_from_u64(value, 1, text);
        HG_CHECK_STR("symbol", text, want);
        HG_CHECK_EQ("decodes", hg_base32_to_u64(want, 1, &got), HG_OK);
        HG_CHECK_EQ_U64(want, got, value);
        want[0] = (char)(want[0] >= 'A' ? want[0] - 'A' + 'a' : want[0]);
        HG_CHECK_EQ("lower", hg_base32_to_u64(want, 1, &got), HG_OK);
        HG_CHECK_EQ_U64(want, got, value);
    }
}

static void test_base32__encodes_and_decodes(void **state)
{
    static const struct {
        const char *text;
        uint64_t value;
    } row[] = {
        { "0", 0 },
        { "00", 0 },
        { "10", 32 },
        { "ZZ", 1023 },
        { "16J", 1234 }, /* 1*1024 + 6*32 + 18 */
        { "000000016J", 1234 },
        { "ZZZZZZZZZZZZ", (UINT64_C(1) << 60) - 1 },
        { "G00000000000", UINT64_C(1) << 59 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        size_t symbols = strlen(row[i].text);
        uint64_t value = SENTINEL;
        char text[13];

        hg_base32_from_u64(row[i].value, symbols, text);
        HG_CHECK_STR(row[i].text, text, row[i].text);
        HG_CHECK_EQ(row[i].text, hg_base32_to_u64(row[i].text, symbols, &value),
                    HG_OK);
        HG_CHECK_EQ_U64(row[i].text, value, row[i].value);
    }
}

static void test_base32__encodes_only_the_bits_asked_for(void **state)
{
    char text[13];

    (void)state;
    hg_base32_from_u64(UINT64_MAX, 12, text);
    HG_CHECK_STR("60 of 64 bits", text, "ZZZZZZZZZZZZ");
    hg_base32_from_u64(32 + 7, 1, text);
    HG_CHECK_STR("5 of 6 bits", text, "7");
}

static void test_base32__reads_what_people_confuse(void **state)
{
    static const struct {
        const char *typed, *means;
    } row[] = {
        { "I", "1" }, { "i", "1" }, { "L", "1" },
        { "l", "1" }, { "O", "0" }, { "o", "0" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint64_t typed = SENTINEL, means = SENTINEL;

        HG_CHECK_EQ(row[i].typed, hg_base32_to_u64(row[i].typed, 1, &typed),
                    HG_OK);
        HG_CHECK_EQ(row[i].typed, hg_base32_to_u64(row[i].means, 1, &means),
                    HG_OK);
        HG_CHECK_EQ_U64(row[i].typed, typed, means);
    }
}

static void test_base32__refuses_other_texts(void **state)
{
    static const struct {
        const char *label, *text;
        size_t symbols;
    } row[] = {
        { "empty", "", 1 },
        { "one short", "123", 4 },
        { "one long", "12345", 4 },
        { "U is no symbol", "U", 1 },
        { "u neither", "u", 1 },
        { "check symbol inside", "1*", 2 },
        { "dash", "1-2", 3 },
        { "blank", "1 2", 3 },
        { "high bit", "\xc3\xa9", 2 },
        { "0 symbols", "", 0 },
        { "13 symbols", "0000000000000", 13 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint64_t value = SENTINEL;

        HG_CHECK_EQ(row[i].label,
                    hg_base32_to_u64(row[i].text, row[i].symbols, &value),
                    HG_ERR_INPUT);
        HG_CHECK_EQ_U64(row[i].label, value, SENTINEL);
    }
}

static void test_base32__check_symbol_is_the_value_modulo_37(void **state)
{
    (void)state;
    for (uint64_t value = 0; value < 37; value++) {
        char want = value < 32 ? SYMBOL[value] : EXTRA[value - 32];

        HG_CHECK_EQ("small", hg_base32_check(value), want);
        HG_CHECK_EQ("one round on", hg_base32_check(value + 37), want);
    }
    /* modulo 37: 2^36 = 1 (Fermat), so 2^64 - 1 = 2^28 - 1 = 12 - 1 */
    HG_CHECK_EQ("largest", hg_base32_check(UINT64_MAX), 'B');
    HG_CHECK_EQ("1234", hg_base32_check(1234), 'D'); /* 33 * 37 + 13 */
}

static void test_base32__check_symbol_finds_slips_of_the_hand(void **state)
{
    /* 37 is prime: one wrong symbol, or two neighbours swapped, always show */
    const char code[] = "7ZK4M0QX2B";
    uint64_t value = SENTINEL;

    (void)state;
    HG_CHECK_EQ("code", hg_base32_to_u64(code, 10, &value), HG_OK);
    for (size_t i = 0; i < 10; i++) {
        char other[11];
        uint64_t slip = SENTINEL;

        for (size_t k = 0; k < 32; k++) {
            memcpy(other, code, sizeof(code));
            other[i] = SYMBOL[k];
            HG_CHECK_EQ(other, hg_base32_to_u64(other, 10, &slip), HG_OK);
            HG_CHECK_EQ(other, hg_base32_check(slip) == hg_base32_check(value),
                        SYMBOL[k] == code[i]);
        }
        if (i == 9)
            break;
        memcpy(other, code, sizeof(code));
        other[i] = code[i + 1];
        other[i + 1] = code[i];
        HG_CHECK_EQ(other, hg_base32_to_u64(other, 10, &slip), HG_OK);
        HG_CHECK_TRUE(other, hg_base32_check(slip) != hg_base32_check(value));
    }
}

static void test_base32__canon_is_what_was_meant(void **state)
{
    static const struct {
        const char *label, *typed, *want;
        size_t cap;
        int err;
    } row[] = {
        { "plain", "AB12", "AB12", 8, HG_OK },
        { "lower case", "ab12", "AB12", 8, HG_OK },
        { "dashes", "-a-b--1 2 -", "AB12", 8, HG_OK },
        { "blanks", " \tAB 12 ", "AB12", 8, HG_OK },
        { "I L O", "iIlLoO", "111100", 8, HG_OK },
        { "check symbols", "*~$=u", "*~$=U", 8, HG_OK },
        { "empty", "", "", 8, HG_OK },
        { "dashes only", "---", "", 1, HG_OK },
        { "just fits", "ABC", "ABC", 4, HG_OK },
        { "dashes take no room", "A-B-C", "ABC", 4, HG_OK },
        { "one too long", "ABCD", "?", 4, HG_ERR_RANGE },
        { "no symbol", "AB!2", "?", 8, HG_ERR_INPUT },
        { "line end", "AB12\n", "?", 8, HG_ERR_INPUT },
        { "not ASCII", "AB\xc3\xa9", "?", 8, HG_ERR_INPUT },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char canon[8] = "?";

        HG_CHECK_EQ(row[i].label,
                    hg_base32_canon(row[i].typed, canon, row[i].cap),
                    row[i].err);
        HG_CHECK_STR(row[i].label, canon, row[i].want);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_base32__each_symbol_has_its_value),
        cmocka_unit_test(test_base32__encodes_and_decodes),
        cmocka_unit_test(test_base32__encodes_only_the_bits_asked_for),
        cmocka_unit_test(test_base32__reads_what_people_confuse),
        cmocka_unit_test(test_base32__refuses_other_texts),
        cmocka_unit_test(test_base32__check_symbol_is_the_value_modulo_37),
        cmocka_unit_test(test_base32__check_symbol_finds_slips_of_the_hand),
        cmocka_unit_test(test_base32__canon_is_what_was_meant),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
