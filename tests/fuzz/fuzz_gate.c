/*
 * The gate under sequences of events: bytes become actions of the model's
 * world, and its monitor, which sees only events and effects, judges every
 * step (I1 to I12). The first byte chooses the policy; each further one is an
 * action, those that keep a room alive more often than the others.
 */
#include "fuzz.h"
#include "base/sat.h"
#include "world.h"

#define ACTIONS_MAX 4096
/* the base of lateness rises 2 ms a second (contract, section 7), which the
 * world leaves out: from here on it cannot say what is late */
#define RISE_MS 490

/* An action of a byte: half of the values are what a heat is made of. */
static enum world_action action_of(uint8_t byte)
{
    static const enum world_action often[] = {
        DO_TELL,   DO_TELL, DO_TICK, DO_SIGN,     DO_DOOR,  DO_START,
        DO_COMMIT, DO_LINK, DO_TICK, DO_PRESENCE, DO_FLICK, DO_STOP,
    };

    if (byte >= 128)
        return often[byte % (sizeof(often) / sizeof(often[0]))];
    return (enum world_action)(byte % WORLD_ACTION_COUNT);
}

static struct hg_policy policy_of(uint8_t byte)
{
    struct hg_policy policy =
        byte % 2 == 0 ? world_policy() : world_policy_medium();

    policy.evidence = (enum hg_evidence)(1 + byte / 2 % 3);
    policy.door_rule = (enum hg_door_rule)(byte / 8 % 2);
    return policy;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct hg_policy policy;
    struct world world;
    const char *broken = NULL;
    struct hg_mono begun;

    if (size < 2)
        return 0;
    policy = policy_of(data[0]);
    world_init(&policy, data[0] / 16 % 2 == 1, &world);
    begun = world.now.mono;
    world.has_heater = data[0] / 32 % 2 == 1;
    if (data[0] / 64 % 2 == 1) { /* begins connected */
        (void)world_apply(&policy, &world, DO_LINK, &broken);
        (void)world_apply(&policy, &world, DO_PRESENCE, &broken);
        (void)world_apply(&policy, &world, DO_TELL, &broken);
    }
    for (size_t i = 1; i < size && i < ACTIONS_MAX; i++) {
        enum world_action action = action_of(data[i]);

        if (action == DO_TELL_LATE &&
            hg_mono_since(world.now.mono, begun) > RISE_MS)
            continue;
        (void)world_apply(&policy, &world, action, &broken);
        if (broken != NULL) {
            fprintf(stderr, "action %zu, %s: %s\n", i,
                    world_action_name(action), broken);
            abort();
        }
    }
    return 0;
}
