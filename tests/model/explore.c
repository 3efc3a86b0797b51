/*
 * Breadth-first over everything that can happen to a small room, scope by
 * scope, until no new state appears: each step is judged by the monitor.
 *
 *   explore [--medium] [--scope NAME] [--max STATES]   exhaustive
 *   explore --walk STEPS [--seed N]     random walk over all actions, raw
 *   explore --compare STEPS [--seed N]  raw against rebased: same outcome
 *
 * Exit 0: all scopes closed, nothing broken, nothing vacuous. 1: a rule was
 * broken (the trail is printed). 2: usage. 3: a bound was reached.
 */
#include "world.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define A(name) (UINT64_C(1) << DO_##name)

/* what a room needs to be heated once, and what takes the heat away */
#define HEAT                                                                   \
    (A(TICK) | A(TELL) | A(DOOR) | A(SIGN) | A(START) | A(COMMIT) | A(STOP))
#define LINKS (A(LINK) | A(PRESENCE))

struct scope {
    const char *name;
    uint64_t actions;
    bool is_connected; /* begins with link, presence and a first reading */
    bool has_channel;
    enum hg_evidence evidence;
    enum hg_door_rule door_rule;
};

static const struct scope scopes[] = {
    { "door", HEAT | LINKS | A(FLICK) | A(TELL_HALF) | A(START_LONG), false,
      false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD },
    { "door-end", HEAT | LINKS | A(FLICK) | A(TELL_DOOR_NULL), false, false,
      HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_END },
    { "messages",
      HEAT | LINKS | A(TELL_LATE) | A(TELL_AGAIN) | A(TELL_RETAINED) |
          A(REBOOT) | A(TELL_OLD_BOOT),
      false, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "time",
      HEAT | LINKS | A(LEAP) | A(BACK) | A(START_GUEST) | A(TRUST) |
          A(WALL_BACK),
      false, false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD },
    { "change", HEAT | LINKS | A(START_LONG) | A(CHANGE_LONG) | A(CHANGE_SHORT),
      false, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "journal", HEAT | LINKS | A(JOURNAL) | A(RESTART) | A(SHUTDOWN), false,
      false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD },
    { "lockout",
      HEAT | A(LOCK) | A(UNLOCK) | A(UNLOCK_NAMELESS) | A(FOREIGN) |
          A(TELL_AIR_NULL),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "heater", HEAT | A(HEATER) | A(LOCAL_START) | A(LOCAL_STOP) | A(UNLOCK),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "plan", (HEAT & ~A(START)) | A(PLAN) | A(UNPLAN) | A(TRUST), true, false,
      HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "plan-over",
      (HEAT & ~(A(DOOR) | A(STOP) | A(START))) | LINKS | A(PLAN) | A(RESTART),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "people",
      HEAT | LINKS | A(PANEL) | A(SIGN_PARTLY) | A(SIGN_INTEGRATOR) |
          A(START_FORBIDDEN) | A(ACCESS_END),
      false, false, HG_EVIDENCE_PANEL, HG_DOOR_RULE_HOLD },
    { "far-end", (HEAT & ~A(DOOR)) | A(DELIVER) | A(DELIVER_KEEP) | A(LOSE),
      true, true, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
    { "far-over",
      (HEAT & ~(A(DOOR) | A(STOP))) | LINKS | A(DELIVER) | A(RESTART), true,
      true, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD },
};

/* States are kept as runs of words that are not zero; order is by arrival. */
struct store {
    uint64_t *hash; /* two words a state; open addressing; 0,0 is free */
    size_t slots, count;
    uint32_t *parent;
    uint8_t *action;
    uint8_t **packed;
    size_t cap, max;
};

#define WORDS (sizeof(struct world) / 8)
_Static_assert(sizeof(struct world) % 8 == 0, "whole words");

static void *must(void *pointer)
{
    if (pointer == NULL) {
        fprintf(stderr, "explore: no memory\n");
        exit(3);
    }
    return pointer;
}

static uint64_t mix(uint64_t h, uint64_t word)
{
    h ^= word;
    h *= UINT64_C(0x9E3779B97F4A7C15);
    h ^= h >> 29;
    h *= UINT64_C(0xBF58476D1CE4E5B9);
    return h ^ (h >> 32);
}

static void fingerprint(const uint64_t *word, uint64_t out[2])
{
    uint64_t a = 1, b = 2;

    for (size_t i = 0; i < WORDS; i++) {
        if (word[i] == 0)
            continue;
        a = mix(a, word[i] + i);
        b = mix(b ^ (i << 40), word[i]);
    }
    out[0] = a | 1;
    out[1] = b;
}

static uint8_t *pack(const uint64_t *word)
{
    uint16_t used = 0;
    uint8_t *packed;

    for (size_t i = 0; i < WORDS; i++)
        used = (uint16_t)(used + (word[i] != 0));
    packed = must(malloc(2 + (size_t)used * 10));
    memcpy(packed, &used, 2);
    for (uint16_t i = 0, n = 0; i < WORDS; i++) {
        if (word[i] == 0)
            continue;
        memcpy(packed + 2 + (size_t)n * 10, &i, 2);
        memcpy(packed + 4 + (size_t)n * 10, &word[i], 8);
        n++;
    }
    return packed;
}

static void unpack(const uint8_t *packed, uint64_t *word)
{
    uint16_t used, place;

    memset(word, 0, WORDS * 8);
    memcpy(&used, packed, 2);
    for (uint16_t n = 0; n < used; n++) {
        memcpy(&place, packed + 2 + (size_t)n * 10, 2);
        memcpy(&word[place], packed + 4 + (size_t)n * 10, 8);
    }
}

static void store_init(struct store *store, size_t max)
{
    memset(store, 0, sizeof(*store));
    store->max = max;
    store->slots = 1;
    while (store->slots < max * 2)
        store->slots *= 2;
    store->hash = must(calloc(store->slots, 16));
}

static void store_release(struct store *store)
{
    for (size_t i = 0; i < store->count; i++)
        free(store->packed[i]);
    free(store->packed);
    free(store->hash);
    free(store->parent);
    free(store->action);
}

static void store_grow(struct store *store)
{
    store->cap = store->cap ? store->cap * 2 : 4096;
    store->parent = must(realloc(store->parent, store->cap * 4));
    store->action = must(realloc(store->action, store->cap));
    store->packed =
        must(realloc(store->packed, store->cap * sizeof(*store->packed)));
}

/* Add a state unless it is known. */
static void store_add(struct store *store, const struct world *world,
                      uint32_t parent, enum world_action action)
{
    const uint64_t *word = (const uint64_t *)(const void *)world;
    uint64_t print[2];
    size_t slot;

    fingerprint(word, print);
    slot = print[1] & (store->slots - 1);
    while (store->hash[2 * slot] != 0) {
        if (store->hash[2 * slot] == print[0] &&
            store->hash[2 * slot + 1] == print[1])
            return;
        slot = (slot + 1) & (store->slots - 1);
    }
    if (store->count == store->max)
        return; /* the caller sees count == max and says so */
    store->hash[2 * slot] = print[0];
    store->hash[2 * slot + 1] = print[1];
    if (store->count == store->cap)
        store_grow(store);
    store->parent[store->count] = parent;
    store->action[store->count] = (uint8_t)action;
    store->packed[store->count++] = pack(word);
}

static void print_trail(const struct store *store, uint32_t at,
                        enum world_action last)
{
    uint32_t trail[4096];
    int n = 0;

    for (uint32_t i = at; i != 0 && n < 4096; i = store->parent[i])
        trail[n++] = i;
    while (n-- > 0)
        printf("  %s\n", world_action_name(store->action[trail[n]]));
    printf("  %s\n", world_action_name(last));
}

static void add_seen(struct monitor_seen *sum, const struct monitor_seen *seen)
{
    sum->permits += seen->permits;
    sum->renewals += seen->renewals;
    sum->resumes += seen->resumes;
    sum->ends += seen->ends;
    sum->refusals += seen->refusals;
    sum->voids += seen->voids;
    sum->lockouts += seen->lockouts;
    sum->changes += seen->changes;
    sum->plans += seen->plans;
    sum->restarts += seen->restarts;
}

/* One state, all its successors. Returns 0, or 1 when a rule was broken. */
static int expand(const struct hg_policy *policy, const struct scope *scope,
                  struct store *store, uint32_t at, struct monitor_seen *sum)
{
    struct world from, to;
    const char *broken;

    unpack(store->packed[at], (uint64_t *)(void *)&from);
    for (int action = 0; action < WORLD_ACTION_COUNT; action++) {
        if (!(scope->actions >> action & 1))
            continue;
        to = from;
        if (!world_apply(policy, &to, (enum world_action)action, &broken))
            continue;
        if (broken != NULL) {
            printf("scope %s: %s\n", scope->name, broken);
            print_trail(store, at, (enum world_action)action);
            return 1;
        }
        add_seen(sum, &to.monitor.seen);
        world_rebase(&to);
        store_add(store, &to, at, (enum world_action)action);
    }
    return 0;
}

static int explore(struct hg_policy policy, const struct scope *scope,
                   size_t max)
{
    struct monitor_seen sum;
    struct world world;
    struct store store;
    int status = 0;

    memset(&sum, 0, sizeof(sum));
    policy.evidence = scope->evidence;
    policy.door_rule = scope->door_rule;
    store_init(&store, max);
    world_init(&policy, scope->has_channel, &world);
    world.has_heater = (scope->actions & A(HEATER)) != 0;
    if (scope->is_connected) {
        const char *broken;

        world_apply(&policy, &world, DO_LINK, &broken);
        world_apply(&policy, &world, DO_PRESENCE, &broken);
        world_apply(&policy, &world, DO_TELL, &broken);
    }
    world_rebase(&world);
    store_add(&store, &world, 0, DO_TICK);
    for (uint32_t at = 0; at < store.count && status == 0; at++)
        status = expand(&policy, scope, &store, at, &sum);
    if (status == 0 && store.count == store.max) {
        printf("scope %s: not closed at %zu states\n", scope->name, max);
        status = 3;
    }
    if (status == 0 && (sum.permits == 0 || sum.renewals == 0 ||
                        sum.ends == 0 || sum.refusals == 0)) {
        printf("scope %s: vacuous, nothing was ever lent\n", scope->name);
        status = 1;
    }
    printf("%-10s %9zu states %9llu permits %8llu ends %8llu refusals\n",
           scope->name, store.count, (unsigned long long)sum.permits,
           (unsigned long long)sum.ends, (unsigned long long)sum.refusals);
    fflush(stdout);
    store_release(&store);
    return status;
}

static uint64_t next_random(uint64_t *seed)
{
    *seed += UINT64_C(0x9E3779B97F4A7C15);
    return mix(1, *seed);
}

/* Actions that keep a room alive are drawn more often than the others. */
static enum world_action draw(const struct world *world, uint64_t *seed)
{
    static const enum world_action often[] = {
        DO_TELL, DO_TELL,  DO_TELL,   DO_TICK,   DO_SIGN,
        DO_DOOR, DO_START, DO_COMMIT, DO_COMMIT, DO_UNLOCK,
    };
    uint64_t number = next_random(seed);

    if (number % 2 == 0 && !world->is_link_up)
        return DO_LINK;
    if (number % 2 == 0 && !world->is_online)
        return DO_PRESENCE;
    if (number % 2 == 0 && !world->is_journal_ok)
        return DO_JOURNAL;
    if (number % 8 != 0)
        return often[(number >> 8) % (sizeof(often) / sizeof(often[0]))];
    return (enum world_action)((number >> 8) % WORLD_ACTION_COUNT);
}

static int walk(struct hg_policy policy, uint64_t steps, uint64_t seed)
{
    struct monitor_seen seen;
    struct world world;
    const char *broken;

    printf("walk: seed %llu\n", (unsigned long long)seed);
    memset(&seen, 0, sizeof(seen));
    for (uint64_t i = 0; i < steps; i++) {
        enum world_action action;

        if (i % 2000 == 0) { /* a new room, of each kind in turn */
            if (i > 0)
                add_seen(&seen, &world.monitor.seen);
            policy.evidence = (enum hg_evidence)(1 + i / 2000 % 3);
            policy.door_rule = (enum hg_door_rule)(i / 6000 % 2);
            world_init(&policy, i / 12000 % 2 == 1, &world);
        }
        action = draw(&world, &seed);
        world_apply(&policy, &world, action, &broken);
        if (broken != NULL) {
            printf("walk, step %llu, %s: %s\n", (unsigned long long)i,
                   world_action_name(action), broken);
            return 1;
        }
    }
    printf("walk: %llu steps, %llu permits, %llu ends, %llu lockouts, "
           "%llu plans, %llu restarts\n",
           (unsigned long long)steps, (unsigned long long)seen.permits,
           (unsigned long long)seen.ends, (unsigned long long)seen.lockouts,
           (unsigned long long)seen.plans, (unsigned long long)seen.restarts);
    return steps >= 100000 && seen.permits == 0;
}

/* The same actions raw and rebased after each: the same must be seen. */
static int compare(struct hg_policy policy, uint64_t steps, uint64_t seed)
{
    struct world raw, rebased;
    const char *broken;

    printf("compare: seed %llu\n", (unsigned long long)seed);
    for (uint64_t i = 0; i < steps; i++) {
        enum world_action action;
        bool is_raw_done, is_rebased_done;
        struct monitor_seen before, after;

        if (i % 500 == 0) {
            world_init(&policy, false, &raw);
            world_init(&policy, false, &rebased);
            raw.has_heater = rebased.has_heater = true;
        }
        action = draw(&raw, &seed);
        memset(&rebased.monitor.seen, 0, sizeof(before));
        before = raw.monitor.seen;
        is_raw_done = world_apply(&policy, &raw, action, &broken);
        is_rebased_done = world_apply(&policy, &rebased, action, &broken);
        after = raw.monitor.seen;
        if (is_raw_done != is_rebased_done ||
            after.permits - before.permits != rebased.monitor.seen.permits ||
            after.ends - before.ends != rebased.monitor.seen.ends ||
            after.refusals - before.refusals != rebased.monitor.seen.refusals ||
            after.voids - before.voids != rebased.monitor.seen.voids ||
            raw.monitor.lockouts != rebased.monitor.lockouts ||
            raw.monitor.check != rebased.monitor.check) {
            printf("compare, step %llu, %s: they differ\n",
                   (unsigned long long)i, world_action_name(action));
            return 1;
        }
        world_rebase(&rebased);
    }
    printf("compare: %llu steps alike\n", (unsigned long long)steps);
    return 0;
}

struct options {
    bool is_medium;
    const char *scope;
    uint64_t max, walk, compare, seed;
};

static int parse(int argc, char **argv, struct options *options)
{
    for (int i = 1; i < argc; i++) {
        uint64_t *number = NULL;

        if (strcmp(argv[i], "--medium") == 0) {
            options->is_medium = true;
            continue;
        }
        if (i + 1 >= argc)
            return 2;
        if (strcmp(argv[i], "--scope") == 0)
            options->scope = argv[++i];
        else if (strcmp(argv[i], "--max") == 0)
            number = &options->max;
        else if (strcmp(argv[i], "--walk") == 0)
            number = &options->walk;
        else if (strcmp(argv[i], "--compare") == 0)
            number = &options->compare;
        else if (strcmp(argv[i], "--seed") == 0)
            number = &options->seed;
        else
            return 2;
        if (number != NULL)
            *number = strtoull(argv[++i], NULL, 10);
    }
    return 0;
}

int main(int argc, char **argv)
{
    struct options options = { false, NULL, 2000000, 0, 0, 1 };
    struct hg_policy policy;
    int status = 0;
    bool is_found = false;

    if (parse(argc, argv, &options) != 0) {
        fprintf(stderr, "usage: explore [--medium] [--scope NAME] "
                        "[--max STATES] | --walk STEPS | --compare STEPS "
                        "[--seed N]\n");
        return 2;
    }
    policy = options.is_medium ? world_policy_medium() : world_policy();
    if (options.walk > 0)
        return walk(policy, options.walk, options.seed);
    if (options.compare > 0)
        return compare(policy, options.compare, options.seed);
    for (size_t i = 0; i < sizeof(scopes) / sizeof(scopes[0]); i++) {
        int one;

        if (options.scope != NULL && strcmp(options.scope, scopes[i].name))
            continue;
        is_found = true;
        one = explore(policy, &scopes[i], options.max);
        status = one > status ? one : status;
    }
    return is_found ? status : 2;
}
