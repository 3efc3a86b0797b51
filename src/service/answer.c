/* Answers of the gate as JSON-RPC; see answer.h. */
#include "service/answer.h"
#include "base/why.h"
#include "service/asks.h"
#include "service/kinds.h"
#include "service/service.h"
#include <stdio.h>
#include <string.h>

#define HINT_BYTES    256
#define MESSAGE_BYTES 256

static void hint(const struct hg_policy *policy, char out[HINT_BYTES])
{
    unsigned long minutes = (unsigned long)(policy->look_in_window_ms / 60000);

    switch (policy->evidence) {
    case HG_EVIDENCE_DOOR_CYCLE:
        snprintf(out, HINT_BYTES,
                 "Open the door of the hot room, look in, clear it, close the "
                 "door, and sign within %lu minutes of opening it.",
                 minutes);
        break;
    case HG_EVIDENCE_PANEL:
        snprintf(out, HINT_BYTES,
                 "Look into the hot room, clear it, close the door, press the "
                 "room-check button on the panel, and sign within %lu "
                 "minutes.",
                 minutes);
        break;
    case HG_EVIDENCE_PLACE_CODE:
        snprintf(out, HINT_BYTES,
                 "Look into the hot room, clear it, close the door, and give "
                 "the place code that is posted there.");
        break;
    case HG_EVIDENCE_NONE:
        snprintf(out, HINT_BYTES, "This room has no way to prove a look-in.");
        break;
    }
}

const char *hg_answer_evidence_word(enum hg_evidence evidence)
{
    static const char *const word[] = {
        [HG_EVIDENCE_NONE] = "none",
        [HG_EVIDENCE_DOOR_CYCLE] = "door-cycle",
        [HG_EVIDENCE_PANEL] = "panel",
        [HG_EVIDENCE_PLACE_CODE] = "place-code",
    };

    return word[evidence];
}

json_t *hg_answer_evidence(struct hg_service *service,
                           const struct hg_room *room)
{
    const struct hg_policy *policy = &room->config->policy;
    struct hg_gate_view view;
    char text[HINT_BYTES];

    hint(policy, text);
    hg_gate_view(policy, &room->gate, service->now, &view);
    return json_pack("{s:s, s:b, s:s}", "kind",
                     hg_answer_evidence_word(policy->evidence), "satisfied",
                     (int)view.is_evidence_there, "hint", text);
}

json_t *hg_answer_reasons(hg_why_set reasons)
{
    return json_pack("{s:o}", "reasons", hg_reasons_full(reasons));
}

static void refusal_text(hg_why_set reasons, char out[MESSAGE_BYTES])
{
    enum hg_why first = hg_why_first(reasons);
    int more = __builtin_popcountll(reasons) - 1;

    if (more > 0)
        snprintf(out, MESSAGE_BYTES, "Refused: %s And %d more reason%s.",
                 hg_why_text(first), more, more == 1 ? "" : "s");
    else
        snprintf(out, MESSAGE_BYTES, "Refused: %s %s", hg_why_text(first),
                 hg_why_remedy(first));
}

void hg_answer_refused(struct hg_api_reply *reply, hg_why_set reasons)
{
    char message[MESSAGE_BYTES];

    refusal_text(reasons, message);
    hg_api_reply_error(reply, HG_RPC_REFUSED, message,
                       hg_answer_reasons(reasons));
}

static json_t *heat_result(struct hg_service *service, struct hg_room *room,
                           const struct hg_effect *effect)
{
    return json_pack(
        "{s:s, s:s, s:o, s:o}", "room", room->config->name, "heat_id",
        effect->heat_id, "target_c", hg_json_celsius(effect->target_mc),
        "ends_at",
        hg_json_wall(hg_room_when(&room->ends, effect->ends_at, service->now)));
}

static json_t *plan_result(const struct hg_room *room)
{
    const struct hg_gate_plan *plan = &room->gate.plan;
    struct hg_room_forecast forecast;
    json_t *ready = json_null();

    hg_forecast_ask(room, plan->target_mc, plan->starts_at_ms, &forecast);
    if (forecast.has_one)
        ready = hg_room_forecast_json(&forecast);
    return json_pack("{s:s, s:o, s:o, s:o}", "room", room->config->name,
                     "starts_at", hg_json_wall(plan->starts_at_ms), "forecast",
                     ready, "at_risk", hg_reasons_codes(plan->at_risk));
}

static json_t *open_result(struct hg_service *service,
                           const struct hg_room *room,
                           const struct hg_effect *effect)
{
    char id[20];

    snprintf(id, sizeof(id), "c-%016llx", (unsigned long long)effect->check);
    return json_pack("{s:s, s:o, s:o}", "check", id, "statements",
                     hg_statements_json(true), "evidence",
                     hg_answer_evidence(service, room));
}

static json_t *result_of(struct hg_service *service, struct hg_room *room,
                         const struct hg_effect *effect,
                         const struct hg_ask *ask)
{
    switch ((int)ask->method) {
    case HG_METHOD_CHECK_OPEN:
        return open_result(service, room, effect);
    case HG_METHOD_CHECK_SIGN:
        return json_pack(
            "{s:s, s:o}", "room", room->config->name, "until",
            hg_json_wall(hg_room_when(&room->check_until, effect->ends_at,
                                      service->now)));
    case HG_METHOD_HEAT_START:
    case HG_METHOD_HEAT_CHANGE:
        return heat_result(service, room, effect);
    case HG_METHOD_HEAT_PLAN:
        return plan_result(room);
    case HG_METHOD_LOCKOUT_SET:
    case HG_METHOD_LOCKOUT_CLEAR:
        return json_pack("{s:s, s:o}", "room", room->config->name, "lockouts",
                         hg_reasons_codes(room->gate.lockouts));
    default: /* heat.stop, heat.unplan */
        return json_pack("{s:s}", "room", room->config->name);
    }
}

/* Answers that promise something which only the record makes lasting. */
static bool rests_on_record(enum hg_method method)
{
    return method == HG_METHOD_CHECK_SIGN || method == HG_METHOD_HEAT_PLAN ||
           method == HG_METHOD_HEAT_UNPLAN || method == HG_METHOD_LOCKOUT_SET ||
           method == HG_METHOD_LOCKOUT_CLEAR;
}

static void granted(struct hg_service *service, struct hg_room *room,
                    const struct hg_effect *effect, struct hg_ask *ask,
                    uint64_t n)
{
    json_t *result = result_of(service, room, effect, ask);

    if (!rests_on_record(ask->method)) {
        hg_asks_result(service->asks, ask, result);
    } else if (service->is_journal_failing || !service->is_journal_ok) {
        json_decref(result);
        hg_asks_error(service->asks, ask, HG_RPC_UNAVAILABLE,
                      "It is so now, but it could not be recorded: the "
                      "journal cannot be written. Free disk space or mend the "
                      "disk.",
                      NULL);
    } else if (n > hg_record_durable(service)) {
        hg_asks_hold(service->asks, ask, n, result);
    } else {
        hg_asks_result(service->asks, ask, result);
    }
}

static void refused(struct hg_service *service, struct hg_room *room,
                    const struct hg_effect *effect, struct hg_ask *ask)
{
    json_t *data = hg_answer_reasons(effect->reasons);
    char message[MESSAGE_BYTES];
    char text[HINT_BYTES];

    refusal_text(effect->reasons, message);
    if (data != NULL && ask->method == HG_METHOD_CHECK_SIGN &&
        (effect->reasons & HG_WHY_BIT(HG_WHY_CHECK_MISSING))) {
        hint(&room->config->policy, text);
        json_object_set_new(data, "hint", json_string(text));
    }
    hg_asks_error(service->asks, ask, HG_RPC_REFUSED, message, data);
}

static const char *unknown_text(enum hg_method method)
{
    switch ((int)method) {
    case HG_METHOD_CHECK_SIGN:
        return "There is no such room check of yours, or it is too old: open "
               "a new one.";
    case HG_METHOD_HEAT_CHANGE:
        return "There is no heat to change in this room: start one.";
    case HG_METHOD_HEAT_UNPLAN:
        return "There is no plan in this room.";
    default:
        return "There is no such lockout in this room.";
    }
}

void hg_answer_effect(struct hg_service *service, struct hg_room *room,
                      const struct hg_effect *effect, uint64_t n)
{
    struct hg_ask *ask = hg_asks_find(service->asks, effect->request);

    if (ask == NULL)
        return; /* a plan's heat, or nobody waits */
    switch (effect->verdict) {
    case HG_VERDICT_GRANTED:
        granted(service, room, effect, ask, n);
        break;
    case HG_VERDICT_REFUSED:
        refused(service, room, effect, ask);
        break;
    case HG_VERDICT_UNKNOWN:
        hg_asks_error(service->asks, ask, HG_RPC_UNKNOWN,
                      unknown_text(ask->method), NULL);
        break;
    case HG_VERDICT_NOT_ALLOWED:
        hg_asks_error(service->asks, ask, HG_RPC_NOT_ALLOWED,
                      "This is not allowed with this code: it is for the one "
                      "who began it, or for staff. Ask the owner or the "
                      "manager.",
                      NULL);
        break;
    case HG_VERDICT_BUSY:
        hg_asks_error(service->asks, ask, HG_RPC_UNAVAILABLE,
                      "Another change of this heat is being recorded; ask "
                      "again in a second.",
                      NULL);
        break;
    }
}
