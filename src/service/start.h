#ifndef HG_SERVICE_START_H
#define HG_SERVICE_START_H

/*
 * The order in which everything is begun and ended, in one place. What could
 * not be begun was said in the log.
 */
#include "base/err.h"

struct hg_service;

/*
 * Begin all: store and epoch, journal, clock, access, rooms, doors, link.
 * service holds a configuration, a log, and zeroes. On failure call
 * hg_service_end() all the same.
 */
HG_MUST_CHECK int hg_service_begin(struct hg_service *service);

/* Leave in order: revoke all, record it, say goodbye, save. */
void hg_service_leave(struct hg_service *service);

/* Free everything but configuration and log; half-begun is fine. */
void hg_service_end(struct hg_service *service);

#endif
