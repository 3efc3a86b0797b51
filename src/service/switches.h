#ifndef HG_SERVICE_SWITCHES_H
#define HG_SERVICE_SWITCHES_H

/*
 * Rooms with a foreign, switch-type controller: their connections made,
 * driven and ended, their events carried to the gates.
 */
#include "controllers/switch_link.h"

struct hg_room;
struct hg_service;

/* Make the connection of each such room; an error is told in the log. */
HG_MUST_CHECK int hg_switches_begin(struct hg_service *service);
/*
 * The room has come, or has other settings, and is not heated: give it the
 * connection that its binding asks for, or none. Its gate learns that the
 * link it had is gone. An error is told in the log; the room then has none.
 */
HG_MUST_CHECK int hg_switches_renew(struct hg_service *service,
                                    struct hg_room *room);
/* The room has left. The broker publishes the off. */
void hg_switches_drop(struct hg_room *room);
/* New password and certificates for the next connections. */
void hg_switches_renew_secrets(struct hg_service *service);
/* Some times a second. */
void hg_switches_tick(struct hg_service *service);
/* Carry out a permit or a revoke; nothing is done while the link is down. */
HG_MUST_CHECK int hg_switches_send(struct hg_service *service,
                                   struct hg_room *room,
                                   const struct hg_permit *permit);
/* Messages that no broker has acknowledged yet. */
size_t hg_switches_unacked(const struct hg_service *service);
void hg_switches_leave(struct hg_service *service);
void hg_switches_end(struct hg_service *service);

#endif
