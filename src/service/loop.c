/* The one loop; see loop.h. */
#include "service/loop.h"
#include "api/server.h"
#include "service/service.h"
#include <errno.h>
#include <fcntl.h>
#include <libwebsockets.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timerfd.h>
#include <unistd.h>

#define TICK_MS      250 /* rooms that heat or plan; all others every 4th */
#define TICKS_A_LONG 4
#define LATER_NS     2000000 /* the time of a broker to pass a revoke on */

struct hg_loop {
    struct hg_service *service;
    struct lws_context *context;
    struct lws_vhost *wire_vhost;
    struct lws *wire;  /* the adopted dup of the broker's socket, or NULL */
    struct lws *later; /* the adopted timer of hg_loop_later() */
    int later_fd;
    bool is_later_set;
    lws_sorted_usec_list_t link_sul, tick_sul, show_sul, watchdog_sul;
    unsigned int tick_count;
    uint64_t watchdog_ms;
};

/* The loop that a timer is a member of. */
#define LOOP_OF(sul, member)                                                   \
    ((struct hg_loop *)(void *)((char *)(sul)-offsetof(struct hg_loop, member)))

/* -- the broker's socket -----------------------------------------------------
 */

static int wire_watch(void *ctx, int fd, struct hg_link *link)
{
    struct hg_loop *loop = ctx;
    lws_sock_file_fd_type own;

    (void)link;
    memset(&own, 0, sizeof(own));
    own.filefd = fcntl(fd, F_DUPFD_CLOEXEC, 0);
    if (own.filefd < 0)
        return HG_ERR_SYSTEM;
    loop->wire = lws_adopt_descriptor_vhost(
        loop->wire_vhost, LWS_ADOPT_RAW_FILE_DESC, own, "heatgate-mqtt", NULL);
    if (loop->wire == NULL)
        return HG_ERR_MEMORY; /* lws has closed the dup */
    lws_callback_on_writable(loop->wire);
    return 0;
}

static void wire_unwatch(void *ctx, struct hg_link *link)
{
    struct hg_loop *loop = ctx;

    (void)link;
    if (loop->wire == NULL)
        return;
    /* closes the dup; without it the connection would stay half alive */
    lws_set_timeout(loop->wire, PENDING_TIMEOUT_USER_OK, LWS_TO_KILL_ASYNC);
    loop->wire = NULL;
}

static void wire_want_write(void *ctx, struct hg_link *link)
{
    struct hg_loop *loop = ctx;

    (void)link;
    if (loop->wire != NULL)
        lws_callback_on_writable(loop->wire);
}

struct hg_link_loop hg_loop_for_link(struct hg_loop *loop)
{
    struct hg_link_loop table = { loop, wire_watch, wire_unwatch,
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

static int on_wire(struct lws *wsi, enum lws_callback_reasons reason,
                   void *user, void *in, size_t len)
{
    struct hg_loop *loop = lws_context_user(lws_get_context(wsi));
    struct hg_service *service = loop->service;

    (void)user;
    (void)in;
    (void)len;
    switch ((int)reason) {
    case LWS_CALLBACK_RAW_RX_FILE:
        if (wsi == loop->later) {
            on_later(loop);
            break;
        }
        if (wsi != loop->wire)
            return -1; /* an old connection's dup */
        hg_service_wake(service);
        hg_link_readable(service->link, service->now.mono);
        hg_loop_tick_link(loop);
        if (hg_show_waits(service))
            hg_loop_soon(loop);
        break;
    case LWS_CALLBACK_RAW_WRITEABLE_FILE:
        if (wsi != loop->wire)
            return -1;
        hg_service_wake(service);
        hg_link_writable(service->link, service->now.mono);
        break;
    case LWS_CALLBACK_RAW_CLOSE_FILE:
        if (wsi != loop->wire)
            break;
        /* lws saw the end first: let the link find out for itself */
        loop->wire = NULL;
        if (service->link == NULL)
            break;
        hg_service_wake(service);
        hg_link_readable(service->link, service->now.mono);
        hg_loop_tick_link(loop);
        break;
    case LWS_CALLBACK_EVENT_WAIT_CANCELLED:
        hg_service_poll(service);
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

static void on_link_timer(lws_sorted_usec_list_t *sul)
{
    struct hg_loop *loop = LOOP_OF(sul, link_sul);

    hg_service_wake(loop->service);
    hg_loop_tick_link(loop);
}

void hg_loop_tick_link(struct hg_loop *loop)
{
    struct hg_service *service = loop->service;
    uint64_t again_ms = hg_link_tick(service->link, service->now.mono);

    schedule(loop, &loop->link_sul, on_link_timer, again_ms);
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
    schedule(loop, &loop->link_sul, on_link_timer, 0);
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
    loop->wire = NULL;
    if (loop->context != NULL)
        lws_context_destroy(loop->context);
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
