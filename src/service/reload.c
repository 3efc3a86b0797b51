/* Reading the configuration anew; see reload.h. */
#include "service/reload.h"
#include "api/server.h"
#include "controllers/link.h"
#include "service/config_same.h"
#include "service/kinds.h"
#include "service/loop.h"
#include "service/service.h"
#include "service/switches.h"
#include "service/worker.h"
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

struct hg_reload_job {
    struct hg_job job; /* first */
    struct hg_service *service;
    struct hg_log log;
    char *path, *host; /* owned copies: the thread shares nothing */
    struct hg_reload_stamp stamp;
    struct hg_problems problems;
    struct hg_config *config;
    struct hg_api_pair *pair;
    struct hg_link_secrets *secrets;
    int err;
};

struct hg_reload_stamp hg_reload_stamp_of(const char *path)
{
    struct hg_reload_stamp stamp;
    struct stat st;

    memset(&stamp, 0, sizeof(stamp));
    if (stat(path, &st) != 0)
        return stamp;
    stamp.device = (uint64_t)st.st_dev;
    stamp.inode = (uint64_t)st.st_ino;
    stamp.size = (uint64_t)st.st_size;
    stamp.changed_s = st.st_mtim.tv_sec;
    stamp.changed_ns = st.st_mtim.tv_nsec;
    return stamp;
}

static bool is_same_stamp(const struct hg_reload_stamp *a,
                          const struct hg_reload_stamp *b)
{
    return a->device == b->device && a->inode == b->inode &&
           a->size == b->size && a->changed_s == b->changed_s &&
           a->changed_ns == b->changed_ns;
}

/* -- the time zone ---------------------------------------------------------*/

/*
 * One variable whose bytes are ours: the environment itself, which other
 * threads may be reading, is never changed again.
 */
static void write_zone(struct hg_service *service)
{
    const char *name = service->config->timezone;

    (void)snprintf(service->reload.tz, sizeof(service->reload.tz), "TZ=%s",
                   name != NULL ? name : ":/etc/localtime");
    tzset();
}

void hg_reload_begin(struct hg_service *service)
{
    if (service->config->timezone == NULL && getenv("TZ") != NULL)
        (void)snprintf(service->reload.tz, sizeof(service->reload.tz), "TZ=%s",
                       getenv("TZ"));
    else
        write_zone(service);
    if (putenv(service->reload.tz) == 0)
        tzset();
}

void hg_reload_end(struct hg_service *service)
{
    if (service->reload.tz[0] != '\0')
        (void)unsetenv("TZ");
}

/* -- in the helper ---------------------------------------------------------*/

static void load_pair(struct hg_reload_job *job)
{
    const struct hg_config_tls *tls = &job->config->listen.tls;
    char text[HG_PROBLEM_BYTES];
    struct hg_buf why;
    int err;

    if (!tls->is_on)
        return;
    hg_buf_init(&why, text, sizeof(text));
    hg_buf_addf(&why, "%s: /listen/tls: ", job->path);
    err = hg_api_pair_load(tls->cert_file, tls->key_file, &why, &job->pair);
    if (err < 0) {
        hg_problems_add(&job->problems, 0, 0, text);
        job->err = err;
    }
}

static void load_secrets(struct hg_reload_job *job)
{
    const struct hg_config_broker *broker = &job->config->broker;
    struct hg_link_tls tls = { broker->tls.ca_file, broker->tls.cert_file,
                               broker->tls.key_file, NULL };
    char text[HG_PROBLEM_BYTES];
    struct hg_link_config config;
    struct hg_buf why;
    int err;

    memset(&config, 0, sizeof(config));
    config.host = job->host;
    config.username = broker->username;
    config.password_file = broker->password_file;
    config.tls = broker->tls.is_on ? &tls : NULL;
    hg_buf_init(&why, text, sizeof(text));
    hg_buf_addf(&why, "%s: /broker: ", job->path);
    err = hg_link_secrets_new(&config, &why, &job->secrets);
    if (err < 0) {
        hg_problems_add(&job->problems, 0, 0, text);
        job->err = err;
    }
}

static void run(struct hg_job *base)
{
    struct hg_reload_job *job = (struct hg_reload_job *)(void *)base;

    job->stamp = hg_reload_stamp_of(job->path);
    job->err = hg_config_load(job->path, &job->problems, &job->config);
    if (job->err == 0) {
        load_pair(job);
        load_secrets(job);
    }
    /* there may be thousands, and a log that is slow to take them */
    for (size_t i = 0; i < job->problems.count; i++)
        hg_log_line(&job->log, HG_LOG_ERROR, "%s",
                    job->problems.problem[i].text);
}

static void job_free(struct hg_reload_job *job)
{
    if (job == NULL)
        return;
    hg_problems_release(&job->problems);
    hg_config_free(job->config);
    hg_api_pair_free(job->pair);
    hg_link_secrets_free(job->secrets);
    free(job->path);
    free(job->host);
    free(job);
}

/* -- in the loop -----------------------------------------------------------*/

static void refuse(struct hg_service *service, struct hg_reload_job *job)
{
    const struct hg_problems *problems = &job->problems;
    const char *first =
        problems->count > 0 ? problems->problem[0].text : hg_err_text(job->err);
    size_t count = problems->count + problems->left_out;
    char text[HG_WIDE_TEXT_BYTES];

    hg_log_line(&service->log, HG_LOG_ERROR,
                "%s was refused with %zu problem(s); the configuration in "
                "force stays as it was",
                job->path, count);
    (void)snprintf(text, sizeof(text),
                   "At the last reload %.200s was refused with %zu "
                   "problem(s). The first: %.300s",
                   job->path, count, first);
    hg_findings_set_wide(service, HG_WIDE_CONFIG_REFUSED, text);
    hg_record_put(service, HG_KIND_CONFIG_REFUSED, NULL, NULL,
                  json_pack("{s:I}", "problems", (json_int_t)count));
}

static int news_new(struct hg_reload_news *news)
{
    news->added = json_array();
    news->removed = json_array();
    news->changed = json_array();
    news->waiting = json_array();
    news->restart = json_array();
    return news->added == NULL || news->removed == NULL ||
                   news->changed == NULL || news->waiting == NULL ||
                   news->restart == NULL
               ? HG_ERR_MEMORY
               : 0;
}

static void news_release(struct hg_reload_news *news)
{
    json_decref(news->added);
    json_decref(news->removed);
    json_decref(news->changed);
    json_decref(news->waiting);
    json_decref(news->restart);
}

/* What a restart is needed for: settings by their pointers, and rooms. */
static void tell_restart(struct hg_service *service, unsigned int fixed,
                         const struct hg_buf *names,
                         const struct hg_reload_news *news)
{
    char storage[HG_WIDE_TEXT_BYTES];
    size_t i;
    json_t *name;
    struct hg_buf text;

    hg_findings_set_wide(service, HG_WIDE_CONFIG_RESTART, NULL);
    if (fixed == 0 && json_array_size(news->restart) == 0)
        return;
    hg_buf_init(&text, storage, sizeof(storage));
    hg_buf_addf(&text, "These need a restart and are as before: %s",
                names->bytes);
    json_array_foreach(news->restart, i, name)
        hg_buf_addf(&text, "%s/rooms/%s", i == 0 && names->len == 0 ? "" : ", ",
                    json_string_value(name));
    hg_buf_add(&text, ".");
    hg_findings_set_wide(service, HG_WIDE_CONFIG_RESTART, storage);
}

static void record_reload(struct hg_service *service,
                          const struct hg_reload_news *news)
{
    hg_log_line(&service->log, HG_LOG_INFO,
                "%s was read anew: %zu room(s) changed, %zu added, %zu "
                "removed; %zu wait(s) for the end of a heat",
                service->config->path, json_array_size(news->changed),
                json_array_size(news->added), json_array_size(news->removed),
                service->reload.waiting);
    hg_record_put(service, HG_KIND_CONFIG_RELOADED, NULL, NULL,
                  json_pack("{s:O, s:O, s:O, s:O}", "added", news->added,
                            "removed", news->removed, "changed", news->changed,
                            "waiting", news->waiting));
}

static void take_globals(struct hg_service *service, struct hg_reload_job *job)
{
    struct hg_config *old = service->config;

    service->config = job->config;
    job->config = old; /* freed with the job */
    write_zone(service);
    if (job->pair != NULL && service->config->listen.tls.is_on) {
        hg_api_server_renew(service->api, job->pair);
        job->pair = NULL;
    }
    hg_link_renew(service->link, job->secrets);
    job->secrets = NULL;
    hg_switches_renew_secrets(service);
    service->wide.has_looked = false; /* at the new certificates */
}

static void apply(struct hg_service *service, struct hg_reload_job *job)
{
    char storage[HG_WIDE_TEXT_BYTES / 2];
    struct hg_reload_news news;
    struct hg_buf names;
    unsigned int fixed;

    memset(&news, 0, sizeof(news));
    job->err = news_new(&news);
    if (job->err == 0)
        job->err = hg_reload_rooms(service, job->config, &news);
    if (job->err < 0) {
        refuse(service, job);
        news_release(&news);
        return;
    }
    hg_buf_init(&names, storage, sizeof(storage));
    fixed = hg_config_hold_fixed(service->config, job->config, &names);
    take_globals(service, job);
    hg_findings_set_wide(service, HG_WIDE_CONFIG_REFUSED, NULL);
    tell_restart(service, fixed, &names, &news);
    record_reload(service, &news);
    news_release(&news);
}

static void tell_manager(struct hg_service *service, bool is_begin)
{
    int err = is_begin
                  ? hg_notify_reloading(&service->notify, service->now.mono)
                  : hg_notify_ready(&service->notify);

    if (err < 0)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "cannot tell the service manager of the reload: %s",
                    strerror(errno));
}

static void done(struct hg_job *base)
{
    struct hg_reload_job *job = (struct hg_reload_job *)(void *)base;
    struct hg_service *service = job->service;

    service->reload.job = NULL;
    if (!service->is_leaving) {
        hg_late_finish(service);
        service->reload.read = job->stamp;
        if (job->err < 0)
            refuse(service, job);
        else
            apply(service, job);
        hg_reload_look(service);
        tell_manager(service, false);
    }
    job_free(job);
}

static int begin(struct hg_service *service)
{
    struct hg_reload_job *job = calloc(1, sizeof(*job));
    int err = HG_ERR_MEMORY;

    if (job == NULL)
        return HG_ERR_MEMORY;
    job->job.run = run;
    job->job.done = done;
    job->service = service;
    job->log = service->log;
    hg_problems_init(&job->problems);
    job->path = strdup(service->config->path);
    job->host = strdup(service->config->broker.host);
    if (job->path != NULL && job->host != NULL)
        err = hg_worker_submit(service->reader, &job->job);
    if (err < 0) {
        job_free(job);
        return err;
    }
    service->reload.job = job;
    tell_manager(service, true);
    return 0;
}

void hg_reload_ask(struct hg_service *service)
{
    service->reload.is_wanted = true;
    hg_service_wake(service);
    hg_reload_tick(service);
}

void hg_reload_tick(struct hg_service *service)
{
    hg_reload_rooms_tick(service);
    if (!service->reload.is_wanted || service->reload.job != NULL ||
        service->is_leaving)
        return;
    /* else reports are being read, or memory is short: at the next tick */
    if (begin(service) == 0)
        service->reload.is_wanted = false;
}

void hg_reload_look(struct hg_service *service)
{
    struct hg_reload_stamp now = hg_reload_stamp_of(service->config->path);
    char text[HG_WIDE_TEXT_BYTES];

    (void)snprintf(text, sizeof(text),
                   "%.400s has changed since it was read; what runs is older.",
                   service->config->path);
    hg_findings_set_wide(service, HG_WIDE_CONFIG_CHANGED,
                         is_same_stamp(&now, &service->reload.read) ? NULL
                                                                    : text);
}
