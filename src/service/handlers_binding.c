/* binding.read: what each pointer of a switch controller reads now. */
#include "base/sat.h"
#include "base/text.h"
#include "service/handlers.h"
#include "service/service.h"
#include "service/switches.h"
#include <math.h>
#include <string.h>

/* In the unit that the contract's names use: C, W, Wh, %, s. */
static json_t *number_json(enum hg_signal signal, double number)
{
    bool is_milli = signal == HG_SIGNAL_AIR ||
                    signal == HG_SIGNAL_MODULE_TEMPERATURE ||
                    signal == HG_SIGNAL_UPTIME;

    /* three decimals at most; what a double cannot hold is not shown */
    number = is_milli ? round(number) / 1000 : round(number * 1000) / 1000;
    return json_real(number); /* NULL, taken for null, when not finite */
}

static const char *unit_of(enum hg_signal signal)
{
    static const char *const unit[HG_SIGNAL_COUNT] = {
        [HG_SIGNAL_AIR] = "C",
        [HG_SIGNAL_POWER] = "W",
        [HG_SIGNAL_ENERGY] = "Wh",
        [HG_SIGNAL_MODULE_TEMPERATURE] = "C",
        [HG_SIGNAL_MODULE_HUMIDITY] = "%",
        [HG_SIGNAL_UPTIME] = "s",
    };

    return unit[signal];
}

/* The last live value, if there is one; a new reference or NULL. */
static json_t *value_json(enum hg_signal signal,
                          const struct hg_binding_read *read)
{
    if (!read->has_value || read->is_fault)
        return NULL;
    if (!hg_signal_has_words(signal))
        return number_json(signal, read->number);
    return read->word < 0
               ? NULL
               : json_string(hg_signal_word(signal, (unsigned)read->word));
}

static json_t *age_json(bool has_one, struct hg_mono now, struct hg_mono at)
{
    return has_one ? json_integer((json_int_t)hg_mono_since(now, at)) : NULL;
}

static json_t *signal_json(const struct hg_service *service,
                           const struct hg_room *room, enum hg_signal signal)
{
    const struct hg_binding_signal *bound =
        &room->config->binding->signal[signal];
    const struct hg_binding_read *read =
        &hg_switch_reads(room->sw)->signal[signal];
    struct hg_mono now = service->now.mono;
    bool is_needed = (HG_SIGNALS_NEEDED & HG_SIGNAL_BIT(signal)) != 0;
    bool is_fresh = read->has_value && hg_mono_since(now, read->at) <
                                           room->config->policy.stale_after_ms;

    return json_pack(
        "{s:s, s:s, s:s, s:b, s:b, s:s, s:s, s:s, s:s?, s:o?, s:s?, s:o?, "
        "s:o?}",
        "signal", hg_signal_name(signal), "topic", bound->topic, "pointer",
        bound->pointer, "needed", (int)is_needed, "fresh", (int)is_fresh,
        "state", hg_read_code(read->state), "text", hg_read_text(read->state),
        "remedy", hg_read_remedy(read->state), "raw",
        read->raw[0] == '\0' ? NULL : read->raw, "value",
        value_json(signal, read), "unit", unit_of(signal), "age_ms",
        age_json(read->has_value, now, read->at), "heard_ms",
        age_json(read->has_message, now, read->heard_at));
}

static json_t *all_json(const struct hg_service *service,
                        const struct hg_room *room)
{
    json_t *signals = json_array();
    json_t *missing = json_array();
    uint32_t bits = hg_switch_missing(room->sw, service->now.mono);

    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++) {
        if ((bits & HG_SIGNAL_BIT(s)) != 0)
            (void)json_array_append_new(
                missing, json_string(hg_signal_name((enum hg_signal)s)));
        if (room->config->binding->signal[s].is_set)
            (void)json_array_append_new(
                signals, signal_json(service, room, (enum hg_signal)s));
    }
    return json_pack(
        "{s:s, s:b, s:i, s:i, s:o, s:o}", "room", room->config->name,
        "connected", (int)hg_link_is_up(hg_switch_link(room->sw)),
        "timer_limit_min", (int)room->config->binding->timer_limit_min,
        "stale_after_s", (int)(room->config->policy.stale_after_ms / 1000),
        "missing", missing, "signals", signals);
}

void hg_handle_binding_read(struct hg_service *service,
                            const struct hg_api_call *call)
{
    const struct hg_room *room = hg_call_room(service, call);
    json_t *result;

    if (room->sw == NULL) {
        hg_api_reply_error(call->reply, HG_RPC_INVALID_PARAMS,
                           "room: this room's controller follows permits; "
                           "only one of kind \"switch\" has a binding.",
                           NULL);
        return;
    }
    result = all_json(service, room);
    if (result == NULL)
        hg_api_reply_error(call->reply, HG_RPC_INTERNAL_ERROR, "out of memory",
                           NULL);
    else
        hg_api_reply_result(call->reply, result);
}
