/*
 * What outlives a run: the epoch and rooms.json. Saved a second after a
 * change and, when the disk is slow, at most a twentieth of the time. What
 * happened between the last save and a sudden end comes out of the journal
 * (replay.c).
 */
#include "service/store.h"
#include "base/sat.h"
#include "service/replay.h"
#include "service/saver.h"
#include "service/service.h"
#include "service/loop.h"
#include <stdlib.h>
#include <string.h>

#define SAVE_AFTER_MS 1000
#define SAVE_SHARE    20 /* times its own cost must pass between saves */
#define SAVE_RETRY_MS 5000
/* the controllers' message numbers are kept at least so often: what is older
 * than the last kept one is known as a replay after a sudden end */
#define SAVE_EVERY_MS 300000

int hg_memory_open(struct hg_service *service)
{
    char storage[HG_STORE_WHY_BYTES];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, storage, sizeof(storage));
    err =
        hg_store_open(service->config->state_dir, NULL, &why, &service->store);
    if (err == 0)
        err = hg_store_epoch_next(service->store, &why, &service->epoch);
    if (err < 0) {
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", storage);
        return err;
    }
    err = hg_saver_new(service->store, hg_wake_loop, service, &service->saver);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "cannot start the helper that saves rooms.json: %s; "
                    "free some memory or raise the limit of threads",
                    hg_err_text(err));
    return err;
}

static struct hg_store_stamp stamp_now(const struct hg_service *service)
{
    struct hg_store_stamp stamp;

    memset(&stamp, 0, sizeof(stamp));
    memcpy(stamp.boot_id, service->boot_id, sizeof(stamp.boot_id));
    stamp.at = service->now;
    return stamp;
}

static int recall_room(struct hg_service *service, struct hg_room *room)
{
    struct hg_store_stamp now = stamp_now(service);
    char storage[HG_STORE_WHY_BYTES];
    struct hg_store_room kept;
    struct hg_buf why;
    int err;

    hg_buf_init(&why, storage, sizeof(storage));
    memset(&kept, 0, sizeof(kept));
    err = hg_store_take_room(service->store, room->config->name, &now, &why,
                             &kept);
    if (err < 0 && err != HG_ERR_NOT_FOUND) {
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", storage);
        return err;
    }
    hg_forecast_begin(service, room, kept.warm_up);
    hg_replay_begin(service, room, &kept.memory, kept.journal_n, kept.energy);
    hg_store_room_release(&kept);
    return 0;
}

int hg_memory_recall(struct hg_service *service)
{
    int err = hg_replay_new(service);

    for (size_t i = 0; err == 0 && i < service->room_count; i++) {
        err = recall_room(service, &service->room[i]);
    }
    return err < 0 ? err : hg_replay_finish(service);
}

void hg_memory_changed(struct hg_service *service)
{
    if (service->is_memory_due)
        return;
    service->is_memory_due = true;
    if (service->memory_due_at.ms < service->now.mono.ms + SAVE_AFTER_MS)
        service->memory_due_at = hg_mono_add(service->now.mono, SAVE_AFTER_MS);
}

/* The room that is being rendered; its json dies with the next one's. */
struct saving {
    struct hg_service *service;
    json_t *warm_up, *energy;
};

static void drop_room(struct saving *saving)
{
    json_decref(saving->warm_up);
    json_decref(saving->energy);
    saving->warm_up = NULL;
    saving->energy = NULL;
}

static void get_room(void *context, size_t index, struct hg_store_room *room)
{
    struct saving *saving = context;
    const struct hg_room *from = &saving->service->room[index];
    const struct hg_gate_session *session = &from->gate.session;
    char by[HG_ACTOR_TEXT_BYTES];

    drop_room(saving);
    memcpy(room->name, from->config->name, sizeof(from->config->name));
    hg_gate_remember(&from->gate, &room->memory);
    /* what is not durable is replayed, which does no harm */
    room->journal_n = saving->service->saved_n;
    saving->warm_up = hg_forecast_numbers(from);
    room->warm_up = saving->warm_up;
    if (!session->is_active)
        return;
    /* so that a sudden end of the service can be told from a quiet room */
    hg_actor_text(&session->by.actor, by);
    saving->energy =
        json_pack("{s:s, s:s, s:I}", "heat_id", session->heat_id, "by", by,
                  "energy_wh", (json_int_t)hg_energy_wh(&from->energy));
    room->energy = saving->energy;
}

static int render(struct hg_service *service, char **ret_text, size_t *ret_len)
{
    struct hg_store_stamp now = stamp_now(service);
    struct saving saving = { service, NULL, NULL };
    struct hg_store_source source = { service->room_count, get_room, &saving };
    int err;

    service->saved_n = hg_record_durable(service);
    err = hg_store_render(service->store, &now, &source, ret_text, ret_len);
    drop_room(&saving);
    return err;
}

static void finish(struct hg_service *service)
{
    char why[HG_SAVER_WHY_BYTES];
    uint64_t cost_ms;
    int err;

    if (!hg_saver_poll(service->saver, &err, why))
        return;
    cost_ms = hg_mono_since(service->now.mono, service->saving_since);
    service->is_saving = false;
    service->memory_due_at =
        hg_mono_add(service->now.mono, cost_ms * SAVE_SHARE);
    if (err == 0)
        return;
    hg_log_line(&service->log, HG_LOG_ERROR, "%s", why);
    service->is_memory_due = true;
    service->memory_due_at = hg_mono_add(service->now.mono, SAVE_RETRY_MS);
}

void hg_memory_tick(struct hg_service *service)
{
    char *text;
    size_t len;
    int err;

    finish(service);
    if (hg_mono_since(service->now.mono, service->saving_since) >=
        SAVE_EVERY_MS)
        hg_memory_changed(service);
    if (!service->is_memory_due || service->is_saving ||
        !hg_mono_reached(service->now.mono, service->memory_due_at))
        return;
    err = render(service, &text, &len);
    if (err == 0)
        err = hg_saver_submit(service->saver, text, len);
    if (err < 0) {
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "cannot save rooms.json: %s; it is tried again",
                    hg_err_text(err));
        service->memory_due_at = hg_mono_add(service->now.mono, SAVE_RETRY_MS);
        return;
    }
    service->is_memory_due = false;
    service->is_saving = true;
    service->saving_since = service->now.mono;
}

void hg_memory_save(struct hg_service *service)
{
    char storage[HG_STORE_WHY_BYTES];
    struct hg_buf why;
    char *text = NULL;
    size_t len;
    int err;

    hg_saver_free(service->saver);
    service->saver = NULL;
    hg_buf_init(&why, storage, sizeof(storage));
    err = render(service, &text, &len);
    if (err == 0)
        err = hg_store_write(service->store, text, len, &why);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "rooms.json was not saved (%s): %s", hg_err_text(err),
                    storage);
    free(text);
}

int hg_memory_raise_epoch(struct hg_service *service, uint64_t epoch)
{
    char storage[HG_STORE_WHY_BYTES];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_store_epoch_raise(service->store, epoch, &why);
    if (err < 0)
        hg_log_line(&service->log, HG_LOG_ERROR, "%s", storage);
    return err;
}

void hg_memory_close(struct hg_service *service)
{
    hg_saver_free(service->saver);
    service->saver = NULL;
    hg_store_close(service->store);
    service->store = NULL;
}
