/* Begin, leave, end; see start.h. */
#include "service/start.h"
#include "access/access.h"
#include "api/server.h"
#include "base/sat.h"
#include "controllers/link.h"
#include "controllers/resolver.h"
#include "journal/journal.h"
#include "service/asks.h"
#include "service/commission_room.h"
#include "service/handlers.h"
#include "service/head.h"
#include "service/kinds.h"
#include "service/link_up.h"
#include "service/loop.h"
#include "service/remote.h"
#include "service/rooms.h"
#include "service/service.h"
#include "service/switches.h"
#include "service/traces.h"
#include "service/worker.h"
#include <errno.h>
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* how long to wait for the broker and for disks when leaving */
#define LEAVE_MS       2000
#define LEAVE_FLUSH_MS 5000
/* reports under way at a time */
#define REPORTS_MAX 16

static int begin_journal(struct hg_service *service,
                         struct hg_journal_opened *opened)
{
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_options options;
    struct hg_clock_reading reading;
    char *dir;
    int err;

    if (asprintf(&dir, "%s/journal", service->config->state_dir) < 0)
        return HG_ERR_MEMORY;
    memset(&options, 0, sizeof(options));
    options.dir = dir;
    options.wake = hg_wake_loop;
    options.wake_arg = service;
    err = hg_journal_open(&options, problem, opened, &service->journal);
    free(dir);
    if (err < 0) {
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", problem);
        return err;
    }
    service->stays_told_ms = hg_journal_last(service->journal).wall_ms;
    hg_clock_init(&service->clock, service->config->wall_clock,
                  service->stays_told_ms);
    err = hg_clock_read(&service->clock, &reading);
    if (err < 0)
        return err;
    service->now = reading.tick;
    service->doubt = reading.doubt;
    if (!reading.tick.wall.is_trusted)
        hg_log_line(&service->log, HG_LOG_WARNING, "wall clock: %s",
                    hg_clock_doubt_text(reading.doubt));
    return 0;
}

static int begin_access(struct hg_service *service)
{
    char storage[HG_ACCESS_WHY_BYTES];
    struct hg_access_setup setup;
    struct hg_buf why;
    int err;

    memset(&setup, 0, sizeof(setup));
    setup.state_dir = service->config->state_dir;
    setup.wake = hg_wake_loop;
    setup.wake_arg = service;
    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_access_open(&setup, &why, &service->access);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", storage);
    return err;
}

static int begin_doors(struct hg_service *service)
{
    const struct hg_config_listen *listen = &service->config->listen;
    struct hg_api_server_setup setup;
    char storage[HG_API_WHY_BYTES];
    struct hg_api_listen door;
    struct hg_buf why;
    int err;

    hg_buf_init(&why, storage, sizeof(storage));
    memset(&setup, 0, sizeof(setup));
    service->backend = hg_handlers_backend(service);
    setup.context = hg_loop_context(service->loop);
    setup.backend = &service->backend;
    err = hg_api_server_new(&setup, &service->api);
    if (err < 0)
        return err;
    memset(&door, 0, sizeof(door));
    door.address = listen->address;
    door.port = listen->port;
    door.allow_cleartext = listen->allow_cleartext;
    if (listen->tls.is_on) {
        door.cert_file = listen->tls.cert_file;
        door.key_file = listen->tls.key_file;
    }
    err = hg_api_server_listen(service->api, &door, &why);
    if (err == 0)
        err = hg_api_server_listen_admin(service->api,
                                         service->config->admin_socket, &why);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", storage);
    return err;
}

static int begin_link(struct hg_service *service)
{
    const struct hg_config_broker *broker = &service->config->broker;
    struct hg_link_handlers handlers = hg_link_up_handlers(service);
    char storage[HG_LOG_LINE_BYTES];
    struct hg_link_tls tls = { broker->tls.ca_file, broker->tls.cert_file,
                               broker->tls.key_file, NULL };
    struct hg_link_config config;
    struct hg_link_loop loop;
    struct hg_wire *wire = NULL;
    struct hg_buf why;
    int err;

    err = hg_resolver_new(hg_wake_loop, service, &service->resolver);
    if (err == 0)
        err = hg_wire_new(service->loop, &wire);
    if (err < 0)
        return err;
    loop = hg_wire_for_link(wire);
    memset(&config, 0, sizeof(config));
    config.kind = HG_LINK_LEASE;
    config.host = broker->host;
    config.port = (uint16_t)broker->port;
    config.is_v311 = broker->protocol == HG_CONFIG_MQTT_3_1_1;
    config.client_id = broker->client_id;
    config.root = broker->topic_root;
    config.username = broker->username;
    config.password_file = broker->password_file;
    config.tls = broker->tls.is_on ? &tls : NULL;
    config.epoch = service->epoch;
    config.resolver = service->resolver;
    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_link_new(&config, &loop, &handlers, &why, &service->link);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", storage);
    else
        hg_wire_start(wire, service->link);
    return err;
}

static void record_start(struct hg_service *service,
                         const struct hg_journal_opened *opened)
{
    if (opened->repaired_bytes > 0) {
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "the journal ended in a torn line of %llu bytes, as a "
                    "crash leaves it; it was cut off",
                    (unsigned long long)opened->repaired_bytes);
        hg_record_put(service, HG_KIND_JOURNAL_REPAIRED, NULL, NULL,
                      json_pack("{s:I}", "cut_bytes",
                                (json_int_t)opened->repaired_bytes));
    }
    hg_record_put(service, HG_KIND_GATEWAY_STARTED, NULL, NULL,
                  json_pack("{s:s, s:I, s:b, s:s?, s:s, s:s}", "version",
                            HG_VERSION, "epoch", (json_int_t)service->epoch,
                            "clock_trusted", (int)service->now.wall.is_trusted,
                            "timezone", service->config->timezone, "check_in",
                            service->config->check_in, "check_out",
                            service->config->check_out));
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];

        if (room->config->policy.is_commissioning_waived)
            hg_record_put(service, HG_KIND_COMMISSION_WAIVED, room, NULL,
                          json_pack("{s:s}", "note", room->config->waiver));
    }
}

/* The steps in their order; the name of one is for the log. */
int hg_service_begin(struct hg_service *service)
{
    struct hg_journal_opened opened;
    const char *step = "the host's boot id";
    int err;

    memset(&opened, 0, sizeof(opened));
    /* months of reports are local ones; no thread runs yet */
    hg_reload_begin(service);
    err = hg_clock_boot_id(service->boot_id);
    if (err == 0 && (step = "the loop"))
        err = hg_loop_new(service, &service->loop);
    if (err == 0 && (step = "the table of requests"))
        err = hg_asks_new(&service->asks);
    if (err == 0 && (step = "the rooms"))
        err = hg_rooms_begin(service);
    if (err == 0)
        err = hg_record_begin(service);
    if (err == 0 && (step = "the state folder")) /* lock, epoch + 1 */
        err = hg_memory_open(service);
    if (err == 0 && (step = "the journal")) /* and the clock */
        err = begin_journal(service, &opened);
    if (err == 0 && (step = "the credentials"))
        err = begin_access(service);
    if (err == 0 && (step = "the traces of heats"))
        err = hg_traces_begin(service);
    if (err == 0 && (step = "the helper that reads for reports"))
        err =
            hg_worker_new(REPORTS_MAX, hg_wake_loop, service, &service->reader);
    if (err == 0) {
        record_start(service, &opened);
        step = "what was kept of the rooms";
        err = hg_memory_recall(service);
    }
    if (err == 0 && (step = "the doors"))
        err = begin_doors(service);
    if (err == 0 && (step = "the link to the broker"))
        err = begin_link(service);
    if (err == 0 && (step = "the links to switch controllers"))
        err = hg_switches_begin(service);
    if (err < 0) {
        hg_log_line(&service->log, HG_LOG_ERROR, "the start ended at %s: %s",
                    step, hg_err_text(err));
        return err;
    }
    hg_memory_changed(service);
    hg_loop_start(service->loop);
    /* the trees of two files that were read, larger than all that stays */
    (void)malloc_trim(0);
    return 0;
}

/* -- the end
 * -------------------------------------------------------------------- */

static void turn_until(struct hg_service *service, uint64_t ms)
{
    struct hg_mono until = hg_mono_add(service->now.mono, ms);
    struct hg_api_counts counts;

    do {
        hg_api_server_count(service->api, &counts);
        if (hg_link_unacked(service->link) == 0 &&
            hg_switches_unacked(service) == 0 && counts.callers == 0 &&
            (!hg_show_waits(service) || !hg_link_is_up(service->link)))
            break;
        if (!hg_loop_turn(service->loop))
            break;
        hg_service_wake(service);
    } while (!hg_mono_reached(service->now.mono, until));
}

void hg_service_leave(struct hg_service *service)
{
    struct hg_event event;

    hg_service_wake(service);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_SHUTDOWN;
    hg_rooms_step(service, &event);
    service->is_leaving = true;
    if (hg_notify_stopping(&service->notify) < 0)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "cannot tell the service manager that we stop: %s",
                    strerror(errno));
    hg_record_put(service, HG_KIND_GATEWAY_STOPPED, NULL, NULL,
                  json_pack("{s:I}", "epoch", (json_int_t)service->epoch));
    if (hg_journal_flush(service->journal, LEAVE_FLUSH_MS) < 0)
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "the last records are not on the disk");
    hg_service_wake(service);
    hg_record_poll(service);
    hg_head_publish(service);
    hg_show_due(service);
    hg_api_server_close_all(service->api);
    turn_until(service, LEAVE_MS);
    hg_late_finish(service);
    hg_switches_leave(service);
    hg_link_leave(service->link);
    hg_memory_save(service);
    hg_log_line(&service->log, HG_LOG_INFO, "stopped in order");
}

void hg_service_end(struct hg_service *service)
{
    if (service->api != NULL)
        hg_api_server_close_all(service->api);
    hg_remote_end(service);
    hg_com_end(service);
    hg_traces_end(service);
    hg_worker_free(service->reader);
    service->reader = NULL;
    hg_asks_free(service->asks);
    hg_loop_forget_links(service->loop);
    hg_switches_end(service);
    hg_link_free(service->link);
    service->link = NULL;
    /* helpers first: they wake the loop's context */
    hg_resolver_free(service->resolver);
    hg_access_free(service->access);
    hg_journal_free(service->journal);
    hg_memory_close(service);
    hg_loop_free(service->loop);
    hg_api_server_free(service->api);
    while (service->show.notice_count > 0)
        json_decref(service->show.notice[--service->show.notice_count].json);
    hg_rooms_end(service);
    hg_reload_end(service);
    free(service->tickets.ring);
    free(service->replay);
}
