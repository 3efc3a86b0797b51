#ifndef HG_API_ROOMS_H
#define HG_API_ROOMS_H

/* The backend's rooms by name: sorted, found by bisection. */
#include "api/backend.h"
#include "base/err.h"

struct hg_api_rooms;

/* HG_ERR_MEMORY; HG_ERR_INPUT: a name that is none, or twice the same. */
HG_MUST_CHECK int hg_api_rooms_new(const struct hg_api_backend *backend,
                                   struct hg_api_rooms **ret_rooms);
void hg_api_rooms_free(struct hg_api_rooms *rooms); /* NULL is fine */
/* Exchange what two of them hold: others have a pointer to the first. */
void hg_api_rooms_swap(struct hg_api_rooms *a, struct hg_api_rooms *b);
/* One more than the highest index. */
size_t hg_api_rooms_count(const struct hg_api_rooms *rooms);
/* HG_ERR_NOT_FOUND */
HG_MUST_CHECK int hg_api_rooms_find(const struct hg_api_rooms *rooms,
                                    const char *name, size_t *ret_room);

#endif
