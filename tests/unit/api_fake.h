#ifndef HG_TESTS_API_FAKE_H
#define HG_TESTS_API_FAKE_H

/*
 * A backend that the API's tests stand on: two rooms, a rev and a temperature
 * each, codes by role, answers at once or kept for later.
 */
#include "api/backend.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FAKE_ROOMS    2
#define FAKE_LATE_MAX 80

struct fake {
    struct hg_api_backend backend;
    int rev[FAKE_ROOMS];
    double air_c[FAKE_ROOMS];
    size_t calls;        /* that came to call() */
    enum hg_method last; /* of them */
    size_t states_made;
    bool is_late;    /* keep replies for later, hello excepted */
    bool hello_late; /* keep hello too */
    struct hg_api_reply *late[FAKE_LATE_MAX];
    size_t late_count;
    bool is_sick;
    size_t padding; /* bytes of ballast in each state */
};

static const char *const fake_room[FAKE_ROOMS] = { "heron", "otter" };

/* "guest" and "caretaker" are for heron only. */
static inline bool fake_may_see(void *ctx, const struct hg_api_caller *caller,
                                size_t room)
{
    (void)ctx;
    return room == 0 || caller->actor.role >= HG_ROLE_INTEGRATOR;
}

static inline size_t fake_room_count(void *ctx)
{
    (void)ctx;
    return FAKE_ROOMS;
}

static inline const char *fake_room_name(void *ctx, size_t room)
{
    (void)ctx;
    return fake_room[room];
}

static inline json_t *
fake_room_state(void *ctx, const struct hg_api_caller *caller, size_t room)
{
    struct fake *fake = ctx;
    bool is_guest = caller->actor.role == HG_ROLE_GUEST;
    char *ballast = calloc(1, fake->padding + 1);
    json_t *state;

    if (ballast == NULL)
        return NULL;
    memset(ballast, 'a' + fake->rev[room] % 26, fake->padding);
    fake->states_made++;
    state =
        json_pack("{s:s,s:i,s:f,s:n,s:s,s:s}", "room", fake_room[room], "rev",
                  fake->rev[room], "air_c", fake->air_c[room], "heat", "by",
                  is_guest ? "another guest" : "guest:g-1", "ballast", ballast);
    free(ballast);
    return state;
}

static inline uint64_t
fake_view_key(void *ctx, const struct hg_api_caller *caller, size_t room)
{
    (void)ctx;
    (void)room;
    return caller->actor.role == HG_ROLE_GUEST ? 1 : 2;
}

static inline bool fake_is_implemented(void *ctx, enum hg_method method)
{
    (void)ctx;
    return method != HG_METHOD_REPORT_ENERGY;
}

static inline int fake_healthz(void *ctx, char *text, size_t cap)
{
    struct fake *fake = ctx;

    (void)snprintf(text, cap, "%s\n", fake->is_sick ? "sick" : "ok");
    return fake->is_sick ? 503 : 200;
}

/* One file, of two bytes more than one piece. */
static inline bool fake_file(void *ctx, const char *path,
                             struct hg_api_file *ret_file)
{
    static unsigned char bytes[(16 << 10) + 2];
    static unsigned char packed[100];

    (void)ctx;
    if (strcmp(path, "/file") != 0)
        return false;
    memset(bytes, 'f', sizeof(bytes));
    memset(packed, 'g', sizeof(packed));
    *ret_file =
        (struct hg_api_file) { "text/x-file", "W/\"tag-1\"", bytes,
                               sizeof(bytes), packed,        sizeof(packed) };
    return true;
}

static inline char *fake_metrics(void *ctx)
{
    size_t len = 100000;
    char *text = malloc(len + 1);

    (void)ctx;
    if (text == NULL)
        return NULL;
    memset(text, 'm', len);
    text[len] = '\0';
    return text;
}

/* The code is the name of the role. */
static inline enum hg_role fake_role(const char *code)
{
    static const char *const name[] = { "",           "guest",   "caretaker",
                                        "integrator", "manager", "owner" };

    for (int i = 1; i <= HG_ROLE_OWNER; i++) {
        if (strcmp(name[i], code) == 0)
            return (enum hg_role)i;
    }
    return HG_ROLE_NONE;
}

static inline void fake_hello(const struct hg_api_call *call)
{
    const char *code = json_string_value(json_object_get(call->params, "code"));
    struct hg_actor actor = { .role = HG_ROLE_NONE };

    if (code != NULL)
        actor.role = fake_role(code);
    if (actor.role == HG_ROLE_NONE) {
        hg_api_reply_error(call->reply, HG_RPC_SIGN_IN_REQUIRED,
                           "That code is wrong.", NULL);
        return;
    }
    (void)snprintf(actor.id, sizeof(actor.id), "%c-1", code[0]);
    hg_api_caller_sign_in(call->caller, &actor, code);
    hg_api_reply_result(call->reply,
                        json_pack("{s:s}", "who", call->caller->who));
}

static inline void fake_call(void *ctx, const struct hg_api_call *call)
{
    struct fake *fake = ctx;
    bool is_hello = call->method == HG_METHOD_HELLO;

    fake->calls++;
    fake->last = call->method;
    if ((is_hello && fake->hello_late) || (!is_hello && fake->is_late)) {
        fake->late[fake->late_count++] = call->reply;
        return;
    }
    if (is_hello && !call->caller->is_admin) {
        fake_hello(call);
        return;
    }
    hg_api_reply_result(call->reply,
                        json_pack("{s:s,s:O}", "did",
                                  hg_method_row(call->method)->name, "params",
                                  call->params));
}

static inline void fake_init(struct fake *fake)
{
    memset(fake, 0, sizeof(*fake));
    fake->backend = (struct hg_api_backend) {
        .ctx = fake,
        .call = fake_call,
        .is_implemented = fake_is_implemented,
        .room_count = fake_room_count,
        .room_name = fake_room_name,
        .may_see = fake_may_see,
        .room_state = fake_room_state,
        .view_key = fake_view_key,
        .healthz = fake_healthz,
        .metrics = fake_metrics,
        .file = fake_file,
    };
}

#endif
