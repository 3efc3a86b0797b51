/* Switch rooms; see switches.h. */
#include "service/switches.h"
#include "base/sat.h"
#include "base/text.h"
#include "service/loop.h"
#include "service/service.h"
#include <stdio.h>
#include <string.h>

#define CLIENT_ID_BYTES 128

static struct hg_room *room_of(struct hg_service *service,
                               const struct hg_switch *sw)
{
    for (size_t i = 0; i < service->room_count; i++)
        if (service->room[i].sw == sw)
            return &service->room[i];
    return NULL; /* cannot be: only rooms make them */
}

/* -- what the connections say ---------------------------------------------*/

static void step_link(struct hg_service *service, struct hg_switch *sw,
                      bool is_up)
{
    struct hg_room *room = room_of(service, sw);
    struct hg_event event;

    if (room == NULL)
        return;
    memset(&event, 0, sizeof(event));
    event.kind = is_up ? HG_EVENT_LINK_UP : HG_EVENT_LINK_DOWN;
    hg_room_step(service, room, &event);
}

static void on_up(void *ctx, struct hg_switch *sw)
{
    struct hg_service *service = ctx;
    const struct hg_room *room = room_of(service, sw);

    if (room != NULL)
        hg_log_line(&service->log, HG_LOG_INFO,
                    "%s: connected for its switch; off was sent",
                    room->config->name);
    step_link(service, sw, true);
}

static void on_down(void *ctx, struct hg_switch *sw, const char *reason)
{
    struct hg_service *service = ctx;
    const struct hg_room *room = room_of(service, sw);

    if (room != NULL)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "%s: the connection for its switch is lost; the broker, "
                    "if it lives, sends off, else the controller's own timer "
                    "ends heat: %s",
                    room->config->name, reason);
    step_link(service, sw, false);
}

/* The main connection's log says why; it is the same broker. */
static void on_failed(void *ctx, struct hg_switch *sw, const char *reason)
{
    struct hg_service *service = ctx;
    struct hg_room *room = room_of(service, sw);

    if (room != NULL)
        hg_message_tell_bad(service, room, "switch connection", reason);
}

static void on_event(void *ctx, struct hg_switch *sw, struct hg_event *event)
{
    struct hg_service *service = ctx;
    struct hg_room *room = room_of(service, sw);
    uint64_t fresh_before;

    if (room == NULL)
        return;
    fresh_before = room->gate.stream.counts.fresh;
    hg_room_step_early(service, room, event);
    service->late.is_fresh = room->gate.stream.counts.fresh != fresh_before;
}

static void on_written(void *ctx, struct hg_switch *sw)
{
    (void)sw;
    hg_late_written(ctx);
}

/*
 * Somebody else switched. An off ends the heat, whoever sent it; anything
 * else is a rival's permit, and as such at or above ours: a switch follows
 * whoever spoke last. The gate then sends off. Once a lease is enough: each
 * time the epoch rises and is made durable.
 */
static void on_foreign(void *ctx, struct hg_switch *sw, bool is_on)
{
    struct hg_service *service = ctx;
    struct hg_room *room = room_of(service, sw);
    struct hg_event event;

    if (room == NULL)
        return;
    memset(&event, 0, sizeof(event));
    if (is_on) {
        if ((room->gate.lockouts & HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY)) != 0 &&
            hg_mono_since(service->now.mono, room->rival_told_at) <
                room->config->policy.lease_ms)
            return;
        room->rival_told_at = service->now.mono;
        event.kind = HG_EVENT_PERMIT_HEARD;
        event.heard.serial = room->gate.serial;
        event.heard.is_heat = true;
        hg_message_tell_bad(service, room, "command topic",
                            "a command that this gateway did not send");
    } else if (hg_switch_may_heat(sw, service->now.mono)) {
        event.kind = HG_EVENT_LOCAL;
        event.local.what = HG_LOCAL_STOP;
        hg_switch_number(sw, event.local.boot, &event.local.seq);
    } else {
        return; /* one more off where all is off */
    }
    hg_room_step_early(service, room, &event);
}

static void on_bad(void *ctx, struct hg_switch *sw, uint32_t signals)
{
    struct hg_service *service = ctx;
    struct hg_room *room = room_of(service, sw);
    char text[256];
    struct hg_buf why;

    if (room == NULL)
        return;
    hg_buf_init(&why, text, sizeof(text));
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++)
        if ((signals & HG_SIGNAL_BIT(s)) != 0)
            hg_buf_addf(&why, "%s%s: %s", why.len > 0 ? "; " : "",
                        hg_signal_name((enum hg_signal)s),
                        hg_read_text(hg_switch_reads(sw)->signal[s].state));
    service->counts.malformed++;
    room->bad.malformed++;
    hg_message_tell_bad(service, room, "bound topics", text);
}

static void on_refused(void *ctx, struct hg_switch *sw, const char *reason)
{
    struct hg_service *service = ctx;
    const struct hg_room *room = room_of(service, sw);

    service->counts.publish_failures++;
    if (room != NULL)
        hg_log_line(&service->log, HG_LOG_ERROR, "%s: %s", room->config->name,
                    reason);
}

/* -- life -----------------------------------------------------------------*/

/* Where the broker is and how to sign in there. */
static void fill_secrets(const struct hg_service *service,
                         struct hg_link_tls *tls, struct hg_link_config *config)
{
    const struct hg_config_broker *broker = &service->config->broker;

    memset(config, 0, sizeof(*config));
    *tls = (struct hg_link_tls) { broker->tls.ca_file, broker->tls.cert_file,
                                  broker->tls.key_file, NULL };
    config->host = broker->host;
    config->username = broker->username;
    config->password_file = broker->password_file;
    config->tls = broker->tls.is_on ? tls : NULL;
}

static int begin_one(struct hg_service *service, struct hg_room *room)
{
    const struct hg_config_broker *broker = &service->config->broker;
    const struct hg_switch_handlers handlers = {
        service,    on_up,      on_down, on_failed, on_event,
        on_written, on_foreign, on_bad,  on_refused
    };
    struct hg_link_tls tls;
    char client_id[CLIENT_ID_BYTES];
    char storage[HG_LOG_LINE_BYTES];
    struct hg_switch_config config;
    struct hg_link_loop loop;
    struct hg_buf why;
    int err = hg_wire_new(service->loop, &room->wire);

    if (err < 0)
        return err;
    loop = hg_wire_for_link(room->wire);
    (void)snprintf(client_id, sizeof(client_id), "%s-%s", broker->client_id,
                   room->config->name);
    memset(&config, 0, sizeof(config));
    config.binding = room->config->binding;
    config.stale_after_ms = room->config->policy.stale_after_ms;
    config.life = service->epoch;
    fill_secrets(service, &tls, &config.link);
    config.link.port = (uint16_t)broker->port;
    config.link.client_id = client_id;
    config.link.resolver = service->resolver;
    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_switch_new(&config, &loop, &handlers, &why, &room->sw);
    if (err < 0) {
        hg_log_line(&service->log, HG_LOG_ERROR, "%s: %s", room->config->name,
                    storage);
        hg_switches_drop(room);
        return err;
    }
    hg_wire_start(room->wire, hg_switch_link(room->sw));
    return 0;
}

int hg_switches_begin(struct hg_service *service)
{
    int err = 0;

    for (size_t i = 0; i < service->room_count && err == 0; i++)
        if (service->room[i].config->binding != NULL)
            err = begin_one(service, &service->room[i]);
    return err;
}

void hg_switches_drop(struct hg_room *room)
{
    hg_switch_free(room->sw);
    room->sw = NULL;
    hg_wire_free(room->wire);
    room->wire = NULL;
}

static void step_down(struct hg_service *service, struct hg_room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LINK_DOWN;
    hg_room_step(service, room, &event);
}

int hg_switches_renew(struct hg_service *service, struct hg_room *room)
{
    const struct hg_binding *binding = room->config->binding;
    bool is_same =
        binding != NULL && room->sw != NULL &&
        memcmp(binding, hg_switch_binding(room->sw), sizeof(*binding)) == 0;

    if (binding == NULL && room->sw == NULL)
        return 0;
    if (is_same) {
        hg_switch_set_stale(room->sw, room->config->policy.stale_after_ms);
        return 0;
    }
    step_down(service, room); /* what was heard so far proves nothing now */
    hg_switches_drop(room);
    return binding == NULL ? 0 : begin_one(service, room);
}

/* Each connection holds its own; a few small files are read. */
void hg_switches_renew_secrets(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];
        struct hg_link_secrets *secrets = NULL;
        char storage[HG_LOG_LINE_BYTES];
        struct hg_link_config config;
        struct hg_link_tls tls;
        struct hg_buf why;

        if (room->sw == NULL)
            continue;
        fill_secrets(service, &tls, &config);
        hg_buf_init(&why, storage, sizeof(storage));
        if (hg_link_secrets_new(&config, &why, &secrets) == 0)
            hg_link_renew(hg_switch_link(room->sw), secrets);
        else
            hg_log_line(&service->log, HG_LOG_ERROR,
                        "%s: its connection keeps the old password and "
                        "certificates: %s",
                        room->config->name, storage);
    }
}

void hg_switches_tick(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++)
        if (service->room[i].sw != NULL)
            hg_switch_tick(service->room[i].sw, service->now.mono);
    hg_late_written(service);
}

int hg_switches_send(struct hg_service *service, struct hg_room *room,
                     const struct hg_permit *permit)
{
    if (!hg_link_is_up(hg_switch_link(room->sw)))
        return 0; /* the gate knows; nothing of ours may be sent late */
    return hg_switch_send_permit(room->sw, permit, service->now.mono);
}

size_t hg_switches_unacked(const struct hg_service *service)
{
    size_t unacked = 0;

    for (size_t i = 0; i < service->room_count; i++)
        if (service->room[i].sw != NULL)
            unacked += hg_link_unacked(hg_switch_link(service->room[i].sw));
    return unacked;
}

void hg_switches_leave(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++)
        if (service->room[i].sw != NULL)
            hg_switch_leave(service->room[i].sw);
}

void hg_switches_end(struct hg_service *service)
{
    for (size_t i = 0; service->room != NULL && i < service->room_count; i++) {
        hg_switches_drop(&service->room[i]);
    }
}
