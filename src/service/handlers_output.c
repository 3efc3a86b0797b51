/* output.set: light and fan, which no gate governs. */
#include "base/sat.h"
#include "service/answer.h"
#include "service/handlers.h"
#include "service/kinds.h"
#include "service/service.h"
#include <stdio.h>

#define SAY_PAUSE_MS 1000

static void has_none(const struct hg_api_call *call, const struct hg_room *room,
                     enum hg_output output)
{
    char text[200];

    (void)snprintf(text, sizeof(text),
                   "%s has no %s that Heatgate switches. Whoever runs the "
                   "service can add it in the room's setting outputs.",
                   room->config->name, hg_output_text(output));
    hg_api_reply_error(call->reply, HG_RPC_UNKNOWN, text, NULL);
}

/* Is it outside the asker's stay? The gate, which judges the rest, is not
 * asked here. */
static hg_why_set stay_unmet(struct hg_service *service,
                             const struct hg_api_call *call,
                             const struct hg_room *room)
{
    struct hg_wall now = service->now.wall;
    struct hg_asker asker;

    hg_call_asker(service, call->caller, room, &asker);
    if (!asker.is_allowed)
        return HG_WHY_BIT(HG_WHY_NOT_ALLOWED);
    if (!asker.has_stay)
        return 0;
    if (!now.is_trusted)
        return HG_WHY_BIT(HG_WHY_CLOCK_UNTRUSTED);
    if (now.ms < asker.stay_from_ms || now.ms >= asker.stay_until_ms)
        return HG_WHY_BIT(HG_WHY_OUTSIDE_STAY);
    return 0;
}

/* Each word is a record: of each output not more than one a second. */
static bool may_say(struct hg_service *service, const struct hg_api_call *call,
                    struct hg_room *room, enum hg_output output)
{
    struct hg_mono now = service->now.mono;

    if (room->has_output_said[output] &&
        hg_mono_since(now, room->output_said_at[output]) < SAY_PAUSE_MS) {
        hg_api_reply_error(call->reply, HG_RPC_SLOW_DOWN,
                           "It was switched just now. Wait a second, then ask "
                           "again.",
                           json_pack("{s:i}", "retry_after_s", 1));
        return false;
    }
    room->has_output_said[output] = true;
    room->output_said_at[output] = now;
    return true;
}

static void answer(const struct hg_api_call *call, const struct hg_room *room)
{
    json_t *outputs = hg_room_outputs_json(room);
    json_t *result = json_pack("{s:o}", "outputs", outputs);

    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR,
                           "It was switched, but there is no memory for the "
                           "answer.",
                           NULL);
    else
        hg_api_reply_result(call->reply, result);
}

void hg_handle_output_set(struct hg_service *service,
                          const struct hg_api_call *call)
{
    struct hg_room *room = hg_call_room(service, call);
    bool is_on = json_is_true(json_object_get(call->params, "on"));
    enum hg_output output = HG_OUTPUT_LIGHT;
    hg_why_set unmet = stay_unmet(service, call, room);

    /* the API lets only words of the table through */
    if (hg_output_find(hg_call_text(call, "output"), &output) < 0 ||
        !hg_outputs_has(&room->config->outputs, output)) {
        has_none(call, room, output);
        return;
    }
    if (unmet != 0) {
        hg_record_refusal(service, HG_KIND_CALL_REFUSED, room->config->name,
                          &call->caller->actor, unmet);
        hg_answer_refused(call->reply, unmet);
        return;
    }
    if (!may_say(service, call, room, output))
        return;
    hg_outputs_say(&room->outputs, output, is_on);
    hg_record_put(service, HG_KIND_OUTPUT_SET, room, &call->caller->actor,
                  json_pack("{s:s, s:b}", "output", hg_output_text(output),
                            "on", (int)is_on));
    hg_show_outputs(service, room);
    if (room->is_changed)
        hg_show_room(service, room);
    answer(call, room);
}
