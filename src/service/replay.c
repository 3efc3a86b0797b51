/* The journal's tail at the start; see replay.h. */
#include "service/replay.h"
#include "access/access.h"
#include "base/sat.h"
#include "base/text.h"
#include "base/why.h"
#include "journal/journal.h"
#include "service/service.h"
#include "service/traces.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct hg_replay { /* one room */
    struct hg_gate_memory memory;
    uint64_t journal_n;
    char heat_id[HG_ID_BYTES]; /* granted and not ended; "": none */
    uint64_t energy_wh;
};

int hg_replay_new(struct hg_service *service)
{
    service->replay = calloc(service->room_count, sizeof(service->replay[0]));
    return service->replay == NULL ? HG_ERR_MEMORY : 0;
}

void hg_replay_begin(struct hg_service *service, struct hg_room *room,
                     const struct hg_gate_memory *memory, uint64_t journal_n,
                     const json_t *energy)
{
    struct hg_replay *replay = &service->replay[room->index];
    const char *heat_id = json_string_value(json_object_get(energy, "heat_id"));
    json_int_t wh = json_integer_value(json_object_get(energy, "energy_wh"));

    replay->memory = *memory;
    replay->journal_n = journal_n;
    if (heat_id != NULL && strlen(heat_id) < sizeof(replay->heat_id))
        memcpy(replay->heat_id, heat_id, strlen(heat_id));
    replay->energy_wh = wh > 0 ? (uint64_t)wh : 0;
}

/* -- one record -------------------------------------------------------------
 */

static const char *text_of(const json_t *record, const char *name)
{
    const char *text = json_string_value(json_object_get(record, name));

    return text == NULL ? "" : text;
}

static void take_heat(struct hg_service *service, struct hg_replay *replay,
                      const struct hg_room *room, const json_t *record)
{
    const char *kind = text_of(record, "kind");
    const char *heat_id = text_of(record, "heat_id");
    enum hg_why why = hg_why_find(text_of(record, "why"));
    struct hg_gate_memory *memory = &replay->memory;
    uint64_t rest_ms = room->config->policy.rest_after_cap_ms;
    int64_t at_ms = 0;
    bool has_at;

    if (strcmp(kind, "heat-granted") == 0) {
        memory->check.state = HG_CHECK_USED;
        if (strcmp(memory->plan.heat_id, heat_id) == 0)
            memset(&memory->plan, 0, sizeof(memory->plan));
        memset(replay->heat_id, 0, sizeof(replay->heat_id));
        if (strlen(heat_id) < sizeof(replay->heat_id))
            memcpy(replay->heat_id, heat_id, strlen(heat_id));
        replay->energy_wh = 0;
        return;
    }
    if (strcmp(replay->heat_id, heat_id) == 0)
        memset(replay->heat_id, 0, sizeof(replay->heat_id));
    if (why == HG_WHY_NONE || strlen(heat_id) >= HG_ID_BYTES)
        return; /* a grant that never took effect */
    has_at = hg_text_to_wall(text_of(record, "at"), &at_ms) == 0;
    memset(&memory->last, 0, sizeof(memory->last));
    memory->last.has_one = true;
    memcpy(memory->last.heat_id, heat_id, strlen(heat_id));
    memory->last.ended_at_ms = at_ms;
    memory->last.end = why;
    if (why != HG_WHY_CAP_REACHED || rest_ms == 0)
        return;
    /* how long ago is only known when the clock is good; else all of it */
    memory->rest_left_ms = rest_ms;
    if (has_at && service->now.wall.is_trusted && service->now.wall.ms > at_ms)
        memory->rest_left_ms =
            hg_sat_sub_u64(rest_ms, (uint64_t)(service->now.wall.ms - at_ms));
}

/* "guest:g-7k2qf" taken apart. */
static bool parse_actor(const char *text, struct hg_actor *actor)
{
    const char *colon = strchr(text, ':');

    memset(actor, 0, sizeof(*actor));
    if (colon == NULL || strlen(colon + 1) >= sizeof(actor->id))
        return false;
    for (int role = HG_ROLE_GUEST; role <= HG_ROLE_OWNER; role++) {
        const char *word = hg_role_text((enum hg_role)role);

        if (strlen(word) == (size_t)(colon - text) &&
            strncmp(word, text, strlen(word)) == 0)
            actor->role = (enum hg_role)role;
    }
    memcpy(actor->id, colon + 1, strlen(colon + 1));
    return actor->role != HG_ROLE_NONE;
}

/* How much is left of ms that began at this record; 0 when nobody knows. */
static uint64_t left_of(const struct hg_service *service, const json_t *record,
                        uint64_t ms)
{
    int64_t at_ms;

    if (hg_text_to_wall(text_of(record, "at"), &at_ms) < 0 ||
        !service->now.wall.is_trusted || service->now.wall.ms < at_ms)
        return 0;
    return hg_sat_sub_u64(ms, (uint64_t)(service->now.wall.ms - at_ms));
}

/*
 * A check that was signed and not yet saved with the room: it is carried over
 * as if it had been, suspended until the door counter proves it unbroken.
 */
static void take_signed(const struct hg_service *service,
                        struct hg_gate_memory *memory,
                        const struct hg_room *room, const json_t *record)
{
    const json_t *count = json_object_get(record, "door_count");
    const char *boot = text_of(record, "boot");
    struct hg_gate_check *check = &memory->check;

    memset(check, 0, sizeof(*check));
    check->state = HG_CHECK_VOID;
    check->why = HG_WHY_GATEWAY_RESTART;
    if (!json_is_integer(count) || boot[0] == '\0' ||
        strlen(boot) >= sizeof(check->boot) ||
        !parse_actor(text_of(record, "actor"), &check->signer))
        return;
    memory->check_left_ms =
        left_of(service, record, room->config->policy.check_valid_ms);
    if (memory->check_left_ms == 0)
        return;
    check->state = HG_CHECK_VALID;
    check->has_door_count = true;
    check->door_count = (uint64_t)json_integer_value(count);
    memcpy(check->boot, boot, strlen(boot));
}

static void take_check_end(struct hg_gate_memory *memory, const char *kind)
{
    memory->check.state =
        strcmp(kind, "check-expired") == 0 ? HG_CHECK_EXPIRED : HG_CHECK_VOID;
    memory->check.why = HG_WHY_GATEWAY_RESTART;
}

static void take_lockout(struct hg_gate_memory *memory, const json_t *record)
{
    enum hg_why why = hg_why_find(text_of(record, "why"));

    if (why == HG_WHY_NONE)
        return;
    if (strcmp(text_of(record, "kind"), "lockout-cleared") == 0)
        memory->lockouts &= ~HG_WHY_BIT(why);
    else
        memory->lockouts |= HG_WHY_BIT(why);
}

/* Heat from the panel, as far as the cap lets it count. */
static void take_local_start(const struct hg_service *service,
                             struct hg_gate_memory *memory,
                             const struct hg_room *room, const json_t *record)
{
    uint64_t cap_ms = room->config->policy.session_cap_ms;
    uint64_t left_ms = left_of(service, record, cap_ms);

    if (memory->is_local || left_ms == 0)
        return; /* pressed again: nothing is extended */
    memory->is_local = true;
    memory->local_for_ms = cap_ms - left_ms;
}

/* People on the admin socket have no code that could end. */
static bool is_local(const struct hg_actor *actor)
{
    return actor->role == HG_ROLE_OWNER && strncmp(actor->id, "uid=", 4) == 0;
}

static void take_plan(struct hg_service *service, struct hg_replay *replay,
                      const struct hg_room *room, const json_t *record)
{
    struct hg_gate_plan *plan = &replay->memory.plan;
    const char *heat_id = text_of(record, "heat_id");
    struct hg_actor actor;
    json_int_t minutes =
        json_integer_value(json_object_get(record, "duration_min"));

    memset(plan, 0, sizeof(*plan));
    if (!parse_actor(text_of(record, "actor"), &actor) ||
        hg_text_to_wall(text_of(record, "ready_at"), &plan->ready_at_ms) < 0 ||
        hg_text_to_wall(text_of(record, "starts_at"), &plan->starts_at_ms) <
            0 ||
        strlen(heat_id) >= sizeof(plan->heat_id) || minutes < 1)
        return;
    plan->by.actor = actor;
    plan->by.is_allowed = is_local(&actor);
    if (!plan->by.is_allowed &&
        hg_access_asker(service->access, actor.id, room->config->name,
                        &plan->by) < 0)
        return;
    memcpy(plan->heat_id, heat_id, strlen(heat_id));
    plan->target_mc = (int32_t)lround(
        json_number_value(json_object_get(record, "target_c")) * 1000.0);
    plan->duration_ms = (uint64_t)minutes * 60000;
    plan->is_active = true;
}

static void take_record(struct hg_service *service, struct hg_replay *replay,
                        const struct hg_room *room, const json_t *record)
{
    const char *kind = text_of(record, "kind");

    if (strcmp(kind, "heat-granted") == 0 || strcmp(kind, "heat-ended") == 0)
        take_heat(service, replay, room, record);
    else if (strcmp(kind, "check-signed") == 0)
        take_signed(service, &replay->memory, room, record);
    else if (strcmp(kind, "check-voided") == 0 ||
             strcmp(kind, "check-expired") == 0)
        take_check_end(&replay->memory, kind);
    else if (strcmp(kind, "lockout-set") == 0 ||
             strcmp(kind, "lockout-cleared") == 0)
        take_lockout(&replay->memory, record);
    else if (strcmp(kind, "plan-accepted") == 0)
        take_plan(service, replay, room, record);
    else if (strcmp(kind, "plan-dropped") == 0 ||
             strcmp(kind, "plan-missed") == 0)
        memset(&replay->memory.plan, 0, sizeof(replay->memory.plan));
    else if (strcmp(kind, "local-started") == 0)
        take_local_start(service, &replay->memory, room, record);
    else if (strcmp(kind, "local-stopped") == 0)
        replay->memory.is_local = false;
    else if (strcmp(kind, "commissioned") == 0 &&
             hg_text_to_wall(text_of(record, "proof_at"),
                             &replay->memory.proof_at_ms) == 0)
        replay->memory.is_commissioned = true;
}

static int take_line(void *arg, uint64_t n, const char *line, size_t len)
{
    struct hg_service *service = arg;
    json_t *record = json_loadb(line, len, 0, NULL);
    struct hg_room *room;

    if (record == NULL)
        return HG_ERR_CORRUPT;
    room = hg_service_room(service, text_of(record, "room"));
    if (room != NULL && n > service->replay[room->index].journal_n)
        take_record(service, &service->replay[room->index], room, record);
    json_decref(record);
    return 0;
}

/* -- all rooms
 * ----------------------------------------------------------------- */

static uint64_t first_unknown(const struct hg_service *service)
{
    uint64_t after_n = UINT64_MAX;

    for (size_t i = 0; i < service->room_count; i++)
        if (service->replay[i].journal_n < after_n)
            after_n = service->replay[i].journal_n;
    return after_n;
}

/* A plan of somebody whose access has ended meanwhile is none. */
static void check_plan(struct hg_service *service, struct hg_room *room,
                       struct hg_gate_plan *plan)
{
    struct hg_asker asker;

    if (!plan->is_active || is_local(&plan->by.actor))
        return;
    memset(&asker, 0, sizeof(asker));
    if (hg_access_asker(service->access, plan->by.actor.id, room->config->name,
                        &asker) == 0 &&
        asker.is_allowed)
        return;
    hg_record_put(service, hg_record_code(HG_RECORD_PLAN_DROPPED), room, NULL,
                  json_pack("{s:s, s:[s]}", "heat_id", plan->heat_id, "reasons",
                            hg_why_code(HG_WHY_ACCESS_ENDED)));
    memset(plan, 0, sizeof(*plan));
}

static void end_heat(struct hg_service *service, struct hg_room *room,
                     struct hg_replay *replay)
{
    struct hg_gate_last *last = &replay->memory.last;
    uint64_t kept_wh;

    if (replay->heat_id[0] == '\0')
        return;
    /* rooms.json and the trace: whichever was saved later */
    kept_wh = hg_traces_close(service, replay->heat_id, HG_WHY_GATEWAY_RESTART);
    if (kept_wh > replay->energy_wh)
        replay->energy_wh = kept_wh;
    hg_record_put(service, hg_record_code(HG_RECORD_HEAT_ENDED), room, NULL,
                  json_pack("{s:s, s:s, s:I}", "why",
                            hg_why_code(HG_WHY_GATEWAY_RESTART), "heat_id",
                            replay->heat_id, "energy_wh",
                            (json_int_t)replay->energy_wh));
    memset(last, 0, sizeof(*last));
    last->has_one = true;
    memcpy(last->heat_id, replay->heat_id, sizeof(last->heat_id));
    last->ended_at_ms = service->now.wall.ms;
    last->end = HG_WHY_GATEWAY_RESTART;
    memcpy(room->restart_heat_id, replay->heat_id,
           sizeof(room->restart_heat_id));
}

int hg_replay_finish(struct hg_service *service)
{
    struct hg_journal_range range = { first_unknown(service), 0 };
    int err = hg_journal_read(service->journal, &range, take_line, service);

    if (err < 0) {
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "the journal cannot be read back (%s), so it is not known "
                    "what was granted last; verify it with 'heatgate journal "
                    "verify'",
                    hg_err_text(err));
        return err;
    }
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];
        struct hg_replay *replay = &service->replay[i];

        check_plan(service, room, &replay->memory.plan);
        end_heat(service, room, replay);
        hg_gate_init(&room->config->policy, &replay->memory, service->now,
                     service->epoch, &room->gate);
        room->is_changed = true;
    }
    free(service->replay);
    service->replay = NULL;
    return 0;
}
