/* heat.*: preview, start, change, stop, plan, unplan. */
#include "base/sat.h"
#include "service/answer.h"
#include "service/handlers.h"
#include "service/service.h"
#include <string.h>

#define MINUTE_MS     UINT64_C(60000)
#define PLAN_PAUSE_MS 1000

static void no_randomness(const struct hg_api_call *call)
{
    hg_api_reply_error(call->reply, HG_RPC_UNAVAILABLE,
                       "The system gave no random number for an id; ask "
                       "again.",
                       NULL);
}

/* The parts of an event that all these methods have. */
static struct hg_room *begin(struct hg_service *service,
                             const struct hg_api_call *call,
                             enum hg_event_kind kind, struct hg_event *event)
{
    struct hg_room *room = hg_call_room(service, call);
    uint64_t minutes = 0;

    memset(event, 0, sizeof(*event));
    event->kind = kind;
    hg_call_asker(service, call->caller, room, &event->asker);
    /* stop and unplan have no heat in their event */
    if (kind == HG_EVENT_STOP || kind == HG_EVENT_UNPLAN)
        return room;
    event->heat.has_target =
        hg_call_celsius(call, "target_c", &event->heat.target_mc);
    event->heat.has_duration = hg_call_whole(call, "duration_min", &minutes);
    event->heat.duration_ms = minutes * MINUTE_MS;
    return room;
}

static bool draw_heat_id(const struct hg_api_call *call, struct hg_event *event)
{
    char id[20];
    uint64_t number;

    if (!hg_call_draw_id("h-", id, &number)) {
        no_randomness(call);
        return false;
    }
    memcpy(event->heat.heat_id, id, sizeof(id));
    return true;
}

/* When has the heat to begin? False: this heater never gets there. */
static bool place_plan(struct hg_service *service, const struct hg_room *room,
                       struct hg_event *event)
{
    uint64_t lead_ms;

    if (!hg_forecast_lead(room, event->heat.target_mc, &lead_ms))
        return false;
    event->heat.starts_at_ms =
        hg_sat_sub_i64(event->heat.ready_at_ms, (int64_t)lead_ms);
    if (event->heat.starts_at_ms < service->now.wall.ms)
        event->heat.starts_at_ms = service->now.wall.ms;
    return true;
}

static void fill_preview(const struct hg_room *room, struct hg_event *event)
{
    const struct hg_policy *policy = &room->config->policy;

    if (!event->heat.has_target)
        event->heat.target_mc = policy->target_max_mc;
    if (!event->heat.has_duration)
        event->heat.duration_ms = MINUTE_MS;
}

void hg_handle_heat_preview(struct hg_service *service,
                            const struct hg_api_call *call)
{
    struct hg_room_forecast forecast;
    int64_t from_ms = service->now.wall.ms;
    struct hg_event event;
    struct hg_room *room = begin(service, call, HG_EVENT_START, &event);
    hg_why_set unmet;
    json_t *result;

    fill_preview(room, &event);
    event.at = service->now;
    unmet = hg_gate_preview(&room->config->policy, &room->gate, &event);
    if (hg_call_time(call, "ready_at", &event.heat.ready_at_ms)) {
        if (!place_plan(service, room, &event))
            unmet |= HG_WHY_BIT(HG_WHY_TARGET_OUT_OF_RANGE);
        else
            from_ms = event.heat.starts_at_ms;
    }
    hg_forecast_ask(room, event.heat.target_mc, from_ms, &forecast);
    result = json_pack(
        "{s:s, s:b, s:o, s:o, s:o}", "room", room->config->name, "allowed",
        (int)(unmet == 0), "reasons", hg_reasons_full(unmet), "starts_at",
        hg_json_wall(from_ms), "forecast", hg_room_forecast_json(&forecast));
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "No memory for the answer.", NULL);
    else
        hg_api_reply_result(call->reply, result);
}

void hg_handle_heat_start(struct hg_service *service,
                          const struct hg_api_call *call)
{
    struct hg_event event;
    struct hg_room *room = begin(service, call, HG_EVENT_START, &event);

    if (draw_heat_id(call, &event))
        hg_call_step(service, call, room, &event);
}

void hg_handle_heat_change(struct hg_service *service,
                           const struct hg_api_call *call)
{
    struct hg_event event;
    struct hg_room *room = begin(service, call, HG_EVENT_CHANGE, &event);

    hg_call_step(service, call, room, &event);
}

/*
 * The short path: no table of requests has to have room for it, nothing is
 * waited for (I9). The revoke has left when this returns.
 */
void hg_handle_heat_stop(struct hg_service *service,
                         const struct hg_api_call *call)
{
    struct hg_event event;
    struct hg_room *room = begin(service, call, HG_EVENT_STOP, &event);
    json_t *result;

    hg_room_step(service, room, &event);
    result = json_pack("{s:s}", "room", room->config->name);
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "It was stopped, but there is no memory for the "
                           "answer.",
                           NULL);
    else
        hg_api_reply_result(call->reply, result);
}

/* Each change of a plan is a record: not more than one a second. */
static bool may_change_plan(struct hg_service *service,
                            const struct hg_api_call *call,
                            struct hg_room *room)
{
    if (room->has_planned &&
        hg_mono_since(service->now.mono, room->planned_at) < PLAN_PAUSE_MS) {
        hg_api_reply_error(call->reply, HG_RPC_SLOW_DOWN,
                           "The plan of this room was changed just now. Wait a "
                           "second, then ask again.",
                           json_pack("{s:i}", "retry_after_s", 1));
        return false;
    }
    room->has_planned = true;
    room->planned_at = service->now.mono;
    return true;
}

void hg_handle_heat_plan(struct hg_service *service,
                         const struct hg_api_call *call)
{
    struct hg_event event;
    struct hg_room *room = begin(service, call, HG_EVENT_PLAN, &event);

    if (!hg_call_time(call, "ready_at", &event.heat.ready_at_ms) ||
        event.heat.ready_at_ms <= service->now.wall.ms) {
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "ready_at: a time that lies ahead is wanted.", NULL);
        return;
    }
    if (!place_plan(service, room, &event)) {
        hg_why_set why = HG_WHY_BIT(HG_WHY_TARGET_OUT_OF_RANGE);

        /* the heater would run to its cap and never get there */
        hg_record_refusal(service, (uint32_t)HG_RECORD_PLAN_REFUSED,
                          room->config->name, &call->caller->actor, why);
        hg_answer_refused(call->reply, why);
        return;
    }
    if (may_change_plan(service, call, room) && draw_heat_id(call, &event))
        hg_call_step(service, call, room, &event);
}

void hg_handle_heat_unplan(struct hg_service *service,
                           const struct hg_api_call *call)
{
    struct hg_event event;
    struct hg_room *room = begin(service, call, HG_EVENT_UNPLAN, &event);

    /* nothing is recorded when there is no plan */
    if (!room->gate.plan.is_active || may_change_plan(service, call, room))
        hg_call_step(service, call, room, &event);
}
