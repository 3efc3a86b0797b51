/*
 * The room state of contract 3.2 and the decision whether it is news. Built
 * only when somebody wants it.
 */
#include "base/sat.h"
#include "base/text.h"
#include "base/why.h"
#include "service/room.h"
#include <string.h>

int64_t hg_room_when(struct hg_room_when *when, struct hg_mono mono,
                     struct hg_tick at)
{
    if (when->mono_ms != mono.ms) {
        int64_t ahead = mono.ms >= at.mono.ms
                            ? (int64_t)hg_sat_sub_u64(mono.ms, at.mono.ms)
                            : -(int64_t)hg_sat_sub_u64(at.mono.ms, mono.ms);

        when->mono_ms = mono.ms;
        when->wall_ms = hg_sat_add_i64(at.wall.ms, ahead);
    }
    return when->wall_ms;
}

static const char *phase_text(enum hg_phase phase)
{
    static const char *const text[] = {
        [HG_PHASE_IDLE] = "idle",       [HG_PHASE_PLANNED] = "planned",
        [HG_PHASE_HEATING] = "heating", [HG_PHASE_HOLDING] = "holding",
        [HG_PHASE_LOCKED] = "locked",
    };

    return text[phase];
}

static const char *check_text(enum hg_check_state state)
{
    static const char *const text[] = {
        [HG_CHECK_NONE] = "none", [HG_CHECK_VALID] = "valid",
        [HG_CHECK_VOID] = "void", [HG_CHECK_EXPIRED] = "expired",
        [HG_CHECK_USED] = "used",
    };

    return text[state];
}

static json_t *door_json(enum hg_door door)
{
    switch (door) {
    case HG_DOOR_OPEN:
        return json_string("open");
    case HG_DOOR_CLOSED:
        return json_string("closed");
    case HG_DOOR_UNKNOWN:
        break;
    }
    return json_null();
}

static json_t *heater_json(const struct hg_gate_stream *stream)
{
    if (!stream->has_reading || stream->reading.heater == HG_HEATER_UNKNOWN)
        return json_null();
    return json_string(stream->reading.heater == HG_HEATER_ON ? "on" : "off");
}

/* Who, as this viewer may know it. */
static json_t *by_json(const struct hg_actor *by, const struct hg_actor *viewer)
{
    char text[HG_ACTOR_TEXT_BYTES];

    if (viewer != NULL && viewer->role == HG_ROLE_GUEST &&
        by->role == HG_ROLE_GUEST && strcmp(by->id, viewer->id) != 0)
        return json_string("another guest");
    hg_actor_text(by, text);
    return json_string(text);
}

static json_t *check_json(struct hg_room *room, const struct hg_gate_view *view,
                          struct hg_tick at)
{
    bool has_why = view->check == HG_CHECK_VOID;
    json_t *until = json_null();

    if (view->has_check_until)
        until = hg_json_wall(
            hg_room_when(&room->check_until, view->check_until, at));
    return json_pack("{s:s, s:o, s:s?}", "state", check_text(view->check),
                     "until", until, "why",
                     has_why ? hg_why_code(view->check_why) : NULL);
}

static json_t *heat_json(struct hg_room *room, const struct hg_actor *viewer,
                         struct hg_tick at)
{
    const struct hg_gate_session *session = &room->gate.session;

    if (!session->is_active)
        return json_null();
    return json_pack(
        "{s:s, s:o, s:o, s:o, s:o, s:b, s:I}", "heat_id", session->heat_id,
        "target_c", hg_json_celsius(session->target_mc), "started_at",
        hg_json_wall(hg_room_when(&room->started, session->started_at, at)),
        "ends_at",
        hg_json_wall(hg_room_when(&room->ends, session->ends_at, at)), "by",
        by_json(&session->by.actor, viewer), "held", (int)session->is_held,
        "energy_wh", (json_int_t)hg_energy_wh(&room->energy));
}

static json_t *plan_json(const struct hg_room *room,
                         const struct hg_actor *viewer)
{
    const struct hg_gate_plan *plan = &room->gate.plan;

    if (!plan->is_active)
        return json_null();
    return json_pack("{s:o, s:o, s:I, s:o, s:o, s:o}", "target_c",
                     hg_json_celsius(plan->target_mc), "ready_at",
                     hg_json_wall(plan->ready_at_ms), "duration_min",
                     (json_int_t)(plan->duration_ms / 60000), "starts_at",
                     hg_json_wall(plan->starts_at_ms), "by",
                     by_json(&plan->by.actor, viewer), "at_risk",
                     hg_reasons_codes(plan->at_risk));
}

static json_t *last_json(const struct hg_gate_last *last)
{
    if (!last->has_one)
        return json_null();
    return json_pack("{s:s, s:o, s:s}", "heat_id", last->heat_id, "ended_at",
                     hg_json_wall(last->ended_at_ms), "end",
                     hg_why_code(last->end));
}

json_t *hg_room_forecast_json(const struct hg_room_forecast *forecast)
{
    if (!forecast->has_one)
        return json_null();
    return json_pack("{s:o, s:o, s:o}", "ready_at",
                     hg_json_wall(forecast->ready_ms), "low",
                     hg_json_wall(forecast->low_ms), "high",
                     hg_json_wall(forecast->high_ms));
}

static json_t *permit_json(struct hg_room *room, struct hg_tick at)
{
    const struct hg_gate_permit *permit = &room->gate.permit;
    json_t *until = json_null();

    if (permit->is_live)
        until =
            hg_json_wall(hg_room_when(&room->permit_until, permit->until, at));
    return json_pack("{s:b, s:I, s:o}", "live", (int)permit->is_live, "serial",
                     (json_int_t)permit->serial, "until", until);
}

json_t *hg_room_outputs_json(const struct hg_room *room)
{
    json_t *json = json_object();
    int err = 0;

    for (unsigned i = 0; i < HG_OUTPUT_COUNT; i++) {
        enum hg_output output = (enum hg_output)i;

        if (hg_outputs_has(&room->config->outputs, output))
            err |= json_object_set_new(
                json, hg_output_text(output),
                json_boolean(room->outputs_shown.is_on[output]));
    }
    if (err == 0)
        return json;
    json_decref(json);
    return NULL;
}

/* What may be asked for at all. */
static json_t *limits_json(const struct hg_policy *policy)
{
    return json_pack("{s:o, s:o, s:I}", "target_min_c",
                     hg_json_celsius(policy->target_min_mc), "target_max_c",
                     hg_json_celsius(policy->target_max_mc), "duration_max_min",
                     (json_int_t)(policy->session_cap_ms / 60000));
}

json_t *hg_room_json(struct hg_room *room, const struct hg_actor *viewer,
                     struct hg_tick at)
{
    const struct hg_gate_stream *stream = &room->gate.stream;
    struct hg_gate_view view;
    json_t *state;
    int err = 0;

    hg_gate_view(&room->config->policy, &room->gate, at, &view);
    state = json_pack("{s:s, s:s, s:I, s:s}", "room", room->config->name,
                      "label", room->config->label, "rev",
                      (json_int_t)room->rev, "phase", phase_text(view.phase));
    if (state == NULL)
        return NULL;
    err |= json_object_set_new(state, "air_c",
                               stream->has_reading && stream->reading.has_air
                                   ? hg_json_celsius(stream->reading.air_mc)
                                   : json_null());
    err |= json_object_set_new(state, "door", door_json(view.door));
    err |= json_object_set_new(state, "heater", heater_json(stream));
    err |= json_object_set_new(state, "fresh", json_boolean(view.is_fresh));
    err |= json_object_set_new(
        state, "seen_at",
        stream->has_reading
            ? hg_json_wall(hg_room_when(&room->seen, stream->fresh_at, at))
            : json_null());
    err |= json_object_set_new(state, "check", check_json(room, &view, at));
    err |= json_object_set_new(state, "heat", heat_json(room, viewer, at));
    err |= json_object_set_new(state, "plan", plan_json(room, viewer));
    err |= json_object_set_new(state, "forecast",
                               hg_room_forecast_json(&room->forecast));
    err |= json_object_set_new(state, "permit", permit_json(room, at));
    err |= json_object_set_new(state, "last", last_json(&room->gate.last));
    err |= json_object_set_new(state, "lockouts",
                               hg_reasons_codes(room->gate.lockouts));
    err |= json_object_set_new(state, "may_start",
                               json_boolean(view.reasons == 0));
    err |=
        json_object_set_new(state, "reasons", hg_reasons_codes(view.reasons));
    err |= json_object_set_new(state, "limits",
                               limits_json(&room->config->policy));
    err |= json_object_set_new(
        state, "settings_wait",
        room->is_leaving
            ? json_string("removal")
            : (room->next != NULL ? json_string("change") : json_null()));
    err |= json_object_set_new(state, "findings",
                               hg_findings_json(&room->findings));
    if (hg_outputs_has_any(&room->config->outputs))
        err |=
            json_object_set_new(state, "outputs", hg_room_outputs_json(room));
    if (err != 0) {
        json_decref(state);
        return NULL;
    }
    return state;
}

static void take_face(const struct hg_room *room, struct hg_tick at,
                      struct hg_room_face *face)
{
    const struct hg_gate_state *gate = &room->gate;
    struct hg_gate_view view;

    hg_gate_view(&room->config->policy, gate, at, &view);
    memset(face, 0, sizeof(*face));
    face->phase = view.phase;
    face->door = view.door;
    face->check = view.check;
    face->lockouts = gate->lockouts;
    face->reasons = view.reasons;
    face->at_risk = gate->plan.at_risk;
    face->is_fresh = view.is_fresh;
    face->is_permit_live = gate->permit.is_live;
    face->has_plan = gate->plan.is_active;
    face->plan_starts_at_ms = gate->plan.starts_at_ms;
    face->target_mc = gate->session.target_mc;
    face->duration_ms = gate->session.duration_ms;
    memcpy(face->heat_id, gate->session.heat_id, HG_ID_BYTES);
    memcpy(face->last_id, gate->last.heat_id, HG_ID_BYTES);
}

static bool is_same_face(const struct hg_room_face *a,
                         const struct hg_room_face *b)
{
    return a->phase == b->phase && a->door == b->door && a->check == b->check &&
           a->lockouts == b->lockouts && a->reasons == b->reasons &&
           a->at_risk == b->at_risk && a->is_fresh == b->is_fresh &&
           a->is_permit_live == b->is_permit_live &&
           a->has_plan == b->has_plan &&
           a->plan_starts_at_ms == b->plan_starts_at_ms &&
           a->target_mc == b->target_mc && a->duration_ms == b->duration_ms &&
           strcmp(a->heat_id, b->heat_id) == 0 &&
           strcmp(a->last_id, b->last_id) == 0;
}

void hg_room_look(struct hg_room *room, struct hg_tick at, bool *ret_is_urgent)
{
    struct hg_room_face face;

    take_face(room, at, &face);
    *ret_is_urgent = !is_same_face(&face, &room->face);
    if (*ret_is_urgent)
        room->face = face;
}
