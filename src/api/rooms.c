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
    size_t count;
    struct room room[]; /* sorted by name */
};

static int compare(const void *a, const void *b)
{
    const struct room *left = a;
    const struct room *right = b;

    return strcmp(left->name, right->name);
}

int hg_api_rooms_new(const struct hg_api_backend *backend,
                     struct hg_api_rooms **ret_rooms)
{
    size_t count = backend->room_count(backend->ctx);
    struct hg_api_rooms *rooms =
        calloc(1, sizeof(*rooms) + count * sizeof(rooms->room[0]));

    if (rooms == NULL)
        return HG_ERR_MEMORY;
    rooms->count = count;
    for (size_t i = 0; i < count; i++) {
        const char *name = backend->room_name(backend->ctx, i);

        rooms->room[i].index = i;
        if (!hg_text_is_room(name) ||
            hg_text_copy(rooms->room[i].name, ROOM_BYTES, name) < 0)
            goto bad;
    }
    qsort(rooms->room, count, sizeof(rooms->room[0]), compare);
    for (size_t i = 1; i < count; i++) {
        if (compare(&rooms->room[i - 1], &rooms->room[i]) == 0)
            goto bad;
    }
    *ret_rooms = rooms;
    return 0;
bad:
    free(rooms);
    return HG_ERR_INPUT;
}

void hg_api_rooms_free(struct hg_api_rooms *rooms)
{
    free(rooms);
}

size_t hg_api_rooms_count(const struct hg_api_rooms *rooms)
{
    return rooms->count;
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
