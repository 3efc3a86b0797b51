#ifndef HG_SIM_FLEET_H
#define HG_SIM_FLEET_H

/*
 * All rooms of one simulator with their ways to the broker: carries time and
 * permits in, messages out, and commands to the room they name. A --room has
 * a connection of its own, with a will; the rooms of --count share one
 * without.
 */
#include "base/buf.h"
#include "base/err.h"
#include "sim/options.h"
#include <poll.h>

#define HG_FLEET_ANSWER_BYTES 65536 /* longest answer to a command */
#define HG_FLEET_FDS_MAX      (HG_SIMOPT_ROOMS_MAX + 1)

struct hg_fleet;

/*
 * Make the rooms at now_ms; nothing is connected yet. HG_ERR_INPUT,
 * HG_ERR_RANGE, HG_ERR_DENIED, HG_ERR_SYSTEM: why says what is wrong with an
 * option; HG_ERR_MEMORY. options is borrowed until free.
 */
HG_MUST_CHECK int hg_fleet_new(const struct hg_simopt *options,
                               uint64_t boot_salt, uint64_t now_ms,
                               struct hg_buf *why, struct hg_fleet **ret_fleet);
/* Cut every connection, wipe keys, free; NULL is fine. */
void hg_fleet_free(struct hg_fleet *fleet);

/* Begin to connect everything. */
void hg_fleet_connect(struct hg_fleet *fleet, uint64_t now_ms);
bool hg_fleet_is_ready(const struct hg_fleet *fleet);
/* Why not: a text of the first connection in trouble, or NULL. */
const char *hg_fleet_trouble(const struct hg_fleet *fleet);

/* Fill fds, at most HG_FLEET_FDS_MAX; returns how many. */
size_t hg_fleet_poll(const struct hg_fleet *fleet, struct pollfd *fds);
/* Whatever is due at now_ms; fds as hg_fleet_poll() gave them, after poll. */
void hg_fleet_turn(struct hg_fleet *fleet, const struct pollfd *fds,
                   size_t count, uint64_t now_ms);
/* When the next turn is wanted at the latest. */
uint64_t hg_fleet_deadline(const struct hg_fleet *fleet);

/* Carry out one command line; the answer has no newline. */
void hg_fleet_command(struct hg_fleet *fleet, const char *line, uint64_t now_ms,
                      struct hg_buf *answer);
/* Has "quit" been commanded? */
bool hg_fleet_is_quit(const struct hg_fleet *fleet);

/* Say online false everywhere and goodbye to the broker. */
void hg_fleet_leave(struct hg_fleet *fleet);

#endif
