#ifndef HG_CONTROLLERS_TOPIC_H
#define HG_CONTROLLERS_TOPIC_H

/*
 * Topics of contract 1: <root>/<room>/<leaf>, and <root>/<leaf> for rpc,
 * gateway and journal.
 */
#include "base/buf.h"
#include "base/err.h"
#include <stdbool.h>

#define HG_ROOT_MAX         128 /* bytes of a topic root, without NUL */
#define HG_TOPIC_ROOM_BYTES 33  /* of a room's name, with NUL */
/* root, slash, room, slash, longest leaf, NUL */
#define HG_TOPIC_BYTES (HG_ROOT_MAX + HG_TOPIC_ROOM_BYTES + 12)

enum hg_leaf {
    HG_LEAF_NONE = 0,
    HG_LEAF_TELEMETRY, /* of a room, from here … */
    HG_LEAF_EVENT,
    HG_LEAF_ONLINE,
    HG_LEAF_PERMIT,
    HG_LEAF_STATE,
    HG_LEAF_NOTICE,
    HG_LEAF_OUTPUTS, /* … to here */
    HG_LEAF_RPC,
    HG_LEAF_GATEWAY,
    HG_LEAF_JOURNAL,
    HG_LEAF_COUNT
};

struct hg_topic {
    enum hg_leaf leaf;
    char room[HG_TOPIC_ROOM_BYTES]; /* empty when the leaf has no room */
};

/* The last level of a topic ("telemetry"); "" for NONE and beyond. */
const char *hg_topic_leaf_name(enum hg_leaf leaf);
/* Does the leaf stand below a room? */
bool hg_topic_leaf_has_room(enum hg_leaf leaf);

/*
 * May this be a topic root? 1 to HG_ROOT_MAX bytes of plain UTF-8, no
 * wildcard, no empty level, not beginning with '$'.
 */
bool hg_topic_is_root(const char *root);

/*
 * Take a topic apart. HG_ERR_NOT_FOUND: not below root, or no leaf of the
 * contract; HG_ERR_INPUT: the room's name is none. ret_topic is untouched
 * then.
 */
HG_MUST_CHECK int hg_topic_split(const char *root, const char *topic,
                                 struct hg_topic *ret_topic);

/*
 * Append a topic to buf. room is NULL or "" for a leaf without one, "+" for
 * a subscription to all rooms. HG_ERR_INPUT: a room where none belongs, or
 * none, or a bad one; HG_ERR_FULL: buf is too small (HG_TOPIC_BYTES is
 * enough). On failure the contents of buf are not to be used.
 */
HG_MUST_CHECK int hg_topic_build(const char *root, const char *room,
                                 enum hg_leaf leaf, struct hg_buf *buf);

#endif
