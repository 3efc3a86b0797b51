/* The thread that writes rooms.json; see saver.h. */
#include "service/saver.h"
#include "base/text.h"
#include "service/store.h"
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>

enum saver_phase { SAVER_IDLE = 0, SAVER_WAITING, SAVER_WRITING, SAVER_DONE };

struct hg_saver {
    struct hg_store *store;
    void (*wake)(void *);
    void *wake_arg;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    /* under the lock */
    enum saver_phase phase;
    bool is_ending;
    char *text;
    size_t len;
    int err;
    char why[HG_SAVER_WHY_BYTES];
};

static void write_one(struct hg_saver *saver)
{
    char storage[HG_SAVER_WHY_BYTES];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, storage, sizeof(storage));
    pthread_mutex_unlock(&saver->lock);
    err = hg_store_write(saver->store, saver->text, saver->len, &why);
    pthread_mutex_lock(&saver->lock);
    free(saver->text);
    saver->text = NULL;
    saver->err = err;
    memcpy(saver->why, storage, sizeof(storage));
    saver->phase = SAVER_DONE;
}

static void *run(void *arg)
{
    struct hg_saver *saver = arg;

    pthread_mutex_lock(&saver->lock);
    for (;;) {
        while (saver->phase != SAVER_WAITING && !saver->is_ending)
            pthread_cond_wait(&saver->changed, &saver->lock);
        if (saver->phase != SAVER_WAITING)
            break;
        saver->phase = SAVER_WRITING;
        write_one(saver);
        saver->wake(saver->wake_arg);
    }
    pthread_mutex_unlock(&saver->lock);
    return NULL;
}

int hg_saver_new(struct hg_store *store, void (*wake)(void *), void *wake_arg,
                 struct hg_saver **ret_saver)
{
    struct hg_saver *saver = calloc(1, sizeof(*saver));
    sigset_t all, before;
    int failed;

    if (saver == NULL)
        return HG_ERR_MEMORY;
    saver->store = store;
    saver->wake = wake;
    saver->wake_arg = wake_arg;
    pthread_mutex_init(&saver->lock, NULL);
    pthread_cond_init(&saver->changed, NULL);
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    failed = pthread_create(&saver->thread, NULL, run, saver);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (failed != 0) {
        pthread_cond_destroy(&saver->changed);
        pthread_mutex_destroy(&saver->lock);
        free(saver);
        return HG_ERR_SYSTEM;
    }
    *ret_saver = saver;
    return 0;
}

void hg_saver_free(struct hg_saver *saver)
{
    if (saver == NULL)
        return;
    pthread_mutex_lock(&saver->lock);
    saver->is_ending = true;
    pthread_cond_signal(&saver->changed);
    pthread_mutex_unlock(&saver->lock);
    pthread_join(saver->thread, NULL);
    pthread_cond_destroy(&saver->changed);
    pthread_mutex_destroy(&saver->lock);
    free(saver->text);
    free(saver);
}

int hg_saver_submit(struct hg_saver *saver, char *text_taken, size_t len)
{
    int err = HG_ERR_BUSY;

    pthread_mutex_lock(&saver->lock);
    if (saver->phase == SAVER_IDLE) {
        saver->text = text_taken;
        saver->len = len;
        saver->phase = SAVER_WAITING;
        text_taken = NULL;
        err = 0;
        pthread_cond_signal(&saver->changed);
    }
    pthread_mutex_unlock(&saver->lock);
    free(text_taken);
    return err;
}

bool hg_saver_poll(struct hg_saver *saver, int *ret_err,
                   char ret_why[HG_SAVER_WHY_BYTES])
{
    bool is_done;

    pthread_mutex_lock(&saver->lock);
    is_done = saver->phase == SAVER_DONE;
    if (is_done) {
        *ret_err = saver->err;
        memcpy(ret_why, saver->why, HG_SAVER_WHY_BYTES);
        saver->phase = SAVER_IDLE;
    }
    pthread_mutex_unlock(&saver->lock);
    return is_done;
}

bool hg_saver_is_idle(struct hg_saver *saver)
{
    bool is_idle;

    pthread_mutex_lock(&saver->lock);
    is_idle = saver->phase == SAVER_IDLE;
    pthread_mutex_unlock(&saver->lock);
    return is_idle;
}
