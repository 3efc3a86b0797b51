/* The record of commissioning as JSON and back; see commission.h. */
#include "base/err.h"
#include "base/text.h"
#include "service/commission.h"
#include <math.h>
#include <string.h>

#define VERSION   1
#define VALUE_MAX 9007199254740991.0 /* 2^53 - 1 */

static const char *const MARKS[] = {
    [HG_COM_TODO] = "todo",
    [HG_COM_WATCHING] = "watching",
    [HG_COM_PASSED] = "passed",
    [HG_COM_FAILED] = "failed",
};

static const char *const DOORS[] = {
    [HG_DOOR_UNKNOWN] = "unknown",
    [HG_DOOR_OPEN] = "open",
    [HG_DOOR_CLOSED] = "closed",
};

/* What is waited for in a watched step, in words for a program. */
static const char *const PHASES[] = {
    [HG_COM_PHASE_QUIET] = "quiet", [HG_COM_PHASE_NONE] = "say",
    [HG_COM_PHASE_DOOR] = "settle", [HG_COM_PHASE_START] = "start-heat",
    [HG_COM_PHASE_RISE] = "rise",   [HG_COM_PHASE_OPEN] = "open-door",
    [HG_COM_PHASE_OFF] = "off",     [HG_COM_PHASE_STAY] = "keep-open",
    [HG_COM_PHASE_AFTER] = "after",
};

static const struct {
    enum hg_com_step step;
    const char *member;
    int scale; /* 1 or 1000 */
} VALUES[HG_COM_VALUES] = {
#define ROW(name, step, member, scale)                                         \
    [HG_COM_VALUE_##name] = { HG_COM_STEP_##step, member, scale },
    HG_COM_VALUE_LIST(ROW)
#undef ROW
};

/* -- out --------------------------------------------------------------------*/

/* All that could go wrong below is memory: gathered, asked once. */
struct out {
    bool is_short;
};

static void put(struct out *out, json_t *object, const char *name,
                json_t *value_taken)
{
    if (json_object_set_new(object, name, value_taken) != 0)
        out->is_short = true;
}

static void append(struct out *out, json_t *array, json_t *value_taken)
{
    if (json_array_append_new(array, value_taken) != 0)
        out->is_short = true;
}

static json_t *wall_json(int64_t ms)
{
    char text[HG_WALL_TEXT_BYTES];

    hg_text_from_wall(ms, text);
    return json_string(text);
}

static json_t *fault_json(enum hg_com_fault fault, bool has_words)
{
    struct hg_com_words words = hg_com_fault_words(fault);

    if (fault == HG_COM_OK)
        return json_null();
    if (!has_words)
        return json_string(words.code);
    return json_pack("{s:s, s:s, s:s}", "code", words.code, "text", words.text,
                     "remedy", words.remedy);
}

static json_t *doors_json(struct out *out, const struct hg_commission *com)
{
    json_t *read = json_array();

    for (unsigned int i = 0; i < com->said && i < HG_COUNT(com->read); i++)
        append(out, read, json_string(DOORS[com->read[i]]));
    return read;
}

static json_t *agreed_json(struct out *out, const struct hg_commission *com)
{
    json_t *agreed = json_array();

    for (size_t i = 0; i < HG_COM_STATEMENTS; i++)
        if (com->agreed & (1u << i))
            append(out, agreed, json_string(hg_com_statement(i)->id));
    return agreed;
}

json_t *hg_com_thousandths(int64_t value)
{
    return value % 1000 == 0 ? json_integer((json_int_t)(value / 1000))
                             : json_real((double)value / 1000);
}

static json_t *value_json(const struct hg_commission *com, size_t i)
{
    return VALUES[i].scale == 1000 ? hg_com_thousandths(com->value[i])
                                   : json_integer((json_int_t)com->value[i]);
}

static json_t *step_json(struct out *out, const struct hg_commission *com,
                         enum hg_com_step step, bool has_words)
{
    const struct hg_com_result *result = &com->step[step];
    json_t *json = json_pack(
        "{s:s, s:s, s:o, s:o}", "step", hg_com_step_id(step), "state",
        MARKS[result->mark], "fault", fault_json(result->fault, has_words),
        "at",
        result->mark == HG_COM_TODO ? json_null() : wall_json(result->at_ms));

    for (size_t i = 0; i < HG_COM_VALUES; i++)
        if (VALUES[i].step == step && com->has_value[i])
            put(out, json, VALUES[i].member, value_json(com, i));
    if (step == HG_COM_STEP_DOOR)
        put(out, json, "read", doors_json(out, com));
    if (step == HG_COM_STEP_PLACEMENT)
        put(out, json, "agreed", agreed_json(out, com));
    if (!has_words)
        return json;
    put(out, json, "text", json_string(hg_com_step_text(step)));
    if (com->watch.step == step)
        put(out, json, "waits_for", json_string(PHASES[com->watch.phase]));
    return json;
}

static json_t *names_json(struct out *out, const struct hg_commission *com)
{
    json_t *names = json_object();

    for (int i = 0; i < HG_COM_NAMES; i++)
        if (com->name[i][0] != '\0')
            put(out, names, hg_com_name_id((enum hg_com_name)i),
                json_string(com->name[i]));
    return names;
}

static json_t *photos_json(struct out *out, const struct hg_commission *com)
{
    json_t *photos = json_array();

    for (size_t i = 0; i < com->photos; i++) {
        const struct hg_com_photo *photo = &com->photo[i];

        append(out, photos,
               json_pack("{s:s, s:s, s:I, s:s}", "sha256", photo->sha256,
                         "label", photo->label, "bytes",
                         (json_int_t)photo->bytes, "type",
                         photo->is_png ? "image/png" : "image/jpeg"));
    }
    return photos;
}

static json_t *statements_json(struct out *out)
{
    json_t *list = json_array();

    for (size_t i = 0; i < HG_COM_STATEMENTS; i++)
        append(out, list,
               json_pack("{s:s, s:s}", "id", hg_com_statement(i)->id, "text",
                         hg_com_statement(i)->text));
    return list;
}

static const char *role_word(enum hg_role role)
{
    return role == HG_ROLE_OWNER ? "owner" : "manager";
}

json_t *hg_com_json(const struct hg_commission *com, bool has_words)
{
    struct out out = { false };
    json_t *json =
        json_pack("{s:i, s:s, s:s, s:s, s:s, s:o}", "v", VERSION, "kind",
                  com->is_proof ? "proof" : "full", "by", com->by, "role",
                  role_word(com->actor.role), "actor", com->actor.id,
                  "begun_at", wall_json(com->begun_at_ms));
    json_t *steps = json_array();

    for (int i = HG_COM_STEP_NONE + 1; i < HG_COM_STEPS; i++)
        if (hg_com_needs(com, (enum hg_com_step)i))
            append(&out, steps,
                   step_json(&out, com, (enum hg_com_step)i, has_words));
    put(&out, json, "names", names_json(&out, com));
    put(&out, json, "steps", steps);
    put(&out, json, "photos", photos_json(&out, com));
    if (has_words) {
        enum hg_com_step next = hg_com_next(com);

        put(&out, json, "statements", statements_json(&out));
        put(&out, json, "next",
            next == HG_COM_STEP_NONE ? json_null()
                                     : json_string(hg_com_step_id(next)));
    }
    if (!out.is_short)
        return json;
    json_decref(json);
    return NULL;
}

/* -- back -------------------------------------------------------------------*/

static const char *text_of(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));

    return text == NULL ? "" : text;
}

/* Index of a word; -1: none. */
static int find(const char *const *words, size_t count, const char *word)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(words[i], word) == 0)
            return (int)i;
    return -1;
}

static int take_doors(const json_t *read, struct hg_commission *com)
{
    size_t count = json_array_size(read);

    if (!json_is_array(read) || count > HG_COUNT(com->read))
        return HG_ERR_CORRUPT;
    for (size_t i = 0; i < count; i++) {
        const char *word = json_string_value(json_array_get(read, i));
        int door = word == NULL ? -1 : find(DOORS, HG_COUNT(DOORS), word);

        if (door < 0)
            return HG_ERR_CORRUPT;
        com->read[i] = (enum hg_door)door;
    }
    com->said = (unsigned int)count;
    return 0;
}

static int take_agreed(const json_t *agreed, struct hg_commission *com)
{
    if (!json_is_array(agreed))
        return HG_ERR_CORRUPT;
    for (size_t i = 0; i < json_array_size(agreed); i++) {
        const char *id = json_string_value(json_array_get(agreed, i));

        for (size_t j = 0; id != NULL && j < HG_COM_STATEMENTS; j++)
            if (strcmp(hg_com_statement(j)->id, id) == 0)
                com->agreed |= 1u << j;
    }
    return 0;
}

static int take_step(const json_t *json, struct hg_commission *com)
{
    enum hg_com_step step = hg_com_step_find(text_of(json, "step"));
    const char *code = text_of(json, "fault");
    int state = find(MARKS, HG_COUNT(MARKS), text_of(json, "state"));
    struct hg_com_result *result = &com->step[step];

    if (step == HG_COM_STEP_NONE || state < 0)
        return HG_ERR_CORRUPT;
    result->mark = (enum hg_com_mark)state;
    result->fault = hg_com_fault_find(code);
    if ((code[0] != '\0' && result->fault == HG_COM_OK) ||
        (result->mark != HG_COM_TODO &&
         hg_text_to_wall(text_of(json, "at"), &result->at_ms) < 0))
        return HG_ERR_CORRUPT;
    for (size_t i = 0; i < HG_COM_VALUES; i++) {
        const json_t *value = json_object_get(json, VALUES[i].member);

        if (VALUES[i].step != step || value == NULL)
            continue;
        if (!json_is_number(value) ||
            fabs(json_number_value(value)) > VALUE_MAX)
            return HG_ERR_CORRUPT;
        com->has_value[i] = true;
        com->value[i] = llround(json_number_value(value) * VALUES[i].scale);
    }
    if (step == HG_COM_STEP_DOOR)
        return take_doors(json_object_get(json, "read"), com);
    if (step == HG_COM_STEP_PLACEMENT)
        return take_agreed(json_object_get(json, "agreed"), com);
    return 0;
}

static int take_photo(const json_t *json, struct hg_commission *com)
{
    struct hg_com_photo photo;
    const char *type = text_of(json, "type");
    json_int_t bytes = json_integer_value(json_object_get(json, "bytes"));

    memset(&photo, 0, sizeof(photo));
    photo.is_png = strcmp(type, "image/png") == 0;
    photo.bytes = bytes > 0 ? (uint64_t)bytes : 0;
    if (hg_text_copy(photo.sha256, sizeof(photo.sha256),
                     text_of(json, "sha256")) < 0 ||
        strlen(photo.sha256) != HG_COM_DIGEST_BYTES - 1 ||
        hg_text_copy(photo.label, sizeof(photo.label), text_of(json, "label")) <
            0 ||
        photo.bytes == 0 || !hg_com_add_photo(com, &photo))
        return HG_ERR_CORRUPT;
    return 0;
}

static int take_head(const json_t *json, struct hg_commission *com)
{
    const char *kind = text_of(json, "kind");
    const json_t *names = json_object_get(json, "names");

    com->is_proof = strcmp(kind, "proof") == 0;
    if (json_integer_value(json_object_get(json, "v")) != VERSION ||
        (!com->is_proof && strcmp(kind, "full") != 0) ||
        hg_text_copy(com->by, sizeof(com->by), text_of(json, "by")) < 0 ||
        hg_text_copy(com->actor.id, sizeof(com->actor.id),
                     text_of(json, "actor")) < 0 ||
        hg_text_to_wall(text_of(json, "begun_at"), &com->begun_at_ms) < 0)
        return HG_ERR_CORRUPT;
    com->actor.role = strcmp(text_of(json, "role"), "owner") == 0
                          ? HG_ROLE_OWNER
                          : HG_ROLE_MANAGER;
    for (int i = 0; i < HG_COM_NAMES; i++)
        if (hg_text_copy(com->name[i], sizeof(com->name[i]),
                         text_of(names, hg_com_name_id((enum hg_com_name)i))) <
            0)
            return HG_ERR_CORRUPT;
    return 0;
}

int hg_com_from_json(const json_t *json, struct hg_commission *ret_com)
{
    const json_t *steps = json_object_get(json, "steps");
    const json_t *photos = json_object_get(json, "photos");
    struct hg_commission com;
    int err;

    memset(&com, 0, sizeof(com));
    err = take_head(json, &com);
    for (size_t i = 0; err == 0 && i < json_array_size(steps); i++)
        err = take_step(json_array_get(steps, i), &com);
    for (size_t i = 0; err == 0 && i < json_array_size(photos); i++)
        err = take_photo(json_array_get(photos, i), &com);
    if (err < 0)
        return err;
    hg_com_interrupt(&com, com.begun_at_ms);
    *ret_com = com;
    return 0;
}
