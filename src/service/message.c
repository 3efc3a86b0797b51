/*
 * What comes from the broker: topic, room, authenticity, decoding, and then
 * one event for the room's gate. What is bad is counted and named in the log
 * at most every 10 s a room.
 */
#include "base/buf.h"
#include "base/sat.h"
#include "controllers/link.h"
#include "service/remote.h"
#include "service/service.h"
#include <stdio.h>
#include <string.h>

#define BAD_LINE_EVERY_MS 10000
#define ANNOUNCE_EVERY_MS 10000

void hg_message_tell_bad(struct hg_service *service, struct hg_room *room,
                         const char *leaf, const char *why)
{
    struct hg_room_bad *bad = &room->bad;

    bad->since_line++;
    if (bad->has_logged &&
        hg_mono_since(service->now.mono, bad->logged_at) < BAD_LINE_EVERY_MS)
        return;
    hg_log_line(&service->log, HG_LOG_WARNING,
                "%s: dropped %llu message(s) about this room; the last on "
                "'%s': %s",
                room->config->name, (unsigned long long)bad->since_line, leaf,
                why);
    bad->has_logged = true;
    bad->logged_at = service->now.mono;
    bad->since_line = 0;
}

static void drop_malformed(struct hg_service *service, struct hg_room *room,
                           const struct hg_link_message *message,
                           const struct hg_buf *why)
{
    service->counts.malformed++;
    room->bad.malformed++;
    hg_message_tell_bad(service, room, hg_topic_leaf_name(message->at.leaf),
                        why->bytes);
}

/* Rooms with a key believe nothing that is not signed with it. */
static bool is_authentic(struct hg_service *service, struct hg_room *room,
                         const struct hg_link_message *message)
{
    struct hg_mac *mac = service->mac[room->index];

    if (mac == NULL || hg_mac_verify(mac, message->topic, message->payload,
                                     message->len, message->mac) == 0)
        return true;
    service->counts.bad_mac++;
    room->bad.mac++;
    hg_message_tell_bad(
        service, room, hg_topic_leaf_name(message->at.leaf),
        "its 'mac' is missing or wrong; check that controller and "
        "gateway have the same key");
    return false;
}

static void take_telemetry(struct hg_service *service, struct hg_room *room,
                           const struct hg_link_message *message)
{
    struct hg_telemetry_origin origin = { message->is_retained,
                                          room->config->element };
    uint64_t fresh_before = room->gate.stream.counts.fresh;
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_event event;
    struct hg_buf why;

    memset(&event, 0, sizeof(event));
    hg_buf_init(&why, storage, sizeof(storage));
    event.kind = HG_EVENT_TELEMETRY;
    if (hg_telemetry_decode(message->payload, message->len, &origin, &why,
                            &event.reading) < 0) {
        drop_malformed(service, room, message, &why);
        return;
    }
    hg_room_step_early(service, room, &event);
    service->late.is_fresh = room->gate.stream.counts.fresh != fresh_before;
    if (!event.reading.is_whole)
        drop_malformed(service, room, message, &why);
}

static void take_local(struct hg_service *service, struct hg_room *room,
                       const struct hg_link_message *message)
{
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_local_heard heard;
    struct hg_event event;
    struct hg_buf why;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_codec_decode_local(message->payload, message->len, &why, &heard) <
        0) {
        drop_malformed(service, room, message, &why);
        return;
    }
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    memcpy(event.local.boot, heard.boot, sizeof(event.local.boot));
    event.local.seq = heard.seq;
    event.local.is_retained = message->is_retained;
    event.local.what = heard.what;
    if (heard.what == HG_LOCAL_FAULT)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "%s: the controller reports the fault '%s'",
                    room->config->name, heard.code);
    snprintf(room->fault, sizeof(room->fault), "%s", heard.code);
    hg_room_step_early(service, room, &event);
}

static void take_online(struct hg_service *service, struct hg_room *room,
                        const struct hg_link_message *message)
{
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_event event;
    struct hg_buf why;
    bool is_online;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_codec_decode_online(message->payload, message->len, &why,
                               &is_online) < 0) {
        drop_malformed(service, room, message, &why);
        return;
    }
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PRESENCE;
    event.is_online = is_online;
    hg_room_step_early(service, room, &event);
}

/*
 * Another gateway on our topic root: one that serves other rooms, or one too
 * many. Its epoch raises ours once a connection: two gateways that outbid
 * each other for ever would help nobody. Higher ones that are heard later are
 * kept for when rooms of the other become ours, by a start or a reload. Its
 * permits, if it sends any to our rooms, lock them (rival-gateway).
 */
static void hear_epoch(struct hg_service *service,
                       const struct hg_link_message *message, uint64_t epoch)
{
    if (service->has_heard_gateway) {
        if (epoch > service->epoch_heard)
            service->epoch_heard = epoch; /* durable at the next second */
        return;
    }
    service->has_heard_gateway = true;
    hg_log_line(&service->log, HG_LOG_WARNING,
                "another gateway announced epoch %llu on '%s'; ours is raised "
                "above it. That is in order if it serves other rooms; if not, "
                "find it and stop it",
                (unsigned long long)epoch, message->topic);
    hg_service_raise_epoch(service, epoch + 1);
}

static void take_gateway(struct hg_service *service,
                         const struct hg_link_message *message)
{
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_gateway_heard heard;
    struct hg_buf why;

    if (message->is_own)
        return;
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_codec_decode_gateway(message->payload, message->len, &why, &heard) <
        0) {
        service->counts.malformed++;
        return;
    }
    /* our own epoch and offline: the will of a connection of ours */
    if (heard.epoch > service->epoch ||
        (heard.epoch == service->epoch && heard.is_online))
        hear_epoch(service, message, heard.epoch);
    if (hg_mono_since(service->now.mono, service->announced_at) <
        ANNOUNCE_EVERY_MS)
        return;
    service->announced_at = service->now.mono;
    if (hg_link_announce(service->link) < 0)
        service->counts.publish_failures++;
}

/* A switch room is heard where its binding says, and nowhere else. */
static void drop_unbound(struct hg_service *service, struct hg_room *room,
                         const struct hg_link_message *message)
{
    service->counts.malformed++;
    room->bad.malformed++;
    hg_message_tell_bad(service, room, hg_topic_leaf_name(message->at.leaf),
                        "this room's controller is bound to other topics");
}

void hg_message_take(struct hg_service *service,
                     const struct hg_link_message *message)
{
    struct hg_room *room;

    hg_late_finish(service);
    service->counts.messages++;
    if (message->at.leaf == HG_LEAF_GATEWAY) {
        take_gateway(service, message);
        return;
    }
    if (message->at.leaf == HG_LEAF_RPC) {
        hg_remote_take(service, message);
        return;
    }
    room = hg_service_room(service, message->at.room);
    if (room == NULL) {
        service->counts.unknown_room++;
        return;
    }
    if (room->sw != NULL) {
        drop_unbound(service, room, message);
        return;
    }
    if (!is_authentic(service, room, message))
        return;
    if (message->at.leaf == HG_LEAF_TELEMETRY)
        take_telemetry(service, room, message);
    else if (message->at.leaf == HG_LEAF_EVENT)
        take_local(service, room, message);
    else if (message->at.leaf == HG_LEAF_ONLINE)
        take_online(service, room, message);
}

void hg_message_foreign(struct hg_service *service,
                        const struct hg_link_message *message)
{
    struct hg_room *room = hg_service_room(service, message->at.room);
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_permit_heard heard;
    struct hg_event event;
    struct hg_buf why;

    if (room == NULL) {
        service->counts.unknown_room++;
        return;
    }
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_permit_decode(message->payload, message->len, &why, &heard) < 0) {
        drop_malformed(service, room, message, &why);
        return;
    }
    hg_buf_addf(&why,
                "a permit with serial %llu that this gateway did not send",
                (unsigned long long)heard.serial);
    hg_message_tell_bad(service, room, hg_topic_leaf_name(message->at.leaf),
                        why.bytes);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PERMIT_HEARD;
    event.heard.serial = heard.serial;
    event.heard.is_heat = heard.is_heat;
    hg_room_step_early(service, room, &event);
}
