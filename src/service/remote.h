#ifndef HG_SERVICE_REMOTE_H
#define HG_SERVICE_REMOTE_H

/*
 * JSON-RPC over MQTT: one desk of the API for each message on <root>/rpc,
 * answered on the response topic that it names (MQTT 5).
 */
struct hg_link_message;
struct hg_service;

/* messages whose answers are not complete; further ones are dropped */
#define HG_REMOTE_MAX 256

void hg_remote_take(struct hg_service *service,
                    const struct hg_link_message *message);
/* The service leaves: forget what waits. */
void hg_remote_end(struct hg_service *service);

#endif
