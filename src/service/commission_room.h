#ifndef HG_SERVICE_COMMISSION_ROOM_H
#define HG_SERVICE_COMMISSION_ROOM_H

/*
 * Commissioning in the running service: the record under way of each room,
 * fed with its telemetry, kept over restarts, made lasting in the journal,
 * and the notices before the proof of the door grows overdue.
 */
#include "base/buf.h"
#include "base/err.h"
#include "service/commission.h"
#include "service/commission_files.h"
#include <jansson.h>

struct hg_room;
struct hg_service;

#define HG_COM_WHY_BYTES 512

struct hg_com_room { /* of one room; read from its file when first needed */
    struct hg_commission *com;     /* under way, or NULL */
    struct hg_com_upload *upload;  /* under way, or NULL */
    char label[HG_COM_TEXT_BYTES]; /* of the upload */
    json_t *done;            /* the last full record with its number, or NULL */
    json_t *proof;           /* the last door test behind it, or NULL */
    uint64_t pending_n;      /* the record under way waits for this one … */
    json_t *pending;         /* … to become done or proof */
    int64_t told_proof_ms;   /* notices of this proof … */
    unsigned int told_stage; /* … up to this one were given */
    bool is_save_due;
};

/* The room's part, read now if it was not. Failures: told in why. */
HG_MUST_CHECK int hg_com_room_get(struct hg_service *service,
                                  struct hg_room *room, struct hg_buf *why,
                                  struct hg_com_room **ret_part);
/* Write its file. Failures: told in why. */
HG_MUST_CHECK int hg_com_room_save(struct hg_service *service,
                                   struct hg_room *room, struct hg_buf *why);
/* Begin a record (no other is under way). HG_ERR_MEMORY. */
HG_MUST_CHECK int hg_com_room_begin(struct hg_com_room *part, bool is_proof,
                                    const struct hg_actor *actor,
                                    const char *by, int64_t wall_ms);
/* Drop the one under way and its upload. */
void hg_com_room_drop(struct hg_com_room *part);

/* What the room shows now, for the record. */
struct hg_com_sight hg_com_room_sight(const struct hg_service *service,
                                      const struct hg_room *room);

/* A fresh reading was taken by the gate. */
void hg_com_feed(struct hg_service *service, struct hg_room *room);
/* Once a second: time limits, saving, notices. */
void hg_com_tick(struct hg_service *service);
/* The record that was waited for is durable: it is done. */
void hg_com_settle(struct hg_service *service, struct hg_room *room);

/*
 * Put the finished record into the journal and tell the gate. Returns the
 * number that has to become durable; 0: it could not be written.
 */
uint64_t hg_com_record(struct hg_service *service, struct hg_room *room,
                       const struct hg_actor *actor);

/*
 * Which notice is due for a proof: 0 none, 1 it grows overdue within 14
 * days, 2 within 3, 3 it is overdue. Stages longer than the proof lasts are
 * left out. Pure.
 */
unsigned int hg_com_notice_stage(int64_t left_ms, uint64_t proof_ms);

/* Free what all rooms hold. */
void hg_com_end(struct hg_service *service);

#endif
