/*
 * Owns rooms.json as a whole: reading it at the start, handing rooms out,
 * and putting it together again with the rooms nobody asked for.
 */
#include "base/sat.h"
#include "base/text.h"
#include "service/store_parts.h"
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define ROOMS_FILE    "rooms.json"
#define ROOMS_VERSION 1

/* -- reading ----------------------------------------------------------------*/

static void why_rooms(const struct hg_store *store, const char *what,
                      struct hg_buf *why)
{
    hg_buf_addf(why,
                "%s/" ROOMS_FILE " is not as heatgated writes it (%s). It "
                "holds lockouts, so nothing starts on a guess. Put a good "
                "copy in its place; or move it away and start again: then "
                "every room check is void, and lockouts and commissioning "
                "are read back from the journal.",
                store->path, what);
}

static int adopt_rooms(struct hg_store *store, json_t *root, struct hg_buf *why)
{
    const json_t *epoch = json_object_get(root, "epoch");
    json_t *rooms = json_object_get(root, "rooms");
    json_int_t number = json_integer_value(epoch);

    if (json_integer_value(json_object_get(root, "v")) != ROOMS_VERSION) {
        why_rooms(store, "another version", why);
        return HG_ERR_CORRUPT;
    }
    if (!json_is_integer(epoch) || number < 0 ||
        (uint64_t)number > HG_STORE_EPOCH_MAX || !json_is_object(rooms)) {
        why_rooms(store, "epoch or rooms missing", why);
        return HG_ERR_CORRUPT;
    }
    /* a lost epoch file must not bring old serials back */
    if ((uint64_t)number > store->epoch)
        store->epoch = (uint64_t)number;
    json_decref(store->rooms);
    store->rooms = json_incref(rooms);
    return 0;
}

int hg_store_read_rooms(struct hg_store *store, struct hg_buf *why)
{
    char what_bytes[256];
    struct hg_buf what;
    char *bytes = NULL;
    json_t *root = NULL;
    json_error_t error;
    size_t len;
    int err = hg_store_get_file(store, ROOMS_FILE, HG_STORE_FILE_BYTES_MAX,
                                &bytes, &len);

    if (err == HG_ERR_NOT_FOUND)
        return 0;
    if (err < 0) {
        hg_buf_addf(why, "%s/" ROOMS_FILE " cannot be read (%s).", store->path,
                    err == HG_ERR_SYSTEM ? strerror(errno) : hg_err_text(err));
        return err;
    }
    root = json_loadb(bytes, len, JSON_REJECT_DUPLICATES, &error);
    free(bytes);
    if (root == NULL) {
        hg_buf_init(&what, what_bytes, sizeof(what_bytes));
        hg_buf_addf(&what, "line %d, column %d: %s", error.line, error.column,
                    error.text);
        why_rooms(store, what.bytes, why);
        return HG_ERR_CORRUPT;
    }
    err = adopt_rooms(store, root, why);
    json_decref(root);
    return err;
}

/* how long ago it was saved; false: that cannot be proved */
static bool passed_ms(const struct hg_store_stamp *saved,
                      const struct hg_store_stamp *now, uint64_t *passed)
{
    if (now->boot_id[0] != '\0' && strcmp(saved->boot_id, now->boot_id) == 0 &&
        now->at.mono.ms >= saved->at.mono.ms) {
        *passed = now->at.mono.ms - saved->at.mono.ms;
        return true;
    }
    if (saved->at.wall.is_trusted && now->at.wall.is_trusted &&
        now->at.wall.ms >= saved->at.wall.ms) {
        *passed = (uint64_t)hg_sat_sub_i64(now->at.wall.ms, saved->at.wall.ms);
        return true;
    }
    return false;
}

void hg_store_pass_time(const struct hg_store_stamp *saved,
                        const struct hg_store_stamp *now,
                        struct hg_gate_memory *memory)
{
    uint64_t passed;

    if (!passed_ms(saved, now, &passed)) {
        memory->check_left_ms = 0;
        memory->is_local = false; /* rather an alarm than heat without end */
        memory->local_for_ms = 0;
        return;
    }
    memory->check_left_ms = hg_sat_sub_u64(memory->check_left_ms, passed);
    memory->rest_left_ms = hg_sat_sub_u64(memory->rest_left_ms, passed);
    if (memory->is_local)
        memory->local_for_ms = hg_sat_add_u64(memory->local_for_ms, passed);
}

int hg_store_take_room(struct hg_store *store, const char *name,
                       const struct hg_store_stamp *now, struct hg_buf *why,
                       struct hg_store_room *ret_room)
{
    const json_t *json = json_object_get(store->rooms, name);
    char what_bytes[256];
    struct hg_buf what;
    struct hg_store_room room;
    struct hg_store_stamp saved;
    const char *bad = "";
    int err;

    if (json == NULL)
        return HG_ERR_NOT_FOUND;
    err = hg_store_room_from_json(json, &room, &saved, &bad);
    if (err == 0 && hg_text_copy(room.name, sizeof(room.name), name) < 0) {
        hg_store_room_release(&room);
        bad = "name";
        err = HG_ERR_CORRUPT;
    }
    if (err < 0) {
        hg_buf_init(&what, what_bytes, sizeof(what_bytes));
        hg_buf_addf(&what, "room %.32s, member %s", name, bad);
        why_rooms(store, what.bytes, why);
        return err;
    }
    hg_store_pass_time(&saved, now, &room.memory);
    /* cannot fail: the room is there */
    (void)json_object_del(store->rooms, name);
    *ret_room = room;
    return 0;
}

bool hg_store_has_room(const struct hg_store *store, const char *name)
{
    return json_object_get(store->rooms, name) != NULL;
}

void hg_store_each_left(const struct hg_store *store,
                        void (*each)(void *arg, const char *name), void *arg)
{
    const char *name;
    json_t *room;

    json_object_foreach(store->rooms, name, room) each(arg, name);
}

void hg_store_room_release(struct hg_store_room *room)
{
    json_decref(room->warm_up);
    json_decref(room->energy);
    room->warm_up = NULL;
    room->energy = NULL;
}

/* -- writing ----------------------------------------------------------------*/

static void text_add_named(struct hg_store_text *text, const char *name,
                           bool *is_first)
{
    hg_store_text_add(text, ",", *is_first ? 0 : 1);
    hg_store_text_add(text, "\n", 1);
    hg_store_text_add_string(text, name);
    hg_store_text_add(text, ":", 1);
    *is_first = false;
}

static void text_add_sources(struct hg_store_text *text, struct hg_store *store,
                             const struct hg_store_stamp *now,
                             const struct hg_store_source *source,
                             bool *is_first)
{
    for (size_t i = 0; i < source->count && !text->is_short; i++) {
        struct hg_store_room room;

        memset(&room, 0, sizeof(room));
        source->get(source->context, i, &room);
        text_add_named(text, room.name, is_first);
        hg_store_text_add_room(text, &room, now);
        /* never twice in one file, should nobody have taken it before; not
         * found is the usual case */
        (void)json_object_del(store->rooms, room.name);
    }
}

int hg_store_render(struct hg_store *store, const struct hg_store_stamp *now,
                    const struct hg_store_source *source, char **ret_text,
                    size_t *ret_len)
{
    char head_bytes[96];
    struct hg_buf head;
    struct hg_store_text text = { .bytes = NULL };
    bool is_first = true;
    const char *name;
    json_t *room;

    hg_buf_init(&head, head_bytes, sizeof(head_bytes));
    hg_buf_addf(&head, "{\"v\":%d,\"epoch\":%llu,\"rooms\":{", ROOMS_VERSION,
                (unsigned long long)store->epoch);
    hg_store_text_add(&text, head.bytes, head.len);
    text_add_sources(&text, store, now, source, &is_first);
    json_object_foreach(store->rooms, name, room)
    {
        text_add_named(&text, name, &is_first);
        hg_store_text_add_json(&text, room);
    }
    hg_store_text_add(&text, "\n}}\n", 4);
    if (text.is_short) {
        free(text.bytes);
        return HG_ERR_MEMORY;
    }
    *ret_text = text.bytes;
    *ret_len = text.len;
    return 0;
}

int hg_store_write(struct hg_store *store, const char *text, size_t len,
                   struct hg_buf *why)
{
    int err = hg_store_put_file(store, ROOMS_FILE, text, len);

    if (err < 0)
        hg_buf_addf(why,
                    "%s/" ROOMS_FILE " cannot be written (%s); what is known "
                    "about the rooms would be lost at a restart. Free space "
                    "or mend the disk.",
                    store->path, strerror(errno));
    return err;
}

int hg_store_save(struct hg_store *store, const struct hg_store_stamp *now,
                  const struct hg_store_source *source, struct hg_buf *why)
{
    char *text = NULL;
    size_t len;
    int err = hg_store_render(store, now, source, &text, &len);

    if (err < 0) {
        hg_buf_addf(why, "%s/" ROOMS_FILE " cannot be put together (%s).",
                    store->path, hg_err_text(err));
        return err;
    }
    err = hg_store_write(store, text, len, why);
    free(text);
    return err;
}
