/* The one loop; see loop.h. */
#include "service/loop.h"
#include "api/server.h"
#include "service/service.h"
#include <errno.h>
#include <fcntl.h>
#include <libwebsockets.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timerfd.h>
#include <unistd.h>

#define TICK_MS      250 /* rooms that heat or plan; all others every 4th */
#define TICKS_A_LONG 4
#define LATER_NS     2000000 /* the time of a broker to pass a revoke on */

/* One connection to the broker, from the loop's side. */
struct hg_wire {
    struct hg_wire *next;
    struct hg_loop *loop;
    struct hg_link *link; /* NULL before hg_wire_start() and at the end */
    struct lws *wsi;      /* the adopted dup of its socket, or NULL */
    lws_sorted_usec_list_t sul;
};

struct hg_loop {
    struct hg_service *service;
    struct lws_context *context;
    struct lws_vhost *wire_vhost;
    struct hg_wire *wires; /* owned */
    struct lws *later;     /* the adopted timer of hg_loop_later() */
    int later_fd;
    bool is_later_set;
    lws_sorted_usec_list_t tick_sul, show_sul, watchdog_sul;
    unsigned int tick_count;
    uint64_t watchdog_ms;
};

/* The loop that a timer is a member of. */
#define LOOP_OF(sul, member)                                                   \
    ((struct hg_loop *)(void *)((char *)(sul)-offsetof(struct hg_loop, member)))

/* -- the broker's sockets ----------------------------------------------------
 */

static int wire_watch(void *ctx, int fd, struct hg_link *link)
{
    struct hg_wire *wire = ctx;
    lws_sock_file_fd_type own;

    (void)link;
    memset(&own, 0, sizeof(own));
    own.filefd = fcntl(fd, F_DUPFD_CLOEXEC, 0);
    if (own.filefd < 0)
        return HG_ERR_SYSTEM;
    wire->wsi = lws_adopt_descriptor_vhost(wire->loop->wire_vhost,
                                           LWS_ADOPT_RAW_FILE_DESC, own,
                                           "heatgate-mqtt", NULL);
    if (wire->wsi == NULL)
        return HG_ERR_MEMORY; /* lws has closed the dup */
    lws_set_opaque_user_data(wire->wsi, wire);
    lws_callback_on_writable(wire->wsi);
    return 0;
}

static void wire_unwatch(void *ctx, struct hg_link *link)
{
    struct hg_wire *wire = ctx;

    (void)link;
    if (wire->wsi == NULL)
        return;
    lws_set_opaque_user_data(wire->wsi, NULL); /* it may outlive the wire */
    /* closes the dup; without it the connection would stay half alive */
    lws_set_timeout(wire->wsi, PENDING_TIMEOUT_USER_OK, LWS_TO_KILL_ASYNC);
    wire->wsi = NULL;
}

static void wire_want_write(void *ctx, struct hg_link *link)
{
    struct hg_wire *wire = ctx;

    (void)link;
    if (wire->wsi != NULL)
        lws_callback_on_writable(wire->wsi);
}

int hg_wire_new(struct hg_loop *loop, struct hg_wire **ret_wire)
{
    struct hg_wire *wire = calloc(1, sizeof(*wire));

    if (wire == NULL)
        return HG_ERR_MEMORY;
    wire->loop = loop;
    wire->next = loop->wires;
    loop->wires = wire;
    *ret_wire = wire;
    return 0;
}

/* Its link is freed, so no descriptor of it is watched any more. */
void hg_wire_free(struct hg_wire *wire)
{
    struct hg_wire **at = wire == NULL ? NULL : &wire->loop->wires;

    if (wire == NULL)
        return;
    while (*at != wire)
        at = &(*at)->next;
    *at = wire->next;
    lws_sul_cancel(&wire->sul);
    free(wire);
}

struct hg_link_loop hg_wire_for_link(struct hg_wire *wire)
{
    struct hg_link_loop table = { wire, wire_watch, wire_unwatch,
                                  wire_want_write };

    return table;
}

/* -- the short timer ------------------------------------------------------*/

/*
 * A descriptor, because lws rounds its own timers down to milliseconds and
 * polls without a pause through the rest: on a machine of one core the broker
 * would have to wait for us.
 */
static int later_open(struct hg_loop *loop)
{
    lws_sock_file_fd_type own;

    memset(&own, 0, sizeof(own));
    loop->later_fd =
        timerfd_create(CLOCK_MONOTONIC, TFD_CLOEXEC | TFD_NONBLOCK);
    if (loop->later_fd < 0)
        return HG_ERR_SYSTEM;
    own.filefd = loop->later_fd;
    loop->later = lws_adopt_descriptor_vhost(
        loop->wire_vhost, LWS_ADOPT_RAW_FILE_DESC, own, "heatgate-mqtt", NULL);
    return loop->later == NULL ? HG_ERR_MEMORY : 0; /* lws closes it */
}

void hg_loop_later(struct hg_loop *loop)
{
    static const struct itimerspec once = { .it_value.tv_nsec = LATER_NS };

    if (loop->is_later_set)
        return; /* never put off, or many would starve what is shown */
    if (timerfd_settime(loop->later_fd, 0, &once, NULL) == 0)
        loop->is_later_set = true;
    else
        hg_late_finish(loop->service);
}

static void on_later(struct hg_loop *loop)
{
    uint64_t count;

    if (read(loop->later_fd, &count, sizeof(count)) < 0 && errno == EAGAIN)
        return;
    loop->is_later_set = false;
    hg_service_wake(loop->service);
    hg_late_finish(loop->service);
    hg_show_due(loop->service);
}

static void wire_read(struct hg_wire *wire)
{
    struct hg_service *service = wire->loop->service;

    hg_service_wake(service);
    hg_link_readable(wire->link, service->now.mono);
    hg_wire_tick(wire);
}

static int on_wire(struct lws *wsi, enum lws_callback_reasons reason,
                   void *user, void *in, size_t len)
{
    struct hg_loop *loop = lws_context_user(lws_get_context(wsi));
    struct hg_wire *wire = lws_get_opaque_user_data(wsi);
    /* else an old connection's dup */
    bool is_mine = wire != NULL && wire->wsi == wsi && wire->link != NULL;

    (void)user;
    (void)in;
    (void)len;
    switch ((int)reason) {
    case LWS_CALLBACK_RAW_RX_FILE:
        if (wsi == loop->later) {
            on_later(loop);
            break;
        }
        if (!is_mine)
            return -1;
        wire_read(wire);
        if (hg_show_waits(loop->service))
            hg_loop_soon(loop);
        break;
    case LWS_CALLBACK_RAW_WRITEABLE_FILE:
        if (!is_mine)
            return -1;
        hg_service_wake(loop->service);
        hg_link_writable(wire->link, loop->service->now.mono);
        break;
    case LWS_CALLBACK_RAW_CLOSE_FILE:
        if (!is_mine)
            break;
        /* lws saw the end first: let the link find out for itself */
        wire->wsi = NULL;
        wire_read(wire);
        break;
    case LWS_CALLBACK_EVENT_WAIT_CANCELLED:
        hg_service_poll(loop->service);
        break;
    default:
        break;
    }
    return 0;
}

static const struct lws_protocols WIRE_PROTOCOLS[] = {
    { "heatgate-mqtt", on_wire, 0, 0, 0, NULL, 0 },
    { NULL, NULL, 0, 0, 0, NULL, 0 },
};

/* -- timers
 * --------------------------------------------------------------------- */

static void schedule(struct hg_loop *loop, lws_sorted_usec_list_t *sul,
                     sul_cb_t fn, uint64_t ms)
{
    lws_sul_schedule(loop->context, 0, sul, fn,
                     ms == 0 ? 1 : (lws_usec_t)(ms * LWS_US_PER_MS));
}

static void on_wire_timer(lws_sorted_usec_list_t *sul)
{
    struct hg_wire *wire =
        (void *)((char *)sul - offsetof(struct hg_wire, sul));

    hg_service_wake(wire->loop->service);
    hg_wire_tick(wire);
}

void hg_wire_start(struct hg_wire *wire, struct hg_link *link)
{
    wire->link = link;
    schedule(wire->loop, &wire->sul, on_wire_timer, 0);
}

void hg_wire_tick(struct hg_wire *wire)
{
    struct hg_service *service = wire->loop->service;

    if (wire->link != NULL)
        schedule(wire->loop, &wire->sul, on_wire_timer,
                 hg_link_tick(wire->link, service->now.mono));
}

void hg_loop_tick_links(struct hg_loop *loop)
{
    for (struct hg_wire *wire = loop->wires; wire != NULL; wire = wire->next)
        hg_wire_tick(wire);
}

void hg_loop_forget_links(struct hg_loop *loop)
{
    for (struct hg_wire *wire = loop == NULL ? NULL : loop->wires; wire != NULL;
         wire = wire->next) {
        lws_sul_cancel(&wire->sul);
        wire->link = NULL;
    }
}

static void on_tick(lws_sorted_usec_list_t *sul)
{
    struct hg_loop *loop = LOOP_OF(sul, tick_sul);

    loop->tick_count++;
    schedule(loop, &loop->tick_sul, on_tick, TICK_MS);
    hg_service_tick(loop->service, loop->tick_count % TICKS_A_LONG == 0);
}

static void on_show(lws_sorted_usec_list_t *sul)
{
    struct hg_loop *loop = LOOP_OF(sul, show_sul);

    if (loop->service->late.room != NULL)
        return; /* a revoke is on its way: on_later() does this too */
    hg_service_wake(loop->service);
    hg_show_due(loop->service);
}

void hg_loop_soon(struct hg_loop *loop)
{
    if (loop != NULL)
        schedule(loop, &loop->show_sul, on_show, 0);
}

static void on_watchdog(lws_sorted_usec_list_t *sul)
{
    struct hg_loop *loop = LOOP_OF(sul, watchdog_sul);

    if (hg_notify_watchdog(&loop->service->notify) < 0)
        hg_log_line(&loop->service->log, HG_LOG_WARNING,
                    "cannot tell the service manager that we are alive: %s",
                    strerror(errno));
    schedule(loop, &loop->watchdog_sul, on_watchdog, loop->watchdog_ms);
}

void hg_loop_start(struct hg_loop *loop)
{
    struct hg_service *service = loop->service;

    if (hg_notify_watchdog_ms(getenv("WATCHDOG_USEC"), getenv("WATCHDOG_PID"),
                              getpid(), &loop->watchdog_ms) < 0)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "WATCHDOG_USEC or WATCHDOG_PID is not a number; the "
                    "watchdog of the service manager is not served");
    if (loop->watchdog_ms != 0)
        schedule(loop, &loop->watchdog_sul, on_watchdog, 0);
    schedule(loop, &loop->tick_sul, on_tick, TICK_MS);
    hg_loop_soon(loop);
}

/* -- life
 * ---------------------------------------------------------------------------
 */

static void quiet(int level, const char *line)
{
    (void)level;
    (void)line;
}

int hg_loop_new(struct hg_service *service, struct hg_loop **ret_loop)
{
    struct lws_context_creation_info info;
    struct hg_loop *loop = calloc(1, sizeof(*loop));

    if (loop == NULL)
        return HG_ERR_MEMORY;
    loop->service = service;
    lws_set_log_level(0, quiet);
    memset(&info, 0, sizeof(info));
    hg_api_context_setup(&info);
    info.options |= LWS_SERVER_OPTION_EXPLICIT_VHOSTS;
    info.user = loop;
    info.gid = -1;
    info.uid = -1;
    loop->context = lws_create_context(&info);
    if (loop->context == NULL)
        goto fail;
    memset(&info, 0, sizeof(info));
    info.vhost_name = "heatgate-mqtt";
    info.port = CONTEXT_PORT_NO_LISTEN_SERVER;
    info.protocols = WIRE_PROTOCOLS;
    loop->wire_vhost = lws_create_vhost(loop->context, &info);
    if (loop->wire_vhost == NULL || later_open(loop) < 0)
        goto fail;
    *ret_loop = loop;
    return 0;
fail:
    hg_loop_free(loop);
    return HG_ERR_SYSTEM;
}

void hg_loop_free(struct hg_loop *loop)
{
    if (loop == NULL)
        return;
    hg_loop_forget_links(loop);
    if (loop->context != NULL)
        lws_context_destroy(loop->context);
    while (loop->wires != NULL) {
        struct hg_wire *next = loop->wires->next;

        free(loop->wires);
        loop->wires = next;
    }
    free(loop);
}

struct lws_context *hg_loop_context(struct hg_loop *loop)
{
    return loop->context;
}

bool hg_loop_turn(struct hg_loop *loop)
{
    return lws_service(loop->context, 0) >= 0;
}

void hg_wake_loop(void *arg)
{
    struct hg_service *service = arg;

    if (service->loop != NULL)
        lws_cancel_service(service->loop->context);
}
