/*
 * The look-up helper. Its state is shared by the loop and the thread and
 * freed by the last of them, because getaddrinfo() cannot be called off:
 * freeing must not wait for a dead name server.
 */
#include "controllers/resolver.h"
#include "base/text.h"
#include <arpa/inet.h>
#include <netdb.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

enum slot_state {
    SLOT_FREE = 0,
    SLOT_ASKED,
    SLOT_WORKING,
    SLOT_DROPPED, /* worked on, and nobody wants it any more */
    SLOT_ANSWERED
};

struct slot {
    enum slot_state state;
    uint64_t ticket;
    char host[HG_RESOLVER_HOST_BYTES];
    struct hg_resolver_answer answer;
};

struct hg_resolver {
    pthread_mutex_t lock;
    pthread_cond_t asked;
    bool is_stopped;
    unsigned owners; /* the loop and the thread */
    uint64_t last_ticket;
    void (*wake)(void *ctx);
    void *ctx;
    struct slot slot[HG_RESOLVER_QUEUE];
};

/* Give up one ownership; called with the lock held, returns without it. */
static void leave(struct hg_resolver *r)
{
    bool is_last = --r->owners == 0;

    (void)pthread_mutex_unlock(&r->lock);
    if (!is_last)
        return;
    (void)pthread_cond_destroy(&r->asked);
    (void)pthread_mutex_destroy(&r->lock);
    free(r);
}

/* The oldest slot in that state, or NULL. */
static struct slot *find_oldest(struct hg_resolver *r, enum slot_state state)
{
    struct slot *found = NULL;

    for (size_t i = 0; i < HG_RESOLVER_QUEUE; i++) {
        struct slot *slot = &r->slot[i];

        if (slot->state == state &&
            (found == NULL || slot->ticket < found->ticket))
            found = slot;
    }
    return found;
}

static struct slot *find_ticket(struct hg_resolver *r, uint64_t ticket)
{
    for (size_t i = 0; i < HG_RESOLVER_QUEUE; i++) {
        if (r->slot[i].state != SLOT_FREE && r->slot[i].ticket == ticket)
            return &r->slot[i];
    }
    return NULL;
}

static void look_up(const char *host, struct hg_resolver_answer *answer)
{
    const struct addrinfo hints = {
        .ai_family = AF_UNSPEC,
        .ai_socktype = SOCK_STREAM,
    };
    struct addrinfo *list = NULL;

    memset(answer, 0, sizeof(*answer));
    answer->gai = getaddrinfo(host, NULL, &hints, &list);
    if (answer->gai != 0)
        return;
    for (struct addrinfo *at = list;
         at != NULL && answer->count < HG_RESOLVER_ADDRESSES;
         at = at->ai_next) {
        char *text = answer->address[answer->count];

        if (getnameinfo(at->ai_addr, at->ai_addrlen, text, INET6_ADDRSTRLEN,
                        NULL, 0, NI_NUMERICHOST) == 0)
            answer->count++;
    }
    freeaddrinfo(list);
    if (answer->count == 0)
        answer->gai = EAI_NONAME;
}

/* Work on one question; called and left with the lock held. */
static void serve(struct hg_resolver *r, struct slot *slot)
{
    struct hg_resolver_answer answer;
    char host[HG_RESOLVER_HOST_BYTES];

    memcpy(host, slot->host, sizeof(host));
    slot->state = SLOT_WORKING;
    (void)pthread_mutex_unlock(&r->lock);
    look_up(host, &answer);
    (void)pthread_mutex_lock(&r->lock);

    if (slot->state == SLOT_DROPPED) {
        slot->state = SLOT_FREE;
        return;
    }
    slot->answer = answer;
    slot->state = SLOT_ANSWERED;
    /* under the lock, so that free() cannot return in between */
    if (!r->is_stopped)
        r->wake(r->ctx);
}

static void *run(void *arg)
{
    struct hg_resolver *r = arg;

    (void)pthread_mutex_lock(&r->lock);
    while (!r->is_stopped) {
        struct slot *slot = find_oldest(r, SLOT_ASKED);

        if (slot != NULL)
            serve(r, slot);
        else
            (void)pthread_cond_wait(&r->asked, &r->lock);
    }
    leave(r);
    return NULL;
}

/* The helper takes no signals: they belong to the loop. */
static int start_thread(struct hg_resolver *r)
{
    pthread_t thread;
    sigset_t all;
    sigset_t before;
    int failed;

    (void)sigfillset(&all);
    (void)pthread_sigmask(SIG_SETMASK, &all, &before);
    failed = pthread_create(&thread, NULL, run, r);
    (void)pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (failed != 0)
        return HG_ERR_SYSTEM;
    (void)pthread_detach(thread);
    return 0;
}

int hg_resolver_new(void (*wake)(void *ctx), void *ctx,
                    struct hg_resolver **ret_resolver)
{
    struct hg_resolver *r = calloc(1, sizeof(*r));

    if (r == NULL)
        return HG_ERR_MEMORY;
    (void)pthread_mutex_init(&r->lock, NULL); /* cannot fail with defaults */
    (void)pthread_cond_init(&r->asked, NULL);
    r->wake = wake;
    r->ctx = ctx;
    r->owners = 2;
    if (start_thread(r) < 0) {
        (void)pthread_mutex_lock(&r->lock);
        r->owners = 1;
        leave(r);
        return HG_ERR_SYSTEM;
    }
    *ret_resolver = r;
    return 0;
}

void hg_resolver_free(struct hg_resolver *r)
{
    if (r == NULL)
        return;
    (void)pthread_mutex_lock(&r->lock);
    r->is_stopped = true;
    (void)pthread_cond_signal(&r->asked);
    leave(r);
}

int hg_resolver_ask(struct hg_resolver *r, const char *host,
                    uint64_t *ret_ticket)
{
    struct slot *slot;
    int err = HG_ERR_FULL;

    if (host[0] == '\0' || strlen(host) >= HG_RESOLVER_HOST_BYTES)
        return HG_ERR_RANGE;
    (void)pthread_mutex_lock(&r->lock);
    slot = find_oldest(r, SLOT_FREE);
    if (slot != NULL) {
        err = hg_text_copy(slot->host, sizeof(slot->host), host);
        slot->ticket = ++r->last_ticket;
        slot->state = SLOT_ASKED;
        *ret_ticket = slot->ticket;
        (void)pthread_cond_signal(&r->asked);
    }
    (void)pthread_mutex_unlock(&r->lock);
    return err;
}

int hg_resolver_take(struct hg_resolver *r, uint64_t ticket,
                     struct hg_resolver_answer *ret_answer)
{
    struct slot *slot;
    int err = HG_ERR_NOT_FOUND;

    (void)pthread_mutex_lock(&r->lock);
    slot = find_ticket(r, ticket);
    if (slot != NULL && slot->state == SLOT_ANSWERED) {
        *ret_answer = slot->answer;
        slot->state = SLOT_FREE;
        err = 0;
    } else if (slot != NULL && slot->state != SLOT_DROPPED) {
        err = HG_ERR_BUSY;
    }
    (void)pthread_mutex_unlock(&r->lock);
    return err;
}

void hg_resolver_drop(struct hg_resolver *r, uint64_t ticket)
{
    struct slot *slot;

    (void)pthread_mutex_lock(&r->lock);
    slot = find_ticket(r, ticket);
    if (slot != NULL && slot->state == SLOT_WORKING)
        slot->state = SLOT_DROPPED; /* the thread still writes to it */
    else if (slot != NULL && slot->state != SLOT_DROPPED)
        slot->state = SLOT_FREE;
    (void)pthread_mutex_unlock(&r->lock);
}

bool hg_resolver_is_address(const char *host)
{
    struct in6_addr address;

    return inet_pton(AF_INET, host, &address) == 1 ||
           inet_pton(AF_INET6, host, &address) == 1;
}
