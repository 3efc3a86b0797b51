/* Topic names: taken apart without copying more than the room. */
#include "controllers/topic.h"
#include "base/text.h"
#include <string.h>

static const char *const LEAF_NAMES[HG_LEAF_COUNT] = {
    [HG_LEAF_NONE] = "",           [HG_LEAF_TELEMETRY] = "telemetry",
    [HG_LEAF_EVENT] = "event",     [HG_LEAF_ONLINE] = "online",
    [HG_LEAF_PERMIT] = "permit",   [HG_LEAF_STATE] = "state",
    [HG_LEAF_NOTICE] = "notice",   [HG_LEAF_RPC] = "rpc",
    [HG_LEAF_GATEWAY] = "gateway", [HG_LEAF_JOURNAL] = "journal",
    [HG_LEAF_OUTPUTS] = "outputs",
};

const char *hg_topic_leaf_name(enum hg_leaf leaf)
{
    return (unsigned)leaf < HG_LEAF_COUNT ? LEAF_NAMES[leaf] : "";
}

bool hg_topic_leaf_has_room(enum hg_leaf leaf)
{
    return leaf >= HG_LEAF_TELEMETRY && leaf <= HG_LEAF_OUTPUTS;
}

bool hg_topic_is_root(const char *root)
{
    size_t len = strnlen(root, HG_ROOT_MAX + 1);

    if (len == 0 || len > HG_ROOT_MAX || root[0] == '$' || root[0] == '/' ||
        root[len - 1] == '/')
        return false;
    return strpbrk(root, "+#") == NULL && strstr(root, "//") == NULL &&
           hg_text_is_plain_utf8(root, len);
}

static enum hg_leaf find_leaf(const char *name, bool has_room)
{
    for (unsigned leaf = HG_LEAF_TELEMETRY; leaf < HG_LEAF_COUNT; leaf++) {
        if (hg_topic_leaf_has_room(leaf) == has_room &&
            strcmp(name, LEAF_NAMES[leaf]) == 0)
            return leaf;
    }
    return HG_LEAF_NONE;
}

int hg_topic_split(const char *root, const char *topic,
                   struct hg_topic *ret_topic)
{
    struct hg_topic result = { 0 };
    size_t root_len = strlen(root);
    const char *rest;
    const char *slash;
    size_t room_len = 0;

    if (strncmp(topic, root, root_len) != 0 || topic[root_len] != '/')
        return HG_ERR_NOT_FOUND;
    rest = topic + root_len + 1;
    slash = strchr(rest, '/');
    if (slash != NULL) {
        room_len = (size_t)(slash - rest);
        result.leaf = find_leaf(slash + 1, true);
    } else {
        result.leaf = find_leaf(rest, false);
    }
    if (result.leaf == HG_LEAF_NONE)
        return HG_ERR_NOT_FOUND;
    if (slash != NULL) {
        if (room_len >= sizeof(result.room))
            return HG_ERR_INPUT;
        memcpy(result.room, rest, room_len);
        if (!hg_text_is_room(result.room))
            return HG_ERR_INPUT;
    }
    *ret_topic = result;
    return 0;
}

int hg_topic_build(const char *root, const char *room, enum hg_leaf leaf,
                   struct hg_buf *buf)
{
    bool is_room_given = room != NULL && room[0] != '\0';

    if ((unsigned)leaf >= HG_LEAF_COUNT || leaf == HG_LEAF_NONE ||
        hg_topic_leaf_has_room(leaf) != is_room_given)
        return HG_ERR_INPUT;
    if (is_room_given && strcmp(room, "+") != 0 && !hg_text_is_room(room))
        return HG_ERR_INPUT;

    hg_buf_add(buf, root);
    hg_buf_add(buf, "/");
    if (is_room_given) {
        hg_buf_add(buf, room);
        hg_buf_add(buf, "/");
    }
    hg_buf_add(buf, LEAF_NAMES[leaf]);
    return buf->is_cut ? HG_ERR_FULL : 0;
}
