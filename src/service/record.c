/*
 * The journal as the service uses it: what goes into a record, what waits
 * until it is durable, and what happens when it cannot be written.
 */
#include "base/sat.h"
#include "base/why.h"
#include "journal/journal.h"
#include "service/answer.h"
#include "service/asks.h"
#include "service/kinds.h"
#include "service/rooms.h"
#include "service/service.h"
#include <stdlib.h>
#include <string.h>

#define TICKETS_SPARE 64

const char *hg_kind_text(uint32_t kind)
{
    switch (kind) {
    case HG_KIND_SIGN_IN_REFUSED:
        return "sign-in-refused";
    case HG_KIND_CALL_REFUSED:
        return "call-refused";
    case HG_KIND_REFUSALS:
        return "refusals";
    default:
        return hg_record_code((enum hg_record)kind);
    }
}

void hg_record_failed(struct hg_service *service, const char *text)
{
    struct hg_event event;

    if (!service->is_journal_ok)
        return;
    service->is_journal_ok = false;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_JOURNAL_FAILED;
    hg_rooms_step(service, &event);
    hg_refusals_journal(&service->refusals, false);
    hg_asks_fail_held(service->asks, HG_RPC_UNAVAILABLE,
                      "It could not be recorded: the journal cannot be "
                      "written. Free disk space or mend the disk, then ask "
                      "again.");
    hg_log_line(&service->log, HG_LOG_ERROR,
                "the journal cannot be written, so nothing may heat: %s", text);
}

static void recovered(struct hg_service *service)
{
    struct hg_event event;

    service->is_journal_ok = true;
    hg_refusals_journal(&service->refusals, true);
    hg_log_line(&service->log, HG_LOG_INFO, "the journal is written again");
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_JOURNAL_OK;
    hg_rooms_step(service, &event);
}

/* Append members that are complete. Returns the number, 0 on failure. */
static uint64_t append(struct hg_service *service, json_t *members)
{
    char *text = json_dumps(members, JSON_COMPACT | JSON_REAL_PRECISION(15));
    size_t len = text == NULL ? 0 : strlen(text);
    int err = HG_ERR_MEMORY;
    uint64_t n = 0;

    /* the journal wants the members without the braces */
    if (len > 2)
        err = hg_journal_append(service->journal, service->now.wall.ms,
                                text + 1, len - 2, &n);
    free(text);
    if (err < 0) {
        service->is_journal_failing = true;
        hg_log_line(&service->log, HG_LOG_ERROR,
                    "a record was lost before it reached the journal: %s",
                    hg_err_text(err));
        return 0;
    }
    service->counts.records++;
    if (service->now.wall.is_trusted)
        hg_clock_note_record(&service->clock, service->now.wall.ms);
    return n;
}

uint64_t hg_record_put(struct hg_service *service, const char *kind,
                       struct hg_room *room, const struct hg_actor *actor,
                       json_t *members_taken)
{
    static const struct hg_actor gateway = { HG_ROLE_GATEWAY, "" };
    char who[HG_ACTOR_TEXT_BYTES];
    json_t *record;
    uint64_t n = 0;

    hg_actor_text(actor == NULL ? &gateway : actor, who);
    record = json_pack("{s:s, s:s?, s:s}", "kind", kind, "room",
                       room == NULL ? NULL : room->config->name, "actor", who);
    if (record != NULL && (members_taken == NULL ||
                           json_object_update(record, members_taken) == 0))
        n = append(service, record);
    else
        service->is_journal_failing = true;
    json_decref(record);
    json_decref(members_taken);
    return n;
}

static bool has_request(enum hg_record record)
{
    return record == HG_RECORD_HEAT_GRANTED ||
           record == HG_RECORD_HEAT_REFUSED ||
           record == HG_RECORD_HEAT_CHANGED ||
           (record >= HG_RECORD_PLAN_ACCEPTED &&
            record <= HG_RECORD_PLAN_MISSED);
}

static void add_heat(const struct hg_room *room, const struct hg_effect *effect,
                     json_t *members)
{
    if (effect->heat_id[0] != '\0')
        json_object_set_new(members, "heat_id", json_string(effect->heat_id));
    if (has_request(effect->record) && effect->duration_ms > 0) {
        json_object_set_new(members, "target_c",
                            hg_json_celsius(effect->target_mc));
        json_object_set_new(
            members, "duration_min",
            json_integer((json_int_t)(effect->duration_ms / 60000)));
    }
    if (effect->record == HG_RECORD_HEAT_ENDED && effect->why != HG_WHY_NONE) {
        json_object_set_new(
            members, "ran_s",
            json_integer((json_int_t)(effect->duration_ms / 1000)));
        json_object_set_new(
            members, "energy_wh",
            json_integer((json_int_t)hg_energy_wh(&room->energy)));
    }
    if (effect->serial != 0)
        json_object_set_new(members, "serial",
                            json_integer((json_int_t)effect->serial));
}

static void add_check(const struct hg_room *room, json_t *members)
{
    json_object_set_new(
        members, "evidence",
        json_string(hg_answer_evidence_word(room->config->policy.evidence)));
    json_object_set_new(members, "agreed", hg_statements_json(false));
    /* what proves after a sudden restart that the door never opened since */
    json_object_set_new(members, "boot", json_string(room->gate.check.boot));
    if (room->gate.check.has_door_count)
        json_object_set_new(
            members, "door_count",
            json_integer((json_int_t)room->gate.check.door_count));
}

static void add_details(struct hg_service *service, const struct hg_room *room,
                        const struct hg_effect *effect, json_t *members)
{
    const struct hg_gate_plan *plan = &room->gate.plan;

    if (effect->record == HG_RECORD_PLAN_ACCEPTED) {
        json_object_set_new(members, "ready_at",
                            hg_json_wall(plan->ready_at_ms));
        json_object_set_new(members, "starts_at",
                            hg_json_wall(plan->starts_at_ms));
    }
    if (effect->record == HG_RECORD_CHECK_SIGNED)
        add_check(room, members);
    if (effect->record == HG_RECORD_CONTROLLER_FAULT)
        json_object_set_new(members, "code", json_string(room->fault));
    if (effect->record == HG_RECORD_COMMISSIONED)
        json_object_set_new(members, "proof_at",
                            hg_json_wall(room->gate.proof_at_ms));
    if (service->note != NULL && (effect->record == HG_RECORD_LOCKOUT_SET ||
                                  effect->record == HG_RECORD_LOCKOUT_CLEARED ||
                                  effect->record == HG_RECORD_LOCKOUT_KEPT))
        json_object_set_new(members, "note", json_string(service->note));
}

/* Records that anybody can cause at will: counted, one a second each. */
static bool is_limited(enum hg_record record)
{
    return record == HG_RECORD_STOP_ASKED || record == HG_RECORD_HEAT_REFUSED ||
           record == HG_RECORD_CHECK_REFUSED ||
           record == HG_RECORD_PLAN_REFUSED || record == HG_RECORD_LOCKOUT_KEPT;
}

uint64_t hg_record_effect(struct hg_service *service, struct hg_room *room,
                          const struct hg_effect *effect)
{
    json_t *members;

    if (is_limited(effect->record)) {
        hg_record_refusal(service, (uint32_t)effect->record, room->config->name,
                          &effect->actor, effect->reasons);
        return 0;
    }
    members = json_object();
    if (members == NULL) {
        service->is_journal_failing = true;
        return 0;
    }
    if (effect->why != HG_WHY_NONE)
        json_object_set_new(members, "why",
                            json_string(hg_why_code(effect->why)));
    if (effect->reasons != 0)
        json_object_set_new(members, "reasons",
                            hg_reasons_codes(effect->reasons));
    add_heat(room, effect, members);
    add_details(service, room, effect, members);
    return hg_record_put(service, hg_record_code(effect->record), room,
                         &effect->actor, members);
}

static void put_refusal(struct hg_service *service,
                        const struct hg_refusal *refusal)
{
    struct hg_room *room = refusal->room[0] == '\0'
                               ? NULL
                               : hg_service_room(service, refusal->room);
    bool is_one = refusal->scope == HG_REFUSAL_ONE;
    json_t *members =
        json_pack("{s:o, s:I}", "reasons", hg_reasons_codes(refusal->reasons),
                  "count", (json_int_t)refusal->count);

    if (hg_record_put(service,
                      hg_kind_text(is_one ? refusal->kind : HG_KIND_REFUSALS),
                      room, is_one ? &refusal->actor : NULL, members) == 0)
        hg_refusals_return(&service->refusals, refusal);
}

void hg_record_refusal(struct hg_service *service, uint32_t kind,
                       const char *room, const struct hg_actor *actor,
                       hg_why_set reasons)
{
    struct hg_refusal asked, record;

    memset(&asked, 0, sizeof(asked));
    asked.actor = *actor;
    asked.kind = kind;
    asked.reasons = reasons;
    if (room != NULL && strlen(room) < sizeof(asked.room))
        memcpy(asked.room, room, strlen(room));
    if (hg_refusals_note(&service->refusals, service->now.mono, &asked,
                         &record))
        put_refusal(service, &record);
}

void hg_record_due(struct hg_service *service)
{
    struct hg_refusal record;

    while (service->is_journal_ok &&
           hg_refusals_due(&service->refusals, service->now.mono, &record))
        put_refusal(service, &record);
}

bool hg_record_wait(struct hg_service *service, struct hg_room *room,
                    uint64_t n, uint64_t ticket)
{
    struct hg_tickets *tickets = &service->tickets;
    struct hg_ticket *place;

    if (tickets->count == tickets->cap)
        return false;
    place = &tickets->ring[(tickets->first + tickets->count) % tickets->cap];
    place->n = n;
    place->ticket = ticket;
    place->room = room->index;
    tickets->count++;
    return true;
}

int hg_record_begin(struct hg_service *service)
{
    service->tickets.cap = 2 * HG_ROOMS_PLACES + TICKETS_SPARE;
    service->tickets.ring =
        calloc(service->tickets.cap, sizeof(service->tickets.ring[0]));
    service->is_journal_ok = true;
    hg_refusals_init(&service->refusals);
    return service->tickets.ring == NULL ? HG_ERR_MEMORY : 0;
}

uint64_t hg_record_durable(const struct hg_service *service)
{
    return hg_journal_durable(service->journal);
}

static void commit(struct hg_service *service, uint64_t durable_n)
{
    struct hg_tickets *tickets = &service->tickets;
    struct hg_event event;

    while (tickets->count > 0 && tickets->ring[tickets->first].n <= durable_n) {
        struct hg_ticket ticket = tickets->ring[tickets->first];

        tickets->first = (tickets->first + 1) % tickets->cap;
        tickets->count--;
        memset(&event, 0, sizeof(event));
        event.kind = HG_EVENT_COMMITTED;
        event.ticket = ticket.ticket;
        hg_room_step(service, &service->room[ticket.room], &event);
    }
    hg_asks_durable(service->asks, durable_n);
}

void hg_record_poll(struct hg_service *service)
{
    struct hg_journal_news news;

    hg_journal_poll(service->journal, &news);
    if (news.is_failed)
        hg_record_failed(service, news.text);
    if (news.has_head_failed)
        hg_log_line(&service->log, HG_LOG_WARNING, "%s", news.text);
    commit(service, news.durable_n);
    if (!service->is_journal_ok && !news.is_failed &&
        news.durable_n == hg_journal_last(service->journal).n)
        recovered(service);
}
