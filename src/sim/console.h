#ifndef HG_SIM_CONSOLE_H
#define HG_SIM_CONSOLE_H

/*
 * Where commands come in: a Unix stream socket (mode 0600) or standard
 * input. Every line gets one line back. A client that sends an overlong line
 * or does not read its answers is hung up on.
 */
#include "base/buf.h"
#include "base/err.h"
#include <poll.h>
#include <stddef.h>

#define HG_CONSOLE_CLIENTS 16
#define HG_CONSOLE_FDS_MAX (HG_CONSOLE_CLIENTS + 1)

struct hg_console;

/* Carries out a line; the answer is empty storage, filled without newline. */
typedef void hg_console_run(void *owner, const char *line,
                            struct hg_buf *answer);

/*
 * Open it. path "-" is standard input with answers on standard output. A
 * socket left behind by a dead process is replaced. HG_ERR_SYSTEM,
 * HG_ERR_EXISTS (somebody serves it, or it is no socket), HG_ERR_RANGE
 * (path too long), HG_ERR_MEMORY; why says so in words.
 */
HG_MUST_CHECK int hg_console_open(const char *path, hg_console_run *run,
                                  void *owner, struct hg_buf *why,
                                  struct hg_console **ret_console);
/* Hang up, remove the socket, free; NULL is fine. */
void hg_console_close(struct hg_console *console);

/* Fill fds, at most HG_CONSOLE_FDS_MAX; returns how many. */
size_t hg_console_poll(const struct hg_console *console, struct pollfd *fds);
/* Accept and serve; fds as hg_console_poll() gave them, after poll. */
void hg_console_turn(struct hg_console *console, const struct pollfd *fds,
                     size_t count);

#endif
