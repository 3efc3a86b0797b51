/* The traces of all rooms and the helper that keeps them; see traces.h. */
#include "service/traces.h"
#include "access/file_io.h"
#include "base/sat.h"
#include "base/text.h"
#include "service/loop.h"
#include "service/service.h"
#include "service/worker.h"
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* saves go one at a time; only at the end of the service all that wait */
#define JOBS_MAX   (HG_TRACES_ENDED_MAX + HG_TRACES_READS_MAX)
#define SAVE_SHARE 20 /* times its own cost between saves of running heats */
#define LINE_MS    600000 /* between two lines about the same trouble */

struct ended {
    struct ended *next;
    struct hg_trace *trace;
};

struct hg_traces {
    char dir[PATH_MAX];
    struct hg_worker *worker;
    bool is_saving;
    struct hg_mono saving_since, next_at;
    struct ended *first, **last; /* heats that are over, oldest first */
    size_t ended_count;
    size_t next_room; /* where to look next for a running one */
    uint64_t lost;    /* not yet told in the log */
    bool has_line;
    struct hg_mono line_at;
};

/* -- the helper's part ------------------------------------------------------
 */

struct save {
    struct hg_job job;
    struct hg_service *service;
    const char *dir; /* borrowed: outlives the helper */
    struct hg_worker *worker;
    struct hg_trace *trace;
    int64_t prune_before_ms;
    const char *failed; /* the step, or NULL */
    int failed_errno;
};

static void save_run(struct hg_job *job)
{
    struct save *save = (struct save *)(void *)job;
    json_t *json = hg_trace_json(save->trace);
    char *text = json == NULL ? NULL : json_dumps(json, JSON_COMPACT);
    char name[HG_ID_BYTES + 8];
    struct hg_access_file file = { save->dir, name };

    json_decref(json);
    snprintf(name, sizeof(name), "%s.json", save->trace->heat_id);
    errno = ENOMEM;
    save->failed = "find memory for";
    if (text != NULL &&
        hg_access_file_replace(&hg_access_io_system, &file, text, strlen(text),
                               &save->failed) == 0)
        save->failed = NULL;
    save->failed_errno = errno;
    free(text);
    if (save->trace->has_ended && !hg_worker_is_ending(save->worker))
        (void)hg_traces_prune(save->dir, HG_TRACES_FILES_MAX,
                              save->prune_before_ms);
}

static void tell_trouble(struct hg_service *service, const struct save *save)
{
    struct hg_traces *traces = service->traces;

    traces->lost++;
    if (traces->has_line &&
        hg_mono_since(service->now.mono, traces->line_at) < LINE_MS)
        return;
    traces->has_line = true;
    traces->line_at = service->now.mono;
    hg_log_line(&service->log, HG_LOG_WARNING,
                "%llu trace(s) of heats could not be kept in %s (%s: %s); "
                "reports have no plot of them. Free disk space or mend the "
                "folder; heating is not affected",
                (unsigned long long)traces->lost, traces->dir,
                save == NULL ? "too many wait" : save->failed,
                save == NULL ? "the disk is slow"
                             : strerror(save->failed_errno));
    traces->lost = 0;
}

static void save_done(struct hg_job *job)
{
    struct save *save = (struct save *)(void *)job;
    struct hg_service *service = save->service;
    struct hg_traces *traces = service->traces;
    uint64_t cost_ms = hg_mono_since(service->now.mono, traces->saving_since);

    traces->is_saving = false;
    traces->next_at = hg_mono_add(service->now.mono, cost_ms * SAVE_SHARE);
    if (save->failed != NULL)
        tell_trouble(service, save);
    hg_trace_free(save->trace);
    free(save);
}

/* Hand over; the trace is the job's from then on, also on failure. */
static void submit(struct hg_service *service, struct hg_trace *trace_taken)
{
    struct hg_traces *traces = service->traces;
    struct save *save = calloc(1, sizeof(*save));

    if (save == NULL || trace_taken == NULL) {
        hg_trace_free(trace_taken);
        free(save);
        traces->lost++;
        return;
    }
    save->job.run = save_run;
    save->job.done = save_done;
    save->service = service;
    save->dir = traces->dir;
    save->worker = traces->worker;
    save->trace = trace_taken;
    if (service->now.wall.is_trusted)
        save->prune_before_ms =
            hg_sat_sub_i64(service->now.wall.ms, HG_TRACES_KEPT_MS);
    if (hg_worker_submit(traces->worker, &save->job) < 0) {
        hg_trace_free(save->trace);
        free(save);
        traces->lost++;
        return;
    }
    traces->is_saving = true;
    traces->saving_since = service->now.mono;
}

/* -- begin and end ----------------------------------------------------------
 */

int hg_traces_begin(struct hg_service *service)
{
    struct hg_traces *traces = calloc(1, sizeof(*traces));
    int len;
    int err;

    if (traces == NULL)
        return HG_ERR_MEMORY;
    traces->last = &traces->first;
    len = snprintf(traces->dir, sizeof(traces->dir), "%s/%s",
                   service->config->state_dir, HG_TRACES_DIR);
    if (len < 0 || (size_t)len >= sizeof(traces->dir)) {
        free(traces);
        return HG_ERR_RANGE;
    }
    if (mkdir(traces->dir, 0700) < 0 && errno != EEXIST)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "cannot make %s: %s; reports will have no plots",
                    traces->dir, strerror(errno));
    err = hg_worker_new(JOBS_MAX, hg_wake_loop, service, &traces->worker);
    if (err < 0) {
        free(traces);
        return err;
    }
    service->traces = traces;
    return 0;
}

static struct hg_trace *take_ended(struct hg_traces *traces)
{
    struct ended *ended = traces->first;
    struct hg_trace *trace;

    if (ended == NULL)
        return NULL;
    trace = ended->trace;
    traces->first = ended->next;
    if (traces->first == NULL)
        traces->last = &traces->first;
    traces->ended_count--;
    free(ended);
    return trace;
}

void hg_traces_end(struct hg_service *service)
{
    struct hg_traces *traces = service->traces;
    struct hg_trace *trace;

    if (traces == NULL)
        return;
    while ((trace = take_ended(traces)) != NULL)
        submit(service, trace);
    hg_worker_free(traces->worker);
    for (size_t i = 0; service->room != NULL && i < service->room_count; i++) {
        hg_trace_free(service->room[i].trace);
        service->room[i].trace = NULL;
    }
    service->traces = NULL;
    free(traces);
}

/* -- the loop's part --------------------------------------------------------
 */

void hg_traces_start(struct hg_service *service, struct hg_room *room)
{
    const struct hg_policy *policy = &room->config->policy;
    const struct hg_gate_session *session = &room->gate.session;
    struct hg_trace *trace;

    hg_energy_init(&room->energy, policy->heater_w, policy->stale_after_ms);
    hg_forecast_count(room); /* from the newest reading on */
    room->is_counting = true;
    if (service->traces == NULL || !hg_trace_is_id(session->heat_id))
        return;
    trace = calloc(1, sizeof(*trace));
    if (trace == NULL)
        return;
    memcpy(trace->room, room->config->name, sizeof(trace->room));
    memcpy(trace->heat_id, session->heat_id, sizeof(trace->heat_id));
    hg_actor_text(&session->by.actor, trace->by);
    trace->started_ms = service->now.wall.ms;
    trace->started_at = service->now.mono;
    trace->period_ms = HG_TRACE_PERIOD_MS;
    hg_trace_free(room->trace);
    room->trace = trace;
    room->trace_saved_at = service->now.mono;
    hg_traces_feed(service, room);
}

static uint32_t since_start(const struct hg_trace *trace, int64_t wall_ms)
{
    int64_t s = hg_sat_sub_i64(wall_ms, trace->started_ms) / 1000;

    if (s < 1)
        return 1;
    return s > UINT32_MAX ? UINT32_MAX : (uint32_t)s;
}

void hg_traces_feed(struct hg_service *service, struct hg_room *room)
{
    const struct hg_gate_stream *stream = &room->gate.stream;
    const struct hg_room_forecast *forecast = &room->forecast;
    struct hg_trace *trace = room->trace;
    struct hg_trace_sample sample;
    uint64_t at_ms;

    if (trace == NULL)
        return;
    memset(&sample, 0, sizeof(sample));
    at_ms = hg_mono_since(service->now.mono, trace->started_at);
    sample.at_ms = at_ms > UINT32_MAX ? UINT32_MAX : (uint32_t)at_ms;
    sample.air_mc = stream->has_reading && stream->reading.has_air
                        ? stream->reading.air_mc
                        : HG_TRACE_NO_AIR;
    sample.target_mc = room->gate.session.is_active
                           ? room->gate.session.target_mc
                           : trace->target_mc;
    sample.is_open = stream->door != HG_DOOR_CLOSED;
    sample.has_permit = room->gate.permit.is_live;
    sample.is_on =
        stream->has_reading && stream->reading.heater == HG_HEATER_ON;
    if (forecast->has_one && room->forecast_of.is_heat) {
        sample.ready_s = since_start(trace, forecast->ready_ms);
        sample.low_s = since_start(trace, forecast->low_ms);
        sample.high_s = since_start(trace, forecast->high_ms);
    }
    if (hg_trace_add(trace, &sample) < 0)
        service->traces->lost++;
}

void hg_traces_look(struct hg_service *service, struct hg_room *room)
{
    const struct hg_gate_state *gate = &room->gate;
    struct hg_traces *traces = service->traces;
    struct hg_trace *trace = room->trace;
    struct ended *ended;

    if (!room->is_counting || gate->session.is_active)
        return;
    room->is_counting = false;
    hg_forecast_count_to(room, service->now.mono);
    if (trace == NULL)
        return;
    hg_traces_feed(service, room);
    room->trace = NULL;
    trace->has_ended = true;
    trace->ended_ms = service->now.wall.ms;
    trace->end = gate->last.has_one ? gate->last.end : HG_WHY_NONE;
    trace->energy_wh = hg_energy_wh(&room->energy);
    ended = traces->ended_count < HG_TRACES_ENDED_MAX
                ? calloc(1, sizeof(*ended))
                : NULL;
    if (ended == NULL) {
        hg_trace_free(trace);
        tell_trouble(service, NULL);
        return;
    }
    ended->trace = trace;
    *traces->last = ended;
    traces->last = &ended->next;
    traces->ended_count++;
}

/* The next room, in turn, whose running heat was not saved for a minute. */
static struct hg_trace *take_running(struct hg_service *service)
{
    struct hg_traces *traces = service->traces;

    if (!hg_mono_reached(service->now.mono, traces->next_at))
        return NULL;
    for (size_t i = 0; i < service->room_count; i++) {
        size_t at = (traces->next_room + i) % service->room_count;
        struct hg_room *room = &service->room[at];

        if (room->trace == NULL ||
            hg_mono_since(service->now.mono, room->trace_saved_at) <
                HG_TRACES_SAVE_MS)
            continue;
        traces->next_room = at + 1;
        room->trace_saved_at = service->now.mono;
        room->trace->energy_wh = hg_energy_wh(&room->energy);
        return hg_trace_copy(room->trace);
    }
    return NULL;
}

void hg_traces_tick(struct hg_service *service)
{
    struct hg_traces *traces = service->traces;
    struct hg_trace *trace;

    if (traces == NULL)
        return;
    hg_worker_poll(traces->worker);
    if (traces->is_saving)
        return;
    trace = take_ended(traces);
    if (trace == NULL)
        trace = take_running(service);
    if (trace != NULL)
        submit(service, trace);
}

int hg_traces_submit(struct hg_service *service, struct hg_job *job)
{
    if (service->traces == NULL ||
        hg_worker_under_way(service->traces->worker) >= HG_TRACES_READS_MAX)
        return HG_ERR_FULL;
    return hg_worker_submit(service->traces->worker, job);
}

const struct hg_trace *hg_traces_find(const struct hg_service *service,
                                      const char *heat_id)
{
    const struct ended *ended =
        service->traces == NULL ? NULL : service->traces->first;

    for (; ended != NULL; ended = ended->next)
        if (strcmp(ended->trace->heat_id, heat_id) == 0)
            return ended->trace;
    for (size_t i = 0; i < service->room_count; i++)
        if (service->room[i].trace != NULL &&
            strcmp(service->room[i].trace->heat_id, heat_id) == 0)
            return service->room[i].trace;
    return NULL;
}

uint64_t hg_traces_close(struct hg_service *service, const char *heat_id,
                         enum hg_why end)
{
    char name[HG_ID_BYTES + 8];
    struct hg_access_file file = { NULL, name };
    const char *step;
    json_t *trace;
    json_int_t wh;
    char *text;

    if (service->traces == NULL ||
        hg_traces_read(service->config->state_dir, heat_id, &trace) < 0)
        return 0;
    file.dir = service->traces->dir;
    snprintf(name, sizeof(name), "%s.json", heat_id);
    wh = json_integer_value(json_object_get(trace, "energy_wh"));
    if (hg_trace_close_json(trace, service->now.wall.ms, end)) {
        text = json_dumps(trace, JSON_COMPACT);
        if (text != NULL &&
            hg_access_file_replace(&hg_access_io_system, &file, text,
                                   strlen(text), &step) < 0)
            service->traces->lost++;
        free(text);
    }
    json_decref(trace);
    return wh > 0 ? (uint64_t)wh : 0;
}
