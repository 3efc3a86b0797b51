/* Actors, reasons, times and temperatures as JSON and text. */
#include "base/text.h"
#include "base/why.h"
#include "service/room.h"
#include <math.h>
#include <stdio.h>

const char *hg_role_text(enum hg_role role)
{
    switch (role) {
    case HG_ROLE_GUEST:
        return "guest";
    case HG_ROLE_CARETAKER:
        return "caretaker";
    case HG_ROLE_INTEGRATOR:
        return "integrator";
    case HG_ROLE_MANAGER:
        return "manager";
    case HG_ROLE_OWNER:
        return "owner";
    case HG_ROLE_CONTROLLER:
        return "controller";
    case HG_ROLE_GATEWAY:
        return "gateway";
    case HG_ROLE_NONE:
        break;
    }
    return "none";
}

void hg_actor_text(const struct hg_actor *actor, char out[HG_ACTOR_TEXT_BYTES])
{
    if (actor->id[0] == '\0' || actor->role == HG_ROLE_CONTROLLER ||
        actor->role == HG_ROLE_GATEWAY)
        snprintf(out, HG_ACTOR_TEXT_BYTES, "%s", hg_role_text(actor->role));
    else
        snprintf(out, HG_ACTOR_TEXT_BYTES, "%s:%s", hg_role_text(actor->role),
                 actor->id);
}

json_t *hg_reasons_codes(hg_why_set set)
{
    json_t *codes = json_array();

    for (int why = 1; codes != NULL && why < HG_WHY_COUNT; why++)
        if ((set & HG_WHY_BIT(why)) &&
            json_array_append_new(
                codes, json_string(hg_why_code((enum hg_why)why))) < 0) {
            json_decref(codes);
            return NULL;
        }
    return codes;
}

json_t *hg_reasons_full(hg_why_set set)
{
    json_t *reasons = json_array();

    for (int n = 1; reasons != NULL && n < HG_WHY_COUNT; n++) {
        enum hg_why why = (enum hg_why)n;

        if (!(set & HG_WHY_BIT(n)))
            continue;
        if (json_array_append_new(reasons, json_pack("{s:s, s:s, s:s}", "code",
                                                     hg_why_code(why), "text",
                                                     hg_why_text(why), "remedy",
                                                     hg_why_remedy(why))) < 0) {
            json_decref(reasons);
            return NULL;
        }
    }
    return reasons;
}

hg_why_set hg_reasons_find(const json_t *codes)
{
    hg_why_set set = 0;

    for (size_t i = 0; i < json_array_size(codes); i++) {
        const char *code = json_string_value(json_array_get(codes, i));
        enum hg_why why = code == NULL ? HG_WHY_NONE : hg_why_find(code);

        if (why != HG_WHY_NONE)
            set |= HG_WHY_BIT(why);
    }
    return set;
}

json_t *hg_json_wall(int64_t wall_ms)
{
    char text[HG_WALL_TEXT_BYTES];

    hg_text_from_wall(wall_ms, text);
    return json_string(text);
}

json_t *hg_json_celsius(int32_t mc)
{
    return json_real(round((double)mc / 100.0) / 10.0);
}
