#ifndef HG_SERVICE_RELOAD_H
#define HG_SERVICE_RELOAD_H

/*
 * The configuration read anew while the service runs: by a helper, as a
 * whole, with the certificates and secrets that it names. One problem and
 * nothing changes. A room that heats keeps its settings until its heat ends;
 * one that was removed leaves then.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct hg_service;
struct hg_reload_job;

struct hg_reload_stamp { /* of a file; all zero: there is none */
    uint64_t device, inode, size;
    int64_t changed_s, changed_ns;
};

#define HG_RELOAD_TZ_BYTES 80

struct hg_reload {
    bool is_wanted;              /* asked for, and not yet begun */
    struct hg_reload_job *job;   /* under way, or NULL */
    size_t waiting;              /* rooms whose heat must end first */
    struct hg_reload_stamp read; /* of the file that was read last */
    char tz[HG_RELOAD_TZ_BYTES]; /* is in the environment */
};

/* What the file is now. */
struct hg_reload_stamp hg_reload_stamp_of(const char *path);

/* Before any thread runs: put the time zone where it can be changed later. */
void hg_reload_begin(struct hg_service *service);
/* After the helpers have ended. */
void hg_reload_end(struct hg_service *service);

/* Read it as soon as nothing else is being read. Any number of times. */
void hg_reload_ask(struct hg_service *service);
/* Begin what was asked for; give rooms whose heat has ended what waits. */
void hg_reload_tick(struct hg_service *service);
/* Has the file changed since it was read? Once a second. */
void hg_reload_look(struct hg_service *service);

/* -- reload_rooms.c ------------------------------------------------------- */

struct hg_config;
struct hg_reload_news { /* of rooms, for the record; owned JSON arrays */
    struct json_t *added, *removed, *changed, *waiting, *restart;
};

/*
 * Make the rooms follow a configuration read later; they borrow from it then,
 * and from the one in force no more. HG_ERR_MEMORY, HG_ERR_FULL: nothing has
 * changed.
 */
HG_MUST_CHECK int hg_reload_rooms(struct hg_service *service,
                                  const struct hg_config *read,
                                  struct hg_reload_news *news);
/* Give the rooms whose heat has ended what waits for them. */
void hg_reload_rooms_tick(struct hg_service *service);

#endif
