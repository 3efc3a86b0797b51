/*
 * commission.*: the guided record over the admin socket. A step that shows a
 * fault is an answer, not an error: the person has to see it and go on.
 */
#include "base/sat.h"
#include "base/text.h"
#include "service/answer.h"
#include "service/commission_room.h"
#include "service/handlers.h"
#include "service/service.h"
#include <math.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BASE64_BYTES ((HG_COM_PIECE_BYTES + 2) / 3 * 4 + 1) /* with NUL */

struct com_call {
    struct hg_service *service;
    const struct hg_api_call *call;
    struct hg_room *room;
    struct hg_com_room *part;
    json_t *data; /* of a step; borrowed, may be NULL */
};

static void fail(const struct com_call *c, int code, const char *message)
{
    hg_api_reply_error(c->call->reply, code, message, NULL);
}

/* -- the state --------------------------------------------------------------*/

static json_t *state_json(const struct com_call *c)
{
    const struct hg_gate_state *gate = &c->room->gate;
    const struct hg_policy *policy = &c->room->config->policy;
    json_t *proof_at = json_null(), *due_at = json_null();
    json_t *current = json_null();

    if (gate->is_commissioned) {
        proof_at = hg_json_wall(gate->proof_at_ms);
        due_at = hg_json_wall(
            hg_sat_add_i64(gate->proof_at_ms, (int64_t)policy->door_proof_ms));
    }
    if (c->part->com != NULL)
        current = hg_com_json(c->part->com, true);
    return json_pack("{s:s, s:s, s:b, s:b, s:o, s:o, s:o, s:O?, s:O?}", "room",
                     c->room->config->name, "label", c->room->config->label,
                     "commissioned", (int)gate->is_commissioned, "waived",
                     (int)policy->is_commissioning_waived, "proof_at", proof_at,
                     "proof_due_at", due_at, "current", current, "done",
                     c->part->done, "proof", c->part->proof);
}

static void answer_result(const struct com_call *c, json_t *result)
{
    if (result == NULL)
        fail(c, HG_RPC_INTERNAL_ERROR, "No memory for the answer.");
    else
        hg_api_reply_result(c->call->reply, result);
}

/* Answer with the state, after the file holds it. */
static void answer_saved(struct com_call *c)
{
    char storage[HG_COM_WHY_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_com_room_save(c->service, c->room, &why) < 0)
        fail(c, HG_RPC_UNAVAILABLE, storage);
    else
        answer_result(c, state_json(c));
}

/* The room's part; false: it was answered. */
static bool begin(struct com_call *c, struct hg_service *service,
                  const struct hg_api_call *call)
{
    char storage[HG_COM_WHY_BYTES];
    struct hg_buf why;

    memset(c, 0, sizeof(*c));
    c->service = service;
    c->call = call;
    c->room = hg_call_room(service, call);
    c->data = json_object_get(call->params, "data");
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_com_room_get(service, c->room, &why, &c->part) < 0) {
        fail(c, HG_RPC_UNAVAILABLE, storage);
        return false;
    }
    hg_com_settle(service, c->room);
    return true;
}

/* The same, and a record is under way. */
static bool begin_current(struct com_call *c, struct hg_service *service,
                          const struct hg_api_call *call)
{
    if (!begin(c, service, call))
        return false;
    if (c->part->com == NULL) {
        fail(c, HG_RPC_UNKNOWN,
             "No commissioning of this room is under way. Begin one.");
        return false;
    }
    if (c->part->pending_n != 0) {
        fail(c, HG_RPC_UNAVAILABLE,
             "The finished record is being written; ask again in a moment.");
        return false;
    }
    return true;
}

/* -- photographs, out -------------------------------------------------------*/

static const json_t *find_photo(const json_t *record, const char *sha256)
{
    const json_t *photos = json_object_get(record, "photos");

    for (size_t i = 0; i < json_array_size(photos); i++) {
        const json_t *photo = json_array_get(photos, i);
        const char *digest =
            json_string_value(json_object_get(photo, "sha256"));

        if (digest != NULL && strcmp(digest, sha256) == 0)
            return photo;
    }
    return NULL;
}

/* Only what the last record names is given out: no path is taken from here. */
static void answer_photo(struct com_call *c, const char *sha256)
{
    const json_t *photo =
        find_photo(json_object_get(c->part->done, "record"), sha256);
    const char *type = json_string_value(json_object_get(photo, "type"));
    char bytes[HG_COM_PIECE_BYTES + 1];
    char base64[BASE64_BYTES];
    uint64_t offset = 0;
    struct hg_buf piece;

    (void)hg_call_whole(c->call, "offset", &offset);
    hg_buf_init(&piece, bytes, sizeof(bytes));
    if (type == NULL ||
        hg_com_photo_read(c->service->config->state_dir, sha256,
                          strcmp(type, "image/png") == 0, offset, &piece) < 0) {
        fail(c, HG_RPC_UNKNOWN,
             "There is no such photograph in the last record, or its file in "
             "the state directory is gone.");
        return;
    }
    (void)EVP_EncodeBlock((unsigned char *)base64, (unsigned char *)bytes,
                          (int)piece.len);
    answer_result(
        c, json_pack("{s:s, s:s, s:I, s:O, s:s}", "room", c->room->config->name,
                     "photo", sha256, "offset", (json_int_t)offset, "of",
                     json_object_get(photo, "bytes"), "base64", base64));
}

void hg_handle_commission_state(struct hg_service *service,
                                const struct hg_api_call *call)
{
    const char *photo = hg_call_text(call, "photo");
    struct com_call c;

    if (!begin(&c, service, call))
        return;
    if (photo != NULL)
        answer_photo(&c, photo);
    else
        answer_result(&c, state_json(&c));
}

/* -- names ------------------------------------------------------------------*/

static bool is_name(const json_t *value)
{
    const char *text = json_string_value(value);
    size_t len = json_string_length(value);

    return text != NULL && len > 0 && len < HG_COM_TEXT_BYTES &&
           text[strspn(text, " ")] != '\0' && hg_text_is_plain_utf8(text, len);
}

/* Take the names in; false: it was answered. All four, or for a proof any. */
static bool take_names(const struct com_call *c, const json_t *names)
{
    struct hg_commission *com = c->part->com;
    char message[160];

    for (int i = 0; i < HG_COM_NAMES; i++) {
        const char *id = hg_com_name_id((enum hg_com_name)i);
        const json_t *value = json_object_get(names, id);

        if (is_name(value) || (value == NULL && com->is_proof))
            continue;
        snprintf(message, sizeof(message),
                 "names: '%s' has to be a text of 1 to %d bytes without "
                 "control characters.",
                 id, HG_COM_TEXT_BYTES - 1);
        fail(c, HG_RPC_INVALID_PARAMS, message);
        return false;
    }
    memset(com->name, 0, sizeof(com->name));
    for (int i = 0; i < HG_COM_NAMES; i++) {
        const json_t *value =
            json_object_get(names, hg_com_name_id((enum hg_com_name)i));

        if (value != NULL)
            memcpy(com->name[i], json_string_value(value),
                   json_string_length(value));
    }
    return true;
}

/* -- begin, abandon, finish -------------------------------------------------*/

static bool may_begin(const struct com_call *c, bool is_proof)
{
    if (c->part->com != NULL) {
        fail(c, HG_RPC_UNAVAILABLE,
             "A commissioning of this room is under way. Go on with it, or "
             "abandon it first.");
        return false;
    }
    if (is_proof && !c->room->gate.is_commissioned) {
        hg_answer_refused(c->call->reply, HG_WHY_BIT(HG_WHY_NOT_COMMISSIONED));
        return false;
    }
    return true;
}

void hg_handle_commission_begin(struct hg_service *service,
                                const struct hg_api_call *call)
{
    const char *kind = hg_call_text(call, "kind");
    bool is_proof = kind != NULL && strcmp(kind, "proof") == 0;
    json_t *names = json_object_get(call->params, "names");
    struct hg_com_sight sight;
    struct com_call c;

    if (!begin(&c, service, call) || !may_begin(&c, is_proof))
        return;
    if (hg_com_room_begin(c.part, is_proof, &call->caller->actor,
                          call->caller->who, service->now.wall.ms) < 0) {
        fail(&c, HG_RPC_INTERNAL_ERROR, "No memory for the record.");
        return;
    }
    if (names != NULL) {
        if (!take_names(&c, names)) {
            hg_com_room_drop(c.part);
            return;
        }
        sight = hg_com_room_sight(service, c.room);
        hg_com_take_names(c.part->com, &sight);
    }
    answer_saved(&c);
}

void hg_handle_commission_abandon(struct hg_service *service,
                                  const struct hg_api_call *call)
{
    struct com_call c;

    if (!begin_current(&c, service, call))
        return;
    hg_com_room_drop(c.part);
    answer_saved(&c);
}

/* What is still to be done, as the reasons of a refusal. */
static void refuse_unfinished(const struct com_call *c, enum hg_com_step next)
{
    const struct hg_com_result *result = &c->part->com->step[next];
    struct hg_com_words words = hg_com_fault_words(
        result->mark == HG_COM_FAILED ? result->fault : HG_COM_BEFORE);
    char message[160];

    snprintf(message, sizeof(message),
             "Refused: the step '%s' has not passed yet. Do it, then finish.",
             hg_com_step_id(next));
    hg_api_reply_error(c->call->reply, HG_RPC_REFUSED, message,
                       json_pack("{s:s, s:[{s:s, s:s, s:s}]}", "step",
                                 hg_com_step_id(next), "reasons", "code",
                                 words.code, "text", words.text, "remedy",
                                 words.remedy));
}

static json_t *finished_json(const struct com_call *c)
{
    const json_t *done = c->part->pending;

    return json_pack("{s:s, s:O, s:O, s:O, s:O}", "room", c->room->config->name,
                     "n", json_object_get(done, "n"), "digest",
                     json_object_get(done, "digest"), "recorded_at",
                     json_object_get(done, "recorded_at"), "proof_at",
                     json_object_get(done, "proof_at"));
}

void hg_handle_commission_finish(struct hg_service *service,
                                 const struct hg_api_call *call)
{
    enum hg_com_step next;
    struct hg_ask *ask;
    struct com_call c;
    uint64_t n;

    if (!begin_current(&c, service, call))
        return;
    next = hg_com_next(c.part->com);
    if (next != HG_COM_STEP_NONE) {
        refuse_unfinished(&c, next);
        return;
    }
    /* a room that nobody can show to be commissioned is none */
    if (!service->is_journal_ok) {
        hg_answer_refused(call->reply, HG_WHY_BIT(HG_WHY_JOURNAL_UNAVAILABLE));
        return;
    }
    ask = hg_call_ask(service, call, c.room);
    if (ask == NULL)
        return;
    n = hg_com_record(service, c.room, &call->caller->actor);
    if (n == 0)
        hg_asks_error(service->asks, ask, HG_RPC_UNAVAILABLE,
                      "It could not be recorded: the journal cannot be "
                      "written. Free disk space or mend the disk, then finish "
                      "again.",
                      NULL);
    else
        hg_asks_hold(service->asks, ask, n, finished_json(&c));
}

/* -- the steps --------------------------------------------------------------*/

static bool wants(const struct com_call *c, const char *what)
{
    char message[200];

    snprintf(message, sizeof(message), "data: %s", what);
    fail(c, HG_RPC_INVALID_PARAMS, message);
    return false;
}

/* Each: do the step; false: it was answered already. */

static bool step_names(struct com_call *c, const struct hg_com_sight *sight)
{
    if (!take_names(c, c->data))
        return false;
    hg_com_take_names(c->part->com, sight);
    return true;
}

static bool step_placement(struct com_call *c, const struct hg_com_sight *sight)
{
    const json_t *agreed = json_object_get(c->data, "agreed");
    unsigned int bits = 0;

    if (!json_is_array(agreed))
        return wants(c, "'agreed' has to be the ids of the statements.");
    for (size_t i = 0; i < json_array_size(agreed); i++) {
        const char *id = json_string_value(json_array_get(agreed, i));

        for (size_t j = 0; id != NULL && j < HG_COM_STATEMENTS; j++)
            if (strcmp(hg_com_statement(j)->id, id) == 0)
                bits |= 1u << j;
    }
    hg_com_agree(c->part->com, sight, bits);
    return true;
}

static bool step_door(struct com_call *c, const struct hg_com_sight *sight)
{
    const char *say = json_string_value(json_object_get(c->data, "say"));

    if (say == NULL || (strcmp(say, "open") != 0 && strcmp(say, "closed") != 0))
        return wants(c, "'say' has to be \"open\" or \"closed\".");
    hg_com_say_door(c->part->com, sight,
                    say[0] == 'o' ? HG_DOOR_OPEN : HG_DOOR_CLOSED);
    return true;
}

static bool step_sensor(struct com_call *c, const struct hg_com_sight *sight)
{
    const json_t *value = json_object_get(c->data, "thermometer_c");
    double celsius = json_number_value(value);

    if (!json_is_number(value) || !(celsius >= -40 && celsius <= 150))
        return wants(c, "'thermometer_c' has to be a number from -40 to 150.");
    hg_com_measure(c->part->com, sight, (int32_t)lround(celsius * 1000));
    return true;
}

static bool step_heat(struct com_call *c, const struct hg_com_sight *sight)
{
    hg_com_watch(c->part->com, sight, HG_COM_STEP_HEAT);
    return true;
}

static bool step_cut(struct com_call *c, const struct hg_com_sight *sight)
{
    hg_com_watch(c->part->com, sight, HG_COM_STEP_CUT);
    return true;
}

static bool step_module(struct com_call *c, const struct hg_com_sight *sight)
{
    hg_com_module(c->part->com, sight);
    return true;
}

/* -- photographs, in --------------------------------------------------------*/

/* Bytes of a base64 text (RFC 4648, section 4); -1: it is none. */
static int decode(const json_t *base64, unsigned char *bytes)
{
    const char *text = json_string_value(base64);
    size_t len = json_string_length(base64);
    int got;

    if (text == NULL || len == 0 || len % 4 != 0 || len >= BASE64_BYTES ||
        strspn(text, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
                     "0123456789+/=") != len)
        return -1;
    got = EVP_DecodeBlock(bytes, (const unsigned char *)text, (int)len);
    if (got < 0)
        return -1;
    return got - (text[len - 1] == '=') - (text[len - 2] == '=');
}

/* The upload that this piece goes on with, or a new one; NULL: answered. */
static struct hg_com_upload *upload_for(struct com_call *c, struct hg_buf *why)
{
    json_int_t offset = json_integer_value(json_object_get(c->data, "offset"));
    json_int_t of = json_integer_value(json_object_get(c->data, "of"));
    const json_t *label = json_object_get(c->data, "label");
    struct hg_com_upload *upload = c->part->upload;

    if (offset == 0) {
        if (!is_name(label)) {
            wants(c, "'label' has to say what the photograph shows.");
            return NULL;
        }
        hg_com_upload_free(upload);
        c->part->upload = NULL;
        memset(c->part->label, 0, sizeof(c->part->label));
        memcpy(c->part->label, json_string_value(label),
               json_string_length(label));
        if (hg_com_upload_new(c->service->config->state_dir,
                              c->room->config->name, of > 0 ? (uint64_t)of : 0,
                              why, &c->part->upload) < 0) {
            fail(c, HG_RPC_INVALID_PARAMS, why->bytes);
            return NULL;
        }
        return c->part->upload;
    }
    if (upload != NULL && offset > 0 &&
        hg_com_upload_offset(upload) == (uint64_t)offset)
        return upload;
    wants(c, "'offset' does not go on where the last piece ended. Send the "
             "photograph from its beginning.");
    return NULL;
}

/* All pieces are there; false: it was answered. */
static bool end_upload(struct com_call *c, struct hg_buf *why)
{
    struct hg_com_photo photo;
    int err = hg_com_upload_finish(c->part->upload, why, &photo);

    hg_com_upload_free(c->part->upload);
    c->part->upload = NULL;
    if (err < 0) {
        fail(c, HG_RPC_UNAVAILABLE, why->bytes);
        return false;
    }
    memcpy(photo.label, c->part->label, sizeof(photo.label));
    if (hg_com_add_photo(c->part->com, &photo))
        return true;
    fail(c, HG_RPC_UNAVAILABLE,
         "The record holds as many photographs as it can.");
    return false;
}

static bool take_piece(struct com_call *c)
{
    unsigned char bytes[HG_COM_PIECE_BYTES + 3];
    int len = decode(json_object_get(c->data, "base64"), bytes);
    char storage[HG_COM_WHY_BYTES];
    struct hg_com_upload *upload;
    struct hg_buf why;
    int err;

    if (len <= 0)
        return wants(c, "'base64' has to hold 1 byte to 30 KiB (RFC 4648).");
    hg_buf_init(&why, storage, sizeof(storage));
    upload = upload_for(c, &why);
    if (upload == NULL)
        return false;
    err = hg_com_upload_add(upload, bytes, (size_t)len, &why);
    if (err < 0) {
        hg_com_upload_free(upload);
        c->part->upload = NULL;
        fail(c,
             err == HG_ERR_SYSTEM ? HG_RPC_UNAVAILABLE : HG_RPC_INVALID_PARAMS,
             storage);
        return false;
    }
    if (hg_com_upload_offset(upload) == hg_com_upload_of(upload))
        return end_upload(c, &why);
    answer_result(c, json_pack("{s:s, s:I}", "room", c->room->config->name,
                               "offset",
                               (json_int_t)hg_com_upload_offset(upload)));
    return false;
}

static bool step_photos(struct com_call *c, const struct hg_com_sight *sight)
{
    if (json_object_get(c->data, "base64") != NULL)
        return take_piece(c);
    hg_com_end_photos(c->part->com, sight);
    return true;
}

void hg_handle_commission_step(struct hg_service *service,
                               const struct hg_api_call *call)
{
    static bool (*const DO[HG_COM_STEPS])(struct com_call *,
                                          const struct hg_com_sight *) = {
        [HG_COM_STEP_NAMES] = step_names,
        [HG_COM_STEP_PLACEMENT] = step_placement,
        [HG_COM_STEP_DOOR] = step_door,
        [HG_COM_STEP_SENSOR] = step_sensor,
        [HG_COM_STEP_HEAT] = step_heat,
        [HG_COM_STEP_CUT] = step_cut,
        [HG_COM_STEP_MODULE] = step_module,
        [HG_COM_STEP_PHOTOS] = step_photos,
    };
    enum hg_com_step step = hg_com_step_find(hg_call_text(call, "step"));
    struct hg_com_sight sight;
    struct com_call c;

    if (!begin_current(&c, service, call))
        return;
    if (step == HG_COM_STEP_NONE) {
        fail(&c, HG_RPC_INVALID_PARAMS,
             "step: one of names, placement, door, sensor, heat, cut, module, "
             "photos is wanted.");
        return;
    }
    sight = hg_com_room_sight(service, c.room);
    if (DO[step](&c, &sight))
        answer_saved(&c);
}
