/*
 * Owns the form of one room in rooms.json. Words, not numbers, for every
 * enumeration: a later program with a longer list still reads them right.
 * Reading is strict; what is not understood is not dropped, because it could
 * be a lockout.
 */
#include "base/text.h"
#include "base/why.h"
#include "service/store_parts.h"
#include <string.h>

static const char *const role_word[] = {
    "none",    "guest", "caretaker",  "integrator",
    "manager", "owner", "controller", "gateway",
};
static const char *const check_word[] = { "none", "valid", "void", "expired",
                                          "used" };

/* -- writing ----------------------------------------------------------------*/

/* the key of a member; after "{" the first one, else behind a comma */
static void put_key(struct hg_store_text *text, const char *key)
{
    if (text->len > 0 && text->bytes[text->len - 1] != '{')
        hg_store_text_add(text, ",", 1);
    hg_store_text_add(text, "\"", 1);
    hg_store_text_add(text, key, strlen(key));
    hg_store_text_add(text, "\":", 2);
}

static void put_u64(struct hg_store_text *text, const char *key, uint64_t value)
{
    char digits[20];
    size_t at = sizeof(digits);

    if (value > INT64_MAX)
        value = INT64_MAX; /* the largest that the JSON library reads */
    do {
        digits[--at] = (char)('0' + value % 10);
        value /= 10;
    } while (value > 0);
    if (key != NULL)
        put_key(text, key);
    hg_store_text_add(text, digits + at, sizeof(digits) - at);
}

static void put_i64(struct hg_store_text *text, const char *key, int64_t value)
{
    put_key(text, key);
    if (value < 0)
        hg_store_text_add(text, "-", 1);
    put_u64(text, NULL, value < 0 ? 0 - (uint64_t)value : (uint64_t)value);
}

static void put_text(struct hg_store_text *text, const char *key,
                     const char *value)
{
    put_key(text, key);
    hg_store_text_add_string(text, value);
}

static void put_bool(struct hg_store_text *text, const char *key, bool value)
{
    put_key(text, key);
    hg_store_text_add(text, value ? "true" : "false", value ? 4 : 5);
}

static void open_object(struct hg_store_text *text, const char *key)
{
    if (key != NULL)
        put_key(text, key);
    hg_store_text_add(text, "{", 1);
}

static void close_object(struct hg_store_text *text)
{
    hg_store_text_add(text, "}", 1);
}

static void put_whys(struct hg_store_text *text, const char *key,
                     hg_why_set set)
{
    size_t count = 0;

    put_key(text, key);
    hg_store_text_add(text, "[", 1);
    for (int why = HG_WHY_NONE + 1; why < HG_WHY_COUNT; why++) {
        if ((set & HG_WHY_BIT(why)) == 0)
            continue;
        hg_store_text_add(text, ",", count++ == 0 ? 0 : 1);
        hg_store_text_add_string(text, hg_why_code((enum hg_why)why));
    }
    hg_store_text_add(text, "]", 1);
}

static void put_actor(struct hg_store_text *text, const char *key,
                      const struct hg_actor *actor)
{
    size_t role = (size_t)actor->role;

    open_object(text, key);
    put_text(text, "role", role_word[role < HG_COUNT(role_word) ? role : 0]);
    put_text(text, "id", actor->id);
    close_object(text);
}

static void put_check(struct hg_store_text *text,
                      const struct hg_gate_memory *memory)
{
    const struct hg_gate_check *check = &memory->check;
    size_t state = (size_t)check->state;

    open_object(text, "check");
    put_text(text, "state",
             check_word[state < HG_COUNT(check_word) ? state : 0]);
    put_text(text, "why", hg_why_code(check->why));
    put_bool(text, "suspended", check->is_suspended);
    put_actor(text, "signer", &check->signer);
    put_text(text, "boot", check->boot);
    if (check->has_door_count)
        put_u64(text, "door_count", check->door_count);
    put_u64(text, "left_ms", memory->check_left_ms);
    close_object(text);
}

static void put_boots(struct hg_store_text *text,
                      const struct hg_gate_memory *memory)
{
    put_key(text, "boots");
    hg_store_text_add(text, "[", 1);
    for (uint32_t i = 0; i < memory->boot_count && i < HG_BOOTS_KEPT; i++) {
        const struct hg_gate_boot *boot = &memory->boot[i];

        hg_store_text_add(text, ",", i == 0 ? 0 : 1);
        open_object(text, NULL);
        put_text(text, "boot", boot->boot);
        if (boot->has_telemetry)
            put_u64(text, "telemetry", boot->telemetry_seq);
        if (boot->has_event)
            put_u64(text, "event", boot->event_seq);
        close_object(text);
    }
    hg_store_text_add(text, "]", 1);
}

static void put_plan(struct hg_store_text *text,
                     const struct hg_gate_plan *plan)
{
    open_object(text, "plan");
    put_actor(text, "by", &plan->by.actor);
    put_bool(text, "allowed", plan->by.is_allowed);
    if (plan->by.has_stay) {
        put_i64(text, "stay_from_ms", plan->by.stay_from_ms);
        put_i64(text, "stay_until_ms", plan->by.stay_until_ms);
    }
    put_text(text, "heat_id", plan->heat_id);
    put_i64(text, "target_mc", plan->target_mc);
    put_u64(text, "duration_ms", plan->duration_ms);
    put_i64(text, "ready_at_ms", plan->ready_at_ms);
    put_i64(text, "starts_at_ms", plan->starts_at_ms);
    put_whys(text, "at_risk", plan->at_risk);
    close_object(text);
}

static void put_last(struct hg_store_text *text,
                     const struct hg_gate_last *last)
{
    open_object(text, "last");
    put_text(text, "heat_id", last->heat_id);
    put_i64(text, "ended_at_ms", last->ended_at_ms);
    put_text(text, "end", hg_why_code(last->end));
    close_object(text);
}

static void put_stamp(struct hg_store_text *text,
                      const struct hg_store_stamp *stamp)
{
    open_object(text, "saved");
    put_text(text, "boot_id", stamp->boot_id);
    put_u64(text, "mono_ms", stamp->at.mono.ms);
    put_i64(text, "wall_ms", stamp->at.wall.ms);
    put_bool(text, "trusted", stamp->at.wall.is_trusted);
    close_object(text);
}

static void put_opaque(struct hg_store_text *text, const char *key,
                       const json_t *value)
{
    if (value == NULL)
        return;
    put_key(text, key);
    hg_store_text_add_json(text, value);
}

void hg_store_text_add_room(struct hg_store_text *text,
                            const struct hg_store_room *room,
                            const struct hg_store_stamp *now)
{
    const struct hg_gate_memory *memory = &room->memory;

    open_object(text, NULL);
    put_stamp(text, now);
    put_u64(text, "journal_n", room->journal_n);
    put_bool(text, "commissioned", memory->is_commissioned);
    put_i64(text, "proof_at_ms", memory->proof_at_ms);
    put_whys(text, "lockouts", memory->lockouts);
    put_u64(text, "rest_left_ms", memory->rest_left_ms);
    put_boots(text, memory);
    if (memory->check.state != HG_CHECK_NONE)
        put_check(text, memory);
    if (memory->plan.is_active)
        put_plan(text, &memory->plan);
    if (memory->last.has_one)
        put_last(text, &memory->last);
    if (memory->is_local)
        put_u64(text, "local_for_ms", memory->local_for_ms);
    put_opaque(text, "warm_up", room->warm_up);
    put_opaque(text, "energy", room->energy);
    close_object(text);
}

/* -- reading ----------------------------------------------------------------*/

struct reading {
    const char *bad; /* the first member that is wrong, or NULL */
};

static void spoil(struct reading *reading, const char *key)
{
    if (reading->bad == NULL)
        reading->bad = key;
}

static int64_t get_i64(struct reading *reading, const json_t *object,
                       const char *key)
{
    const json_t *value = json_object_get(object, key);

    if (!json_is_integer(value))
        spoil(reading, key);
    return json_integer_value(value);
}

static uint64_t get_u64(struct reading *reading, const json_t *object,
                        const char *key)
{
    int64_t value = get_i64(reading, object, key);

    if (value < 0)
        spoil(reading, key);
    return value < 0 ? 0 : (uint64_t)value;
}

/* absent is fine and false */
static bool get_some_u64(struct reading *reading, const json_t *object,
                         const char *key, uint64_t *value)
{
    if (json_object_get(object, key) == NULL)
        return false;
    *value = get_u64(reading, object, key);
    return true;
}

static bool get_bool(struct reading *reading, const json_t *object,
                     const char *key)
{
    const json_t *value = json_object_get(object, key);

    if (!json_is_boolean(value))
        spoil(reading, key);
    return json_is_true(value);
}

/* text is zeroed storage of cap bytes */
static void get_text(struct reading *reading, const json_t *object,
                     const char *key, char *text, size_t cap)
{
    const char *value = json_string_value(json_object_get(object, key));

    if (value == NULL || hg_text_copy(text, cap, value) < 0)
        spoil(reading, key);
}

static int get_word(struct reading *reading, const json_t *object,
                    const char *key, const char *const *words, size_t count)
{
    const char *value = json_string_value(json_object_get(object, key));

    for (size_t i = 0; value != NULL && i < count; i++)
        if (strcmp(words[i], value) == 0)
            return (int)i;
    spoil(reading, key);
    return 0;
}

static enum hg_why why_of(struct reading *reading, const json_t *value,
                          const char *key, bool is_none_allowed)
{
    const char *code = json_string_value(value);
    enum hg_why why = code == NULL ? HG_WHY_NONE : hg_why_find(code);

    if (code == NULL ||
        (why == HG_WHY_NONE &&
         !(is_none_allowed && strcmp(code, hg_why_code(HG_WHY_NONE)) == 0)))
        spoil(reading, key);
    return why;
}

static hg_why_set get_whys(struct reading *reading, const json_t *object,
                           const char *key)
{
    const json_t *list = json_object_get(object, key);
    hg_why_set set = 0;

    if (!json_is_array(list))
        spoil(reading, key);
    for (size_t i = 0; i < json_array_size(list); i++) {
        enum hg_why why = why_of(reading, json_array_get(list, i), key, false);

        if (why != HG_WHY_NONE)
            set |= HG_WHY_BIT(why);
    }
    return set;
}

static void get_actor(struct reading *reading, const json_t *object,
                      const char *key, struct hg_actor *actor)
{
    const json_t *value = json_object_get(object, key);

    actor->role = (enum hg_role)get_word(reading, value, "role", role_word,
                                         HG_COUNT(role_word));
    get_text(reading, value, "id", actor->id, sizeof(actor->id));
}

static void get_check(struct reading *reading, const json_t *object,
                      struct hg_gate_memory *memory)
{
    struct hg_gate_check *check = &memory->check;
    const json_t *value = json_object_get(object, "check");

    if (value == NULL)
        return;
    check->state = (enum hg_check_state)get_word(
        reading, value, "state", check_word, HG_COUNT(check_word));
    check->why = why_of(reading, json_object_get(value, "why"), "why", true);
    check->is_suspended = get_bool(reading, value, "suspended");
    get_actor(reading, value, "signer", &check->signer);
    get_text(reading, value, "boot", check->boot, sizeof(check->boot));
    check->has_door_count =
        get_some_u64(reading, value, "door_count", &check->door_count);
    memory->check_left_ms = get_u64(reading, value, "left_ms");
}

static void get_boots(struct reading *reading, const json_t *object,
                      struct hg_gate_memory *memory)
{
    const json_t *list = json_object_get(object, "boots");
    size_t count = json_array_size(list);

    if (!json_is_array(list) || count > HG_BOOTS_KEPT) {
        spoil(reading, "boots");
        return;
    }
    for (size_t i = 0; i < count; i++) {
        const json_t *value = json_array_get(list, i);
        struct hg_gate_boot *boot = &memory->boot[i];

        get_text(reading, value, "boot", boot->boot, sizeof(boot->boot));
        boot->has_telemetry =
            get_some_u64(reading, value, "telemetry", &boot->telemetry_seq);
        boot->has_event =
            get_some_u64(reading, value, "event", &boot->event_seq);
    }
    memory->boot_count = (uint32_t)count;
}

static void get_plan(struct reading *reading, const json_t *object,
                     struct hg_gate_plan *plan)
{
    const json_t *value = json_object_get(object, "plan");
    int64_t target_mc;

    if (value == NULL)
        return;
    plan->is_active = true;
    get_actor(reading, value, "by", &plan->by.actor);
    plan->by.is_allowed = get_bool(reading, value, "allowed");
    plan->by.has_stay = json_object_get(value, "stay_until_ms") != NULL;
    if (plan->by.has_stay) {
        plan->by.stay_from_ms = get_i64(reading, value, "stay_from_ms");
        plan->by.stay_until_ms = get_i64(reading, value, "stay_until_ms");
    }
    get_text(reading, value, "heat_id", plan->heat_id, sizeof(plan->heat_id));
    target_mc = get_i64(reading, value, "target_mc");
    if (target_mc < 0 || target_mc > HG_TARGET_TOP_MC)
        spoil(reading, "target_mc");
    else
        plan->target_mc = (int32_t)target_mc;
    plan->duration_ms = get_u64(reading, value, "duration_ms");
    plan->ready_at_ms = get_i64(reading, value, "ready_at_ms");
    plan->starts_at_ms = get_i64(reading, value, "starts_at_ms");
    plan->at_risk = get_whys(reading, value, "at_risk");
}

static void get_last(struct reading *reading, const json_t *object,
                     struct hg_gate_last *last)
{
    const json_t *value = json_object_get(object, "last");

    if (value == NULL)
        return;
    last->has_one = true;
    get_text(reading, value, "heat_id", last->heat_id, sizeof(last->heat_id));
    last->ended_at_ms = get_i64(reading, value, "ended_at_ms");
    last->end = why_of(reading, json_object_get(value, "end"), "end", true);
}

static void get_stamp(struct reading *reading, const json_t *object,
                      struct hg_store_stamp *stamp)
{
    const json_t *value = json_object_get(object, "saved");

    get_text(reading, value, "boot_id", stamp->boot_id, sizeof(stamp->boot_id));
    stamp->at.mono.ms = get_u64(reading, value, "mono_ms");
    stamp->at.wall.ms = get_i64(reading, value, "wall_ms");
    stamp->at.wall.is_trusted = get_bool(reading, value, "trusted");
}

int hg_store_room_from_json(const json_t *json, struct hg_store_room *ret_room,
                            struct hg_store_stamp *ret_saved,
                            const char **ret_what)
{
    struct reading reading = { NULL };
    struct hg_store_room room;
    struct hg_store_stamp saved;

    memset(&room, 0, sizeof(room));
    memset(&saved, 0, sizeof(saved));
    get_stamp(&reading, json, &saved);
    room.journal_n = get_u64(&reading, json, "journal_n");
    room.memory.is_commissioned = get_bool(&reading, json, "commissioned");
    room.memory.proof_at_ms = get_i64(&reading, json, "proof_at_ms");
    room.memory.lockouts = get_whys(&reading, json, "lockouts");
    room.memory.rest_left_ms = get_u64(&reading, json, "rest_left_ms");
    get_boots(&reading, json, &room.memory);
    get_check(&reading, json, &room.memory);
    get_plan(&reading, json, &room.memory.plan);
    get_last(&reading, json, &room.memory.last);
    room.memory.is_local =
        get_some_u64(&reading, json, "local_for_ms", &room.memory.local_for_ms);
    if (reading.bad != NULL) {
        *ret_what = reading.bad;
        return HG_ERR_CORRUPT;
    }
    room.warm_up = json_incref(json_object_get(json, "warm_up"));
    room.energy = json_incref(json_object_get(json, "energy"));
    *ret_room = room;
    *ret_saved = saved;
    return 0;
}
