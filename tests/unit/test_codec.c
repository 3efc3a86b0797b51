/* Local events, presence, and a gateway's birth and will. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/codec.h"
#include <string.h>

static void test_codec__reads_local_events(void **state)
{
    static const struct {
        const char *label;
        const char *text;
        enum hg_local what; /* NONE: refused */
        const char *why;    /* or the fault's code */
    } row[] = {
        { "room check",
          "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88,\"event\":\"room-check\"}",
          HG_LOCAL_ROOM_CHECK, "" },
        { "start",
          "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88,\"event\":\"local-start\"}",
          HG_LOCAL_START, "" },
        { "stop, a code that is not its own",
          "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88,\"event\":\"local-stop\","
          "\"code\":5}",
          HG_LOCAL_STOP, "" },
        { "fault",
          "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88,\"event\":\"fault\","
          "\"code\":\"E17\"}",
          HG_LOCAL_FAULT, "E17" },
        { "fault without code",
          "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88,\"event\":\"fault\"}",
          HG_LOCAL_NONE,
          "code: a text of 1 to 64 plain characters is wanted with a fault" },
        { "another event",
          "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88,\"event\":\"dance\"}",
          HG_LOCAL_NONE,
          "event: \"room-check\", \"local-start\", \"local-stop\" or "
          "\"fault\" is wanted" },
        { "no event", "{\"v\":1,\"boot\":\"5e1f\",\"seq\":88}", HG_LOCAL_NONE,
          "event: \"room-check\", \"local-start\", \"local-stop\" or "
          "\"fault\" is wanted" },
        { "no boot", "{\"v\":1,\"seq\":88,\"event\":\"room-check\"}",
          HG_LOCAL_NONE,
          "boot: a text of 1 to 32 plain characters is "
          "wanted" },
        { "seq is text",
          "{\"v\":1,\"boot\":\"b\",\"seq\":\"88\",\"event\":\"room-check\"}",
          HG_LOCAL_NONE,
          "seq: a whole number from 0 to below 2^53 is "
          "wanted" },
        { "another version",
          "{\"v\":2,\"boot\":\"b\",\"seq\":88,\"event\":\"room-check\"}",
          HG_LOCAL_NONE, "v: the number 1 is wanted" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_local_heard heard;
        struct hg_local_heard sentinel;
        char text[HG_CODEC_WHY_BYTES];
        struct hg_buf why;
        int err;

        memset(&heard, 0x5a, sizeof(heard));
        memset(&sentinel, 0x5a, sizeof(sentinel));
        hg_buf_init(&why, text, sizeof(text));
        err = hg_codec_decode_local(row[i].text, strlen(row[i].text), &why,
                                    &heard);

        if (row[i].what == HG_LOCAL_NONE) {
            HG_CHECK_EQ(row[i].label, err, HG_ERR_INPUT);
            HG_CHECK_STR(row[i].label, text, row[i].why);
            HG_CHECK_BYTES(row[i].label, &heard, &sentinel, sizeof(heard));
            continue;
        }
        HG_CHECK_EQ(row[i].label, err, 0);
        HG_CHECK_EQ(row[i].label, heard.what, row[i].what);
        HG_CHECK_STR(row[i].label, heard.boot, "5e1f");
        HG_CHECK_EQ_U64(row[i].label, heard.seq, 88);
        HG_CHECK_STR(row[i].label, heard.code, row[i].why);
    }
}

static void test_codec__bounds_the_code_of_a_fault(void **state)
{
    (void)state;
    for (size_t len = 63; len <= 65; len++) {
        struct hg_local_heard heard;
        char text[256];
        char words[HG_CODEC_WHY_BYTES];
        struct hg_buf why;
        struct hg_buf buf;

        hg_buf_init(&why, words, sizeof(words));
        hg_buf_init(&buf, text, sizeof(text));
        hg_buf_addf(&buf,
                    "{\"v\":1,\"boot\":\"b\",\"seq\":1,\"event\":\"fault\","
                    "\"code\":\"%0*d\"}",
                    (int)len, 0);

        assert_int_equal(hg_codec_decode_local(text, buf.len, &why, &heard),
                         len <= 64 ? 0 : HG_ERR_INPUT);
    }
}

static void test_codec__reads_presence(void **state)
{
    static const struct {
        const char *label;
        const char *text;
        int err;
        bool is_online;
        const char *why;
    } row[] = {
        { "online", "{\"v\":1,\"online\":true}", 0, true, "" },
        { "offline", "{\"v\":1,\"online\":false,\"x\":1}", 0, false, "" },
        { "a number", "{\"v\":1,\"online\":1}", HG_ERR_INPUT, false,
          "online: true or false is wanted" },
        { "missing", "{\"v\":1}", HG_ERR_INPUT, false,
          "online: true or false is wanted" },
        { "no version", "{\"online\":true}", HG_ERR_INPUT, false,
          "v: the number 1 is wanted" },
        { "cleared", "", HG_ERR_INPUT, false,
          "the message is empty; a JSON object is wanted" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        /* the opposite of what is to be set; on failure it must stay */
        bool is_online = !row[i].is_online;
        char text[HG_CODEC_WHY_BYTES];
        struct hg_buf why;
        int err;

        hg_buf_init(&why, text, sizeof(text));
        err = hg_codec_decode_online(row[i].text, strlen(row[i].text), &why,
                                     &is_online);

        HG_CHECK_EQ(row[i].label, err, row[i].err);
        HG_CHECK_EQ(row[i].label, is_online,
                    err < 0 ? !row[i].is_online : row[i].is_online);
        HG_CHECK_STR(row[i].label, text, row[i].why);
    }
}

static void test_codec__reads_gateways(void **state)
{
    static const struct {
        const char *label;
        const char *text;
        int err;
        uint64_t epoch;
        bool is_online;
    } row[] = {
        { "birth",
          "{\"v\":1,\"online\":true,\"epoch\":7,\"version\":\"0.1.0\"}", 0, 7,
          true },
        { "will", "{\"v\":1,\"online\":false,\"epoch\":0}", 0, 0, false },
        { "highest epoch", "{\"v\":1,\"online\":true,\"epoch\":268435455}", 0,
          268435455, true },
        { "epoch of 2^28", "{\"v\":1,\"online\":true,\"epoch\":268435456}",
          HG_ERR_INPUT, 0, false },
        { "no epoch", "{\"v\":1,\"online\":true}", HG_ERR_INPUT, 0, false },
        { "no online", "{\"v\":1,\"epoch\":7}", HG_ERR_INPUT, 0, false },
        { "no version", "{\"online\":true,\"epoch\":7}", HG_ERR_INPUT, 0,
          false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_gateway_heard heard = { .epoch = 4711, .is_online = true };
        char text[HG_CODEC_WHY_BYTES];
        struct hg_buf why;
        int err;

        hg_buf_init(&why, text, sizeof(text));
        err = hg_codec_decode_gateway(row[i].text, strlen(row[i].text), &why,
                                      &heard);

        HG_CHECK_EQ(row[i].label, err, row[i].err);
        HG_CHECK_EQ_U64(row[i].label, heard.epoch,
                        err < 0 ? 4711 : row[i].epoch);
        HG_CHECK_EQ(row[i].label, heard.is_online,
                    err < 0 ? true : row[i].is_online);
    }
}

static void test_codec__writes_what_it_reads(void **state)
{
    struct hg_gateway_heard heard = { 0 };
    char text[128];
    char words[HG_CODEC_WHY_BYTES];
    struct hg_buf buf;
    struct hg_buf why;

    (void)state;
    hg_buf_init(&why, words, sizeof(words));
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_codec_encode_gateway(HG_EPOCH_LIMIT - 1, true, &buf),
                     0);
    assert_int_equal(hg_codec_decode_gateway(text, buf.len, &why, &heard), 0);
    assert_int_equal(heard.epoch, HG_EPOCH_LIMIT - 1);
    assert_true(heard.is_online);

    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_codec_encode_gateway(7, false, &buf), 0);
    assert_string_equal(text, "{\"v\":1,\"online\":false,\"epoch\":7,"
                              "\"version\":\"0.1.0\"}");

    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_codec_encode_gateway(HG_EPOCH_LIMIT, true, &buf),
                     HG_ERR_RANGE);
    hg_buf_init(&buf, text, 20);
    assert_int_equal(hg_codec_encode_gateway(7, true, &buf), HG_ERR_FULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_codec__reads_local_events),
        cmocka_unit_test(test_codec__bounds_the_code_of_a_fault),
        cmocka_unit_test(test_codec__reads_presence),
        cmocka_unit_test(test_codec__reads_gateways),
        cmocka_unit_test(test_codec__writes_what_it_reads),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
