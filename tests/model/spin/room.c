/* See room.h. */
#include "room.h"
#include "world.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define A(name) (UINT64_C(1) << DO_##name)
#define HEAT                                                                   \
    (A(TICK) | A(TELL) | A(DOOR) | A(SIGN) | A(START) | A(COMMIT) | A(STOP))
#define LINKS (A(LINK) | A(PRESENCE))

struct scope {
    const char *name;
    uint64_t actions;
    bool is_connected, has_channel;
    enum hg_evidence evidence;
    enum hg_door_rule door_rule;
};

/* each is a mix of several of explore's, started connected */
static const struct scope scopes[] = {
    { "door",
      HEAT | LINKS | A(FLICK) | A(TELL_HALF) | A(TELL_DOOR_NULL) |
          A(TELL_LATE) | A(START_LONG) | A(LEAP),
      true, false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD },
    { "change",
      HEAT | A(START_LONG) | A(START_GUEST) | A(CHANGE_LONG) | A(CHANGE_SHORT) |
          A(LEAP),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "restart",
      (HEAT & ~A(DOOR)) | LINKS | A(JOURNAL) | A(RESTART) | A(SHUTDOWN) |
          A(PLAN) | A(LOCK) | A(UNLOCK),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_END },
    { "far-end",
      HEAT | A(LINK) | A(PRESENCE) | A(RESTART) | A(DELIVER) | A(DELIVER_OLD) |
          A(DELIVER_KEEP),
      true, true, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
};

#define WORDS (sizeof(struct world) / 8)
_Static_assert(sizeof(struct world) % 8 == 0, "whole words");

/* A world without its zero words: a mask of the others, then they. */
#define MASK_WORDS ((WORDS + 63) / 64)

static struct {
    const struct scope *scope;
    struct hg_policy policy;
    uint64_t **packed; /* by number */
    uint32_t count, room;
    uint32_t *slot; /* number + 1, open addressing */
    uint32_t slots; /* a power of two */
} table;

static void *must(void *pointer)
{
    if (pointer == NULL) {
        fprintf(stderr, "room: no memory\n");
        exit(3);
    }
    return pointer;
}

static size_t pack(const struct world *world, uint64_t *out)
{
    const uint64_t *word = (const uint64_t *)(const void *)world;
    size_t used = MASK_WORDS;

    memset(out, 0, MASK_WORDS * 8);
    for (size_t i = 0; i < WORDS; i++) {
        if (word[i] == 0)
            continue;
        out[i / 64] |= UINT64_C(1) << i % 64;
        out[used++] = word[i];
    }
    return used;
}

static void unpack(const uint64_t *packed, struct world *world)
{
    uint64_t *word = (uint64_t *)(void *)world;
    size_t used = MASK_WORDS;

    for (size_t i = 0; i < WORDS; i++)
        word[i] = packed[i / 64] >> i % 64 & 1 ? packed[used++] : 0;
}

/* The mask says how long a packed world is: equal masks, equal lengths. */
static bool is_same(const uint64_t *a, const uint64_t *b, size_t used)
{
    return memcmp(a, b, MASK_WORDS * 8) == 0 && memcmp(a, b, used * 8) == 0;
}

static uint64_t hash_of(const uint64_t *packed, size_t used)
{
    uint64_t h = used;

    for (size_t i = 0; i < used; i++) {
        h = (h ^ packed[i]) * UINT64_C(0x9E3779B97F4A7C15);
        h ^= h >> 29;
    }
    return h ^ h >> 32;
}

static size_t length_of(const uint64_t *packed)
{
    size_t used = MASK_WORDS;

    for (size_t i = 0; i < MASK_WORDS; i++)
        used += (size_t)__builtin_popcountll(packed[i]);
    return used;
}

static void grow(void)
{
    uint32_t slots = table.slots ? table.slots * 2 : 1 << 16;

    free(table.slot);
    table.slot = must(calloc(slots, sizeof(*table.slot)));
    table.slots = slots;
    table.room = slots / 2;
    table.packed =
        must(realloc(table.packed, (size_t)table.room * sizeof(*table.packed)));
    for (uint32_t n = 0; n < table.count; n++) {
        uint64_t hash = hash_of(table.packed[n], length_of(table.packed[n]));
        uint32_t i = (uint32_t)hash & (slots - 1);

        while (table.slot[i] != 0)
            i = (i + 1) & (slots - 1);
        table.slot[i] = n + 1;
    }
}

static uint32_t number_of(const struct world *world)
{
    uint64_t packed[MASK_WORDS + WORDS];
    size_t used = pack(world, packed);
    uint32_t i;

    if (table.count == table.room)
        grow();
    i = (uint32_t)hash_of(packed, used) & (table.slots - 1);
    while (table.slot[i] != 0) {
        if (is_same(table.packed[table.slot[i] - 1], packed, used))
            return table.slot[i] - 1;
        i = (i + 1) & (table.slots - 1);
    }
    table.packed[table.count] = must(malloc(used * 8));
    memcpy(table.packed[table.count], packed, used * 8);
    table.slot[i] = ++table.count;
    return table.count - 1;
}

uint32_t room_first(void)
{
    const char *name = getenv("HG_SPIN_SCOPE");
    struct world world;
    const char *broken;

    for (size_t i = 0; i < sizeof(scopes) / sizeof(scopes[0]); i++)
        if (name != NULL && strcmp(name, scopes[i].name) == 0)
            table.scope = &scopes[i];
    if (table.scope == NULL) {
        fprintf(stderr, "room: HG_SPIN_SCOPE names no scope\n");
        exit(2);
    }
    table.policy = getenv("HG_SPIN_MEDIUM") == NULL ? world_policy()
                                                    : world_policy_medium();
    table.policy.evidence = table.scope->evidence;
    table.policy.door_rule = table.scope->door_rule;
    world_init(&table.policy, table.scope->has_channel, &world);
    world.backs_left = world.wall_backs_left = 0;
    if (table.scope->is_connected) {
        world_apply(&table.policy, &world, DO_LINK, &broken);
        world_apply(&table.policy, &world, DO_PRESENCE, &broken);
        world_apply(&table.policy, &world, DO_TELL, &broken);
    }
    world_rebase(&table.policy, &world);
    return number_of(&world);
}

int room_actions(void)
{
    return __builtin_popcountll(table.scope->actions);
}

/* The nth action of the scope. */
static enum world_action action_of(int nth)
{
    int action = 0;

    while (!(table.scope->actions >> action & 1) || nth-- > 0)
        action++;
    return (enum world_action)action;
}

struct room_step room_apply(uint32_t at, int nth)
{
    enum world_action action = action_of(nth);
    struct room_step step;
    struct world world;
    const char *broken;

    memset(&step, 0, sizeof(step));
    step.at = at;
    unpack(table.packed[at], &world);
    if (!world_apply(&table.policy, &world, action, &broken))
        return step;
    step.is_done = true;
    step.is_tick = action == DO_TICK || action == DO_LEAP;
    step.is_told = action == DO_TELL || action == DO_TELL_DOOR_NULL;
    step.is_stop = action == DO_STOP;
    step.is_live = world.state.permit.is_live || world.monitor.is_lent;
    step.is_heat =
        table.scope->has_channel &&
        hg_follower_may_heat(&world.follower, world.now.mono.ms) != 0;
    if (broken != NULL) {
        step.is_broken = true;
        printf("room: %s after %s\n", broken, world_action_name(action));
    }
    world_rebase(&table.policy, &world);
    step.at = number_of(&world);
    return step;
}
