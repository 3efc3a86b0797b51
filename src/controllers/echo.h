#ifndef HG_CONTROLLERS_ECHO_H
#define HG_CONTROLLERS_ECHO_H

/*
 * Own messages that the broker will send back. An MQTT 3.1.1 broker echoes
 * what we publish on a topic that we also subscribe to (MQTT 5 has No Local,
 * section 3.8.3.1, for that), and every broker sends our own birth back.
 * Each publication is remembered by its digest
 * and forgotten with its first echo: the same bytes a second time are
 * somebody else's.
 */
#include "base/err.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_ECHO_MAX 65536 /* under way at a time; then the oldest is lost */

struct hg_echo; /* zero or more remembered publications, oldest first */

/* HG_ERR_MEMORY */
HG_MUST_CHECK int hg_echo_new(struct hg_echo **ret_echo);
/* NULL is fine */
void hg_echo_free(struct hg_echo *echo);
/* Forget all: the connection that would have carried them is gone. */
void hg_echo_clear(struct hg_echo *echo);

/* HG_ERR_MEMORY, HG_ERR_CRYPTO: it is not remembered. */
HG_MUST_CHECK int hg_echo_add(struct hg_echo *echo, const char *topic,
                              const void *payload, size_t len);
/*
 * Is this a remembered publication? The oldest equal one is then forgotten.
 */
bool hg_echo_take(struct hg_echo *echo, const char *topic, const void *payload,
                  size_t len);

size_t hg_echo_count(const struct hg_echo *echo);

#endif
