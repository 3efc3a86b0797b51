#ifndef HG_SERVICE_SIGN_IN_H
#define HG_SERVICE_SIGN_IN_H

/* Sign-in, as hello, the hasher's results and the MQTT requests share it. */
#include "access/access.h"
#include "api/backend.h"
#include <jansson.h>

struct hg_service;

/* Sign the caller in and make the result of hello. NULL: no memory. */
json_t *hg_sign_in_result(struct hg_service *service,
                          struct hg_api_caller *caller,
                          const struct hg_credential *credential,
                          const char *token);
/* Refuse by outcome, and record it; id is the one the code named, or "". */
void hg_sign_in_refused(struct hg_service *service, struct hg_api_reply *reply,
                        enum hg_access_outcome outcome, const char *id);
/* Error 1005. */
void hg_reply_slow_down(struct hg_api_reply *reply, uint64_t retry_after_ms);

#endif
