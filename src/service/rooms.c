/* Places of rooms; see rooms.h. */
#include "service/rooms.h"
#include "controllers/mac.h"
#include "service/service.h"
#include <stdlib.h>
#include <string.h>

static int compare_name(const void *name, const void *element)
{
    struct hg_room *const *room = element;

    return strcmp(name, (*room)->config->name);
}

static int by_name(const void *a, const void *b)
{
    struct hg_room *const *left = a;

    return compare_name((*left)->config->name, b);
}

static struct hg_room *find(struct hg_room **list, size_t count,
                            const char *name)
{
    struct hg_room **found =
        bsearch(name, list, count, sizeof(list[0]), compare_name);

    return found == NULL ? NULL : *found;
}

struct hg_room *hg_service_room(struct hg_service *service, const char *name)
{
    return find(service->by_name, service->by_name_count, name);
}

void hg_rooms_index(struct hg_service *service)
{
    struct hg_room **list = service->by_name;
    size_t count = 0, gone = service->room_count;

    for (size_t i = 0; i < service->room_count; i++)
        if (service->room[i].is_gone)
            list[--gone] = &service->room[i];
        else
            list[count++] = &service->room[i];
    service->by_name_count = count;
    qsort(list, count, sizeof(list[0]), by_name);
    /* behind them; looking through all places would take milliseconds */
    service->gone_count = service->room_count - count;
    qsort(list + count, service->gone_count, sizeof(list[0]), by_name);
}

struct hg_room *hg_rooms_gone(struct hg_service *service, const char *name)
{
    return find(service->by_name + service->by_name_count, service->gone_count,
                name);
}

bool hg_rooms_is_busy(const struct hg_room *room)
{
    const struct hg_gate_state *gate = &room->gate;

    return gate->session.is_active || gate->permit.is_live ||
           gate->pending.kind != HG_PENDING_NONE;
}

int hg_rooms_set(struct hg_service *service, struct hg_room *room,
                 const struct hg_config_room *config)
{
    struct hg_mac *mac = NULL;

    if (config->has_key &&
        hg_mac_new(config->key, sizeof(config->key), &mac) < 0)
        return HG_ERR_CRYPTO;
    hg_mac_free(service->mac[room->index]);
    service->mac[room->index] = mac;
    room->config = config;
    hg_config_room_free(room->kept);
    room->kept = NULL;
    return 0;
}

int hg_rooms_keep(struct hg_room *room)
{
    struct hg_config_room *copy;

    if (room->kept != NULL)
        return 0;
    copy = hg_config_room_copy(room->config);
    if (copy == NULL)
        return HG_ERR_MEMORY;
    room->kept = copy;
    room->config = copy;
    return 0;
}

int hg_rooms_add(struct hg_service *service,
                 const struct hg_config_room *config, struct hg_room **ret_room)
{
    struct hg_room *room = hg_rooms_gone(service, config->name);
    bool is_new = room == NULL;
    int err;

    if (is_new && service->room_count == HG_ROOMS_PLACES)
        return HG_ERR_FULL;
    if (is_new) {
        room = &service->room[service->room_count];
        room->index = service->room_count;
    }
    err = hg_rooms_set(service, room, config);
    if (err < 0)
        return err;
    if (is_new)
        service->room_count++;
    room->is_gone = false;
    *ret_room = room;
    return 0;
}

int hg_rooms_begin(struct hg_service *service)
{
    const struct hg_config *config = service->config;
    struct hg_room *room;
    int err = 0;

    service->room = calloc(HG_ROOMS_PLACES, sizeof(service->room[0]));
    service->mac = calloc(HG_ROOMS_PLACES, sizeof(service->mac[0]));
    service->show.due = calloc(HG_ROOMS_PLACES, sizeof(service->show.due[0]));
    service->by_name = calloc(HG_ROOMS_PLACES, sizeof(service->by_name[0]));
    if (service->room == NULL || service->mac == NULL ||
        service->show.due == NULL || service->by_name == NULL)
        return HG_ERR_MEMORY;
    for (size_t i = 0; err == 0 && i < config->room_count; i++)
        err = hg_rooms_add(service, &config->room[i], &room);
    hg_rooms_index(service);
    return err;
}

void hg_rooms_end(struct hg_service *service)
{
    for (size_t i = 0; service->room != NULL && i < service->room_count; i++) {
        hg_mac_free(service->mac[i]);
        json_decref(service->room[i].missed);
        hg_config_room_free(service->room[i].kept);
    }
    free(service->mac);
    free(service->room);
    free(service->by_name);
    free(service->show.due);
}
