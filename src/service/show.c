/*
 * What others see: the retained state topics, the watchers of the API, and
 * notices. Nothing here delays a revoke: states are made in a later turn of
 * the loop than the event that changed them, a few at a time.
 */
#include "api/server.h"
#include "base/sat.h"
#include "base/text.h"
#include "base/why.h"
#include "controllers/link.h"
#include "controllers/mac.h"
#include "service/loop.h"
#include "service/rooms.h"
#include "service/service.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STATE_EVERY_MS 1000
#define STATES_A_TURN  4 /* each takes some 30 us; a door may come between */
/*
 * QoS 1 messages under way at a time. Brokers take 20 (mosquitto's default
 * receive maximum); what is left of them is for permits and revokes.
 */
#define UNDER_WAY_MAX 8

/* json NULL: an empty message, which clears a retained one. mac NULL: it is
 * not signed; what is for a controller is, where the room has a key. */
static int publish(struct hg_service *service, const char *room,
                   enum hg_leaf leaf, json_t *json, struct hg_mac *mac)
{
    char topic[HG_TOPIC_BYTES];
    char signature[HG_MAC_TEXT_BYTES];
    struct hg_link_publication what;
    struct hg_buf buf;
    char *text;
    int err;

    if (service->link == NULL || !hg_link_is_up(service->link))
        return HG_ERR_CLOSED;
    hg_buf_init(&buf, topic, sizeof(topic));
    err = hg_topic_build(hg_link_root(service->link), room, leaf, &buf);
    if (err < 0)
        return err;
    text = json == NULL ? strdup("") : json_dumps(json, JSON_COMPACT);
    if (text == NULL)
        return HG_ERR_MEMORY;
    memset(&what, 0, sizeof(what));
    what.topic = topic;
    what.payload = text;
    what.len = strlen(text);
    what.qos = 1;
    what.is_retained = leaf != HG_LEAF_NOTICE;
    if (mac != NULL) {
        err = hg_mac_sign(mac, topic, text, what.len, signature);
        what.mac = signature;
    }
    if (err == 0)
        err = hg_link_publish(service->link, &what);
    free(text);
    if (err < 0)
        service->counts.publish_failures++;
    return err;
}

static void make_due(struct hg_service *service, struct hg_room *room)
{
    struct hg_show *show = &service->show;

    if (room->is_publish_due)
        return;
    room->is_publish_due = true;
    show->due[(show->first + show->count) % HG_ROOMS_PLACES] = room->index;
    show->count++;
    hg_loop_soon(service->loop);
}

json_t *hg_show_state(struct hg_service *service, struct hg_room *room,
                      const struct hg_actor *viewer)
{
    if (service->late.room == room)
        hg_late_finish(service); /* or its news came with an old rev */
    if (room->is_changed) {
        room->is_changed = false;
        room->rev++;
    }
    return hg_room_json(room, viewer, service->now);
}

void hg_show_room(struct hg_service *service, struct hg_room *room)
{
    bool is_urgent;

    hg_room_look(room, service->now, &is_urgent);
    room->is_topic_old = true;
    if (is_urgent ||
        hg_mono_since(service->now.mono, room->published_at) >= STATE_EVERY_MS)
        make_due(service, room);
    if (service->api != NULL)
        hg_api_room_changed(service->api, room->index);
}

void hg_show_gone(struct hg_service *service, struct hg_room *room)
{
    room->is_topic_old = true;
    room->is_outputs_old = room->has_outputs_topic;
    make_due(service, room);
    hg_api_room_changed(service->api, room->index);
}

void hg_show_outputs(struct hg_service *service, struct hg_room *room)
{
    const struct hg_outputs_setting *setting = &room->config->outputs;
    const struct hg_gate_state *gate = &room->gate;
    struct hg_outputs_wanted wanted;

    if (!hg_outputs_has_any(setting) && !hg_outputs_has_any(&room->outputs_of))
        return;
    hg_outputs_see(&room->outputs, setting, gate->session.is_active,
                   gate->permit.is_live, service->now.mono);
    wanted = hg_outputs_want(&room->outputs, setting, service->now.mono);
    if (hg_outputs_is_same(setting, &room->outputs_of) &&
        memcmp(&wanted, &room->outputs_shown, sizeof(wanted)) == 0)
        return;
    room->outputs_of = *setting;
    room->outputs_shown = wanted;
    room->is_outputs_old = true;
    room->is_changed = true;
    make_due(service, room);
}

/* Like the state; nothing else depends on whether it arrives. */
static void publish_outputs(struct hg_service *service, struct hg_room *room)
{
    bool is_shown =
        !room->is_gone && hg_outputs_has_any(&room->config->outputs);
    json_t *json = NULL;

    if (!room->is_outputs_old)
        return;
    if (is_shown) {
        json = json_pack("{s:i, s:b, s:b}", "v", 1, "light",
                         (int)room->outputs_shown.is_on[HG_OUTPUT_LIGHT], "fan",
                         (int)room->outputs_shown.is_on[HG_OUTPUT_FAN]);
        if (json == NULL)
            return; /* no memory: again at the next tick */
    }
    if (publish(service, room->config->name, HG_LEAF_OUTPUTS, json,
                service->mac[room->index]) == 0) {
        room->is_outputs_old = false;
        room->has_outputs_topic = is_shown;
    }
    json_decref(json);
}

static void publish_state(struct hg_service *service, struct hg_room *room)
{
    json_t *state;
    int err;

    room->is_publish_due = false;
    if (!hg_link_is_up(service->link))
        return; /* all are published again when it comes up */
    if (room->is_gone) {
        room->is_topic_old =
            publish(service, room->config->name, HG_LEAF_STATE, NULL, NULL) < 0;
        room->published_at = service->now.mono;
        return;
    }
    state = hg_show_state(service, room, NULL);
    err = state == NULL ? HG_ERR_MEMORY
                        : publish(service, room->config->name, HG_LEAF_STATE,
                                  state, NULL);
    json_decref(state);
    room->is_topic_old = err < 0;
    room->published_at = service->now.mono;
}

void hg_show_clear(struct hg_service *service, const char *name)
{
    int err = publish(service, name, HG_LEAF_STATE, NULL, NULL);

    if (err == 0) /* and of its light and fan, if it had any */
        err = publish(service, name, HG_LEAF_OUTPUTS, NULL, NULL);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "%s: the state of this room, which is not configured any "
                    "more, stays at the broker: %s",
                    name, hg_err_text(err));
}

/* The newest that matters is told when the broker is there again. */
static void keep_missed(struct hg_room *room, json_t *json)
{
    json_decref(room->missed);
    room->missed = json_incref(json);
}

static void publish_notice(struct hg_service *service)
{
    struct hg_show *show = &service->show;
    struct hg_show_notice *notice = &show->notice[show->notice_first];

    show->notice_first = (show->notice_first + 1) % HG_SHOW_NOTICES;
    show->notice_count--;
    if (publish(service, notice->room->config->name, HG_LEAF_NOTICE,
                notice->json, NULL) < 0 &&
        notice->is_kept)
        keep_missed(notice->room, notice->json);
    json_decref(notice->json);
}

static bool may_send(const struct hg_service *service)
{
    return !hg_link_is_up(service->link) ||
           hg_link_unacked(service->link) < UNDER_WAY_MAX;
}

bool hg_show_waits(const struct hg_service *service)
{
    return service->show.count > 0 || service->show.notice_count > 0;
}

void hg_show_due(struct hg_service *service)
{
    struct hg_show *show = &service->show;

    if (service->link == NULL)
        return;
    /* with the window full, the broker's answers bring us back here */
    while (show->notice_count > 0 && may_send(service))
        publish_notice(service);
    for (size_t i = 0; i < STATES_A_TURN && show->count > 0; i++) {
        struct hg_room *room = &service->room[show->due[show->first]];

        if (!may_send(service))
            return;

        show->first = (show->first + 1) % HG_ROOMS_PLACES;
        show->count--;
        publish_state(service, room);
        if (hg_link_is_up(service->link))
            publish_outputs(service, room);
    }
    if (show->count > 0)
        hg_loop_soon(service->loop);
}

void hg_show_tick(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];

        if ((room->is_topic_old || room->is_outputs_old) &&
            hg_mono_since(service->now.mono, room->published_at) >=
                STATE_EVERY_MS)
            make_due(service, room);
    }
    if (service->link != NULL && hg_link_is_up(service->link))
        hg_show_missed(service); /* what found no place before */
}

void hg_show_all(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];

        room->is_topic_old = room->is_topic_old || !room->is_gone;
        if (!room->is_gone && hg_outputs_has_any(&room->config->outputs))
            room->is_outputs_old = true;
        if (room->is_topic_old || room->is_outputs_old)
            make_due(service, room);
    }
}

static const char *level_text(enum hg_level level)
{
    switch (level) {
    case HG_LEVEL_WARNING:
        return "warning";
    case HG_LEVEL_ALARM:
        return "alarm";
    case HG_LEVEL_INFO:
        break;
    }
    return "info";
}

static enum hg_log_level log_level(enum hg_level level)
{
    switch (level) {
    case HG_LEVEL_WARNING:
        return HG_LOG_WARNING;
    case HG_LEVEL_ALARM:
        return HG_LOG_ERROR;
    case HG_LEVEL_INFO:
        break;
    }
    return HG_LOG_INFO;
}

static void queue_notice(struct hg_service *service, struct hg_room *room,
                         json_t *json, bool is_kept)
{
    struct hg_show *show = &service->show;
    size_t last = (show->notice_first + show->notice_count) % HG_SHOW_NOTICES;

    if (show->notice_count == HG_SHOW_NOTICES) {
        if (is_kept)
            keep_missed(room, json);
        return;
    }
    show->notice[last].room = room;
    show->notice[last].json = json_incref(json);
    show->notice[last].is_kept = is_kept;
    show->notice_count++;
    hg_loop_soon(service->loop);
}

static void tell(struct hg_service *service, struct hg_room *room,
                 const struct hg_notice *notice)
{
    char at[HG_WALL_TEXT_BYTES];
    json_t *json;

    hg_text_from_wall(service->now.wall.ms, at);
    json = json_pack("{s:i, s:s, s:s, s:s, s:s, s:s}", "v", HG_CONTRACT_V,
                     "room", room->config->name, "at", at, "level",
                     level_text(notice->level), "code", notice->code, "text",
                     notice->text);
    service->counts.notices++;
    if (json != NULL)
        queue_notice(service, room, json, notice->level != HG_LEVEL_INFO);
    json_decref(json);
}

void hg_show_say(struct hg_service *service, struct hg_room *room,
                 const struct hg_notice *notice)
{
    hg_log_line(&service->log, log_level(notice->level), "%s: %s: %s",
                room->config->name, notice->code, notice->text);
    tell(service, room, notice);
}

void hg_show_say_all(struct hg_service *service, const struct hg_notice *notice)
{
    hg_log_line(&service->log, log_level(notice->level), "%s: %s", notice->code,
                notice->text);
    for (size_t i = 0; i < service->by_name_count; i++)
        tell(service, service->by_name[i], notice);
}

void hg_show_missed(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];
        json_t *missed = room->missed;

        if (missed == NULL || service->show.notice_count == HG_SHOW_NOTICES)
            continue;
        room->missed = NULL;
        queue_notice(service, room, missed, true);
        json_decref(missed);
    }
}

/* What happened, in a sentence without the reason. */
static const char *record_text(enum hg_record record)
{
    switch (record) {
    case HG_RECORD_HEAT_HELD:
        return "The heat waits.";
    case HG_RECORD_HEAT_RESUMED:
        return "The heat goes on.";
    case HG_RECORD_HEAT_ENDED:
        return "The heat has ended.";
    case HG_RECORD_CHECK_SIGNED:
        return "A room check was signed.";
    case HG_RECORD_CHECK_VOIDED:
        return "The room check is void; a new one is needed.";
    case HG_RECORD_PLAN_AT_RISK:
        return "The plan would not start as things are.";
    case HG_RECORD_PLAN_IN_ORDER:
        return "The plan is in order again.";
    case HG_RECORD_PLAN_DROPPED:
        return "The plan was dropped.";
    case HG_RECORD_PLAN_MISSED:
        return "The plan did not start; the room stays cold.";
    case HG_RECORD_LOCKOUT_SET:
        return "The room is locked.";
    case HG_RECORD_LOCKOUT_CLEARED:
        return "A lockout was cleared.";
    case HG_RECORD_LOCAL_STOPPED:
        return "The heat started at the panel was on for the longest time.";
    case HG_RECORD_CONTROLLER_FAULT:
        return "The controller reports a fault.";
    case HG_RECORD_PERMIT_IGNORED:
        return "The controller does not follow the permit.";
    default:
        return "";
    }
}

/* Ends and locks are named by their reason, all else by what happened. */
static const char *notice_code(const struct hg_effect *effect)
{
    bool is_reason = effect->record == HG_RECORD_NONE ||
                     effect->record == HG_RECORD_HEAT_ENDED ||
                     effect->record == HG_RECORD_LOCKOUT_SET;

    if (is_reason && effect->why != HG_WHY_NONE)
        return hg_why_code(effect->why);
    return hg_record_code(effect->record);
}

static void add_sentence(struct hg_buf *buf, const char *sentence)
{
    if (sentence[0] == '\0')
        return;
    if (buf->len > 0)
        hg_buf_add(buf, " ");
    hg_buf_add(buf, sentence);
}

void hg_show_notice(struct hg_service *service, struct hg_room *room,
                    const struct hg_effect *effect)
{
    bool is_good = effect->record == HG_RECORD_LOCKOUT_CLEARED;
    char storage[2048];
    struct hg_notice notice;
    struct hg_buf buf;
    hg_why_set set = effect->reasons;

    hg_buf_init(&buf, storage, sizeof(storage));
    add_sentence(&buf, record_text(effect->record));
    if (effect->record == HG_RECORD_NONE && effect->level == HG_LEVEL_INFO) {
        add_sentence(&buf, "The record of heating can be written again.");
        is_good = true;
    }
    if (effect->record == HG_RECORD_CONTROLLER_FAULT && room->fault[0] != '\0')
        hg_buf_addf(&buf, " Its code: %s.", room->fault);
    if (effect->why != HG_WHY_NONE)
        set |= HG_WHY_BIT(effect->why);
    for (int why = 1; why < HG_WHY_COUNT; why++) {
        if (!(set & HG_WHY_BIT(why)))
            continue;
        if (is_good) { /* what is over is named, not explained */
            hg_buf_addf(&buf, " (%s)", hg_why_code((enum hg_why)why));
            continue;
        }
        add_sentence(&buf, hg_why_text((enum hg_why)why));
        if (effect->level != HG_LEVEL_INFO)
            add_sentence(&buf, hg_why_remedy((enum hg_why)why));
    }
    notice.level = effect->level;
    notice.code = notice_code(effect);
    notice.text = storage;
    hg_show_say(service, room, &notice);
}
