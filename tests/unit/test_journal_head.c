/*
 * Signed heads: published vectors of the signature, the strict reader.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "journal/head.h"
#include "journal/key.h"
#include <openssl/evp.h>
#include <stdlib.h>

/* RFC 8032 section 7.1, TEST 1, 2, 3 and TEST SHA(abc) */
static const struct {
    const char *label, *secret, *public, *message, *sig;
} vector[] = {
    { "TEST 1",
      "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
      "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
      "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
      "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b" },
    { "TEST 2",
      "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
      "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
      "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
      "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00" },
    { "TEST 3",
      "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
      "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
      "af82",
      "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
      "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a" },
    { "TEST SHA(abc)",
      "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
      "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
      "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
      "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
      "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b589"
      "09351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704" },
};

static void test_journal_head__signs_as_published(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(vector); i++) {
        struct hg_journal_key key = { 0 };
        uint8_t secret[32], public[32], message[64], sig[64], ours[64];
        size_t len = strlen(vector[i].message) / 2;

        assert_int_equal(hg_hex_to_bytes(vector[i].secret, secret, 32), 0);
        assert_int_equal(hg_hex_to_bytes(vector[i].public, public, 32), 0);
        assert_int_equal(hg_hex_to_bytes(vector[i].message, message, len), 0);
        assert_int_equal(hg_hex_to_bytes(vector[i].sig, sig, 64), 0);
        key.pkey =
            EVP_PKEY_new_raw_private_key(EVP_PKEY_ED25519, NULL, secret, 32);
        assert_non_null(key.pkey);

        HG_CHECK_EQ(vector[i].label,
                    hg_journal_key_sign(&key, message, len, ours), HG_OK);
        HG_CHECK_BYTES(vector[i].label, ours, sig, 64);
        HG_CHECK_EQ(vector[i].label,
                    hg_journal_key_check(public, message, len, sig), HG_OK);
        for (size_t bit = 0; bit < 512; bit += 7) {
            sig[bit / 8] ^= (uint8_t)(1U << bit % 8);
            HG_CHECK_EQ(vector[i].label,
                        hg_journal_key_check(public, message, len, sig),
                        HG_ERR_DENIED);
            sig[bit / 8] ^= (uint8_t)(1U << bit % 8);
        }
        hg_journal_key_release(&key);
    }
}

/* -- the reader ----------------------------------------------------------*/

#define HEX32 "0123456789abcdef0123456789abcdef"
#define HASH  "\"hash\":\"" HEX32 HEX32 "\""
#define KEY   "\"key\":\"" HEX32 HEX32 "\""
#define SIG   "\"sig\":\"" HEX32 HEX32 HEX32 HEX32 "\""
#define AT    "\"at\":\"2026-01-09T17:22:31.042Z\""

static const struct {
    const char *label;
    const char *text;
    int want;
} reading[] = {
    { "ours", "{\"n\":7," HASH "," AT "," KEY "," SIG "}", HG_OK },
    { "any order", "{" SIG "," KEY "," AT ",\"n\":7," HASH "}", HG_OK },
    { "white space",
      " {\n\t\"n\" : 7 , " HASH " ,\r\n" AT " , " KEY " , " SIG " } \n",
      HG_OK },
    { "a member less", "{\"n\":7," HASH "," AT "," KEY "}", HG_ERR_INPUT },
    { "a member more", "{\"n\":7," HASH "," AT "," KEY "," SIG ",\"x\":1}",
      HG_ERR_INPUT },
    { "twice", "{\"n\":7,\"n\":7," HASH "," AT "," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "behind it", "{\"n\":7," HASH "," AT "," KEY "," SIG "}x", HG_ERR_INPUT },
    { "a comma at the end", "{\"n\":7," HASH "," AT "," KEY "," SIG ",}",
      HG_ERR_INPUT },
    { "n is 0", "{\"n\":0," HASH "," AT "," KEY "," SIG "}", HG_ERR_INPUT },
    { "n is negative", "{\"n\":-7," HASH "," AT "," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "n is a text", "{\"n\":\"7\"," HASH "," AT "," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "n is too large",
      "{\"n\":99999999999999999999," HASH "," AT "," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "a short hash", "{\"n\":7,\"hash\":\"" HEX32 "\"," AT "," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "a long hash",
      "{\"n\":7,\"hash\":\"" HEX32 HEX32 "0\"," AT "," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "no hex",
      "{\"n\":7," HASH "," AT ",\"key\":\"g123456789abcdef" HEX32
      "0123456789abcdef\"," SIG "}",
      HG_ERR_INPUT },
    { "no time", "{\"n\":7," HASH ",\"at\":\"today\"," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "a newline in the time",
      "{\"n\":7," HASH ",\"at\":\"2026-01-09T17:22:31Z\n\"," KEY "," SIG "}",
      HG_ERR_INPUT },
    { "a list", "[{\"n\":7," HASH "," AT "," KEY "," SIG "}]", HG_ERR_INPUT },
    { "nothing", "", HG_ERR_INPUT },
};

static void test_journal_head__reads_nothing_but_heads(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(reading); i++) {
        struct hg_journal_head head = { .n = 99 };
        size_t len = strlen(reading[i].text);
        char *text = malloc(len + 1); /* exact, for the address checker */

        assert_non_null(text);
        memcpy(text, reading[i].text, len);
        HG_CHECK_EQ(reading[i].label, hg_journal_head_parse(text, len, &head),
                    reading[i].want);
        HG_CHECK_EQ(reading[i].label, head.n,
                    reading[i].want == HG_OK ? 7 : 99);
        if (reading[i].want == HG_OK) {
            HG_CHECK_STR(reading[i].label, head.hash, HEX32 HEX32);
            HG_CHECK_STR(reading[i].label, head.at, "2026-01-09T17:22:31.042Z");
        }
        free(text);
    }
}

static void test_journal_head__reads_what_it_writes(void **state)
{
    static const char text[] =
        "{\"n\":999999999999," HASH "," AT "," KEY "," SIG "}";
    char again[HG_JOURNAL_HEAD_TEXT_BYTES];
    char cut[sizeof(text)];
    struct hg_journal_head head;

    (void)state;
    assert_int_equal(hg_journal_head_parse(text, sizeof(text) - 1, &head), 0);
    assert_int_equal(hg_journal_head_format(&head, again), sizeof(text) - 1);
    assert_string_equal(again, text);
    for (size_t len = 0; len < sizeof(text) - 1; len++) {
        memcpy(cut, text, len);
        HG_CHECK_EQ("cut", hg_journal_head_parse(cut, len, &head),
                    HG_ERR_INPUT);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_journal_head__signs_as_published),
        cmocka_unit_test(test_journal_head__reads_nothing_but_heads),
        cmocka_unit_test(test_journal_head__reads_what_it_writes),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
