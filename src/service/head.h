#ifndef HG_SERVICE_HEAD_H
#define HG_SERVICE_HEAD_H

/* The signed head of the journal, published and kept. */
struct hg_service;

/* Once a second: publish a new head when it is time for one. */
void hg_head_tick(struct hg_service *service);
/* Publish and keep a head now: a new connection, or the end. */
void hg_head_publish(struct hg_service *service);

#endif
