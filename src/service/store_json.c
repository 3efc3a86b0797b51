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

/* value is taken over; a NULL one (no memory) spoils the object */
static void put(json_t *object, const char *key, json_t *value, bool *ok)
{
    if (json_object_set_new_nocheck(object, key, value) < 0)
        *ok = false;
}

static void put_u64(json_t *object, const char *key, uint64_t value, bool *ok)
{
    uint64_t kept = value > INT64_MAX ? INT64_MAX : value;

    put(object, key, json_integer((json_int_t)kept), ok);
}

static void put_i64(json_t *object, const char *key, int64_t value, bool *ok)
{
    put(object, key, json_integer(value), ok);
}

static void put_text(json_t *object, const char *key, const char *text,
                     bool *ok)
{
    put(object, key, json_string(text), ok);
}

static void put_bool(json_t *object, const char *key, bool value, bool *ok)
{
    put(object, key, json_boolean(value), ok);
}

static json_t *whys_to_json(hg_why_set set, bool *ok)
{
    json_t *list = json_array();

    for (int why = HG_WHY_NONE + 1; why < HG_WHY_COUNT; why++)
        if ((set & HG_WHY_BIT(why)) != 0 &&
            json_array_append_new(
                list, json_string(hg_why_code((enum hg_why)why))) < 0)
            *ok = false;
    return list;
}

static json_t *actor_to_json(const struct hg_actor *actor, bool *ok)
{
    json_t *object = json_object();
    size_t role = (size_t)actor->role;

    put_text(object, "role", role_word[role < HG_COUNT(role_word) ? role : 0],
             ok);
    put_text(object, "id", actor->id, ok);
    return object;
}

static json_t *check_to_json(const struct hg_gate_memory *memory, bool *ok)
{
    const struct hg_gate_check *check = &memory->check;
    json_t *object = json_object();
    size_t state = (size_t)check->state;

    put_text(object, "state",
             check_word[state < HG_COUNT(check_word) ? state : 0], ok);
    put_text(object, "why", hg_why_code(check->why), ok);
    put_bool(object, "suspended", check->is_suspended, ok);
    put(object, "signer", actor_to_json(&check->signer, ok), ok);
    put_text(object, "boot", check->boot, ok);
    if (check->has_door_count)
        put_u64(object, "door_count", check->door_count, ok);
    put_u64(object, "left_ms", memory->check_left_ms, ok);
    return object;
}

static json_t *boots_to_json(const struct hg_gate_memory *memory, bool *ok)
{
    json_t *list = json_array();

    for (uint32_t i = 0; i < memory->boot_count && i < HG_BOOTS_KEPT; i++) {
        const struct hg_gate_boot *boot = &memory->boot[i];
        json_t *object = json_object();

        put_text(object, "boot", boot->boot, ok);
        if (boot->has_telemetry)
            put_u64(object, "telemetry", boot->telemetry_seq, ok);
        if (boot->has_event)
            put_u64(object, "event", boot->event_seq, ok);
        if (json_array_append_new(list, object) < 0)
            *ok = false;
    }
    return list;
}

static json_t *plan_to_json(const struct hg_gate_plan *plan, bool *ok)
{
    json_t *object = json_object();

    put(object, "by", actor_to_json(&plan->by.actor, ok), ok);
    put_bool(object, "allowed", plan->by.is_allowed, ok);
    if (plan->by.has_stay) {
        put_i64(object, "stay_from_ms", plan->by.stay_from_ms, ok);
        put_i64(object, "stay_until_ms", plan->by.stay_until_ms, ok);
    }
    put_text(object, "heat_id", plan->heat_id, ok);
    put_i64(object, "target_mc", plan->target_mc, ok);
    put_u64(object, "duration_ms", plan->duration_ms, ok);
    put_i64(object, "ready_at_ms", plan->ready_at_ms, ok);
    put_i64(object, "starts_at_ms", plan->starts_at_ms, ok);
    put(object, "at_risk", whys_to_json(plan->at_risk, ok), ok);
    return object;
}

static json_t *last_to_json(const struct hg_gate_last *last, bool *ok)
{
    json_t *object = json_object();

    put_text(object, "heat_id", last->heat_id, ok);
    put_i64(object, "ended_at_ms", last->ended_at_ms, ok);
    put_text(object, "end", hg_why_code(last->end), ok);
    return object;
}

static json_t *stamp_to_json(const struct hg_store_stamp *stamp, bool *ok)
{
    json_t *object = json_object();

    put_text(object, "boot_id", stamp->boot_id, ok);
    put_u64(object, "mono_ms", stamp->at.mono.ms, ok);
    put_i64(object, "wall_ms", stamp->at.wall.ms, ok);
    put_bool(object, "trusted", stamp->at.wall.is_trusted, ok);
    return object;
}

json_t *hg_store_room_to_json(const struct hg_store_room *room,
                              const struct hg_store_stamp *now)
{
    const struct hg_gate_memory *memory = &room->memory;
    json_t *object = json_object();
    bool ok = object != NULL;

    put(object, "saved", stamp_to_json(now, &ok), &ok);
    put_u64(object, "journal_n", room->journal_n, &ok);
    put_bool(object, "commissioned", memory->is_commissioned, &ok);
    put_i64(object, "proof_at_ms", memory->proof_at_ms, &ok);
    put(object, "lockouts", whys_to_json(memory->lockouts, &ok), &ok);
    put_u64(object, "rest_left_ms", memory->rest_left_ms, &ok);
    put(object, "boots", boots_to_json(memory, &ok), &ok);
    if (memory->check.state != HG_CHECK_NONE)
        put(object, "check", check_to_json(memory, &ok), &ok);
    if (memory->plan.is_active)
        put(object, "plan", plan_to_json(&memory->plan, &ok), &ok);
    if (memory->last.has_one)
        put(object, "last", last_to_json(&memory->last, &ok), &ok);
    if (room->warm_up != NULL)
        put(object, "warm_up", json_incref(room->warm_up), &ok);
    if (room->energy != NULL)
        put(object, "energy", json_incref(room->energy), &ok);
    if (!ok) {
        json_decref(object);
        return NULL;
    }
    return object;
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
