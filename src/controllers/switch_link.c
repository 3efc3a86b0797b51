/* Binding, drive and link put together; see switch_link.h. */
#include "controllers/switch_link.h"
#include "base/sat.h"
#include "base/text.h"
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

/* the shortest the library allows: the will comes 1.5 times this later */
#define KEEPALIVE_S 5

struct hg_switch {
    struct hg_binding binding;
    struct hg_switch_handlers handlers;
    struct hg_link *link;
    uint32_t stale_after_ms;
    uint64_t life, boots, seq;
    char boot[HG_BOOT_BYTES];
    bool is_online; /* as the gate was told */
    bool is_local;  /* heat started at the controller, as last read */
    struct hg_binding_reads reads;
    struct hg_drive drive;
};

/* -- commands -------------------------------------------------------------*/

static int publish(struct hg_switch *sw, const char *topic, const char *payload,
                   uint32_t expiry_s)
{
    struct hg_link_publication what = { .topic = topic,
                                        .payload = payload,
                                        .len = strlen(payload),
                                        .qos = sw->binding.command.qos,
                                        .expiry_s = expiry_s };

    return hg_link_publish(sw->link, &what);
}

/* An on is of no use to a device that wakes up after the permit. */
static uint32_t expiry_s(const struct hg_follower *follower, uint64_t now_ms)
{
    uint64_t left_ms = hg_sat_sub_u64(
        hg_sat_add_u64(follower->received_ms, follower->ttl_ms), now_ms);
    uint32_t whole_s = (uint32_t)((left_ms + 999) / 1000);

    return whole_s > 0 ? whole_s : 1;
}

static int send_target(struct hg_switch *sw, uint64_t now_ms)
{
    const struct hg_follower *follower = &sw->drive.follower;
    char text[HG_BINDING_PAYLOAD_BYTES];
    struct hg_buf buf;
    int err;

    if (!sw->binding.setpoint.is_set)
        return 0;
    hg_buf_init(&buf, text, sizeof(text));
    err = hg_binding_setpoint_text(&sw->binding, follower->target_mc, &buf);
    if (err == 0)
        err = publish(sw, sw->binding.setpoint.topic, text,
                      expiry_s(follower, now_ms));
    return err;
}

/* An off that could not be sent is repeated by the drive. */
static int obey(struct hg_switch *sw, enum hg_command command, uint64_t now_ms)
{
    const struct hg_binding_command *to = &sw->binding.command;
    int err = 0;

    if (command == HG_COMMAND_OFF)
        return publish(sw, to->topic, to->off, 0);
    if (command == HG_COMMAND_ON) {
        err = send_target(sw, now_ms);
        if (err == 0)
            err = publish(sw, to->topic, to->on,
                          expiry_s(&sw->drive.follower, now_ms));
    }
    return err;
}

int hg_switch_send_permit(struct hg_switch *sw, const struct hg_permit *permit,
                          struct hg_mono now)
{
    uint64_t ttl_ms = permit->is_heat ? permit->ttl_ms : 0;

    return obey(sw,
                hg_drive_hear(&sw->drive, permit->serial, ttl_ms,
                              permit->target_mc, now.ms),
                now.ms);
}

/* -- events ---------------------------------------------------------------*/

static void begin_boot(struct hg_switch *sw)
{
    struct hg_buf buf;

    memset(sw->boot, 0, sizeof(sw->boot));
    hg_buf_init(&buf, sw->boot, sizeof(sw->boot));
    hg_buf_addf(&buf, "%" PRIu64 "-%" PRIu64, sw->life, ++sw->boots);
    sw->seq = 0;
}

void hg_switch_number(struct hg_switch *sw, char boot[HG_BOOT_BYTES],
                      uint64_t *ret_seq)
{
    memcpy(boot, sw->boot, HG_BOOT_BYTES);
    *ret_seq = ++sw->seq;
}

static void tell(struct hg_switch *sw, struct hg_event *event)
{
    sw->handlers.on_event(sw->handlers.ctx, sw, event);
}

static void tell_presence(struct hg_switch *sw, struct hg_mono now)
{
    bool is_online = hg_switch_missing(sw, now) == 0;
    struct hg_event event;

    if (is_online == sw->is_online)
        return;
    sw->is_online = is_online;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PRESENCE;
    event.is_online = is_online;
    tell(sw, &event);
}

/* A whole reading; or, from any live message, an open door alone. */
static void tell_reading(struct hg_switch *sw,
                         const struct hg_binding_news *news, struct hg_mono now)
{
    const struct hg_binding_read *door = &sw->reads.signal[HG_SIGNAL_DOOR];
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_TELEMETRY;
    if (news->read == 0)
        return;
    if (hg_switch_missing(sw, now) == 0)
        hg_binding_fill(&sw->binding, &sw->reads, now, sw->stale_after_ms,
                        &event.reading);
    else if ((news->read & HG_SIGNAL_BIT(HG_SIGNAL_DOOR)) != 0 &&
             door->word == HG_WORD_FIRST)
        event.reading.door = HG_DOOR_OPEN;
    else
        return;
    hg_switch_number(sw, event.reading.boot, &event.reading.seq);
    tell(sw, &event);
}

static void tell_local(struct hg_switch *sw, enum hg_local what)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    event.local.what = what;
    hg_switch_number(sw, event.local.boot, &event.local.seq);
    tell(sw, &event);
}

static void tell_panel(struct hg_switch *sw, const struct hg_binding_news *news)
{
    const struct hg_binding_read *panel = &sw->reads.signal[HG_SIGNAL_PANEL];
    const struct hg_binding_read *local = &sw->reads.signal[HG_SIGNAL_LOCAL];
    bool is_local = local->word == HG_WORD_FIRST;

    if ((news->read & HG_SIGNAL_BIT(HG_SIGNAL_PANEL)) != 0 &&
        panel->word == HG_WORD_FIRST)
        tell_local(sw, HG_LOCAL_ROOM_CHECK);
    if ((news->read & HG_SIGNAL_BIT(HG_SIGNAL_LOCAL)) == 0 ||
        is_local == sw->is_local)
        return;
    sw->is_local = is_local;
    tell_local(sw, is_local ? HG_LOCAL_START : HG_LOCAL_STOP);
}

/* What the drive needs to know: what was read now, no more. */
static void report(struct hg_switch *sw, const struct hg_binding_news *news,
                   struct hg_mono now)
{
    const struct hg_binding_read *air = &sw->reads.signal[HG_SIGNAL_AIR];
    const struct hg_binding_read *heater = &sw->reads.signal[HG_SIGNAL_HEATER];
    struct hg_reading reading;

    hg_binding_fill(&sw->binding, &sw->reads, now, sw->stale_after_ms,
                    &reading);
    reading.has_air = reading.has_air && air->has_value &&
                      hg_mono_since(now, air->at) < sw->stale_after_ms;
    if ((news->read & HG_SIGNAL_BIT(HG_SIGNAL_HEATER)) == 0 || heater->word < 0)
        reading.heater = HG_HEATER_UNKNOWN;
    (void)!obey(sw, hg_drive_report(&sw->drive, &reading, now.ms), now.ms);
}

/* -- the link's handlers ----------------------------------------------------*/

static bool is_off(const struct hg_switch *sw,
                   const struct hg_link_message *message)
{
    const char *off = sw->binding.command.off;

    return message->len == strlen(off) &&
           memcmp(message->payload, off, message->len) == 0;
}

static void on_message(void *ctx, struct hg_link *link,
                       const struct hg_link_message *m)
{
    struct hg_switch *sw = ctx;
    struct hg_mono now = hg_link_now(link);
    struct hg_binding_message message = { m->topic, m->payload, m->len,
                                          m->is_retained };
    struct hg_binding_news news;

    if (strcmp(m->topic, sw->binding.command.topic) == 0) {
        /* an empty retained message is one being deleted */
        if (m->len > 0)
            sw->handlers.on_foreign(sw->handlers.ctx, sw, !is_off(sw, m));
        return;
    }
    hg_binding_apply(&sw->binding, &sw->reads, &message, now, &news);
    if (news.bad != 0)
        sw->handlers.on_bad(sw->handlers.ctx, sw, news.bad);
    if (news.is_restart)
        begin_boot(sw);
    tell_presence(sw, now);
    tell_reading(sw, &news, now);
    tell_panel(sw, &news);
    if (news.read != 0)
        report(sw, &news, now);
}

static void on_up(void *ctx, struct hg_link *link)
{
    struct hg_switch *sw = ctx;
    uint64_t now_ms = hg_link_now(link).ms;

    hg_binding_reset(&sw->reads);
    sw->is_online = false;
    sw->is_local = false;
    begin_boot(sw);
    (void)!obey(
        sw, hg_drive_reset(&sw->drive, !sw->binding.setpoint.is_set, now_ms),
        now_ms);
    sw->handlers.on_up(sw->handlers.ctx, sw);
}

static void on_down(void *ctx, struct hg_link *link, const char *reason)
{
    struct hg_switch *sw = ctx;

    /* nothing can be sent; the broker says off */
    (void)hg_drive_reset(&sw->drive, !sw->binding.setpoint.is_set,
                         hg_link_now(link).ms);
    hg_binding_reset(&sw->reads);
    sw->is_online = false;
    sw->handlers.on_down(sw->handlers.ctx, sw, reason);
}

static void on_failed(void *ctx, struct hg_link *link, const char *reason)
{
    struct hg_switch *sw = ctx;

    (void)link;
    sw->handlers.on_failed(sw->handlers.ctx, sw, reason);
}

static void on_written(void *ctx, struct hg_link *link)
{
    struct hg_switch *sw = ctx;

    (void)link;
    sw->handlers.on_written(sw->handlers.ctx, sw);
}

static void on_refused(void *ctx, struct hg_link *link, const char *reason)
{
    struct hg_switch *sw = ctx;

    (void)link;
    sw->handlers.on_refused(sw->handlers.ctx, sw, reason);
}

/* -- life -----------------------------------------------------------------*/

/* Each topic once, and our own command topic: who else commands? */
static size_t list_topics(const struct hg_binding *binding,
                          struct hg_link_subscription *list)
{
    size_t count = 0;

    list[count++] =
        (struct hg_link_subscription) { binding->command.topic, true };
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++) {
        const struct hg_binding_signal *signal = &binding->signal[s];
        size_t i = 0;

        while (i < count && strcmp(list[i].topic, signal->topic) != 0)
            i++;
        if (signal->is_set && i == count)
            list[count++] =
                (struct hg_link_subscription) { signal->topic, false };
    }
    return count;
}

_Static_assert(HG_SIGNAL_COUNT + 1 <= HG_LINK_SUBSCRIPTIONS,
               "every signal may have a topic of its own");

int hg_switch_new(const struct hg_switch_config *config,
                  const struct hg_link_loop *loop,
                  const struct hg_switch_handlers *handlers, struct hg_buf *why,
                  struct hg_switch **ret_sw)
{
    struct hg_link_subscription list[HG_LINK_SUBSCRIPTIONS];
    struct hg_link_handlers table = { .on_up = on_up,
                                      .on_down = on_down,
                                      .on_failed = on_failed,
                                      .on_message = on_message,
                                      .on_written = on_written,
                                      .on_refused = on_refused };
    struct hg_link_config link = config->link;
    struct hg_switch *sw = calloc(1, sizeof(*sw));
    int err;

    if (sw == NULL) {
        hg_buf_add(why, "out of memory");
        return HG_ERR_MEMORY;
    }
    sw->binding = *config->binding;
    sw->handlers = *handlers;
    sw->stale_after_ms = config->stale_after_ms;
    sw->life = config->life;
    begin_boot(sw);
    table.ctx = sw;
    link.kind = HG_LINK_SWITCH;
    link.keepalive_s = KEEPALIVE_S;
    link.subscription = list;
    link.subscription_count = list_topics(&sw->binding, list);
    link.will = (struct hg_link_will) { sw->binding.command.topic,
                                        sw->binding.command.off,
                                        sw->binding.command.qos };
    err = hg_link_new(&link, loop, &table, why, &sw->link);
    if (err < 0) {
        free(sw);
        return err;
    }
    *ret_sw = sw;
    return 0;
}

void hg_switch_free(struct hg_switch *sw)
{
    if (sw == NULL)
        return;
    hg_link_free(sw->link);
    free(sw);
}

void hg_switch_leave(struct hg_switch *sw)
{
    hg_link_leave(sw->link); /* the broker publishes the will: off */
}

struct hg_link *hg_switch_link(struct hg_switch *sw)
{
    return sw->link;
}

void hg_switch_set_stale(struct hg_switch *sw, uint32_t stale_after_ms)
{
    sw->stale_after_ms = stale_after_ms;
}

void hg_switch_tick(struct hg_switch *sw, struct hg_mono now)
{
    if (!hg_link_is_up(sw->link))
        return;
    tell_presence(sw, now);
    (void)!obey(sw, hg_drive_tick(&sw->drive, now.ms), now.ms);
}

/* -- asking -----------------------------------------------------------------*/

const struct hg_binding *hg_switch_binding(const struct hg_switch *sw)
{
    return &sw->binding;
}

const struct hg_binding_reads *hg_switch_reads(const struct hg_switch *sw)
{
    return &sw->reads;
}

uint32_t hg_switch_missing(const struct hg_switch *sw, struct hg_mono now)
{
    return hg_binding_missing(&sw->binding, &sw->reads, now,
                              sw->stale_after_ms);
}

bool hg_switch_may_heat(struct hg_switch *sw, struct hg_mono now)
{
    return hg_drive_may_heat(&sw->drive, now.ms);
}
