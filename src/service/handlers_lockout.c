/* lockout.*: set and cleared by a named person with a note. */
#include "base/why.h"
#include "service/answer.h"
#include "service/handlers.h"
#include "service/service.h"
#include <string.h>

/* The codes that a lockout can have: those that latch, and a person's own. */
#define LOCKOUTS                                                               \
    (HG_WHY_BIT(HG_WHY_LOCKED_OUT) | HG_WHY_BIT(HG_WHY_OVER_TEMPERATURE) |     \
     HG_WHY_BIT(HG_WHY_NO_RISE) | HG_WHY_BIT(HG_WHY_HEATER_UNBIDDEN) |         \
     HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY) | HG_WHY_BIT(HG_WHY_SENSOR_FAULT))

static void touch(struct hg_service *service, const struct hg_api_call *call,
                  enum hg_event_kind kind)
{
    struct hg_room *room = hg_call_room(service, call);
    const char *lockout = hg_call_text(call, "lockout");
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.kind = kind;
    event.lockout.what =
        lockout == NULL ? HG_WHY_LOCKED_OUT : hg_why_find(lockout);
    event.lockout.has_note = true; /* the API refuses a blank one */
    if (!(HG_WHY_BIT(event.lockout.what) & LOCKOUTS)) {
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "lockout: one of locked-out, over-temperature, "
                           "no-rise, heater-unbidden, rival-gateway, "
                           "sensor-fault is wanted.",
                           NULL);
        return;
    }
    /* opening a locked room again without a record of who did is no way */
    if (kind == HG_EVENT_LOCKOUT_CLEAR && !service->is_journal_ok) {
        hg_answer_refused(call->reply, HG_WHY_BIT(HG_WHY_JOURNAL_UNAVAILABLE));
        return;
    }
    hg_call_asker(service, call->caller, room, &event.asker);
    service->note = hg_call_text(call, "note");
    hg_call_step(service, call, room, &event);
    service->note = NULL;
}

void hg_handle_lockout_set(struct hg_service *service,
                           const struct hg_api_call *call)
{
    touch(service, call, HG_EVENT_LOCKOUT_SET);
}

void hg_handle_lockout_clear(struct hg_service *service,
                             const struct hg_api_call *call)
{
    touch(service, call, HG_EVENT_LOCKOUT_CLEAR);
}
