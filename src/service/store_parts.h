#ifndef HG_SERVICE_STORE_PARTS_H
#define HG_SERVICE_STORE_PARTS_H

/*
 * What the files of the store share. Private to store*.c.
 */
#include "service/store.h"

struct hg_store {
    const struct hg_store_io *io; /* borrowed */
    int dir;                      /* descriptor of the state directory */
    int lock;
    char *path;     /* of the state directory, for texts */
    uint64_t epoch; /* durable */
    json_t *rooms;  /* as read, less what was taken */
};

/*
 * Make a file of the state directory hold exactly these bytes, durably.
 * HG_ERR_SYSTEM: errno; the old file is whole, or the new one is there but
 * may not survive a power failure.
 */
HG_MUST_CHECK int hg_store_put_file(const struct hg_store *store,
                                    const char *name, const char *bytes,
                                    size_t len);

/*
 * Read a file of the state directory whole.
 *
 * ret_bytes  with a NUL behind it; the caller frees it
 *
 * HG_ERR_NOT_FOUND, HG_ERR_RANGE: more than cap bytes, HG_ERR_SYSTEM: errno
 */
HG_MUST_CHECK int hg_store_get_file(const struct hg_store *store,
                                    const char *name, size_t cap,
                                    char **ret_bytes, size_t *ret_len);

/* Read rooms.json into store->rooms; its epoch may raise store->epoch. */
HG_MUST_CHECK int hg_store_read_rooms(struct hg_store *store,
                                      struct hg_buf *why);

/* A text that grows by doubling. is_short: no memory, or too long. */
struct hg_store_text {
    char *bytes; /* owned */
    size_t len, cap;
    bool is_short;
};

void hg_store_text_add(struct hg_store_text *text, const char *bytes,
                       size_t len);
/* Append a JSON string; what is not UTF-8 in it becomes "?". */
void hg_store_text_add_string(struct hg_store_text *text, const char *string);
/* Append a value of the JSON library. */
void hg_store_text_add_json(struct hg_store_text *text, const json_t *json);

/*
 * Append one room as a JSON object. Written by hand, because all rooms are
 * put into words in one turn of the loop and 10,000 of them must not delay a
 * revoke; read back by the JSON library.
 */
void hg_store_text_add_room(struct hg_store_text *text,
                            const struct hg_store_room *room,
                            const struct hg_store_stamp *now);

/*
 * And back. HG_ERR_CORRUPT: not what the above writes; ret_what names the
 * member. room gets references to warm_up and energy of its own.
 */
HG_MUST_CHECK int hg_store_room_from_json(const json_t *json,
                                          struct hg_store_room *ret_room,
                                          struct hg_store_stamp *ret_saved,
                                          const char **ret_what);

#endif
