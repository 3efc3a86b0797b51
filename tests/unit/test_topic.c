/* Topics taken apart and put together. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/topic.h"
#include <string.h>

#define ROOT    "heatgate/v1"
#define ROOM_32 "a1234567890123456789012345678901"

static void test_topic__takes_topics_apart(void **state)
{
    static const struct {
        const char *topic;
        int err;
        enum hg_leaf leaf;
        const char *room;
    } row[] = {
        { ROOT "/heron/telemetry", 0, HG_LEAF_TELEMETRY, "heron" },
        { ROOT "/heron/event", 0, HG_LEAF_EVENT, "heron" },
        { ROOT "/heron/online", 0, HG_LEAF_ONLINE, "heron" },
        { ROOT "/heron/permit", 0, HG_LEAF_PERMIT, "heron" },
        { ROOT "/heron/state", 0, HG_LEAF_STATE, "heron" },
        { ROOT "/heron/notice", 0, HG_LEAF_NOTICE, "heron" },
        { ROOT "/heron/outputs", 0, HG_LEAF_OUTPUTS, "heron" },
        { ROOT "/rpc", 0, HG_LEAF_RPC, "" },
        { ROOT "/gateway", 0, HG_LEAF_GATEWAY, "" },
        { ROOT "/journal", 0, HG_LEAF_JOURNAL, "" },
        { ROOT "/" ROOM_32 "/permit", 0, HG_LEAF_PERMIT, ROOM_32 },
        { ROOT "/rpc/permit", 0, HG_LEAF_PERMIT, "rpc" },
        { ROOT "/" ROOM_32 "2/permit", HG_ERR_INPUT, 0, "" },
        { ROOT "/Heron/permit", HG_ERR_INPUT, 0, "" },
        { ROOT "/-heron/permit", HG_ERR_INPUT, 0, "" },
        { ROOT "//permit", HG_ERR_INPUT, 0, "" },
        { ROOT "/+/permit", HG_ERR_INPUT, 0, "" },
        { ROOT "/heron/permits", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "/heron/rpc", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "/heron/permit/x", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "/heron/", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "/heron", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "/permit", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "/", HG_ERR_NOT_FOUND, 0, "" },
        { ROOT, HG_ERR_NOT_FOUND, 0, "" },
        { ROOT "0/heron/permit", HG_ERR_NOT_FOUND, 0, "" },
        { "heatgate/v2/heron/permit", HG_ERR_NOT_FOUND, 0, "" },
        { "", HG_ERR_NOT_FOUND, 0, "" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_topic at;
        struct hg_topic sentinel;

        memset(&at, 0x5a, sizeof(at));
        memset(&sentinel, 0x5a, sizeof(sentinel));
        HG_CHECK_EQ(row[i].topic, hg_topic_split(ROOT, row[i].topic, &at),
                    row[i].err);
        if (row[i].err < 0) {
            HG_CHECK_BYTES(row[i].topic, &at, &sentinel, sizeof(at));
            continue;
        }
        HG_CHECK_EQ(row[i].topic, at.leaf, row[i].leaf);
        HG_CHECK_STR(row[i].topic, at.room, row[i].room);
    }
}

static void test_topic__puts_topics_together(void **state)
{
    static const struct {
        const char *label;
        const char *room;
        enum hg_leaf leaf;
        const char *want; /* NULL: refused */
    } row[] = {
        { "a room's", "heron", HG_LEAF_PERMIT, ROOT "/heron/permit" },
        { "all rooms'", "+", HG_LEAF_TELEMETRY, ROOT "/+/telemetry" },
        { "no room", NULL, HG_LEAF_GATEWAY, ROOT "/gateway" },
        { "empty room", "", HG_LEAF_RPC, ROOT "/rpc" },
        { "room where none belongs", "heron", HG_LEAF_RPC, NULL },
        { "room missing", NULL, HG_LEAF_PERMIT, NULL },
        { "bad room", "a/b", HG_LEAF_PERMIT, NULL },
        { "all levels", "#", HG_LEAF_PERMIT, NULL },
        { "no leaf", "heron", HG_LEAF_NONE, NULL },
        { "beyond the leaves", "heron", HG_LEAF_COUNT, NULL },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char text[HG_TOPIC_BYTES];
        struct hg_buf buf;
        int err;

        hg_buf_init(&buf, text, sizeof(text));
        err = hg_topic_build(ROOT, row[i].room, row[i].leaf, &buf);

        HG_CHECK_EQ(row[i].label, err, row[i].want != NULL ? 0 : HG_ERR_INPUT);
        if (row[i].want != NULL)
            HG_CHECK_STR(row[i].label, text, row[i].want);
    }
}

static void test_topic__has_room_for_the_longest(void **state)
{
    char root[HG_ROOT_MAX + 1];
    char text[HG_TOPIC_BYTES];
    struct hg_buf buf;

    (void)state;
    memset(root, 'r', HG_ROOT_MAX);
    root[HG_ROOT_MAX] = '\0';
    hg_buf_init(&buf, text, sizeof(text));
    assert_int_equal(hg_topic_build(root, ROOM_32, HG_LEAF_TELEMETRY, &buf), 0);

    hg_buf_init(&buf, text, buf.len);
    assert_int_equal(hg_topic_build(root, ROOM_32, HG_LEAF_TELEMETRY, &buf),
                     HG_ERR_FULL);
}

static void test_topic__knows_roots(void **state)
{
    static const struct {
        const char *root;
        bool want;
    } row[] = {
        { "heatgate/v1", true }, { "x", true },      { "", false },
        { "a/+", false },        { "#", false },     { "$SYS/x", false },
        { "/a", false },         { "a/", false },    { "a//b", false },
        { "a\nb", false },       { "a\xff", false }, { "s\xc3\xa9", true },
    };
    char long_root[HG_ROOT_MAX + 2];

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        HG_CHECK_EQ(row[i].root, hg_topic_is_root(row[i].root), row[i].want);

    memset(long_root, 'r', sizeof(long_root));
    long_root[HG_ROOT_MAX + 1] = '\0';
    assert_false(hg_topic_is_root(long_root));
    long_root[HG_ROOT_MAX] = '\0';
    assert_true(hg_topic_is_root(long_root));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_topic__takes_topics_apart),
        cmocka_unit_test(test_topic__puts_topics_together),
        cmocka_unit_test(test_topic__has_room_for_the_longest),
        cmocka_unit_test(test_topic__knows_roots),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
