/* Commissioning in the running service; see commission_room.h. */
#include "service/commission_room.h"
#include "base/sat.h"
#include "base/text.h"
#include "base/why.h"
#include "journal/journal.h"
#include "service/kinds.h"
#include "service/service.h"
#include <openssl/evp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FILE_VERSION 1
#define DAY_MS       (INT64_C(24) * 3600 * 1000)

/* -- the room's part --------------------------------------------------------*/

static void free_part(struct hg_com_room *part)
{
    if (part == NULL)
        return;
    hg_com_room_drop(part);
    json_decref(part->done);
    json_decref(part->proof);
    json_decref(part->pending);
    free(part);
}

/* A member that is an object, as a new reference; NULL: none. */
static json_t *take_object(const json_t *json, const char *name)
{
    json_t *object = json_object_get(json, name);

    return json_is_object(object) ? json_incref(object) : NULL;
}

static int take_file(const json_t *json, struct hg_com_room *part)
{
    const json_t *current = json_object_get(json, "current");
    const json_t *told = json_object_get(json, "told");
    json_int_t stage = json_integer_value(json_object_get(told, "stage"));

    if (json_integer_value(json_object_get(json, "v")) != FILE_VERSION)
        return HG_ERR_CORRUPT;
    part->done = take_object(json, "done");
    part->proof = take_object(json, "proof");
    part->told_proof_ms =
        json_integer_value(json_object_get(told, "proof_at_ms"));
    part->told_stage = stage > 0 && stage <= 3 ? (unsigned int)stage : 0;
    if (!json_is_object(current))
        return 0;
    part->com = calloc(1, sizeof(*part->com));
    return part->com == NULL ? HG_ERR_MEMORY
                             : hg_com_from_json(current, part->com);
}

int hg_com_room_get(struct hg_service *service, struct hg_room *room,
                    struct hg_buf *why, struct hg_com_room **ret_part)
{
    const char *name = room->config->name;
    struct hg_com_room *part;
    json_t *json = NULL;
    int err;

    if (room->commission != NULL) {
        *ret_part = room->commission;
        return 0;
    }
    part = calloc(1, sizeof(*part));
    if (part == NULL) {
        hg_buf_add(why, "No memory for the record.");
        return HG_ERR_MEMORY;
    }
    err = hg_com_file_read(service->config->state_dir, name, why, &json);
    if (err == HG_ERR_NOT_FOUND)
        err = 0;
    else if (err == 0 && (err = take_file(json, part)) < 0)
        hg_buf_addf(why,
                    "commission/%s.json in the state directory is not as "
                    "heatgated writes it. Put a good copy in its place, or "
                    "move it away and begin again; what was recorded stands "
                    "in the journal.",
                    name);
    json_decref(json);
    if (err < 0) {
        free_part(part);
        return err;
    }
    room->commission = part;
    *ret_part = part;
    return 0;
}

int hg_com_room_save(struct hg_service *service, struct hg_room *room,
                     struct hg_buf *why)
{
    struct hg_com_room *part = room->commission;
    json_t *current =
        part->com == NULL ? json_null() : hg_com_json(part->com, false);
    json_t *json =
        json_pack("{s:i, s:o, s:O?, s:O?, s:{s:I, s:i}}", "v", FILE_VERSION,
                  "current", current, "done", part->done, "proof", part->proof,
                  "told", "proof_at_ms", (json_int_t)part->told_proof_ms,
                  "stage", (int)part->told_stage);
    int err = HG_ERR_MEMORY;

    if (json == NULL)
        hg_buf_add(why, "No memory for the record.");
    else
        err = hg_com_file_write(service->config->state_dir, room->config->name,
                                json, why);
    json_decref(json);
    if (err == 0)
        part->is_save_due = false;
    return err;
}

int hg_com_room_begin(struct hg_com_room *part, bool is_proof,
                      const struct hg_actor *actor, const char *by,
                      int64_t wall_ms)
{
    part->com = calloc(1, sizeof(*part->com));
    if (part->com == NULL)
        return HG_ERR_MEMORY;
    hg_com_begin(part->com, is_proof, actor, by, wall_ms);
    return 0;
}

void hg_com_room_drop(struct hg_com_room *part)
{
    hg_com_upload_free(part->upload);
    part->upload = NULL;
    free(part->com);
    part->com = NULL;
}

/* -- telemetry and time -----------------------------------------------------*/

struct hg_com_sight hg_com_room_sight(const struct hg_service *service,
                                      const struct hg_room *room)
{
    const struct hg_gate_state *gate = &room->gate;
    struct hg_com_sight sight;

    sight.at = service->now;
    sight.is_fresh = gate->stream.is_fresh;
    sight.is_remote = gate->session.is_active || gate->permit.is_live ||
                      gate->pending.kind != HG_PENDING_NONE;
    sight.is_echo = !hg_mono_reached(service->now.mono, gate->silent_until);
    sight.policy = &room->config->policy;
    sight.reading = &gate->stream.reading;
    return sight;
}

/*
 * A heater that its door does not cut must not be started from afar: the room
 * is locked in the name of whoever does the test, until somebody clears it
 * with a note.
 */
static void lock_room(struct hg_service *service, struct hg_room *room,
                      const struct hg_commission *com)
{
    struct hg_com_words words =
        hg_com_fault_words(com->step[HG_COM_STEP_CUT].fault);
    const char *kept = service->note;
    struct hg_event event;
    char note[256];

    snprintf(note, sizeof(note), "door test failed, %s: %s", words.code,
             words.text);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCKOUT_SET;
    event.asker.actor = com->actor;
    event.asker.is_allowed = true;
    event.lockout.what = HG_WHY_LOCKED_OUT;
    event.lockout.has_note = true;
    service->note = note;
    hg_room_step(service, room, &event);
    service->note = kept;
}

static void see(struct hg_service *service, struct hg_room *room,
                const struct hg_com_sight *sight, bool is_reading)
{
    struct hg_com_room *part = room->commission;

    if (part == NULL || part->com == NULL || part->pending_n != 0 ||
        !hg_com_see(part->com, sight, is_reading))
        return;
    part->is_save_due = true;
    if (hg_com_is_dangerous(part->com))
        lock_room(service, room, part->com);
}

void hg_com_feed(struct hg_service *service, struct hg_room *room)
{
    struct hg_com_sight sight;

    if (room->commission == NULL)
        return;
    sight = hg_com_room_sight(service, room);
    sight.at.mono = room->gate.stream.fresh_at;
    see(service, room, &sight, true);
}

static void save_due(struct hg_service *service, struct hg_room *room)
{
    char storage[HG_COM_WHY_BYTES];
    struct hg_buf why;

    if (!room->commission->is_save_due)
        return;
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_com_room_save(service, room, &why) == 0)
        return;
    room->commission->is_save_due = false; /* once is enough for the log */
    hg_log_line(&service->log, HG_LOG_ERROR, "%s: %s", room->config->name,
                storage);
}

/* -- notices ----------------------------------------------------------------*/

unsigned int hg_com_notice_stage(int64_t left_ms, uint64_t proof_ms)
{
    if (left_ms <= 0)
        return 3;
    if (left_ms <= 3 * DAY_MS && proof_ms > (uint64_t)(3 * DAY_MS))
        return 2;
    if (left_ms <= 14 * DAY_MS && proof_ms > (uint64_t)(14 * DAY_MS))
        return 1;
    return 0;
}

static void say_stage(struct hg_service *service, struct hg_room *room,
                      unsigned int stage, int64_t due_ms)
{
    char text[256], due[HG_WALL_TEXT_BYTES];
    struct hg_notice notice = { HG_LEVEL_WARNING, "proof-due", text };

    hg_text_from_wall(due_ms, due);
    if (stage == 3) {
        notice.code = hg_why_code(HG_WHY_PROOF_OVERDUE);
        snprintf(text, sizeof(text), "%s %s", hg_why_text(HG_WHY_PROOF_OVERDUE),
                 hg_why_remedy(HG_WHY_PROOF_OVERDUE));
    } else {
        snprintf(text, sizeof(text),
                 "The door test has to be repeated by %s, within %s; after "
                 "that remote starts are refused. On site: heatgate "
                 "commission %s --proof",
                 due, stage == 2 ? "3 days" : "14 days", room->config->name);
    }
    hg_show_say(service, room, &notice);
}

static void tell_proof(struct hg_service *service, struct hg_room *room)
{
    const struct hg_gate_state *gate = &room->gate;
    const struct hg_policy *policy = &room->config->policy;
    int64_t due_ms =
        hg_sat_add_i64(gate->proof_at_ms, (int64_t)policy->door_proof_ms);
    char storage[HG_COM_WHY_BYTES];
    struct hg_com_room *part;
    struct hg_buf why;
    unsigned int stage;

    if (policy->is_commissioning_waived || !gate->is_commissioned ||
        !service->now.wall.is_trusted)
        return;
    stage = hg_com_notice_stage(hg_sat_sub_i64(due_ms, service->now.wall.ms),
                                policy->door_proof_ms);
    if (stage == 0 || room->is_commission_bad)
        return;
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_com_room_get(service, room, &why, &part) < 0) {
        room->is_commission_bad = true; /* not read anew each second */
        hg_log_line(&service->log, HG_LOG_ERROR, "%s: %s", room->config->name,
                    storage);
        return;
    }
    if (part->told_proof_ms == gate->proof_at_ms && part->told_stage >= stage)
        return;
    part->told_proof_ms = gate->proof_at_ms;
    part->told_stage = stage;
    part->is_save_due = true;
    say_stage(service, room, stage, due_ms);
}

void hg_com_tick(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];
        struct hg_com_sight sight;

        if (room->is_gone)
            continue;
        tell_proof(service, room);
        if (room->commission == NULL)
            continue;
        sight = hg_com_room_sight(service, room);
        see(service, room, &sight, false);
        hg_com_settle(service, room);
        save_due(service, room);
    }
}

/* -- the finished record ----------------------------------------------------*/

static json_t *limits_json(const struct hg_config_room *config)
{
    static const char *const usage[] = {
        [HG_USAGE_PRIVATE] = "private",
        [HG_USAGE_SEMI_PUBLIC] = "semi-public",
        [HG_USAGE_PUBLIC] = "public",
    };
    const struct hg_policy *policy = &config->policy;

    return json_pack(
        "{s:s, s:I, s:o, s:o, s:o, s:I, s:I, s:I, s:I}", "usage_class",
        usage[policy->usage_class], "session_cap_min",
        (json_int_t)(policy->session_cap_ms / 60000), "target_min_c",
        hg_com_thousandths(policy->target_min_mc), "target_max_c",
        hg_com_thousandths(policy->target_max_mc), "over_temp_c",
        hg_com_thousandths(policy->over_temp_mc), "lease_ms",
        (json_int_t)policy->lease_ms, "door_hold_max_ms",
        (json_int_t)(policy->door_rule == HG_DOOR_RULE_HOLD
                         ? policy->door_hold_max_ms
                         : 0),
        "door_proof_days",
        (json_int_t)(policy->door_proof_ms / (uint64_t)DAY_MS), "heater_w",
        (json_int_t)policy->heater_w);
}

/* SHA-256 of the record as compact JSON with its members in order. */
static bool digest_of(const json_t *record, char out[HG_COM_DIGEST_BYTES])
{
    char *text = json_dumps(record, JSON_COMPACT | JSON_SORT_KEYS |
                                        HG_COM_REAL_PRECISION);
    unsigned char digest[EVP_MAX_MD_SIZE];
    unsigned int len = 0;
    bool is_done = text != NULL && EVP_Digest(text, strlen(text), digest, &len,
                                              EVP_sha256(), NULL) == 1;

    free(text);
    if (is_done)
        hg_hex_from_bytes(digest, len, out);
    return is_done;
}

static json_t *record_json(const struct hg_room *room,
                           const struct hg_commission *com,
                           char digest[HG_COM_DIGEST_BYTES])
{
    json_t *record = hg_com_json(com, false);

    if (record != NULL &&
        json_object_set_new(record, "room", json_string(room->config->name)) ==
            0 &&
        json_object_set_new(record, "label",
                            json_string(room->config->label)) == 0 &&
        json_object_set_new(record, "limits", limits_json(room->config)) == 0 &&
        digest_of(record, digest))
        return record;
    json_decref(record);
    return NULL;
}

static void tell_gate(struct hg_service *service, struct hg_room *room,
                      const struct hg_actor *actor, int64_t proof_at_ms)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMISSIONED;
    event.asker.actor = *actor;
    event.asker.is_allowed = true;
    event.proof_at_ms = proof_at_ms;
    hg_room_step(service, room, &event);
}

/*
 * First the whole record, then the event that opens the gate: its record
 * comes behind in the same chain, as does that of any start it allows. So
 * nothing that rests on the commissioning can last without it.
 */
uint64_t hg_com_record(struct hg_service *service, struct hg_room *room,
                       const struct hg_actor *actor)
{
    struct hg_com_room *part = room->commission;
    int64_t proof_at_ms = hg_com_proof_at(part->com);
    char digest[HG_COM_DIGEST_BYTES];
    json_t *record = record_json(room, part->com, digest);
    uint64_t n = 0;

    if (record != NULL)
        n = hg_record_put(
            service, HG_KIND_COMMISSION_RECORDED, room, actor,
            json_pack("{s:s, s:O}", "digest", digest, "record", record));
    if (n == 0) {
        json_decref(record);
        return 0;
    }
    part->pending =
        json_pack("{s:I, s:s, s:o, s:o, s:o}", "n", (json_int_t)n, "digest",
                  digest, "recorded_at", hg_json_wall(service->now.wall.ms),
                  "proof_at", hg_json_wall(proof_at_ms), "record", record);
    tell_gate(service, room, actor, proof_at_ms);
    part->pending_n = hg_journal_last(service->journal).n;
    return part->pending_n;
}

void hg_com_settle(struct hg_service *service, struct hg_room *room)
{
    struct hg_com_room *part = room->commission;

    if (part == NULL || part->pending_n == 0 ||
        hg_record_durable(service) < part->pending_n)
        return;
    if (part->com->is_proof) {
        json_decref(part->proof);
        part->proof = part->pending;
    } else {
        json_decref(part->done);
        json_decref(part->proof);
        part->done = part->pending;
        part->proof = NULL;
    }
    part->pending = NULL;
    part->pending_n = 0;
    hg_com_room_drop(part);
    part->is_save_due = true;
}

void hg_com_end(struct hg_service *service)
{
    for (size_t i = 0; service->room != NULL && i < service->room_count; i++) {
        free_part(service->room[i].commission);
        service->room[i].commission = NULL;
    }
}
