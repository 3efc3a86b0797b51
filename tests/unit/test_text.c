/*
 * The small parsers and printers. Times are checked against the examples of
 * RFC 3339 section 5.8 and against libc's timegm; UTF-8 against RFC 3629.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include <stdio.h>
#include <time.h>

#define SENTINEL UINT64_C(0x5e5e5e5e5e5e5e5e)

static void test_text__copies_what_fits(void **state)
{
    char dst[5] = "keep";

    (void)state;
    HG_CHECK_EQ("one above", hg_text_copy(dst, sizeof(dst), "12345"),
                HG_ERR_RANGE);
    HG_CHECK_STR("untouched", dst, "keep");
    HG_CHECK_EQ("at", hg_text_copy(dst, sizeof(dst), "1234"), HG_OK);
    HG_CHECK_STR("at", dst, "1234");
    HG_CHECK_EQ("below", hg_text_copy(dst, sizeof(dst), ""), HG_OK);
    HG_CHECK_STR("below", dst, "");
    HG_CHECK_EQ("no room at all", hg_text_copy(dst, 0, ""), HG_ERR_RANGE);
}

static void test_text__reads_decimal_numbers(void **state)
{
    static const struct {
        const char *text;
        uint64_t min, max;
        int err;
        uint64_t want;
    } row[] = {
        { "4", 5, 7, HG_ERR_RANGE, SENTINEL },
        { "5", 5, 7, HG_OK, 5 },
        { "7", 5, 7, HG_OK, 7 },
        { "8", 5, 7, HG_ERR_RANGE, SENTINEL },
        { "007", 0, 7, HG_OK, 7 },
        { "0", 0, 0, HG_OK, 0 },
        { "18446744073709551614", 0, UINT64_MAX, HG_OK, UINT64_MAX - 1 },
        { "18446744073709551615", 0, UINT64_MAX, HG_OK, UINT64_MAX },
        { "018446744073709551615", 0, UINT64_MAX, HG_OK, UINT64_MAX },
        { "18446744073709551616", 0, UINT64_MAX, HG_ERR_RANGE, SENTINEL },
        { "99999999999999999999", 0, UINT64_MAX, HG_ERR_RANGE, SENTINEL },
        { "184467440737095516150", 0, UINT64_MAX, HG_ERR_RANGE, SENTINEL },
        { "", 0, 9, HG_ERR_INPUT, SENTINEL },
        { " 5", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "5 ", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "+5", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "-5", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "0x5", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "5.0", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "5e0", 0, 9, HG_ERR_INPUT, SENTINEL },
        { "99999999999999999999x", 0, 9, HG_ERR_INPUT, SENTINEL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint64_t value = SENTINEL;

        HG_CHECK_EQ(row[i].text,
                    hg_text_to_u64(row[i].text, row[i].min, row[i].max, &value),
                    row[i].err);
        HG_CHECK_EQ_U64(row[i].text, value, row[i].want);
    }
}

static void test_text__knows_room_names(void **state)
{
    static const struct {
        const char *text;
        bool is_room;
    } row[] = {
        { "heron", true },
        { "otter", true },
        { "a", true },
        { "9", true },
        { "a-", true },
        { "0-9-z", true },
        { "abcdefghijklmnopqrstuvwxyz01234", true },    /* 31 */
        { "abcdefghijklmnopqrstuvwxyz012345", true },   /* 32 */
        { "abcdefghijklmnopqrstuvwxyz0123456", false }, /* 33 */
        { "", false },
        { "-a", false },
        { "Heron", false },
        { "he ron", false },
        { "he_ron", false },
        { "he/ron", false },
        { "he+", false },
        { "#", false },
        { "h\xc3\xa9", false },
        { "`", false }, /* beside 'a' */
        { "{", false }, /* beside 'z' */
        { "/", false }, /* beside '0' */
        { ":", false }, /* beside '9' */
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        HG_CHECK_EQ(row[i].text, hg_text_is_room(row[i].text), row[i].is_room);
}

static void test_text__reads_durations(void **state)
{
    static const struct {
        const char *text;
        int err;
        uint64_t want_s;
    } row[] = {
        { "90m", HG_OK, 5400 },
        { "3h", HG_OK, 10800 },
        { "2h30m", HG_OK, 9000 },
        { "45s", HG_OK, 45 },
        { "90", HG_OK, 5400 },
        { "1h2m3s", HG_OK, 3723 },
        { "1h3s", HG_OK, 3603 },
        { "0h0m1s", HG_OK, 1 },
        { "1s", HG_OK, 1 },
        { "0s", HG_ERR_RANGE, 0 },
        { "0", HG_ERR_RANGE, 0 },
        { "8783h59m59s", HG_OK, 31622399 },
        { "8784h", HG_OK, 31622400 }, /* 366 days */
        { "8784h0m1s", HG_ERR_RANGE, 0 },
        { "527040", HG_OK, 31622400 },
        { "527041", HG_ERR_RANGE, 0 },
        { "18446744073709551616h", HG_ERR_RANGE, 0 },
        { "99999999999999999999m", HG_ERR_RANGE, 0 },
        { "5124095576030431h", HG_ERR_RANGE, 0 }, /* wraps in 64 bits */
        { "", HG_ERR_INPUT, 0 },
        { "h", HG_ERR_INPUT, 0 },
        { "2h30", HG_ERR_INPUT, 0 },
        { "30m2h", HG_ERR_INPUT, 0 },
        { "1h1h", HG_ERR_INPUT, 0 },
        { "1m1m", HG_ERR_INPUT, 0 },
        { "1s1s", HG_ERR_INPUT, 0 },
        { "2H", HG_ERR_INPUT, 0 },
        { "2d", HG_ERR_INPUT, 0 },
        { "-2h", HG_ERR_INPUT, 0 },
        { "2h ", HG_ERR_INPUT, 0 },
        { " 2h", HG_ERR_INPUT, 0 },
        { "1.5h", HG_ERR_INPUT, 0 },
        { "99999999999999999999x", HG_ERR_INPUT, 0 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint64_t ms = SENTINEL;

        HG_CHECK_EQ(row[i].text, hg_text_to_duration(row[i].text, &ms),
                    row[i].err);
        HG_CHECK_EQ_U64(row[i].text, ms,
                        row[i].err < 0 ? SENTINEL : row[i].want_s * 1000);
    }
}

static void check_wall(const char *text, int err, int64_t want)
{
    int64_t ms = (int64_t)SENTINEL;

    HG_CHECK_EQ(text, hg_text_to_wall(text, &ms), err);
    HG_CHECK_EQ(text, ms, err < 0 ? (int64_t)SENTINEL : want);
}

static void test_text__reads_the_examples_of_rfc3339(void **state)
{
    /* RFC 3339, section 5.8 */
    (void)state;
    check_wall("1985-04-12T23:20:50.52Z", HG_OK, 482196050520);
    check_wall("1996-12-19T16:39:57-08:00", HG_OK, 851042397000);
    check_wall("1996-12-20T00:39:57Z", HG_OK, 851042397000);
    check_wall("1990-12-31T23:59:60Z", HG_OK, 662688000000);
    check_wall("1990-12-31T15:59:60-08:00", HG_OK, 662688000000);
    check_wall("1937-01-01T12:00:27.87+00:20", HG_OK, -1041337172130);
}

static void test_text__reads_times_at_their_limits(void **state)
{
    static const struct {
        const char *text;
        int64_t want;
    } row[] = {
        { "1970-01-01T00:00:00Z", 0 },
        { "1969-12-31T23:59:59.999Z", -1 },
        { "1970-01-01t00:00:00z", 0 },      /* 5.6: may be lower case */
        { "1970-01-01T00:00:00-00:00", 0 }, /* 4.3: offset unknown */
        { "1970-01-01T23:59:00+23:59", 0 },
        { "1969-12-31T00:01:00-23:59", 0 },
        { "1970-01-01T00:00:00.0019999Z", 1 },
        { "1970-01-01T00:00:00.1Z", 100 },
        { "2024-02-29T00:00:00Z", 1709164800000 }, /* every fourth year */
        { "2000-02-29T00:00:00Z", 951782400000 },  /* every 400th too */
        { "0000-01-01T00:00:00Z", -62167219200000 },
        { "9999-12-31T23:59:59.999Z", 253402300799999 },
        { "2016-12-31T23:59:60.5Z", 1483228800500 },
        { "2015-06-30T23:59:60Z", 1435708800000 },
        { "2015-07-01T01:59:60+02:00", 1435708800000 },
        { "1960-12-31T23:59:60Z", -283996800000 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        check_wall(row[i].text, HG_OK, row[i].want);
}

static void test_text__refuses_times_that_are_none(void **state)
{
    static const struct {
        const char *text;
        int err;
    } row[] = {
        { "1970-00-01T00:00:00Z", HG_ERR_RANGE },
        { "1970-13-01T00:00:00Z", HG_ERR_RANGE },
        { "1970-01-00T00:00:00Z", HG_ERR_RANGE },
        { "1970-01-32T00:00:00Z", HG_ERR_RANGE },
        { "1970-04-31T00:00:00Z", HG_ERR_RANGE },
        { "2023-02-29T00:00:00Z", HG_ERR_RANGE },
        { "1900-02-29T00:00:00Z", HG_ERR_RANGE }, /* not every 100th */
        { "2024-02-30T00:00:00Z", HG_ERR_RANGE },
        { "1970-01-01T24:00:00Z", HG_ERR_RANGE },
        { "1970-01-01T23:60:00Z", HG_ERR_RANGE },
        { "1970-01-01T23:59:61Z", HG_ERR_RANGE },
        { "1970-01-01T00:00:00+24:00", HG_ERR_RANGE },
        { "1970-01-01T00:00:00+00:60", HG_ERR_RANGE },
        { "2016-12-31T12:00:60Z", HG_ERR_RANGE }, /* 5.7: where they come */
        { "2016-12-30T23:59:60Z", HG_ERR_RANGE },
        { "2016-12-31T23:59:60+01:00", HG_ERR_RANGE },
        { "0000-01-01T00:00:60Z", HG_ERR_RANGE },
        { "", HG_ERR_INPUT },
        { "1970-01-01", HG_ERR_INPUT },
        { "1970-01-01T00:00:00", HG_ERR_INPUT }, /* no offset */
        { "1970-01-01T00:00Z", HG_ERR_INPUT },
        { "1970-01-01 00:00:00Z", HG_ERR_INPUT },
        { "1970-01-01T00:00:00.Z", HG_ERR_INPUT },
        { "1970-01-01T00:00:00,5Z", HG_ERR_INPUT },
        { "1970-01-01T00:00:00Zx", HG_ERR_INPUT },
        { "1970-01-01T00:00:00+0000", HG_ERR_INPUT },
        { "1970-01-01T00:00:00+00", HG_ERR_INPUT },
        { "1970-01-01T00:00:00+00:00Z", HG_ERR_INPUT },
        { "1970-1-01T00:00:00Z", HG_ERR_INPUT },
        { "70-01-01T00:00:00Z", HG_ERR_INPUT },
        { "19700-01-01T00:00:00Z", HG_ERR_INPUT },
        { "-970-01-01T00:00:00Z", HG_ERR_INPUT },
        { "19700101T000000Z", HG_ERR_INPUT },
        { " 1970-01-01T00:00:00Z", HG_ERR_INPUT },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        check_wall(row[i].text, row[i].err, 0);
}

/* Every cut of a good text is bad, and read no further than its end. */
static void test_text__reads_no_part_of_a_time(void **state)
{
    const char whole[] = "1996-12-19T16:39:57.25-08:00";

    (void)state;
    for (size_t len = 0; len < sizeof(whole) - 1; len++) {
        char part[sizeof(whole)] = "";

        memcpy(part, whole, len);
        check_wall(part, HG_ERR_INPUT, 0);
    }
}

static void test_text__agrees_with_libc_about_dates(void **state)
{
    /* a prime step meets every time of day and every day of a year */
    const time_t last = 253402300799;
    const time_t step = 1234577;

    (void)state;
    for (time_t at = 0; at <= last; at += step) {
        struct tm tm;
        char want[32], got[HG_WALL_TEXT_BYTES], got_ms[HG_WALL_MS_TEXT_BYTES];

        assert_non_null(gmtime_r(&at, &tm));
        assert_int_equal(timegm(&tm), at);
        assert_true(strftime(want, sizeof(want), "%Y-%m-%dT%H:%M:%SZ", &tm));
        hg_text_from_wall((int64_t)at * 1000 + 999, got);
        HG_CHECK_STR("prints", got, want);
        check_wall(got, HG_OK, (int64_t)at * 1000);
        hg_text_from_wall_ms((int64_t)at * 1000 + at % 1000, got_ms);
        check_wall(got_ms, HG_OK, (int64_t)at * 1000 + at % 1000);
    }
}

static void test_text__agrees_with_libc_about_every_day_since_0000(void **state)
{
    (void)state;
    for (time_t day = -719528; day < 10000; day++) {
        time_t at = day * 86400;
        char text[64];
        struct tm tm;

        assert_non_null(gmtime_r(&at, &tm));
        (void)snprintf(text, sizeof(text), "%04d-%02d-%02dT00:00:00Z",
                       tm.tm_year + 1900, tm.tm_mon + 1, tm.tm_mday);
        check_wall(text, HG_OK, (int64_t)day * 86400000);
    }
}

static void test_text__prints_the_nearest_time_it_can(void **state)
{
    static const struct {
        const char *label;
        int64_t ms;
        const char *want, *want_ms;
    } row[] = {
        { "least", INT64_MIN, "1970-01-01T00:00:00Z",
          "1970-01-01T00:00:00.000Z" },
        { "one before", -1, "1970-01-01T00:00:00Z",
          "1970-01-01T00:00:00.000Z" },
        { "first", 0, "1970-01-01T00:00:00Z", "1970-01-01T00:00:00.000Z" },
        { "rounds down", 999, "1970-01-01T00:00:00Z",
          "1970-01-01T00:00:00.999Z" },
        { "contract", 1767979351042, "2026-01-09T17:22:31Z",
          "2026-01-09T17:22:31.042Z" },
        { "last", 253402300799999, "9999-12-31T23:59:59Z",
          "9999-12-31T23:59:59.999Z" },
        { "one after", 253402300800000, "9999-12-31T23:59:59Z",
          "9999-12-31T23:59:59.999Z" },
        { "greatest", INT64_MAX, "9999-12-31T23:59:59Z",
          "9999-12-31T23:59:59.999Z" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char text[HG_WALL_TEXT_BYTES], text_ms[HG_WALL_MS_TEXT_BYTES];

        hg_text_from_wall(row[i].ms, text);
        HG_CHECK_STR(row[i].label, text, row[i].want);
        hg_text_from_wall_ms(row[i].ms, text_ms);
        HG_CHECK_STR(row[i].label, text_ms, row[i].want_ms);
    }
}

static void test_text__hex_goes_there_and_back(void **state)
{
    /* RFC 4648, section 8: the alphabet of base 16; section 10: "foobar" */
    uint8_t bytes[256], back[256];
    char text[513];

    (void)state;
    for (size_t i = 0; i < 256; i++)
        bytes[i] = (uint8_t)i;
    hg_hex_from_bytes(bytes, 256, text);
    HG_CHECK_EQ("length", strlen(text), 512);
    HG_CHECK_EQ("back", hg_hex_to_bytes(text, back, 256), HG_OK);
    HG_CHECK_BYTES("back", back, bytes, 256);
    HG_CHECK_EQ("foobar", hg_hex_to_bytes("666F6f626172", back, 6), HG_OK);
    HG_CHECK_BYTES("foobar", back, "foobar", 6);
    hg_hex_from_bytes(back, 6, text);
    HG_CHECK_STR("foobar", text, "666f6f626172");
    hg_hex_from_bytes(back, 0, text);
    HG_CHECK_STR("nothing", text, "");
    HG_CHECK_EQ("nothing", hg_hex_to_bytes("", back, 0), HG_OK);
}

static void test_text__refuses_bad_hex(void **state)
{
    static const char *const bad[] = {
        "",     "0",    "000",  "00000", "0g00", "000G", "/000",  ":000",
        "@000", "`000", "00 0", "+000",  "-000", "0x00", "00\n0",
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(bad); i++) {
        uint8_t bytes[2] = { 0x5e, 0x5e };

        HG_CHECK_EQ(bad[i], hg_hex_to_bytes(bad[i], bytes, 2), HG_ERR_INPUT);
        HG_CHECK_BYTES(bad[i], bytes, "\x5e\x5e", 2);
    }
}

static void test_text__secrets_compare_in_every_byte(void **state)
{
    uint8_t a[32] = { 0 }, b[32] = { 0 };

    (void)state;
    HG_CHECK_TRUE("same", hg_secret_equal(a, b, sizeof(a)));
    HG_CHECK_TRUE("nothing", hg_secret_equal(a, b, 0));
    for (size_t i = 0; i < sizeof(a); i++) {
        for (int bit = 0; bit < 8; bit++) {
            b[i] = (uint8_t)(1 << bit);
            HG_CHECK_FALSE("one bit", hg_secret_equal(a, b, sizeof(a)));
            HG_CHECK_TRUE("before it", hg_secret_equal(a, b, i));
        }
        b[i] = 0;
    }
}

static const struct {
    const char *label, *text;
    bool is_good;
} UTF8[] = {
    /* section 7: the examples */
    { "A<not identical to><alpha>.", "A\xe2\x89\xa2\xce\x91.", true },
    { "hangugeo", "\xed\x95\x9c\xea\xb5\xad\xec\x96\xb4", true },
    { "nihongo", "\xe6\x97\xa5\xe6\x9c\xac\xe8\xaa\x9e", true },
    { "U+233B4 behind a mark", "\xef\xbb\xbf\xf0\xa3\x8e\xb4", true },
    /* section 10: what a naive decoder lets through */
    { "overlong NUL", "\xc0\x80", false },
    { "overlong slash", "/\xc0\xae./", false },
    /* section 4: first and last of each length, and their neighbours */
    { "U+007F", "\x7f", true },
    { "U+0080", "\xc2\x80", true },
    { "overlong U+007F", "\xc1\xbf", false },
    { "U+07FF", "\xdf\xbf", true },
    { "U+0800", "\xe0\xa0\x80", true },
    { "overlong U+07FF", "\xe0\x9f\xbf", false },
    { "U+D7FF", "\xed\x9f\xbf", true },
    { "surrogate U+D800", "\xed\xa0\x80", false },
    { "surrogate U+DFFF", "\xed\xbf\xbf", false },
    { "U+E000", "\xee\x80\x80", true },
    { "U+FFFF", "\xef\xbf\xbf", true },
    { "U+10000", "\xf0\x90\x80\x80", true },
    { "overlong U+FFFF", "\xf0\x8f\xbf\xbf", false },
    { "U+10FFFF", "\xf4\x8f\xbf\xbf", true },
    { "U+110000", "\xf4\x90\x80\x80", false },
    { "lead F5", "\xf5\x80\x80\x80", false },
    { "lead FF", "\xff", false },
    { "continuation alone", "\x80", false },
    { "continuation BF alone", "\xbf", false },
    { "cut after 1 of 2", "\xc2", false },
    { "cut after 2 of 3", "\xe2\x89", false },
    { "cut after 3 of 4", "\xf0\xa3\x8e", false },
    { "second byte missing",
      "\xc2"
      "A",
      false },
    { "third byte missing",
      "\xe2\x89"
      "A",
      false },
    { "fourth byte missing",
      "\xf0\xa3\x8e"
      "A",
      false },
    /* our own rule: no controls of C0 */
    { "blank", " ", true },
    { "U+001F", "\x1f", false },
    { "line end", "a\n", false },
    { "tab", "a\tb", false },
    { "escape", "\x1b[31m", false },
    { "empty", "", true },
};

static void test_text__utf8_follows_rfc3629(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(UTF8); i++)
        HG_CHECK_EQ(UTF8[i].label,
                    hg_text_is_plain_utf8(UTF8[i].text, strlen(UTF8[i].text)),
                    UTF8[i].is_good);
    HG_CHECK_FALSE("NUL inside", hg_text_is_plain_utf8("a\0b", 3));
    HG_CHECK_TRUE("only the length counts", hg_text_is_plain_utf8("ab\xff", 2));
}

/* Every code point, encoded as section 3 says, is good unless a surrogate. */
static void test_text__utf8_takes_every_code_point(void **state)
{
    (void)state;
    for (uint32_t c = 0x20; c <= 0x110fff; c++) {
        char text[4];
        size_t len = c < 0x80 ? 1 : c < 0x800 ? 2 : c < 0x10000 ? 3 : 4;
        static const uint8_t lead[] = { 0, 0, 0xc0, 0xe0, 0xf0 };

        for (size_t i = len - 1; i > 0; i--)
            text[i] = (char)(0x80 | (c >> (6 * (len - 1 - i)) & 0x3f));
        text[0] = (char)(lead[len] | c >> (6 * (len - 1)));
        if (hg_text_is_plain_utf8(text, len) !=
            ((c < 0xd800 || c > 0xdfff) && c <= 0x10ffff)) {
            print_error("code point U+%04" PRIX32 "\n", c);
            fail();
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_text__copies_what_fits),
        cmocka_unit_test(test_text__reads_decimal_numbers),
        cmocka_unit_test(test_text__knows_room_names),
        cmocka_unit_test(test_text__reads_durations),
        cmocka_unit_test(test_text__reads_the_examples_of_rfc3339),
        cmocka_unit_test(test_text__reads_times_at_their_limits),
        cmocka_unit_test(test_text__refuses_times_that_are_none),
        cmocka_unit_test(test_text__reads_no_part_of_a_time),
        cmocka_unit_test(test_text__agrees_with_libc_about_dates),
        cmocka_unit_test(
            test_text__agrees_with_libc_about_every_day_since_0000),
        cmocka_unit_test(test_text__prints_the_nearest_time_it_can),
        cmocka_unit_test(test_text__hex_goes_there_and_back),
        cmocka_unit_test(test_text__refuses_bad_hex),
        cmocka_unit_test(test_text__secrets_compare_in_every_byte),
        cmocka_unit_test(test_text__utf8_follows_rfc3629),
        cmocka_unit_test(test_text__utf8_takes_every_code_point),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
