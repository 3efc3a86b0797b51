/* Room names to indexes, for names that strangers typed. */
#include "api/rooms.h"
#include "base/text.h"
#include <stdlib.h>
#include <string.h>

#define ROOM_BYTES 33 /* of a name, with NUL */

struct room {
    char name[ROOM_BYTES];
    size_t index;
};

struct hg_api_rooms {
    size_t index_count; /* of the backend */
    size_t count;
    struct room *room; /* sorted by name */
};

static int compare(const void *a, const void *b)
{
    const struct room *left = a;
    const struct room *right = b;

    return strcmp(left->name, right->name);
}

static int fill(const struct hg_api_backend *backend,
                struct hg_api_rooms *rooms)
{
    for (size_t i = 0; i < rooms->index_count; i++) {
        const char *name = backend->room_name(backend->ctx, i);
        struct room *room = &rooms->room[rooms->count];

        if (name == NULL)
            continue; /* it is gone */
        room->index = i;
        if (!hg_text_is_room(name) ||
            hg_text_copy(room->name, ROOM_BYTES, name) < 0)
            return HG_ERR_INPUT;
        rooms->count++;
    }
    qsort(rooms->room, rooms->count, sizeof(rooms->room[0]), compare);
    for (size_t i = 1; i < rooms->count; i++)
        if (compare(&rooms->room[i - 1], &rooms->room[i]) == 0)
            return HG_ERR_INPUT;
    return 0;
}

int hg_api_rooms_new(const struct hg_api_backend *backend,
                     struct hg_api_rooms **ret_rooms)
{
    size_t count = backend->room_count(backend->ctx);
    struct hg_api_rooms *rooms = calloc(1, sizeof(*rooms));
    int err = HG_ERR_MEMORY;

    if (rooms == NULL)
        return HG_ERR_MEMORY;
    rooms->index_count = count;
    rooms->room = calloc(count > 0 ? count : 1, sizeof(rooms->room[0]));
    if (rooms->room != NULL)
        err = fill(backend, rooms);
    if (err < 0) {
        hg_api_rooms_free(rooms);
        return err;
    }
    *ret_rooms = rooms;
    return 0;
}

void hg_api_rooms_free(struct hg_api_rooms *rooms)
{
    if (rooms == NULL)
        return;
    free(rooms->room);
    free(rooms);
}

void hg_api_rooms_swap(struct hg_api_rooms *a, struct hg_api_rooms *b)
{
    struct hg_api_rooms kept = *a;

    *a = *b;
    *b = kept;
}

size_t hg_api_rooms_count(const struct hg_api_rooms *rooms)
{
    return rooms->index_count;
}

int hg_api_rooms_find(const struct hg_api_rooms *rooms, const char *name,
                      size_t *ret_room)
{
    struct room wanted = { .index = 0 };
    const struct room *found;

    if (hg_text_copy(wanted.name, ROOM_BYTES, name) < 0)
        return HG_ERR_NOT_FOUND;
    found =
        bsearch(&wanted, rooms->room, rooms->count, sizeof(wanted), compare);
    if (found == NULL)
        return HG_ERR_NOT_FOUND;
    *ret_room = found->index;
    return 0;
}
