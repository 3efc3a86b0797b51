/* Time: what a wake-up, a tick and the helpers' results bring. */
#include "controllers/link.h"
#include "service/commission_room.h"
#include "service/handlers.h"
#include "service/head.h"
#include "service/loop.h"
#include "service/service.h"
#include "service/switches.h"
#include "service/traces.h"
#include "service/worker.h"
#include <string.h>

static void clock_stepped(struct hg_service *service,
                          const struct hg_clock_reading *reading)
{
    struct hg_event event;

    if (reading->has_stepped)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "the wall clock was stepped; heat is timed by boot time "
                    "and not affected");
    if (reading->has_trust_changed)
        hg_log_line(&service->log, HG_LOG_WARNING, "wall clock: %s",
                    hg_clock_doubt_text(reading->doubt));
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CLOCK_STEPPED;
    service->is_stepping_clock = true;
    hg_rooms_step(service, &event);
    service->is_stepping_clock = false;
}

void hg_service_wake(struct hg_service *service)
{
    struct hg_clock_reading reading;

    if (service->step_depth > 0 || service->is_stepping_clock)
        return; /* the same wake-up still */
    if (hg_clock_read(&service->clock, &reading) < 0)
        return; /* cannot happen on Linux; then time stands still: stale */
    service->now = reading.tick;
    service->doubt = reading.doubt;
    if (reading.has_stepped || reading.has_trust_changed)
        clock_stepped(service, &reading);
}

static bool is_busy(const struct hg_room *room)
{
    const struct hg_gate_state *gate = &room->gate;

    return gate->session.is_active || gate->plan.is_active ||
           gate->pending.kind != HG_PENDING_NONE || gate->is_unbidden;
}

void hg_service_tick(struct hg_service *service, bool is_whole_second)
{
    struct hg_event event;

    hg_service_wake(service);
    hg_late_finish(service); /* before a room may go */
    if (service->is_leaving)
        return;
    if (service->epoch_wanted > service->epoch)
        hg_service_raise_epoch(service, service->epoch_wanted);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_TICK;
    for (size_t i = 0; i < service->room_count; i++)
        if (!service->room[i].is_gone &&
            (is_whole_second || is_busy(&service->room[i]))) {
            hg_room_step(service, &service->room[i], &event);
            hg_forecast_tick(service, &service->room[i]);
        }
    hg_switches_tick(service);
    hg_reload_tick(service);
    hg_record_due(service);
    hg_memory_tick(service);
    hg_traces_tick(service);
    if (!is_whole_second)
        return;
    if (service->epoch_heard > service->epoch_kept &&
        hg_memory_raise_epoch(service, service->epoch_heard) == 0)
        service->epoch_kept = service->epoch_heard;
    hg_record_poll(service); /* a lost wake-up costs a second, no more */
    hg_access_done(service);
    hg_access_tick(service);
    hg_show_tick(service);
    hg_head_tick(service);
    hg_com_tick(service);
    hg_findings_tick(service);
}

void hg_service_poll(struct hg_service *service)
{
    if (service->journal == NULL || service->access == NULL ||
        service->link == NULL)
        return; /* still starting, or all but gone */
    hg_service_wake(service);
    hg_record_poll(service);
    hg_access_done(service);
    hg_memory_tick(service);
    hg_traces_tick(service);
    if (service->reader != NULL)
        hg_worker_poll(service->reader);
    hg_loop_tick_links(service->loop);
}
