/*
 * The helper thread that runs scrypt. A fixed array of places is the queue in
 * both directions: a place is free, waiting, running or done, and the lowest
 * order goes first. Everything shared is under one mutex; the derivation
 * itself runs outside it, on a copy.
 */
#include "access/hasher.h"
#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>

#define MEMORY_MAX  (UINT64_C(64) << 20)
#define HASHER_NICE 10

enum place_state { PLACE_FREE = 0, PLACE_WAITING, PLACE_RUNNING, PLACE_DONE };

struct place {
    enum place_state state;
    uint64_t order;
    uint64_t ticket;
    char secret[HG_HASHER_SECRET_BYTES];
    uint8_t salt[HG_HASHER_SALT_BYTES];
    int err;
    uint8_t key[HG_HASHER_KEY_BYTES];
};

struct hg_hasher {
    pthread_mutex_t mutex;
    pthread_cond_t changed;
    pthread_t thread;
    bool is_started;
    bool is_stopping;
    uint64_t last_order;
    hg_hasher_wake *wake;
    void *wake_arg;
    struct place place[HG_HASHER_JOBS];
};

struct hg_hasher_cost hg_hasher_cost(void)
{
    struct hg_hasher_cost cost = { UINT64_C(1) << 15, 8, 1 };

    return cost;
}

int hg_hasher_scrypt(const struct hg_hasher_cost *cost,
                     const struct hg_hasher_input *input, uint8_t *ret_key,
                     size_t key_len)
{
    if (EVP_PBE_scrypt(input->secret, input->secret_len, input->salt,
                       input->salt_len, cost->n, cost->r, cost->p, MEMORY_MAX,
                       ret_key, key_len) != 1)
        return HG_ERR_CRYPTO;
    return HG_OK;
}

/* The place in this state that came first, or NULL. Under the mutex. */
static struct place *first_in(struct hg_hasher *hasher, enum place_state state)
{
    struct place *first = NULL;

    for (size_t i = 0; i < HG_HASHER_JOBS; i++) {
        struct place *place = &hasher->place[i];

        if (place->state == state &&
            (first == NULL || place->order < first->order))
            first = place;
    }
    return first;
}

/* Wait for a job, or NULL when it is time to leave. Under the mutex. */
static struct place *wait_for_job(struct hg_hasher *hasher)
{
    struct place *place = NULL;

    while (!hasher->is_stopping) {
        place = first_in(hasher, PLACE_WAITING);
        if (place != NULL)
            return place;
        pthread_cond_wait(&hasher->changed, &hasher->mutex);
    }
    return NULL;
}

/* Derive one place's key, on a copy. */
static void derive(struct place *job)
{
    struct hg_hasher_cost cost = hg_hasher_cost();
    struct hg_hasher_input input = { job->secret, strlen(job->secret),
                                     job->salt, sizeof(job->salt) };

    job->err = hg_hasher_scrypt(&cost, &input, job->key, sizeof(job->key));
    if (job->err < 0)
        OPENSSL_cleanse(job->key, sizeof(job->key));
    OPENSSL_cleanse(job->secret, sizeof(job->secret));
}

static void *run(void *arg)
{
    struct hg_hasher *hasher = arg;
    struct place *place;
    struct place job;

    /* of this thread alone (Linux): hashing wrong codes must not take the
     * processor from a revoke. Without the right to it, it goes on as it is. */
    (void)setpriority(PRIO_PROCESS, 0, HASHER_NICE);
    pthread_mutex_lock(&hasher->mutex);
    while ((place = wait_for_job(hasher)) != NULL) {
        place->state = PLACE_RUNNING;
        job = *place;
        OPENSSL_cleanse(place->secret, sizeof(place->secret));
        pthread_mutex_unlock(&hasher->mutex);

        derive(&job);

        pthread_mutex_lock(&hasher->mutex);
        place->err = job.err;
        memcpy(place->key, job.key, sizeof(place->key));
        place->state = PLACE_DONE;
        OPENSSL_cleanse(&job, sizeof(job));
        pthread_mutex_unlock(&hasher->mutex);
        if (hasher->wake != NULL)
            hasher->wake(hasher->wake_arg);
        pthread_mutex_lock(&hasher->mutex);
    }
    pthread_mutex_unlock(&hasher->mutex);
    return NULL;
}

/* Start the thread with every signal blocked: they belong to the loop. */
static int start(struct hg_hasher *hasher)
{
    sigset_t all;
    sigset_t before;
    int err;

    sigfillset(&all);
    if (pthread_sigmask(SIG_SETMASK, &all, &before) != 0)
        return HG_ERR_SYSTEM;
    err = pthread_create(&hasher->thread, NULL, run, hasher);
    if (pthread_sigmask(SIG_SETMASK, &before, NULL) != 0 && err == 0)
        err = -1;
    hasher->is_started = err == 0;
    return err == 0 ? HG_OK : HG_ERR_SYSTEM;
}

int hg_hasher_new(hg_hasher_wake *wake, void *wake_arg,
                  struct hg_hasher **ret_hasher)
{
    struct hg_hasher *hasher = calloc(1, sizeof(*hasher));
    int err;

    if (hasher == NULL)
        return HG_ERR_MEMORY;
    hasher->wake = wake;
    hasher->wake_arg = wake_arg;
    pthread_mutex_init(&hasher->mutex, NULL); /* cannot fail on Linux */
    pthread_cond_init(&hasher->changed, NULL);
    err = start(hasher);
    if (err < 0) {
        hg_hasher_free(hasher);
        return err;
    }
    *ret_hasher = hasher;
    return HG_OK;
}

void hg_hasher_free(struct hg_hasher *hasher)
{
    if (hasher == NULL)
        return;
    if (hasher->is_started) {
        pthread_mutex_lock(&hasher->mutex);
        hasher->is_stopping = true;
        pthread_cond_signal(&hasher->changed);
        pthread_mutex_unlock(&hasher->mutex);
        pthread_join(hasher->thread, NULL);
    }
    pthread_cond_destroy(&hasher->changed);
    pthread_mutex_destroy(&hasher->mutex);
    OPENSSL_cleanse(hasher->place, sizeof(hasher->place));
    free(hasher);
}

int hg_hasher_submit(struct hg_hasher *hasher, uint64_t ticket,
                     const char *secret,
                     const uint8_t salt[HG_HASHER_SALT_BYTES])
{
    struct place *place;

    if (strnlen(secret, HG_HASHER_SECRET_BYTES) == HG_HASHER_SECRET_BYTES)
        return HG_ERR_RANGE;
    pthread_mutex_lock(&hasher->mutex);
    place = first_in(hasher, PLACE_FREE);
    if (place != NULL) {
        memset(place->secret, 0, sizeof(place->secret));
        memcpy(place->secret, secret, strlen(secret));
        memcpy(place->salt, salt, sizeof(place->salt));
        place->ticket = ticket;
        place->order = ++hasher->last_order;
        place->state = PLACE_WAITING;
        pthread_cond_signal(&hasher->changed);
    }
    pthread_mutex_unlock(&hasher->mutex);
    return place != NULL ? HG_OK : HG_ERR_BUSY;
}

bool hg_hasher_poll(struct hg_hasher *hasher,
                    struct hg_hasher_result *ret_result)
{
    struct place *place;

    pthread_mutex_lock(&hasher->mutex);
    place = first_in(hasher, PLACE_DONE);
    if (place != NULL) {
        ret_result->ticket = place->ticket;
        ret_result->err = place->err;
        memcpy(ret_result->key, place->key, sizeof(ret_result->key));
        OPENSSL_cleanse(place, sizeof(*place)); /* all zero: free */
    }
    pthread_mutex_unlock(&hasher->mutex);
    return place != NULL;
}
