/* The thread that takes jobs; see worker.h. */
#include "service/worker.h"
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>

struct queue {
    struct hg_job *first, *last;
};

struct hg_worker {
    void (*wake)(void *);
    void *wake_arg;
    size_t max;
    size_t under_way; /* the loop's own */
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    /* under the lock */
    struct queue waiting, ready;
    bool is_ending;
};

static void put(struct queue *queue, struct hg_job *job)
{
    job->next = NULL;
    if (queue->last == NULL)
        queue->first = job;
    else
        queue->last->next = job;
    queue->last = job;
}

static struct hg_job *take(struct queue *queue)
{
    struct hg_job *job = queue->first;

    if (job == NULL)
        return NULL;
    queue->first = job->next;
    if (queue->first == NULL)
        queue->last = NULL;
    return job;
}

static void *run(void *arg)
{
    struct hg_worker *worker = arg;

    pthread_mutex_lock(&worker->lock);
    for (;;) {
        struct hg_job *job = take(&worker->waiting);

        if (job == NULL && worker->is_ending)
            break;
        if (job == NULL) {
            pthread_cond_wait(&worker->changed, &worker->lock);
            continue;
        }
        pthread_mutex_unlock(&worker->lock);
        job->run(job);
        pthread_mutex_lock(&worker->lock);
        put(&worker->ready, job);
        worker->wake(worker->wake_arg);
    }
    pthread_mutex_unlock(&worker->lock);
    return NULL;
}

int hg_worker_new(size_t max, void (*wake)(void *), void *wake_arg,
                  struct hg_worker **ret_worker)
{
    struct hg_worker *worker = calloc(1, sizeof(*worker));
    sigset_t all, before;
    int failed;

    if (worker == NULL)
        return HG_ERR_MEMORY;
    worker->max = max;
    worker->wake = wake;
    worker->wake_arg = wake_arg;
    pthread_mutex_init(&worker->lock, NULL);
    pthread_cond_init(&worker->changed, NULL);
    /* signals are the loop's */
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    failed = pthread_create(&worker->thread, NULL, run, worker);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (failed != 0) {
        pthread_cond_destroy(&worker->changed);
        pthread_mutex_destroy(&worker->lock);
        free(worker);
        return HG_ERR_SYSTEM;
    }
    *ret_worker = worker;
    return 0;
}

void hg_worker_free(struct hg_worker *worker)
{
    if (worker == NULL)
        return;
    pthread_mutex_lock(&worker->lock);
    worker->is_ending = true;
    pthread_cond_signal(&worker->changed);
    pthread_mutex_unlock(&worker->lock);
    pthread_join(worker->thread, NULL);
    hg_worker_poll(worker);
    pthread_cond_destroy(&worker->changed);
    pthread_mutex_destroy(&worker->lock);
    free(worker);
}

int hg_worker_submit(struct hg_worker *worker, struct hg_job *job)
{
    if (worker->under_way >= worker->max)
        return HG_ERR_FULL;
    worker->under_way++;
    pthread_mutex_lock(&worker->lock);
    put(&worker->waiting, job);
    pthread_cond_signal(&worker->changed);
    pthread_mutex_unlock(&worker->lock);
    return 0;
}

size_t hg_worker_under_way(const struct hg_worker *worker)
{
    return worker->under_way;
}

void hg_worker_poll(struct hg_worker *worker)
{
    for (;;) {
        struct hg_job *job;

        pthread_mutex_lock(&worker->lock);
        job = take(&worker->ready);
        pthread_mutex_unlock(&worker->lock);
        if (job == NULL)
            return;
        worker->under_way--;
        job->done(job);
    }
}

bool hg_worker_is_ending(struct hg_worker *worker)
{
    bool is_ending;

    pthread_mutex_lock(&worker->lock);
    is_ending = worker->is_ending;
    pthread_mutex_unlock(&worker->lock);
    return is_ending;
}
