#ifndef HG_API_WATCH_H
#define HG_API_WATCH_H

/*
 * Who watches which room, and what each of them got last. A change only
 * marks watchers; the patch is made when a connection can take it, between
 * what it got last and what is now, so that a slow one gets one patch for
 * many changes and memory does not grow with them. Watchers who see the same
 * and got the same last share one state and one text of the patch.
 */
#include "api/backend.h"
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct hg_watch_board; /* all rooms and their watchers */
struct hg_watch;       /* one watcher of one room */

/* What one connection watches; zeroed memory with board and wake set. */
struct hg_watch_list {
    struct hg_watch_board *board;
    const struct hg_api_caller *caller;
    /* something became dirty: ask for a chance to write */
    void (*wake)(void *arg);
    void *arg;
    struct hg_watch *first; /* every watch */
    size_t count;
    struct hg_watch *dirty_first, *dirty_last; /* in the order of changes */
};

/* A text that may be shared: bytes before it are free for a frame header. */
struct hg_watch_text {
    size_t refs;
    size_t len;
    unsigned char bytes[]; /* LWS_PRE of headroom, then the text */
};

struct hg_watch_counts {
    size_t watches;
    uint64_t patches_made;
};

/* limit: watches of all connections together. HG_ERR_MEMORY */
HG_MUST_CHECK int hg_watch_board_new(const struct hg_api_backend *backend,
                                     size_t limit,
                                     struct hg_watch_board **ret_board);
/* The backend has more rooms now. HG_ERR_MEMORY: as before. */
HG_MUST_CHECK int hg_watch_board_grow(struct hg_watch_board *board);
void hg_watch_board_free(struct hg_watch_board *board); /* NULL is fine */
void hg_watch_board_count(const struct hg_watch_board *board,
                          struct hg_watch_counts *ret_counts);

/* Mark the watchers of a room and wake their connections. */
void hg_watch_changed(struct hg_watch_board *board, size_t room);

/*
 * Watch a room, or begin anew. is_blank: the watcher is not told the state
 * now, so the first patch will hold all of it.
 *
 * Returns a new reference to the state now, or NULL with *ret_err HG_ERR_FULL
 * or HG_ERR_MEMORY.
 */
json_t *hg_watch_add(struct hg_watch_list *list, size_t room, bool is_blank,
                     int *ret_err);
/* Not watched is fine. */
void hg_watch_remove(struct hg_watch_list *list, size_t room);
/* End every watch of a connection. */
void hg_watch_list_clear(struct hg_watch_list *list);

/*
 * The next room.patch to send, as text; release it after sending. *ret_text
 * is NULL when there is nothing to send. A room that the caller may not see
 * any more is no longer watched. HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_watch_next(struct hg_watch_list *list,
                                struct hg_watch_text **ret_text);
void hg_watch_text_release(struct hg_watch_text *text); /* NULL is fine */

#endif
