/* What the link to the broker calls; see link_up.h. */
#include "service/link_up.h"
#include "base/sat.h"
#include "base/why.h"
#include "service/head.h"
#include "service/service.h"
#include "service/store.h"
#include <string.h>

#define FAILURE_LINE_EVERY_MS 60000

/* Heat that the last sudden end cut short: somebody may be waiting for it. */
static void tell_restarts(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];
        struct hg_notice notice = { HG_LEVEL_WARNING,
                                    hg_why_code(HG_WHY_GATEWAY_RESTART),
                                    "The heat has ended. The gateway was "
                                    "restarted; no heat survives that. Look "
                                    "in, sign a new room check, and start "
                                    "again." };

        if (room->restart_heat_id[0] == '\0')
            continue;
        memset(room->restart_heat_id, 0, sizeof(room->restart_heat_id));
        hg_show_say(service, room, &notice);
    }
}

/* What an earlier run showed of rooms that are not configured any more. */
static void clear_left(void *arg, const char *name)
{
    hg_show_clear(arg, name);
}

/* Rooms with a switch controller have a connection of their own. */
static void step_lease_rooms(struct hg_service *service, struct hg_event *event)
{
    for (size_t i = 0; i < service->room_count; i++)
        if (!service->room[i].is_gone && service->room[i].sw == NULL)
            hg_room_step(service, &service->room[i], event);
}

static void on_up(void *ctx, struct hg_link *link)
{
    struct hg_service *service = ctx;
    struct hg_event event;

    hg_log_line(&service->log, HG_LOG_INFO, "connected to the broker %s:%u",
                service->config->broker.host,
                (unsigned int)service->config->broker.port);
    service->has_heard_gateway = false;
    service->has_failed_line = false;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LINK_UP;
    step_lease_rooms(service,
                     &event); /* heat:false to every room, first of all */
    tell_restarts(service);
    if (hg_link_counts(link).connects == 1)
        hg_store_each_left(service->store, clear_left, service);
    hg_show_missed(service);
    hg_show_all(service);
    hg_head_publish(service);
}

static void on_down(void *ctx, struct hg_link *link, const char *reason)
{
    struct hg_service *service = ctx;
    struct hg_event event;

    (void)link;
    hg_log_line(&service->log, HG_LOG_WARNING,
                "the connection to the broker is lost, so nothing may heat: "
                "%s",
                reason);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LINK_DOWN;
    step_lease_rooms(service, &event);
}

static void on_failed(void *ctx, struct hg_link *link, const char *reason)
{
    struct hg_service *service = ctx;

    (void)link;
    if (service->has_failed_line &&
        hg_mono_since(service->now.mono, service->failed_line_at) <
            FAILURE_LINE_EVERY_MS)
        return;
    service->has_failed_line = true;
    service->failed_line_at = service->now.mono;
    hg_log_line(&service->log, HG_LOG_WARNING,
                "cannot connect to the broker %s:%u: %s; it is tried again",
                service->config->broker.host,
                (unsigned int)service->config->broker.port, reason);
}

static void on_message(void *ctx, struct hg_link *link,
                       const struct hg_link_message *message)
{
    (void)link;
    hg_message_take(ctx, message);
}

static void on_written(void *ctx, struct hg_link *link)
{
    (void)link;
    hg_late_written(ctx);
}

static void on_foreign(void *ctx, struct hg_link *link,
                       const struct hg_link_message *message)
{
    (void)link;
    hg_message_foreign(ctx, message);
}

static void on_refused(void *ctx, struct hg_link *link, const char *reason)
{
    struct hg_service *service = ctx;

    (void)link;
    service->counts.publish_failures++;
    hg_log_line(&service->log, HG_LOG_WARNING,
                "the broker refused a message of ours: %s; check its access "
                "list",
                reason);
}

struct hg_link_handlers hg_link_up_handlers(struct hg_service *service)
{
    struct hg_link_handlers handlers = { service,    on_up,      on_down,
                                         on_failed,  on_message, on_written,
                                         on_foreign, on_refused };

    return handlers;
}
