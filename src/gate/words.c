/*
 * Policy limits, names and small comparisons of the gate. It owns the ranges
 * of struct hg_policy; it never decides about heat.
 */
#include "base/text.h"
#include "gate/turn.h"
#include <string.h>

#define MINUTE_MS UINT64_C(60000)
#define DAY_MS    UINT64_C(86400000)

uint64_t hg_policy_class_cap_ms(enum hg_usage_class usage_class)
{
    switch (usage_class) {
    case HG_USAGE_PUBLIC:
        return HG_CAP_PUBLIC_MS;
    case HG_USAGE_SEMI_PUBLIC:
        return HG_CAP_SEMI_PUBLIC_MS;
    case HG_USAGE_PRIVATE:
        break;
    }
    return HG_CAP_PRIVATE_MS;
}

uint64_t hg_policy_cap_ms(const struct hg_policy *policy)
{
    uint64_t cap_ms = hg_policy_class_cap_ms(policy->usage_class);

    return policy->session_cap_ms < cap_ms ? policy->session_cap_ms : cap_ms;
}

const char *hg_policy_check(const struct hg_policy *policy)
{
    /* differences of limits are taken in 64 bits: nothing here overflows */
    const struct {
        const char *name;
        int64_t value, min, max;
    } row[] = {
        { "usage_class", policy->usage_class, HG_USAGE_PRIVATE,
          HG_USAGE_PUBLIC },
        { "target_max_mc", policy->target_max_mc, 30000, HG_TARGET_TOP_MC },
        { "target_min_mc", policy->target_min_mc, 30000,
          policy->target_max_mc },
        { "heater_w", policy->heater_w, 500, 60000 },
        { "lease_ms", policy->lease_ms, 5000, 120000 },
        { "stale_after_ms", policy->stale_after_ms, 3000, 60000 },
        { "late_after_ms", policy->late_after_ms, 1000, 30000 },
        { "evidence", policy->evidence, HG_EVIDENCE_DOOR_CYCLE,
          HG_EVIDENCE_PLACE_CODE },
        { "door_rule", policy->door_rule, HG_DOOR_RULE_END, HG_DOOR_RULE_HOLD },
        { "door_hold_max_ms", policy->door_hold_max_ms, 5000, 300000 },
        { "over_temp_mc", policy->over_temp_mc,
          (int64_t)policy->target_max_mc + 5000, 125000 },
        { "no_rise_mc", policy->no_rise_mc, 1000, 20000 },
    };
    const struct {
        const char *name;
        uint64_t value, min, max;
    } span[] = {
        { "session_cap_ms", policy->session_cap_ms, MINUTE_MS,
          hg_policy_class_cap_ms(policy->usage_class) },
        { "look_in_window_ms", policy->look_in_window_ms, MINUTE_MS,
          60 * MINUTE_MS },
        { "check_valid_ms", policy->check_valid_ms, 5 * MINUTE_MS,
          1440 * MINUTE_MS },
        { "no_rise_ms", policy->no_rise_ms, 5 * MINUTE_MS, 60 * MINUTE_MS },
        { "rest_after_cap_ms", policy->rest_after_cap_ms, 0, 1440 * MINUTE_MS },
        { "door_proof_ms", policy->door_proof_ms, DAY_MS, 366 * DAY_MS },
    };

    for (size_t i = 0; i < HG_COUNT(row); i++)
        if (row[i].value < row[i].min || row[i].value > row[i].max)
            return row[i].name;
    for (size_t i = 0; i < HG_COUNT(span); i++)
        if (span[i].value < span[i].min || span[i].value > span[i].max)
            return span[i].name;
    return NULL;
}

const char *hg_record_code(enum hg_record record)
{
    static const char *const code[HG_RECORD_COUNT] = { "none",
#define CODE(name, text) text,
                                                       HG_RECORD_LIST(CODE)
#undef CODE
    };

    return (unsigned)record < HG_RECORD_COUNT ? code[record] : code[0];
}

bool hg_actor_equal(const struct hg_actor *a, const struct hg_actor *b)
{
    return a->role == b->role && memcmp(a->id, b->id, sizeof(a->id)) == 0;
}

bool hg_actor_is_staff(const struct hg_actor *actor)
{
    return actor->role == HG_ROLE_MANAGER || actor->role == HG_ROLE_OWNER;
}

bool hg_boot_equal(const char a[HG_BOOT_BYTES], const char b[HG_BOOT_BYTES])
{
    return memcmp(a, b, HG_BOOT_BYTES) == 0;
}

struct hg_actor hg_actor_gateway(void)
{
    struct hg_actor actor = { HG_ROLE_GATEWAY, "" };

    return actor;
}

struct hg_actor hg_actor_controller(void)
{
    struct hg_actor actor = { HG_ROLE_CONTROLLER, "" };

    return actor;
}
