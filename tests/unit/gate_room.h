#ifndef GATE_ROOM_H
#define GATE_ROOM_H

/*
 * A room for the tests of the gate: one struct that keeps policy, state, the
 * time and what the far end would know, and verbs that read like a story.
 * Nothing here looks into the gate to decide what to send.
 */
#include "heatgate/gate.h"
#include <stdio.h>
#include <string.h>

#define MIN_MS UINT64_C(60000)

struct room {
    struct hg_policy policy;
    struct hg_gate_state state;
    struct hg_effects effects; /* of the latest step */
    struct hg_tick now;
    uint64_t seq, event_seq, door_count, next_request;
    char boot[HG_BOOT_BYTES];
    enum hg_door door;
    enum hg_heater heater;
    int32_t air_mc;
    bool has_door_count;
    uint64_t controller_start_ms;
};

static inline struct hg_policy room_policy(void)
{
    struct hg_policy policy = {
        .usage_class = HG_USAGE_PRIVATE,
        .session_cap_ms = 360 * MIN_MS,
        .target_max_mc = 90000,
        .target_min_mc = 40000,
        .heater_w = 6000,
        .lease_ms = 30000,
        .stale_after_ms = 15000,
        .late_after_ms = 5000,
        .evidence = HG_EVIDENCE_DOOR_CYCLE,
        .look_in_window_ms = 10 * MIN_MS,
        .check_valid_ms = 720 * MIN_MS,
        .door_rule = HG_DOOR_RULE_HOLD,
        .door_hold_max_ms = 120000,
        .over_temp_mc = 120000,
        .no_rise_mc = 3000,
        .no_rise_ms = 15 * MIN_MS,
        .rest_after_cap_ms = 0,
        .door_proof_ms = 180 * 1440 * MIN_MS,
        .is_commissioning_waived = true,
    };

    return policy;
}

static inline struct hg_asker room_asker(enum hg_role role, const char *id)
{
    struct hg_asker asker;

    memset(&asker, 0, sizeof(asker));
    asker.actor.role = role;
    snprintf(asker.actor.id, sizeof(asker.actor.id), "%s", id);
    asker.is_allowed = true;
    return asker;
}

static inline struct hg_asker room_owner(void)
{
    return room_asker(HG_ROLE_OWNER, "uid=0");
}

static inline void room_step(struct room *room, struct hg_event *event)
{
    event->at = room->now;
    memset(&room->effects, 0xa5, sizeof(room->effects));
    hg_gate_step(&room->policy, &room->state, event, &room->effects);
}

static inline void room_do(struct room *room, enum hg_event_kind kind)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = kind;
    event.asker = room_owner();
    event.asker.request = ++room->next_request;
    room_step(room, &event);
}

/* The next telemetry message, as this controller would send it now. */
static inline struct hg_event room_reading(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_TELEMETRY;
    memcpy(event.reading.boot, room->boot, HG_BOOT_BYTES);
    event.reading.seq = ++room->seq;
    event.reading.uptime_ms = room->now.mono.ms - room->controller_start_ms;
    event.reading.is_whole = true;
    event.reading.has_air = true;
    event.reading.air_mc = room->air_mc;
    event.reading.door = room->door;
    event.reading.heater = room->heater;
    event.reading.has_door_count = room->has_door_count;
    event.reading.door_count = room->door_count;
    return event;
}

static inline void room_hear(struct room *room)
{
    struct hg_event event = room_reading(room);

    room_step(room, &event);
}

static inline void room_pass(struct room *room, uint64_t ms)
{
    room->now.mono.ms += ms;
    room->now.wall.ms += (int64_t)ms;
}

/* Time passes with a reading every 2 s, as a healthy controller sends. */
static inline void room_run(struct room *room, uint64_t ms)
{
    while (ms > 0) {
        uint64_t step_ms = ms < 2000 ? ms : 2000;

        room_pass(room, step_ms);
        room_hear(room);
        ms -= step_ms;
    }
}

static inline void room_door(struct room *room, enum hg_door door)
{
    if (door == HG_DOOR_OPEN && room->door != HG_DOOR_OPEN)
        room->door_count++;
    room->door = door;
    room_hear(room);
}

static inline void room_new_boot(struct room *room, const char *boot)
{
    memset(room->boot, 0, sizeof(room->boot));
    snprintf(room->boot, sizeof(room->boot), "%s", boot);
    room->seq = 0;
    room->event_seq = 0;
    room->door_count = 0;
    room->controller_start_ms = room->now.mono.ms - 1000;
}

static inline void room_init(struct room *room)
{
    memset(room, 0, sizeof(*room));
    room->policy = room_policy();
    room->now.mono.ms = 1000000;
    room->now.wall.ms = INT64_C(1767225600000); /* 2026-01-01T00:00:00Z */
    room->now.wall.is_trusted = true;
    room->door = HG_DOOR_CLOSED;
    room->heater = HG_HEATER_OFF;
    room->air_mc = 20000;
    room->has_door_count = true;
    room_new_boot(room, "b1");
    hg_gate_init(&room->policy, NULL, room->now, 7, &room->state);
}

/* Link up, online, fresh data, door closed; an earlier permit cannot live. */
static inline void room_connect(struct room *room)
{
    struct hg_event event;

    room_do(room, HG_EVENT_LINK_UP);
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PRESENCE;
    event.is_online = true;
    room_step(room, &event);
    room_hear(room);
}

static inline void room_look_in(struct room *room)
{
    room_pass(room, 1000);
    room_door(room, HG_DOOR_OPEN);
    room_pass(room, 1000);
    room_door(room, HG_DOOR_CLOSED);
}

static inline void room_sign_as(struct room *room, struct hg_asker asker)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CHECK_OPEN;
    event.asker = asker;
    event.asker.request = ++room->next_request;
    event.check.id = 77;
    room_step(room, &event);
    event.kind = HG_EVENT_CHECK_SIGN;
    event.asker.request = ++room->next_request;
    event.check.agreed = HG_STATEMENT_ALL;
    room_step(room, &event);
}

static inline void room_ready(struct room *room)
{
    room_init(room);
    room_connect(room);
    room_look_in(room);
    room_sign_as(room, room_owner());
}

static inline struct hg_event
room_heat(struct room *room, struct hg_asker asker, uint64_t duration_ms)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_START;
    event.asker = asker;
    event.asker.request = ++room->next_request;
    event.heat.has_target = true;
    event.heat.target_mc = 80000;
    event.heat.has_duration = true;
    event.heat.duration_ms = duration_ms;
    snprintf(event.heat.heat_id, HG_ID_BYTES, "h-%llu",
             (unsigned long long)room->next_request);
    return event;
}

static inline const struct hg_effect *room_effect(const struct room *room,
                                                  enum hg_effect_kind kind)
{
    for (uint32_t i = 0; i < room->effects.count; i++)
        if (room->effects.effect[i].kind == kind)
            return &room->effects.effect[i];
    return NULL;
}

static inline const struct hg_effect *room_record(const struct room *room,
                                                  enum hg_record record)
{
    for (uint32_t i = 0; i < room->effects.count; i++)
        if (room->effects.effect[i].kind == HG_EFFECT_RECORD &&
            room->effects.effect[i].record == record)
            return &room->effects.effect[i];
    return NULL;
}

/* Reasons of the refusal in the latest effects; ~0 when there is no answer */
static inline hg_why_set room_reasons(const struct room *room)
{
    const struct hg_effect *answer = room_effect(room, HG_EFFECT_ANSWER);

    return answer != NULL ? answer->reasons : ~UINT64_C(0);
}

static inline void room_commit(struct room *room)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_COMMITTED;
    event.ticket = room->state.last_ticket;
    room_step(room, &event);
}

static inline void room_presence(struct room *room, bool is_online)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PRESENCE;
    event.is_online = is_online;
    room_step(room, &event);
}

static inline void room_local(struct room *room, enum hg_local what)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    memcpy(event.local.boot, room->boot, HG_BOOT_BYTES);
    event.local.seq = ++room->event_seq;
    event.local.what = what;
    room_step(room, &event);
}

/* HG_EVENT_LOCKOUT_SET or _CLEAR, with a note */
static inline void room_lockout(struct room *room, enum hg_event_kind kind,
                                struct hg_asker asker, enum hg_why what)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = kind;
    event.asker = asker;
    event.asker.request = ++room->next_request;
    event.lockout.what = what;
    event.lockout.has_note = true;
    room_step(room, &event);
}

/* A plan of an hour at 80 C that is to start in so many milliseconds. */
static inline void room_plan(struct room *room, struct hg_asker asker,
                             int64_t in_ms)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_PLAN;
    event.asker = asker;
    event.asker.request = ++room->next_request;
    event.heat.target_mc = 80000;
    event.heat.duration_ms = 60 * MIN_MS;
    event.heat.starts_at_ms = room->now.wall.ms + in_ms;
    event.heat.ready_at_ms = event.heat.starts_at_ms + 30 * (int64_t)MIN_MS;
    snprintf(event.heat.heat_id, HG_ID_BYTES, "p-%llu",
             (unsigned long long)room->next_request);
    room_step(room, &event);
}

/* The service is restarted at this moment: memory out, memory in. */
static inline void room_restart(struct room *room)
{
    struct hg_gate_memory memory;

    hg_gate_remember(&room->state, &memory);
    hg_gate_init(&room->policy, &memory, room->now, room->state.epoch + 1,
                 &room->state);
}

/* A ready room, started by its owner, permit out. */
static inline void room_heating(struct room *room, uint64_t duration_ms)
{
    struct hg_event event;

    room_ready(room);
    event = room_heat(room, room_owner(), duration_ms);
    room_step(room, &event);
    room_commit(room);
}

#endif
