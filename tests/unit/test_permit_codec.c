/* Permits and revokes, exactly as the contract spells them. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/codec.h"
#include <jansson.h>
#include <string.h>

static struct hg_permit permit_of(uint64_t serial, int32_t target_mc,
                                  uint64_t ttl_ms, const char *heat_id)
{
    struct hg_permit permit = {
        .is_heat = true,
        .serial = serial,
        .target_mc = target_mc,
        .ttl_ms = ttl_ms,
    };

    assert_int_equal(
        hg_text_copy(permit.heat_id, sizeof(permit.heat_id), heat_id), 0);
    return permit;
}

static void test_permit_codec__writes_a_permit(void **state)
{
    struct hg_permit permit = permit_of(117440518, 80000, 30000, "h-1a2b");
    char text[HG_PERMIT_BYTES];
    struct hg_buf buf;

    (void)state;
    hg_buf_init(&buf, text, sizeof(text));

    assert_int_equal(hg_permit_encode(&permit, &buf), 0);

    assert_string_equal(text, "{\"v\":1,\"serial\":117440518,\"heat\":true,"
                              "\"target_c\":80,\"ttl_ms\":30000,"
                              "\"heat_id\":\"h-1a2b\"}");
}

static void test_permit_codec__writes_a_revoke(void **state)
{
    struct hg_permit revoke = { .serial = 117440519, .why = HG_WHY_DOOR_OPEN };
    char text[HG_PERMIT_BYTES];
    struct hg_buf buf;

    (void)state;
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_permit_encode(&revoke, &buf), 0);
    assert_string_equal(text, "{\"v\":1,\"serial\":117440519,\"heat\":false,"
                              "\"reason\":\"door-open\"}");

    revoke.why = HG_WHY_NONE;
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_permit_encode(&revoke, &buf), 0);
    assert_string_equal(text, "{\"v\":1,\"serial\":117440519,\"heat\":false}");
}

static void test_permit_codec__writes_degrees_shortest(void **state)
{
    static const struct {
        int32_t mc;
        const char *want;
    } row[] = {
        { 0, "\"target_c\":0," },         { 5, "\"target_c\":0.005," },
        { 40000, "\"target_c\":40," },    { 80500, "\"target_c\":80.5," },
        { 80050, "\"target_c\":80.05," }, { 80001, "\"target_c\":80.001," },
        { 80120, "\"target_c\":80.12," }, { 110000, "\"target_c\":110," },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_permit permit = permit_of(1, row[i].mc, 1, "h");
        char text[HG_PERMIT_BYTES];
        struct hg_buf buf;

        hg_buf_init(&buf, text, sizeof(text));
        HG_CHECK_EQ(row[i].want, hg_permit_encode(&permit, &buf), 0);
        HG_CHECK_TRUE(text, strstr(text, row[i].want) != NULL);
    }
}

static void test_permit_codec__refuses_what_may_not_be_sent(void **state)
{
    static const struct {
        const char *label;
        uint64_t serial;
        int32_t target_mc;
        uint64_t ttl_ms;
        const char *heat_id;
        int want;
    } row[] = {
        { "lowest serial", 1, 80000, 30000, "h", 0 },
        { "no serial", 0, 80000, 30000, "h", HG_ERR_RANGE },
        { "highest serial", HG_SERIAL_LIMIT - 1, 80000, 30000, "h", 0 },
        { "serial at the limit", HG_SERIAL_LIMIT, 80000, 30000, "h",
          HG_ERR_RANGE },
        { "shortest lease", 1, 80000, 1, "h", 0 },
        { "no lease", 1, 80000, 0, "h", HG_ERR_RANGE },
        { "longest lease", 1, 80000, 120000, "h", 0 },
        { "lease too long", 1, 80000, 120001, "h", HG_ERR_RANGE },
        { "highest target", 1, 110000, 30000, "h", 0 },
        { "target too high", 1, 110001, 30000, "h", HG_ERR_RANGE },
        { "target below zero", 1, -1, 30000, "h", HG_ERR_RANGE },
        { "no heat", 1, 80000, 30000, "", HG_ERR_RANGE },
        { "a quote in the id", 1, 80000, 30000, "h\"", HG_ERR_RANGE },
        { "longest id", 1, 80000, 30000,
          "012345678901234567890123456789012345678", 0 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_permit permit = permit_of(row[i].serial, row[i].target_mc,
                                            row[i].ttl_ms, row[i].heat_id);
        char text[HG_PERMIT_BYTES];
        struct hg_buf buf;

        hg_buf_init(&buf, text, sizeof(text));
        HG_CHECK_EQ(row[i].label, hg_permit_encode(&permit, &buf), row[i].want);
    }
}

static void test_permit_codec__says_when_the_buffer_is_small(void **state)
{
    struct hg_permit permit = permit_of(HG_SERIAL_LIMIT - 1, 109999, 120000,
                                        "012345678901234567890123456789012345"
                                        "678");
    char text[HG_PERMIT_BYTES];
    struct hg_buf buf;
    size_t needed;

    (void)state;
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_permit_encode(&permit, &buf), 0);
    needed = buf.len + 1;
    assert_true(needed < sizeof(text));

    hg_buf_init(&buf, text, needed);
    assert_int_equal(hg_permit_encode(&permit, &buf), 0);
    hg_buf_init(&buf, text, needed - 1);
    assert_int_equal(hg_permit_encode(&permit, &buf), HG_ERR_FULL);
}

static void test_permit_codec__reads_foreign_permits(void **state)
{
    static const struct {
        const char *label;
        const char *text;
        int err;
        uint64_t serial;
        bool is_heat;
    } row[] = {
        { "permit", "{\"v\":1,\"serial\":7,\"heat\":true,\"target_c\":\"x\"}",
          0, 7, true },
        { "revoke", "{\"v\":1,\"serial\":8,\"heat\":false}", 0, 8, false },
        { "highest number",
          "{\"v\":1,\"serial\":9007199254740991,"
          "\"heat\":true}",
          0, 9007199254740991, true },
        { "2^53", "{\"v\":1,\"serial\":9007199254740992,\"heat\":true}",
          HG_ERR_INPUT, 0, false },
        { "no version", "{\"serial\":7,\"heat\":true}", HG_ERR_INPUT, 0,
          false },
        { "no serial", "{\"v\":1,\"heat\":true}", HG_ERR_INPUT, 0, false },
        { "no heat", "{\"v\":1,\"serial\":7}", HG_ERR_INPUT, 0, false },
        { "heat is text", "{\"v\":1,\"serial\":7,\"heat\":\"true\"}",
          HG_ERR_INPUT, 0, false },
        { "empty", "", HG_ERR_INPUT, 0, false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_permit_heard heard = { .serial = 4711, .is_heat = true };
        char text[HG_CODEC_WHY_BYTES];
        struct hg_buf why;
        int err;

        hg_buf_init(&why, text, sizeof(text));
        err = hg_permit_decode(row[i].text, strlen(row[i].text), &why, &heard);

        HG_CHECK_EQ(row[i].label, err, row[i].err);
        HG_CHECK_EQ_U64(row[i].label, heard.serial,
                        err < 0 ? 4711 : row[i].serial);
        HG_CHECK_EQ(row[i].label, heard.is_heat,
                    err < 0 ? true : row[i].is_heat);
        HG_CHECK_EQ(row[i].label, text[0] != '\0', err < 0);
    }
}

/* what we write, a JSON library of others reads back the same */
static void test_permit_codec__is_plain_json(void **state)
{
    struct hg_permit permit = permit_of(117440518, 80500, 30000, "h-1a2b");
    char text[HG_PERMIT_BYTES];
    struct hg_buf buf;
    json_t *object;

    (void)state;
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_permit_encode(&permit, &buf), 0);
    object = json_loadb(text, buf.len, JSON_REJECT_DUPLICATES, NULL);

    assert_non_null(object);
    assert_int_equal(json_object_size(object), 6);
    assert_true(json_number_value(json_object_get(object, "target_c")) == 80.5);
    assert_true(json_is_true(json_object_get(object, "heat")));
    json_decref(object);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_permit_codec__writes_a_permit),
        cmocka_unit_test(test_permit_codec__writes_a_revoke),
        cmocka_unit_test(test_permit_codec__writes_degrees_shortest),
        cmocka_unit_test(test_permit_codec__refuses_what_may_not_be_sent),
        cmocka_unit_test(test_permit_codec__says_when_the_buffer_is_small),
        cmocka_unit_test(test_permit_codec__reads_foreign_permits),
        cmocka_unit_test(test_permit_codec__is_plain_json),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
