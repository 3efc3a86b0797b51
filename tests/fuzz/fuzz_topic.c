/*
 * Topics, split below a root that is the input's first line: what is taken
 * apart can be put together again to the same topic, and the other way round.
 */
#include "fuzz.h"
#include "base/text.h"
#include "controllers/topic.h"

static void check_split(const char *root, const char *topic)
{
    char storage[HG_TOPIC_BYTES];
    struct hg_topic split;
    struct hg_buf buf;
    int err = hg_topic_split(root, topic, &split);

    if (err < 0) {
        FUZZ_MUST(err == HG_ERR_INPUT || err == HG_ERR_NOT_FOUND);
        return;
    }
    FUZZ_MUST(split.leaf > HG_LEAF_NONE && split.leaf < HG_LEAF_COUNT);
    FUZZ_MUST(hg_topic_leaf_has_room(split.leaf) ==
              hg_text_is_room(split.room));
    hg_buf_init(&buf, storage, sizeof(storage));
    FUZZ_MUST(hg_topic_build(root, split.room, split.leaf, &buf) == 0);
    FUZZ_MUST(strcmp(storage, topic) == 0);
}

/* the input as a room's name, below each leaf */
static void check_build(const char *root, const char *room)
{
    char storage[HG_TOPIC_BYTES];
    struct hg_topic split;
    struct hg_buf buf;

    for (unsigned leaf = HG_LEAF_NONE; leaf <= HG_LEAF_COUNT; leaf++) {
        hg_buf_init(&buf, storage, sizeof(storage));
        if (hg_topic_build(root, room, (enum hg_leaf)leaf, &buf) < 0)
            continue;
        if (strcmp(room, "+") == 0)
            continue; /* a subscription, no message has that topic */
        FUZZ_MUST(hg_topic_split(root, storage, &split) == 0);
        FUZZ_MUST(split.leaf == (enum hg_leaf)leaf);
        FUZZ_MUST(strcmp(split.room, room) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size);
    char *topic = strchr(text, '\n');

    if (topic == NULL) {
        topic = text;
        check_split("heatgate/v1", text);
        check_build("heatgate/v1", text);
        (void)hg_topic_is_root(text);
    } else {
        *topic++ = '\0';
        if (hg_topic_is_root(text)) {
            FUZZ_MUST(strlen(text) <= HG_ROOT_MAX);
            FUZZ_MUST(strpbrk(text, "+#") == NULL);
            check_split(text, topic);
            check_build(text, topic);
        }
    }
    free(text);
    return 0;
}
