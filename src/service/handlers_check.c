/* check.*: the room check, opened and signed by a person. */
#include "service/handlers.h"
#include "service/kinds.h"
#include "base/text.h"
#include "service/service.h"
#include "service/sign_in.h"
#include <stdio.h>
#include <string.h>

void hg_handle_check_open(struct hg_service *service,
                          const struct hg_api_call *call)
{
    struct hg_room *room = hg_call_room(service, call);
    struct hg_ask *ask = hg_call_ask(service, call, room);
    struct hg_event event;
    char id[20];

    if (ask == NULL)
        return;
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CHECK_OPEN;
    hg_call_asker(service, call->caller, room, &event.asker);
    event.asker.request = ask->id;
    if (!hg_call_draw_id("c-", id, &event.check.id)) {
        hg_asks_error(service->asks, ask, HG_RPC_UNAVAILABLE,
                      "The system gave no random number for an id; ask again.",
                      NULL);
        return;
    }
    hg_call_step(service, call, room, &event);
}

/* "c-" and 16 hex digits. */
static bool parse_check(const char *text, uint64_t *ret_id)
{
    uint8_t bytes[8];
    uint64_t id = 0;

    if (strncmp(text, "c-", 2) != 0 || hg_hex_to_bytes(text + 2, bytes, 8) < 0)
        return false;
    for (size_t i = 0; i < sizeof(bytes); i++)
        id = id << 8 | bytes[i];
    *ret_id = id;
    return id != 0;
}

/* The room that has this check open; only rooms the caller may see. */
static struct hg_room *find_check(struct hg_service *service,
                                  const struct hg_api_caller *caller,
                                  uint64_t id)
{
    for (size_t i = 0; i < service->by_name_count; i++) {
        struct hg_room *room = service->by_name[i];

        for (size_t j = 0; j < HG_CHECKS_OPEN; j++)
            if (room->gate.open_check[j].id == id)
                return hg_call_may_see(service, caller, room->config->name)
                           ? room
                           : NULL;
    }
    return NULL;
}

static bool is_place_code(const struct hg_room *room, const char *typed)
{
    char code[HG_CONFIG_PLACE_CODE_BYTES];

    if (typed == NULL || room->config->place_code[0] == '\0' ||
        hg_config_place_code(typed, code) < 0)
        return false;
    return hg_secret_equal(code, room->config->place_code, sizeof(code));
}

/* The evidence of a room whose code is typed; others know no place code. */
static bool try_place_code(struct hg_room *room, const char *typed,
                           struct hg_mono now)
{
    bool is_right = is_place_code(room, typed);

    if (is_right)
        memset(&room->place_code, 0, sizeof(room->place_code));
    else if (typed != NULL && room->config->place_code[0] != '\0')
        hg_slowdown_count_fail(&room->place_code, now);
    return is_right;
}

void hg_handle_check_sign(struct hg_service *service,
                          const struct hg_api_call *call)
{
    const char *typed = hg_call_text(call, "place_code");
    struct hg_mono now = service->now.mono;
    struct hg_room *room = NULL;
    struct hg_event event;
    uint64_t wait_ms;

    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_CHECK_SIGN;
    if (parse_check(hg_call_text(call, "check"), &event.check.id))
        room = find_check(service, call->caller, event.check.id);
    if (room == NULL) {
        hg_api_reply_error(call->reply, HG_RPC_UNKNOWN,
                           "There is no such room check of yours, or it is "
                           "too old: open a new one.",
                           NULL);
        return;
    }
    /* who guesses the code instead of going there waits, room by room */
    wait_ms = hg_slowdown_count_wait_ms(&room->place_code, now);
    if (typed != NULL && wait_ms > 0) {
        hg_reply_slow_down(call->reply, wait_ms);
        return;
    }
    event.check.agreed =
        hg_statements_find(json_object_get(call->params, "agreed"));
    event.check.is_place_code_right = try_place_code(room, typed, now);
    hg_call_asker(service, call->caller, room, &event.asker);
    hg_call_step(service, call, room, &event);
}
