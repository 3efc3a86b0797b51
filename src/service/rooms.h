#ifndef HG_SERVICE_ROOMS_H
#define HG_SERVICE_ROOMS_H

/*
 * The rooms of the service. A room keeps its place in the array, and its
 * address, as long as the service runs: others hold indexes and pointers. A
 * room that was removed stays in its place as one that is gone, and comes
 * back there.
 */
#include "service/room.h"

struct hg_service;

/*
 * Places: untouched ones cost address space only. Beyond what a file may
 * hold, so that rooms can be renamed at run time.
 */
#define HG_ROOMS_PLACES (HG_CONFIG_ROOMS_MAX + HG_CONFIG_ROOMS_MAX / 4)

/* Make the rooms of the configuration. HG_ERR_MEMORY, HG_ERR_CRYPTO */
HG_MUST_CHECK int hg_rooms_begin(struct hg_service *service);
void hg_rooms_end(struct hg_service *service);

/* Rooms came or went: find them by name. The places suffice. */
void hg_rooms_index(struct hg_service *service);
/* The room of that name that was gone at the last index, or NULL. */
struct hg_room *hg_rooms_gone(struct hg_service *service, const char *name);

/* Does it heat, or is a heat being granted? Then its policy is kept. */
bool hg_rooms_is_busy(const struct hg_room *room);

/*
 * A room from a configuration read later, in a new place or in the one where
 * it was. Nothing else is told yet. HG_ERR_FULL: no place is left;
 * HG_ERR_CRYPTO.
 */
HG_MUST_CHECK int hg_rooms_add(struct hg_service *service,
                               const struct hg_config_room *config,
                               struct hg_room **ret_room);
/* Its settings are these now; its key too. HG_ERR_CRYPTO: as before. */
HG_MUST_CHECK int hg_rooms_set(struct hg_service *service, struct hg_room *room,
                               const struct hg_config_room *config);
/* Keep its settings though their configuration ends. HG_ERR_MEMORY */
HG_MUST_CHECK int hg_rooms_keep(struct hg_room *room);

#endif
