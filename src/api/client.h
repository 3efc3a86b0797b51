#ifndef HG_API_CLIENT_H
#define HG_API_CLIENT_H

/*
 * A blocking client of the admin socket, for the command line: one call at a
 * time, notifications in between are kept (a bounded number).
 */
#include "base/buf.h"
#include "base/err.h"
#include <jansson.h>
#include <stdint.h>

#define HG_API_CLIENT_WHY_BYTES     512
#define HG_API_CLIENT_MESSAGE_BYTES ((size_t)64 << 20)
#define HG_API_CLIENT_KEPT_MAX      1024 /* notifications */

struct hg_api_client;

struct hg_api_answer { /* exactly one of the two is not NULL */
    json_t *result;
    json_t *error; /* {"code":…,"message":…,"data":…} */
};

/*
 * Connect to the admin socket at path.
 *
 * timeout_ms  for this and for every later call, each
 * why         initialised; on failure a sentence: what happened, what to do
 *
 * HG_ERR_NOT_FOUND  no socket there, or no service behind it: exit status 3
 * HG_ERR_DENIED     the user is neither root nor in the service's group
 * HG_ERR_BUSY       no answer in time
 * HG_ERR_CLOSED     the service hung up
 * HG_ERR_RANGE      the path is longer than a socket's may be
 * HG_ERR_SYSTEM, HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_api_client_open(const char *path, uint32_t timeout_ms,
                                     struct hg_buf *why,
                                     struct hg_api_client **ret_client);

/* Hang up and free. NULL is fine. */
void hg_api_client_free(struct hg_api_client *client);

/*
 * Call a method and wait for its answer, an error of the service included.
 *
 * params_taken  object or NULL; taken over, also on failure
 * ret_answer    release with hg_api_answer_release()
 *
 * HG_ERR_BUSY no answer in time, HG_ERR_CLOSED hung up (see
 * hg_api_client_closed()), HG_ERR_INPUT not an answer, HG_ERR_MEMORY
 */
HG_MUST_CHECK int hg_api_client_call(struct hg_api_client *client,
                                     const char *method, json_t *params_taken,
                                     struct hg_api_answer *ret_answer);
void hg_api_answer_release(struct hg_api_answer *answer);

/*
 * The next notification {"method":…,"params":…}, a new reference.
 * HG_ERR_BUSY: none within timeout_ms; HG_ERR_CLOSED: the service hung up;
 * HG_ERR_FULL: more came than are kept, so some were lost.
 */
HG_MUST_CHECK int hg_api_client_next(struct hg_api_client *client,
                                     uint32_t timeout_ms,
                                     json_t **ret_notification);

/* Why the service hung up: its close reason, or "". Borrowed. */
const char *hg_api_client_closed(const struct hg_api_client *client);

#endif
