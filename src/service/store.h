#ifndef HG_SERVICE_STORE_H
#define HG_SERVICE_STORE_H

/*
 * What outlives the service besides the journal and the credentials: the
 * state directory with its lock, the epoch, and rooms.json. Every file is
 * written beside the old one, synced, renamed over it, and its directory
 * synced; each step is checked. A file that does not read back whole stops
 * the start: nothing is guessed, and the epoch never goes down.
 *
 * Every call that can fail appends a sentence for a person to `why`: what
 * happened, why, what to do. The caller logs it once.
 */
#include "base/buf.h"
#include "base/err.h"
#include "heatgate/gate.h"
#include "service/clock.h"
#include <jansson.h>
#include <sys/types.h>

#define HG_STORE_ROOM_BYTES     33
#define HG_STORE_FILE_BYTES_MAX (256u << 20)
#define HG_STORE_WHY_BYTES      1024 /* enough for any `why` */
/* serials are below 2^52 and start above epoch * 2^24 */
#define HG_STORE_EPOCH_MAX ((HG_SERIAL_LIMIT >> HG_EPOCH_SHIFT) - 1)

/* The system calls on the way to disk; a test makes each of them fail. */
struct hg_store_io {
    int (*open_at)(int dir, const char *name, int flags, mode_t mode);
    ssize_t (*write)(int fd, const void *bytes, size_t len);
    int (*sync)(int fd);
    int (*close)(int fd);
    int (*rename_at)(int from_dir, const char *from, int to_dir,
                     const char *to);
    int (*unlink_at)(int dir, const char *name, int flags);
};

/* One room as it is kept. */
struct hg_store_room {
    char name[HG_STORE_ROOM_BYTES];
    struct hg_gate_memory memory;
    uint64_t journal_n; /* number of the newest record that memory knows */
    json_t *warm_up;    /* learned numbers, opaque here, or NULL */
    json_t *energy;     /* counters, opaque here, or NULL */
};

/* When and in which boot of the host a memory was taken. */
struct hg_store_stamp {
    char boot_id[HG_BOOT_ID_BYTES];
    struct hg_tick at;
};

struct hg_store; /* one open state directory; one thread */

/*
 * Open a state directory and lock it. It is made (mode 0700) when its parent
 * exists. The lock ends with hg_store_close() or the process.
 *
 * io  NULL: the system's; else borrowed until close
 *
 * HG_ERR_BUSY     another process holds the lock
 * HG_ERR_SYSTEM   errno
 * HG_ERR_CORRUPT  rooms.json or epoch does not read back whole
 */
HG_MUST_CHECK int hg_store_open(const char *dir, const struct hg_store_io *io,
                                struct hg_buf *why,
                                struct hg_store **ret_store);

/* Unlock and free; NULL is fine. */
void hg_store_close(struct hg_store *store);

/*
 * Count this start: the epoch kept, plus one, durable before it is returned.
 * HG_ERR_RANGE: no epoch is left (2^28 starts). HG_ERR_SYSTEM, _MEMORY.
 */
HG_MUST_CHECK int hg_store_epoch_next(struct hg_store *store,
                                      struct hg_buf *why, uint64_t *ret_epoch);

/*
 * Make the kept epoch at least `epoch`, durably. Nothing is done when it is
 * that high already. HG_ERR_RANGE: above HG_STORE_EPOCH_MAX.
 */
HG_MUST_CHECK int hg_store_epoch_raise(struct hg_store *store, uint64_t epoch,
                                       struct hg_buf *why);

/* The kept epoch, as last made durable; 0 before the first start. */
uint64_t hg_store_epoch(const struct hg_store *store);

/*
 * Take a room's memory out of what was read at open, its times reduced by
 * what has passed since it was saved (hg_store_pass_time()). From then on the
 * caller saves this room; rooms nobody takes are kept as they are.
 *
 * ret_room  its json members are owned by the caller: hg_store_room_release()
 *
 * HG_ERR_NOT_FOUND  no memory of this room
 * HG_ERR_CORRUPT    something in it that this program does not write
 */
HG_MUST_CHECK int hg_store_take_room(struct hg_store *store, const char *name,
                                     const struct hg_store_stamp *now,
                                     struct hg_buf *why,
                                     struct hg_store_room *ret_room);

/* Is there a memory of this room that nobody took? */
bool hg_store_has_room(const struct hg_store *store, const char *name);

/* The name of each such room; they are rooms that were configured once. */
void hg_store_each_left(const struct hg_store *store,
                        void (*each)(void *arg, const char *name), void *arg);

/* Drop the json members; the struct itself is the caller's. */
void hg_store_room_release(struct hg_store_room *room);

/*
 * Reduce what is left of a check and of a rest, and let local heat grow older.
 * Pure. Same boot of the host: by boot time; else by wall time when it was
 * trusted then and is now; else nothing can be proved: no check is left, the
 * whole rest is, and local heat is none.
 */
void hg_store_pass_time(const struct hg_store_stamp *saved,
                        const struct hg_store_stamp *now,
                        struct hg_gate_memory *memory);

/* Where the rooms to save come from. */
struct hg_store_source {
    size_t count;
    /* fill room (zeroed) for index < count; json members stay borrowed and
     * need to live until the next call only */
    void (*get)(void *context, size_t index, struct hg_store_room *room);
    void *context;
};

/*
 * The text of rooms.json: these rooms and the ones nobody took. No I/O, so
 * the loop can do this and a helper thread the writing.
 *
 * ret_text  ret_len bytes; the caller frees it with free()
 *
 * HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_store_render(struct hg_store *store,
                                  const struct hg_store_stamp *now,
                                  const struct hg_store_source *source,
                                  char **ret_text, size_t *ret_len);

/* Write a text of hg_store_render() durably. HG_ERR_SYSTEM: errno; the old
 * file is still there and whole. May run in another thread than the rest. */
HG_MUST_CHECK int hg_store_write(struct hg_store *store, const char *text,
                                 size_t len, struct hg_buf *why);

/* Render and write. */
HG_MUST_CHECK int hg_store_save(struct hg_store *store,
                                const struct hg_store_stamp *now,
                                const struct hg_store_source *source,
                                struct hg_buf *why);

#endif
