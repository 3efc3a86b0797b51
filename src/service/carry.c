/*
 * Events into the gates, effects out of them, in the gate's order: revoke
 * first, then the epoch, permits, records, notices, answers. What concerns
 * other rooms (a failed journal, a raised epoch) follows when the effects of
 * the present step are done.
 */
#include "controllers/link.h"
#include "service/answer.h"
#include "service/commission_room.h"
#include "service/loop.h"
#include "service/service.h"
#include "service/switches.h"
#include "service/traces.h"
#include <stdlib.h>
#include <string.h>

static void send_permit(struct hg_service *service, struct hg_room *room,
                        const struct hg_permit *permit, uint64_t for_ms)
{
    uint32_t expiry_s = (uint32_t)((for_ms + 999) / 1000);
    int err;

    if (room->sw != NULL)
        err = hg_switches_send(service, room, permit);
    else if (service->link == NULL || !hg_link_is_up(service->link))
        return; /* the gate knows; nothing of ours may be sent late */
    else
        err = hg_link_send_permit(service->link, room->config->name, permit,
                                  expiry_s, service->mac[room->index]);
    if (err == 0)
        return;
    service->counts.publish_failures++;
    hg_log_line(&service->log, HG_LOG_ERROR,
                "%s: the %s with serial %llu could not be sent: %s; the "
                "heater goes off when its lease ends",
                room->config->name, permit->is_heat ? "permit" : "revoke",
                (unsigned long long)permit->serial, hg_err_text(err));
}

static void carry_revoke(struct hg_service *service, struct hg_room *room,
                         const struct hg_effect *effect)
{
    struct hg_permit revoke;

    memset(&revoke, 0, sizeof(revoke));
    revoke.serial = effect->serial;
    revoke.why = effect->why;
    service->counts.revokes++;
    send_permit(service, room, &revoke, room->config->policy.lease_ms);
}

static void carry_permit(struct hg_service *service, struct hg_room *room,
                         const struct hg_effect *effect)
{
    struct hg_permit permit;

    if (effect->ttl_ms == 0)
        return; /* the heat ends in this very millisecond */
    memset(&permit, 0, sizeof(permit));
    permit.is_heat = true;
    permit.serial = effect->serial;
    permit.ttl_ms = effect->ttl_ms;
    permit.target_mc = effect->target_mc;
    memcpy(permit.heat_id, effect->heat_id, sizeof(permit.heat_id));
    service->counts.permits++;
    send_permit(service, room, &permit, effect->ttl_ms);
}

static void carry_epoch(struct hg_service *service, uint64_t epoch)
{
    if (epoch <= service->epoch)
        return;
    if (hg_memory_raise_epoch(service, epoch) < 0) {
        /* not durable: tried again at every tick. Until then a restart would
         * use serials that controllers ignore, which is the safe side. */
        service->epoch_wanted = epoch;
        return;
    }
    service->epoch = epoch;
    service->is_epoch_news = true;
}

static void carry_record(struct hg_service *service, struct hg_room *room,
                         const struct hg_effect *effect, uint64_t *n)
{
    *n = hg_record_effect(service, room, effect);
    hg_memory_changed(service);
    if (effect->ticket == 0 || *n == 0)
        return; /* not written: JOURNAL_FAILED follows and ends the wait */
    if (!hg_record_wait(service, room, *n, effect->ticket))
        service->is_journal_failing = true;
}

static bool is_first(const struct hg_effect *effect)
{
    return effect->kind == HG_EFFECT_REVOKE ||
           effect->kind == HG_EFFECT_EPOCH || effect->kind == HG_EFFECT_PERMIT;
}

static void carry_first(struct hg_service *service, struct hg_room *room,
                        const struct hg_effect *effect)
{
    if (effect->kind == HG_EFFECT_REVOKE)
        carry_revoke(service, room, effect);
    else if (effect->kind == HG_EFFECT_EPOCH)
        carry_epoch(service, effect->epoch);
    else
        carry_permit(service, room, effect);
}

static void carry_later(struct hg_service *service, struct hg_room *room,
                        const struct hg_event *event,
                        const struct hg_effect *effect, uint64_t *n)
{
    switch (effect->kind) {
    case HG_EFFECT_RECORD:
        carry_record(service, room, effect, n);
        break;
    case HG_EFFECT_NOTICE:
        /* that we leave puts no plan at risk: it is kept for the next run */
        if (event->kind != HG_EVENT_SHUTDOWN ||
            effect->record != HG_RECORD_PLAN_AT_RISK)
            hg_show_notice(service, room, effect);
        break;
    case HG_EFFECT_STATE:
        room->is_changed = true;
        break;
    case HG_EFFECT_ANSWER:
        hg_answer_effect(service, room, effect, *n);
        break;
    case HG_EFFECT_REVOKE:
    case HG_EFFECT_EPOCH:
    case HG_EFFECT_PERMIT:
    case HG_EFFECT_NONE:
        break;
    }
}

/* What the step of one room means for all of them. */
static void carry_news(struct hg_service *service)
{
    struct hg_event event;

    if (service->is_epoch_news) {
        service->is_epoch_news = false;
        memset(&event, 0, sizeof(event));
        event.kind = HG_EVENT_EPOCH_HEARD;
        event.epoch = service->epoch;
        hg_rooms_step(service, &event);
        if (service->link != NULL &&
            hg_link_set_epoch(service->link, service->epoch) < 0)
            service->counts.publish_failures++;
    }
    if (service->is_journal_failing) {
        service->is_journal_failing = false;
        if (service->is_journal_ok)
            hg_record_failed(service, "a record could not be queued");
    }
}

/* A heat that is over was counted to its end before it is recorded; a new one
 * counts its energy from nothing. */
static void look_at_heat(struct hg_service *service, struct hg_room *room,
                         const char *heat_id)
{
    hg_traces_look(service, room);
    if (!room->gate.session.is_active ||
        strcmp(room->gate.session.heat_id, heat_id) == 0)
        return;
    hg_traces_start(service, room);
    hg_memory_changed(service);
}

/* The gate, and what must leave before anything else is done: was any? */
static bool step_first(struct hg_service *service, struct hg_room *room,
                       struct hg_event *event, struct hg_effects *effects)
{
    bool has_first = false;

    event->at = service->now;
    hg_gate_step(&room->config->policy, &room->gate, event, effects);
    for (uint32_t i = 0; i < effects->count; i++)
        if (is_first(&effects->effect[i])) {
            carry_first(service, room, &effects->effect[i]);
            has_first = true;
        }
    return has_first;
}

/* Records, notices, answers, what is shown. */
static void step_later(struct hg_service *service, struct hg_room *room,
                       const struct hg_event *event,
                       const struct hg_effects *effects, const char *heat_id)
{
    uint64_t n = 0;

    look_at_heat(service, room, heat_id);
    service->step_depth++;
    for (uint32_t i = 0; i < effects->count; i++)
        carry_later(service, room, event, &effects->effect[i], &n);
    service->step_depth--;
    if (effects->is_overfull)
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "%s: the gate had more to say than fits; this is a fault "
                    "of the program, please report it",
                    room->config->name);
    hg_show_outputs(service, room);
    if (room->is_changed)
        hg_show_room(service, room);
    if (service->step_depth == 0)
        carry_news(service);
}

void hg_room_step_early(struct hg_service *service, struct hg_room *room,
                        struct hg_event *event)
{
    struct hg_late *late = &service->late;

    hg_late_finish(service);
    late->is_fresh = false;
    memcpy(late->heat_id, room->gate.session.heat_id, sizeof(late->heat_id));
    late->has_sent = step_first(service, room, event, &late->effects);
    late->event = *event;
    late->room = room;
}

void hg_late_written(struct hg_service *service)
{
    if (service->late.room == NULL)
        return;
    if (service->late.has_sent)
        hg_loop_later(service->loop);
    else
        hg_late_finish(service);
}

void hg_late_finish(struct hg_service *service)
{
    struct hg_late *late = &service->late;
    struct hg_room *room = late->room;

    if (room == NULL)
        return;
    late->room = NULL;
    step_later(service, room, &late->event, &late->effects, late->heat_id);
    if (!late->is_fresh)
        return;
    hg_forecast_feed(service, room);
    hg_traces_feed(service, room);
    hg_com_feed(service, room);
    hg_findings_feed(service, room);
    room->is_changed = true;
    hg_show_room(service, room);
}

void hg_room_step(struct hg_service *service, struct hg_room *room,
                  struct hg_event *event)
{
    struct hg_effects effects;
    char heat_id[HG_ID_BYTES];

    hg_late_finish(service);
    memcpy(heat_id, room->gate.session.heat_id, sizeof(heat_id));
    (void)step_first(service, room, event, &effects);
    step_later(service, room, event, &effects, heat_id);
}

void hg_rooms_step(struct hg_service *service, struct hg_event *event)
{
    for (size_t i = 0; i < service->room_count; i++)
        if (!service->room[i].is_gone)
            hg_room_step(service, &service->room[i], event);
}

void hg_service_raise_epoch(struct hg_service *service, uint64_t epoch)
{
    carry_epoch(service, epoch);
    carry_news(service);
}
