/* Rooms that change, come and go at a reload; see reload.h. */
#include "api/server.h"
#include "controllers/link.h"
#include "service/config_same.h"
#include "service/kinds.h"
#include "service/rooms.h"
#include "service/service.h"
#include "service/store.h"
#include "service/switches.h"
#include <string.h>

#define NAMES_MAX 50 /* in a record; more are counted by what is missing */

static void note(json_t *names, const char *name)
{
    if (json_array_size(names) < NAMES_MAX)
        json_array_append_new(names, json_string(name));
}

static void step(struct hg_service *service, struct hg_room *room,
                 enum hg_event_kind kind)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = kind;
    hg_room_step(service, room, &event);
}

static void record_waiver(struct hg_service *service, struct hg_room *room)
{
    if (room->config->policy.is_commissioning_waived)
        hg_record_put(service, HG_KIND_COMMISSION_WAIVED, room, NULL,
                      json_pack("{s:s}", "note", room->config->waiver));
}

static void say(struct hg_service *service, struct hg_room *room,
                const char *code, const char *text)
{
    struct hg_notice notice = { HG_LEVEL_INFO, code, text };

    hg_show_say(service, room, &notice);
}

/* -- a room that is not heated ---------------------------------------------*/

/* The revoke is first; then what was shown of it is taken away. */
static void leave(struct hg_service *service, struct hg_room *room)
{
    step(service, room, HG_EVENT_SHUTDOWN);
    if (room->gate.plan.is_active)
        hg_record_put(service, hg_record_code(HG_RECORD_PLAN_DROPPED), room,
                      NULL,
                      json_pack("{s:s, s:[]}", "heat_id",
                                room->gate.plan.heat_id, "reasons"));
    room->is_leaving = false;
    room->next = NULL;
    hg_switches_drop(room); /* its will is the last off */
    room->is_gone = true;
    memset(&room->outputs, 0, sizeof(room->outputs));
    memset(&room->outputs_of, 0, sizeof(room->outputs_of));
    hg_show_gone(service, room);
    hg_log_line(&service->log, HG_LOG_INFO,
                "%s: the room was removed and is no longer served",
                room->config->name);
}

/*
 * The connection that the room's controller asks for. One that cannot be made
 * is told in the log; the room then reads broker-down.
 */
static void follow_link(struct hg_service *service, struct hg_room *room,
                        bool was_switch)
{
    bool is_switch = room->config->binding != NULL;

    if (!was_switch && is_switch)
        step(service, room, HG_EVENT_LINK_DOWN);
    if (hg_switches_renew(service, room) < 0)
        return;
    if (is_switch || !was_switch || !hg_link_is_up(service->link))
        return;
    step(service, room, HG_EVENT_LINK_UP);
    hg_link_ask_online(service->link);
}

/* False: no memory for its key; it is tried again. */
static bool take(struct hg_service *service, struct hg_room *room,
                 const struct hg_config_room *config)
{
    bool was_waived = room->config->policy.is_commissioning_waived;
    bool was_switch = room->config->binding != NULL;
    json_t *learned = hg_forecast_numbers(room);
    bool is_set = hg_rooms_set(service, room, config) == 0;

    if (is_set) {
        room->next = NULL;
        hg_forecast_begin(service, room, learned);
        follow_link(service, room, was_switch);
        if (!was_waived)
            record_waiver(service, room);
        room->is_changed = true;
        step(service, room, HG_EVENT_TICK);
    }
    json_decref(learned);
    return is_set;
}

/* As after a restart: what was kept, less the time that has passed. */
static void begin_gate(struct hg_service *service, struct hg_room *room)
{
    struct hg_gate_memory memory;
    struct hg_store_stamp saved, now;

    memset(&memory, 0, sizeof(memory));
    if (room->gate.epoch != 0) {
        memset(&now, 0, sizeof(now));
        memcpy(now.boot_id, service->boot_id, sizeof(now.boot_id));
        saved = now;
        saved.at = room->gate.now;
        now.at = service->now;
        hg_gate_remember(&room->gate, &memory);
        hg_store_pass_time(&saved, &now, &memory);
        memset(&memory.plan, 0, sizeof(memory.plan)); /* dropped on leaving */
    } else {
        hg_forecast_begin(service, room, NULL);
    }
    hg_gate_init(&room->config->policy, &memory, service->now, service->epoch,
                 &room->gate);
}

static bool come(struct hg_service *service,
                 const struct hg_config_room *config)
{
    struct hg_room *room;

    /* it may have been another gateway's: its permits must not outlive ours */
    if (service->epoch_heard >= service->epoch)
        hg_service_raise_epoch(service, service->epoch_heard + 1);
    if (hg_rooms_add(service, config, &room) < 0)
        return false;
    begin_gate(service, room);
    record_waiver(service, room);
    if (!service->is_journal_ok)
        step(service, room, HG_EVENT_JOURNAL_FAILED);
    if (room->config->binding != NULL)
        follow_link(service, room, true);
    else if (hg_link_is_up(service->link))
        step(service, room, HG_EVENT_LINK_UP);
    room->is_changed = true;
    return true;
}

/* -- all rooms -------------------------------------------------------------*/

/* What may fail is done before anything is changed. */
static int prepare(struct hg_service *service, const struct hg_config *read)
{
    size_t places = HG_ROOMS_PLACES - service->room_count;
    int err = 0;

    for (size_t i = 0; i < read->room_count; i++) {
        const char *name = read->room[i].name;

        if (hg_service_room(service, name) == NULL &&
            hg_rooms_gone(service, name) == NULL && places-- == 0)
            return HG_ERR_FULL;
    }
    for (size_t i = 0; err == 0 && i < service->by_name_count; i++) {
        struct hg_room *room = service->by_name[i];
        const struct hg_config_room *now =
            hg_config_find(read, room->config->name);

        if (now == NULL || !hg_config_room_is_same(room->config, now))
            err = hg_rooms_keep(room);
    }
    return err;
}

static void wait_for_end(struct hg_service *service, struct hg_room *room,
                         const struct hg_config_room *next,
                         struct hg_reload_news *news)
{
    room->next = next;
    room->is_leaving = next == NULL;
    room->is_changed = true;
    service->reload.waiting++;
    note(news->waiting, room->config->name);
    say(service, room, HG_CODE_SETTINGS_WAIT,
        next == NULL ? "The room was removed from the configuration. Its heat "
                       "goes on under the old settings; the room leaves when "
                       "the heat has ended."
                     : "The room has new settings. Its heat goes on under the "
                       "old ones; the new ones hold when the heat has ended.");
}

static void follow(struct hg_service *service, struct hg_room *room,
                   const struct hg_config_room *now,
                   struct hg_reload_news *news)
{
    bool is_busy = hg_rooms_is_busy(room);

    if (now != NULL && hg_config_room_is_same(room->config, now)) {
        room->is_changed = room->is_changed || room->next != NULL ||
                           room->is_leaving ||
                           strcmp(room->config->label, now->label) != 0;
        room->config = now; /* only what is for people can differ */
        room->next = NULL;
        room->is_leaving = false;
        hg_config_room_free(room->kept);
        room->kept = NULL;
        return;
    }
    note(now == NULL ? news->removed : news->changed, room->config->name);
    if (now != NULL) /* a name for people changes at once */
        memcpy(room->kept->label, now->label, sizeof(now->label));
    if (is_busy)
        wait_for_end(service, room, now, news);
    else if (now == NULL)
        leave(service, room);
    else if (!take(service, room, now))
        wait_for_end(service, room, now, news);
}

/* Nothing of its journal is read while others may heat: see replay.c. */
static bool needs_restart(struct hg_service *service, const char *name)
{
    return hg_rooms_gone(service, name) == NULL &&
           hg_store_has_room(service->store, name);
}

static void news_of_names(struct hg_service *service, bool has_come)
{
    hg_rooms_index(service);
    if (hg_api_server_rooms_changed(service->api) < 0)
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "no memory to tell callers of the rooms that came; "
                    "restart the service while no room is heated");
    if (has_come)
        hg_link_ask_online(service->link);
    hg_memory_changed(service);
}

int hg_reload_rooms(struct hg_service *service, const struct hg_config *read,
                    struct hg_reload_news *news)
{
    bool has_come = false;
    int err = prepare(service, read);

    if (err < 0)
        return err;
    service->reload.waiting = 0;
    for (size_t i = 0; i < service->by_name_count; i++) {
        struct hg_room *room = service->by_name[i];

        follow(service, room, hg_config_find(read, room->config->name), news);
    }
    for (size_t i = 0; i < read->room_count; i++) {
        const struct hg_config_room *config = &read->room[i];

        if (hg_service_room(service, config->name) != NULL)
            continue;
        if (needs_restart(service, config->name) || !come(service, config)) {
            note(news->restart, config->name);
            continue;
        }
        note(news->added, config->name);
        has_come = true;
    }
    news_of_names(service, has_come);
    for (size_t i = 0; i < service->by_name_count; i++)
        if (service->by_name[i]->is_changed)
            hg_show_room(service, service->by_name[i]);
    return 0;
}

static void end_wait(struct hg_service *service, struct hg_room *room)
{
    if (room->is_leaving) {
        hg_record_put(service, HG_KIND_SETTINGS_TAKEN, room, NULL,
                      json_pack("{s:b}", "removed", 1));
        leave(service, room);
        news_of_names(service, false);
    } else if (take(service, room, room->next)) {
        hg_record_put(service, HG_KIND_SETTINGS_TAKEN, room, NULL,
                      json_pack("{s:b}", "removed", 0));
        say(service, room, HG_CODE_SETTINGS_TAKEN,
            "The new settings of the room hold now.");
        hg_show_room(service, room);
    } else {
        return; /* again at the next tick */
    }
    service->reload.waiting--;
}

void hg_reload_rooms_tick(struct hg_service *service)
{
    for (size_t i = 0; service->reload.waiting > 0 && i < service->room_count;
         i++) {
        struct hg_room *room = &service->room[i];

        if ((room->is_leaving || room->next != NULL) && !room->is_gone &&
            !hg_rooms_is_busy(room))
            end_wait(service, room);
    }
}
