/*
 * report.*: energy and cost out of the journal, the course of one heat out of
 * its trace. A helper thread reads; the loop only asks and answers.
 */
#include "access/access.h"
#include "base/text.h"
#include "journal/journal.h"
#include "service/handlers.h"
#include "service/ledger.h"
#include "service/service.h"
#include "service/traces.h"
#include "service/worker.h"
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* lines between two looks whether the service ends */
#define LOOK_EVERY 4096

static void say_busy(struct hg_service *service, struct hg_ask *ask)
{
    hg_asks_error(service->asks, ask, HG_RPC_UNAVAILABLE,
                  "Other reports are being made; ask again in a moment.", NULL);
}

/* -- energy -----------------------------------------------------------------
 */

struct energy_job {
    struct hg_job job;
    struct hg_service *service; /* for done() */
    struct hg_worker *worker;
    uint64_t ask_id;
    char dir[PATH_MAX]; /* of the journal */
    uint64_t until_n;
    uint64_t lines;
    struct hg_ledger ledger;
    int err;
    json_t *result;
};

static int take_line(void *arg, uint64_t n, const char *line, size_t len)
{
    struct energy_job *job = arg;

    if (n > job->until_n)
        return 1;
    if (++job->lines % LOOK_EVERY == 0 && hg_worker_is_ending(job->worker))
        return HG_ERR_CLOSED;
    return hg_ledger_take(&job->ledger, line, len);
}

static void energy_run(struct hg_job *base)
{
    struct energy_job *job = (struct energy_job *)(void *)base;
    struct hg_journal_range range = { 0, 0 };
    int rc = hg_journal_read_dir(job->dir, &range, take_line, job);

    job->err = rc < 0 && rc != HG_ERR_NOT_FOUND ? rc : 0;
    if (job->err == 0)
        job->result = hg_ledger_json(&job->ledger);
}

static void energy_done(struct hg_job *base)
{
    struct energy_job *job = (struct energy_job *)(void *)base;
    struct hg_asks *asks = job->service->asks;
    struct hg_ask *ask = hg_asks_find(asks, job->ask_id);

    if (ask == NULL)
        json_decref(job->result);
    else if (job->result != NULL)
        hg_asks_result(asks, ask, job->result);
    else
        hg_asks_error(asks, ask, HG_RPC_UNAVAILABLE,
                      job->err == HG_ERR_CORRUPT
                          ? "The journal could not be read. Verify it with "
                            "'heatgate journal verify'."
                          : "The report could not be made; ask again in a "
                            "moment.",
                      NULL);
    free(job);
}

static void fill_ask(struct hg_service *service, const struct hg_api_call *call,
                     struct hg_ledger_ask *ask)
{
    const struct hg_config *config = service->config;
    const struct hg_room *room = hg_call_room(service, call);

    memset(ask, 0, sizeof(*ask));
    memcpy(ask->room, room->config->name, sizeof(ask->room));
    (void)hg_call_time(call, "from", &ask->from_ms);
    (void)hg_call_time(call, "until", &ask->until_ms);
    ask->has_price = config->has_price;
    ask->price_per_kwh = config->price_per_kwh;
    if (config->currency != NULL)
        snprintf(ask->currency, sizeof(ask->currency), "%s", config->currency);
    if (!room->gate.session.is_active)
        return;
    memcpy(ask->running_id, room->gate.session.heat_id,
           sizeof(ask->running_id));
    ask->running_wh = hg_energy_wh(&room->energy);
}

void hg_handle_report_energy(struct hg_service *service,
                             const struct hg_api_call *call)
{
    struct energy_job *job = calloc(1, sizeof(*job));
    struct hg_ledger_ask what;
    struct hg_ask *ask;

    ask = hg_call_ask(service, call, hg_call_room(service, call));
    if (job == NULL || ask == NULL) {
        if (ask != NULL)
            say_busy(service, ask);
        free(job);
        return;
    }
    fill_ask(service, call, &what);
    if (what.until_ms <= what.from_ms) {
        hg_asks_error(service->asks, ask, HG_RPC_INVALID_PARAMS,
                      "\"until\" must be later than \"from\".", NULL);
        free(job);
        return;
    }
    hg_ledger_init(&what, &job->ledger);
    job->job.run = energy_run;
    job->job.done = energy_done;
    job->service = service;
    job->worker = service->reader;
    job->ask_id = ask->id;
    job->until_n = hg_record_durable(service);
    if (snprintf(job->dir, sizeof(job->dir), "%s/journal",
                 service->config->state_dir) >= (int)sizeof(job->dir) ||
        hg_worker_submit(service->reader, &job->job) < 0) {
        say_busy(service, ask);
        free(job);
    }
}

/* -- one heat ---------------------------------------------------------------
 */

struct heat_job {
    struct hg_job job;
    struct hg_service *service; /* for done() */
    uint64_t ask_id;
    char dir[PATH_MAX]; /* of the state */
    char heat_id[HG_ID_BYTES];
    struct hg_trace *trace; /* a copy of a running one, or NULL: a file */
    int err;
    json_t *result;
};

static void heat_run(struct hg_job *base)
{
    struct heat_job *job = (struct heat_job *)(void *)base;

    if (job->trace == NULL) {
        job->err = hg_traces_read(job->dir, job->heat_id, &job->result);
        return;
    }
    job->result = hg_trace_json(job->trace);
    job->err = job->result == NULL ? HG_ERR_MEMORY : 0;
}

/* Guests see heats of their own, everybody only those of their rooms. */
static bool may_read(struct hg_service *service,
                     const struct hg_api_caller *caller, const json_t *trace)
{
    const char *room = json_string_value(json_object_get(trace, "room"));
    const char *by = json_string_value(json_object_get(trace, "by"));
    char self[HG_ACTOR_TEXT_BYTES];

    if (caller == NULL || room == NULL || by == NULL ||
        !hg_call_may_see(service, caller, room))
        return false;
    hg_actor_text(&caller->actor, self);
    return caller->actor.role != HG_ROLE_GUEST || strcmp(self, by) == 0;
}

static void heat_done(struct hg_job *base)
{
    struct heat_job *job = (struct heat_job *)(void *)base;
    struct hg_service *service = job->service;
    struct hg_ask *ask = hg_asks_find(service->asks, job->ask_id);
    const struct hg_config *config = service->config;

    if (ask == NULL) {
        json_decref(job->result);
    } else if (job->result != NULL &&
               may_read(service, hg_api_reply_caller(ask->reply),
                        job->result)) {
        json_object_set_new(job->result, "price_per_kwh",
                            config->has_price ? json_real(config->price_per_kwh)
                                              : json_null());
        json_object_set_new(job->result, "currency",
                            config->currency == NULL
                                ? json_null()
                                : json_string(config->currency));
        hg_asks_result(service->asks, ask, job->result);
    } else {
        json_decref(job->result);
        hg_asks_error(service->asks, ask,
                      job->err == 0 || job->err == HG_ERR_NOT_FOUND
                          ? HG_RPC_UNKNOWN
                          : HG_RPC_UNAVAILABLE,
                      job->err == 0 || job->err == HG_ERR_NOT_FOUND
                          ? "There is no course of a heat of that id. The "
                            "newest 5000 are kept, for 400 days."
                          : "The course of that heat could not be read.",
                      NULL);
    }
    hg_trace_free(job->trace);
    free(job);
}

void hg_handle_report_heat(struct hg_service *service,
                           const struct hg_api_call *call)
{
    struct heat_job *job = calloc(1, sizeof(*job));
    struct hg_ask *ask = hg_call_ask(service, call, NULL);
    const struct hg_trace *trace;

    if (job == NULL || ask == NULL ||
        hg_text_copy(job->dir, sizeof(job->dir), service->config->state_dir) <
            0) {
        if (ask != NULL)
            say_busy(service, ask);
        free(job);
        return;
    }
    /* one that is too long is no id of a heat, nor is its beginning */
    snprintf(job->heat_id, sizeof(job->heat_id), "%s",
             hg_call_text(call, "heat_id"));
    trace = hg_traces_find(service, job->heat_id);
    if (trace != NULL)
        job->trace = hg_trace_copy(trace);
    for (size_t i = 0; job->trace != NULL && i < service->room_count; i++)
        if (service->room[i].trace == trace)
            job->trace->energy_wh = hg_energy_wh(&service->room[i].energy);
    job->job.run = heat_run;
    job->job.done = heat_done;
    job->service = service;
    job->ask_id = ask->id;
    if (hg_traces_submit(service, &job->job) < 0) {
        hg_trace_free(job->trace);
        free(job);
        say_busy(service, ask);
    }
}
