/* Watchers, the states they got last, and patches made late and shared. */
#include "api/watch.h"
#include "api/patch.h"
#include "api/rpc.h"
#include <libwebsockets.h>
#include <stdlib.h>
#include <string.h>

/* from-states whose patch to one state is kept for others to use */
#define PATCHES_KEPT 8

struct snap;

struct kept_patch {
    uint64_t from; /* number of the snap */
    struct hg_watch_text *text;
};

/* The state of a room as some callers see it, at one time. */
struct snap {
    size_t refs;
    uint64_t number; /* never used twice */
    uint64_t view;
    json_t *state;
    struct snap *next; /* in the room's list of what holds now */
    size_t patch_count;
    struct kept_patch patch[PATCHES_KEPT]; /* patches to this state */
};

struct hg_watch {
    struct hg_watch_list *list;
    size_t room;
    struct snap *last; /* what it got last; NULL: nothing yet */
    struct hg_watch *room_prev, *room_next;
    struct hg_watch *list_prev, *list_next;
    struct hg_watch *dirty_prev, *dirty_next;
    bool is_dirty;
};

struct room {
    struct hg_watch *first;
    size_t count;
    struct snap *now; /* shared views, made since the last change */
};

struct hg_watch_board {
    const struct hg_api_backend *backend;
    size_t limit;
    uint64_t next_number;
    struct hg_watch_counts counts;
    size_t room_count;
    struct room *room; /* room_count of them */
};

/* -- texts and states, counted by reference --------------------------------*/

void hg_watch_text_release(struct hg_watch_text *text)
{
    if (text != NULL && --text->refs == 0)
        free(text);
}

static struct snap *snap_ref(struct snap *snap)
{
    snap->refs++;
    return snap;
}

static void snap_drop_patches(struct snap *snap)
{
    for (size_t i = 0; i < snap->patch_count; i++)
        hg_watch_text_release(snap->patch[i].text);
    snap->patch_count = 0;
}

static void snap_unref(struct snap *snap)
{
    if (snap == NULL || --snap->refs > 0)
        return;
    snap_drop_patches(snap);
    json_decref(snap->state);
    free(snap);
}

/* Nothing in the room's list holds any more. */
static void room_forget(struct room *room)
{
    while (room->now != NULL) {
        struct snap *snap = room->now;

        room->now = snap->next;
        snap->next = NULL;
        snap_drop_patches(snap); /* nobody is led to it any more */
        snap_unref(snap);
    }
}

static uint64_t view_key(const struct hg_watch_board *board,
                         const struct hg_api_caller *caller, size_t room)
{
    const struct hg_api_backend *backend = board->backend;

    return backend->view_key == NULL
               ? HG_API_VIEW_PRIVATE
               : backend->view_key(backend->ctx, caller, room);
}

/* The state now as this caller sees it; a reference, or NULL: no memory. */
static struct snap *snap_get(struct hg_watch_board *board,
                             const struct hg_api_caller *caller, size_t index)
{
    const struct hg_api_backend *backend = board->backend;
    struct room *room = &board->room[index];
    uint64_t view = view_key(board, caller, index);
    struct snap *snap;

    for (snap = room->now; snap != NULL; snap = snap->next) {
        if (view != HG_API_VIEW_PRIVATE && snap->view == view)
            return snap_ref(snap);
    }
    snap = calloc(1, sizeof(*snap));
    if (snap == NULL)
        return NULL;
    snap->state = backend->room_state(backend->ctx, caller, index);
    if (snap->state == NULL) {
        free(snap);
        return NULL;
    }
    snap->refs = 1;
    snap->number = ++board->next_number;
    snap->view = view;
    if (view != HG_API_VIEW_PRIVATE) {
        snap->next = room->now;
        room->now = snap_ref(snap);
    }
    return snap;
}

/* -- patches ---------------------------------------------------------------*/

/* The room.patch message from one state to another; NULL text: no change. */
static int make_text(const char *name, json_t *from, json_t *to,
                     struct hg_watch_text **ret_text)
{
    struct hg_watch_text *text = NULL;
    json_t *params = NULL;
    json_t *patch = NULL;
    size_t len = 0;
    int err = hg_patch_diff(from, to, &patch);

    if (err < 0)
        return err;
    if (json_object_size(patch) == 0)
        goto out;
    err = HG_ERR_MEMORY;
    params = json_pack("{s:s,s:O?,s:O}", "room", name, "rev",
                       json_object_get(to, "rev"), "patch", patch);
    if (params == NULL)
        goto out;
    text = (void *)hg_rpc_notification("room.patch", params,
                                       sizeof(*text) + LWS_PRE, &len);
    if (text == NULL)
        goto out;
    text->refs = 1;
    text->len = len;
    err = 0;
out:
    json_decref(params);
    json_decref(patch);
    if (err == 0)
        *ret_text = text;
    return err;
}

/* The same, made once for all who got `from` last. */
static int snap_patch(struct hg_watch_board *board, size_t room,
                      const struct snap *from, struct snap *to,
                      struct hg_watch_text **ret_text)
{
    const struct hg_api_backend *backend = board->backend;
    uint64_t number = from == NULL ? 0 : from->number;
    struct hg_watch_text *text = NULL;
    int err;

    for (size_t i = 0; i < to->patch_count; i++) {
        if (to->patch[i].from != number)
            continue;
        text = to->patch[i].text;
        if (text != NULL)
            text->refs++;
        *ret_text = text;
        return 0;
    }
    err = make_text(backend->room_name(backend->ctx, room),
                    from == NULL ? NULL : from->state, to->state, &text);
    if (err < 0)
        return err;
    board->counts.patches_made++;
    if (to->view != HG_API_VIEW_PRIVATE && to->patch_count < PATCHES_KEPT) {
        struct kept_patch *kept = &to->patch[to->patch_count++];

        kept->from = number;
        kept->text = text;
        if (text != NULL)
            text->refs++;
    }
    *ret_text = text;
    return 0;
}

/* -- watches ---------------------------------------------------------------*/

static void dirty_remove(struct hg_watch *watch)
{
    struct hg_watch_list *list = watch->list;

    if (!watch->is_dirty)
        return;
    if (watch->dirty_prev != NULL)
        watch->dirty_prev->dirty_next = watch->dirty_next;
    else
        list->dirty_first = watch->dirty_next;
    if (watch->dirty_next != NULL)
        watch->dirty_next->dirty_prev = watch->dirty_prev;
    else
        list->dirty_last = watch->dirty_prev;
    watch->dirty_prev = NULL;
    watch->dirty_next = NULL;
    watch->is_dirty = false;
}

static void dirty_add(struct hg_watch *watch)
{
    struct hg_watch_list *list = watch->list;

    if (watch->is_dirty)
        return;
    watch->is_dirty = true;
    watch->dirty_prev = list->dirty_last;
    if (list->dirty_last != NULL)
        list->dirty_last->dirty_next = watch;
    else
        list->dirty_first = watch;
    list->dirty_last = watch;
}

/* Along the shorter of both lists that it would be in. */
static struct hg_watch *watch_find(const struct hg_watch_list *list,
                                   size_t room)
{
    const struct room *there = &list->board->room[room];
    struct hg_watch *watch;

    if (there->count < list->count) {
        watch = there->first;
        while (watch != NULL && watch->list != list)
            watch = watch->room_next;
    } else {
        watch = list->first;
        while (watch != NULL && watch->room != room)
            watch = watch->list_next;
    }
    return watch;
}

static struct hg_watch *watch_new(struct hg_watch_list *list, size_t room)
{
    struct hg_watch_board *board = list->board;
    struct hg_watch *watch = calloc(1, sizeof(*watch));

    if (watch == NULL)
        return NULL;
    watch->list = list;
    watch->room = room;
    watch->list_next = list->first;
    if (list->first != NULL)
        list->first->list_prev = watch;
    list->first = watch;
    watch->room_next = board->room[room].first;
    if (watch->room_next != NULL)
        watch->room_next->room_prev = watch;
    board->room[room].first = watch;
    board->room[room].count++;
    list->count++;
    board->counts.watches++;
    return watch;
}

static void watch_free(struct hg_watch *watch)
{
    struct hg_watch_list *list = watch->list;
    struct room *room = &list->board->room[watch->room];

    dirty_remove(watch);
    if (watch->list_prev != NULL)
        watch->list_prev->list_next = watch->list_next;
    else
        list->first = watch->list_next;
    if (watch->list_next != NULL)
        watch->list_next->list_prev = watch->list_prev;
    if (watch->room_prev != NULL)
        watch->room_prev->room_next = watch->room_next;
    else
        room->first = watch->room_next;
    if (watch->room_next != NULL)
        watch->room_next->room_prev = watch->room_prev;
    if (room->first == NULL)
        room_forget(room); /* nobody needs them */
    room->count--;
    list->count--;
    list->board->counts.watches--;
    snap_unref(watch->last);
    free(watch);
}

json_t *hg_watch_add(struct hg_watch_list *list, size_t room, bool is_blank,
                     int *ret_err)
{
    struct hg_watch_board *board = list->board;
    struct hg_watch *watch = watch_find(list, room);
    json_t *state;
    struct snap *snap;

    *ret_err = HG_ERR_FULL;
    if (watch == NULL && board->counts.watches >= board->limit)
        return NULL;
    *ret_err = HG_ERR_MEMORY;
    if (watch == NULL)
        watch = watch_new(list, room);
    if (watch == NULL)
        return NULL;
    snap = snap_get(board, list->caller, room);
    if (snap == NULL) {
        watch_free(watch);
        return NULL;
    }
    dirty_remove(watch);
    snap_unref(watch->last);
    watch->last = is_blank ? NULL : snap_ref(snap);
    if (is_blank) {
        dirty_add(watch);
        list->wake(list->arg);
    }
    state = json_incref(snap->state);
    snap_unref(snap);
    return state;
}

void hg_watch_remove(struct hg_watch_list *list, size_t room)
{
    struct hg_watch *watch = watch_find(list, room);

    if (watch != NULL)
        watch_free(watch);
}

void hg_watch_list_clear(struct hg_watch_list *list)
{
    while (list->first != NULL)
        watch_free(list->first);
}

void hg_watch_changed(struct hg_watch_board *board, size_t room)
{
    if (room >= board->room_count)
        return;
    room_forget(&board->room[room]);
    for (struct hg_watch *watch = board->room[room].first; watch != NULL;
         watch = watch->room_next) {
        dirty_add(watch);
        watch->list->wake(watch->list->arg);
    }
}

/* One dirty watch; NULL text when it turns out to need nothing. */
static int next_of(struct hg_watch *watch, struct hg_watch_text **ret_text)
{
    struct hg_watch_list *list = watch->list;
    struct hg_watch_board *board = list->board;
    const struct hg_api_backend *backend = board->backend;
    struct snap *now;
    int err = 0;

    *ret_text = NULL;
    dirty_remove(watch);
    if (!backend->may_see(backend->ctx, list->caller, watch->room)) {
        watch_free(watch);
        return 0;
    }
    now = snap_get(board, list->caller, watch->room);
    if (now == NULL)
        return HG_ERR_MEMORY;
    if (now != watch->last)
        err = snap_patch(board, watch->room, watch->last, now, ret_text);
    if (err == 0) {
        snap_unref(watch->last);
        watch->last = snap_ref(now);
    }
    snap_unref(now);
    return err;
}

int hg_watch_next(struct hg_watch_list *list, struct hg_watch_text **ret_text)
{
    struct hg_watch_text *text = NULL;

    while (text == NULL && list->dirty_first != NULL) {
        int err = next_of(list->dirty_first, &text);

        if (err < 0)
            return err;
    }
    *ret_text = text;
    return 0;
}

int hg_watch_board_new(const struct hg_api_backend *backend, size_t limit,
                       struct hg_watch_board **ret_board)
{
    size_t count = backend->room_count(backend->ctx);
    struct hg_watch_board *board = calloc(1, sizeof(*board));

    if (board == NULL)
        return HG_ERR_MEMORY;
    board->room = calloc(count > 0 ? count : 1, sizeof(board->room[0]));
    if (board->room == NULL) {
        free(board);
        return HG_ERR_MEMORY;
    }
    board->backend = backend;
    board->limit = limit;
    board->room_count = count;
    *ret_board = board;
    return 0;
}

int hg_watch_board_grow(struct hg_watch_board *board)
{
    size_t count = board->backend->room_count(board->backend->ctx);
    struct room *room;

    if (count <= board->room_count)
        return 0;
    room = realloc(board->room, count * sizeof(*room));
    if (room == NULL)
        return HG_ERR_MEMORY;
    memset(room + board->room_count, 0,
           (count - board->room_count) * sizeof(*room));
    board->room = room;
    board->room_count = count;
    return 0;
}

void hg_watch_board_free(struct hg_watch_board *board)
{
    if (board == NULL)
        return;
    for (size_t i = 0; i < board->room_count; i++)
        room_forget(&board->room[i]);
    free(board->room);
    free(board);
}

void hg_watch_board_count(const struct hg_watch_board *board,
                          struct hg_watch_counts *ret_counts)
{
    *ret_counts = board->counts;
}
