#ifndef HG_SERVICE_NOTIFY_H
#define HG_SERVICE_NOTIFY_H

/*
 * Tells the service manager how we are: one datagram a message, by the
 * protocol of sd_notify(3). Without a service manager every send is a
 * success that does nothing.
 */
#include "base/err.h"
#include "heatgate/tick.h"
#include <stdint.h>
#include <sys/types.h>

#define HG_NOTIFY_STATUS_BYTES 256 /* longer ones are cut */

struct hg_notify {
    int fd; /* -1: nobody listens */
};

/*
 * Open the socket of the service manager.
 *
 * address  the value of NOTIFY_SOCKET: a path, or "@name" for an abstract
 *          one; NULL or empty: there is no service manager
 * notify   overwritten, also on failure (then every send does nothing)
 *
 * HG_ERR_INPUT: not such an address, or too long; HG_ERR_SYSTEM: errno
 */
HG_MUST_CHECK int hg_notify_open(const char *address, struct hg_notify *notify);
void hg_notify_close(struct hg_notify *notify);

/* READY=1, WATCHDOG=1, STOPPING=1. HG_ERR_SYSTEM: errno. Never blocks. */
HG_MUST_CHECK int hg_notify_ready(const struct hg_notify *notify);
HG_MUST_CHECK int hg_notify_watchdog(const struct hg_notify *notify);
HG_MUST_CHECK int hg_notify_stopping(const struct hg_notify *notify);
/* RELOADING=1 with the time of now; READY=1 ends it. As above. */
HG_MUST_CHECK int hg_notify_reloading(const struct hg_notify *notify,
                                      struct hg_mono now);
/* STATUS=text; control characters become blanks. */
HG_MUST_CHECK int hg_notify_status(const struct hg_notify *notify,
                                   const char *text);

/*
 * How often to send WATCHDOG=1: half of WATCHDOG_USEC, at least 1 ms.
 *
 * usec    the value of WATCHDOG_USEC, or NULL
 * pid     the value of WATCHDOG_PID, or NULL: any process
 * self    our process id
 * ret_ms  0: no watchdog is wanted from us
 *
 * HG_ERR_INPUT: one of them is not a number
 */
HG_MUST_CHECK int hg_notify_watchdog_ms(const char *usec, const char *pid,
                                        pid_t self, uint64_t *ret_ms);

#endif
