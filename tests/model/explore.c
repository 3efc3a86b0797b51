/*
 * Breadth-first over everything that can happen to a small room, scope by
 * scope, until no new state appears: each step is judged by the monitor.
 *
 *   explore [--medium] [--scope NAME] [--max STATES]   exhaustive
 *   explore --list                      the names of the scopes
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

/* What a scope has to reach, or it proves nothing. */
#define R(name) (UINT64_C(1) << HG_RECORD_##name)
#define W(name) HG_WHY_BIT(HG_WHY_##name)
#define SIGNED  (R(CHECK_SIGNED) | R(CHECK_REFUSED))
#define HEATED  (SIGNED | R(HEAT_GRANTED) | R(HEAT_REFUSED) | R(HEAT_ENDED))
#define HELD    (R(HEAT_HELD) | R(HEAT_RESUMED))

struct scope {
    const char *name;
    uint64_t actions;
    bool is_connected; /* begins with link, presence and a first reading */
    bool has_channel;
    enum hg_evidence evidence;
    enum hg_door_rule door_rule;
    /* needed: records, ends by cause, lockouts by cause */
    uint64_t records;
    hg_why_set ends_of, lockouts;
};

static const struct scope scopes[] = {
    { "door", HEAT | LINKS | A(FLICK) | A(TELL_HALF) | A(START_LONG), false,
      false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(CHECK_VOIDED) | R(CHECK_EXPIRED),
      W(STOPPED) | W(TIME_UP) | W(DOOR_HELD_TOO_LONG) | W(TELEMETRY_STALE) |
          W(BROKER_DOWN) | W(CONTROLLER_OFFLINE),
      0 },
    { "door-end", HEAT | LINKS | A(FLICK) | A(TELL_DOOR_NULL), false, false,
      HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_END, HEATED | R(CHECK_VOIDED),
      W(STOPPED) | W(TIME_UP) | W(DOOR_OPEN) | W(DOOR_UNKNOWN), 0 },
    { "messages",
      HEAT | LINKS | A(TELL_LATE) | A(TELL_AGAIN) | A(TELL_RETAINED) |
          A(REBOOT) | A(TELL_OLD_BOOT),
      false, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(CHECK_VOIDED) | R(CONTROLLER_BOOT),
      W(STOPPED) | W(TIME_UP) | W(TELEMETRY_STALE) | W(CONTROLLER_RESTARTED),
      0 },
    { "time",
      HEAT | LINKS | A(LEAP) | A(BACK) | A(START_GUEST) | A(TRUST) |
          A(WALL_BACK),
      false, false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(CHECK_EXPIRED),
      W(TIME_UP) | W(ACCESS_ENDED) | W(CLOCK_UNTRUSTED) | W(TELEMETRY_STALE),
      0 },
    { "change", HEAT | LINKS | A(START_LONG) | A(CHANGE_LONG) | A(CHANGE_SHORT),
      false, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(HEAT_CHANGED), W(TIME_UP) | W(CAP_REACHED), 0 },
    { "journal", HEAT | LINKS | A(JOURNAL) | A(RESTART) | A(SHUTDOWN), false,
      false, HG_EVIDENCE_DOOR_CYCLE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(CHECK_VOIDED),
      W(TIME_UP) | W(JOURNAL_UNAVAILABLE) | W(GATEWAY_RESTART), 0 },
    { "lockout",
      HEAT | A(LOCK) | A(UNLOCK) | A(UNLOCK_NAMELESS) | A(FOREIGN) |
          A(TELL_AIR_NULL),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(LOCKOUT_SET) | R(LOCKOUT_CLEARED) | R(LOCKOUT_KEPT),
      W(TIME_UP) | W(LOCKED_OUT) | W(RIVAL_GATEWAY) | W(SENSOR_FAULT),
      W(LOCKED_OUT) | W(RIVAL_GATEWAY) | W(SENSOR_FAULT) },
    { "rise", (HEAT & ~A(STOP)) | A(HEATER) | A(UNLOCK), true, false,
      HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(LOCKOUT_SET) | R(LOCKOUT_CLEARED) | R(LOCKOUT_KEPT),
      W(TIME_UP) | W(NO_RISE) | W(DOOR_HELD_TOO_LONG),
      W(NO_RISE) | W(HEATER_UNBIDDEN) },
    { "local",
      (HEAT & ~(A(DOOR) | A(STOP))) | A(HEATER) | A(LOCAL_START) |
          A(LOCAL_STOP),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      HEATED | R(LOCKOUT_SET) | R(LOCAL_STARTED) | R(LOCAL_STOPPED),
      W(TIME_UP) | W(NO_RISE) | W(STOPPED), W(NO_RISE) | W(HEATER_UNBIDDEN) },
    { "plan", (HEAT & ~A(START)) | A(PLAN) | A(UNPLAN) | A(TRUST), true, false,
      HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      (HEATED & ~R(HEAT_REFUSED)) | HELD | R(PLAN_ACCEPTED) | R(PLAN_REFUSED) |
          R(PLAN_DROPPED) | R(PLAN_MISSED) | R(PLAN_AT_RISK) | R(PLAN_IN_ORDER),
      W(TIME_UP), 0 },
    { "plan-over",
      (HEAT & ~(A(DOOR) | A(STOP) | A(START))) | LINKS | A(PLAN) | A(RESTART),
      true, false, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD,
      (HEATED & ~R(HEAT_REFUSED)) | R(PLAN_ACCEPTED) | R(PLAN_MISSED),
      W(TIME_UP) | W(BROKER_DOWN), 0 },
    { "people",
      HEAT | LINKS | A(PANEL) | A(SIGN_PARTLY) | A(SIGN_INTEGRATOR) |
          A(START_FORBIDDEN) | A(ACCESS_END),
      false, false, HG_EVIDENCE_PANEL, HG_DOOR_RULE_HOLD,
      HEATED | HELD | R(CHECK_VOIDED) | R(LOCAL_CHECK),
      W(TIME_UP) | W(ACCESS_ENDED), 0 },
    { "far-end",
      (HEAT & ~A(DOOR)) | A(DELIVER) | A(DELIVER_OLD) | A(DELIVER_KEEP), true,
      true, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD, HEATED,
      W(STOPPED) | W(TIME_UP) | W(TELEMETRY_STALE), 0 },
    { "far-over",
      (HEAT & ~(A(DOOR) | A(STOP))) | LINKS | A(DELIVER) | A(RESTART), true,
      true, HG_EVIDENCE_PLACE_CODE, HG_DOOR_RULE_HOLD, HEATED,
      W(TIME_UP) | W(BROKER_DOWN) | W(CONTROLLER_OFFLINE), 0 },
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
    sum->ends += seen->ends;
    sum->refusals += seen->refusals;
    sum->restarts += seen->restarts;
    sum->plan_starts += seen->plan_starts;
    sum->records |= seen->records;
    sum->ends_of |= seen->ends_of;
    sum->lockouts |= seen->lockouts;
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
        world_rebase(policy, &to);
        store_add(store, &to, at, (enum world_action)action);
    }
    return 0;
}

/* What the far end did: a follower that never heats proves nothing. */
static bool is_reached(const struct scope *scope,
                       const struct monitor_seen *sum, bool has_far_heat)
{
    bool is_plan = (scope->records & R(PLAN_ACCEPTED)) != 0;
    bool is_restart = (scope->actions & A(RESTART)) != 0;

    return sum->permits > 0 && sum->renewals > 0 && sum->ends > 0 &&
           sum->refusals > 0 && (sum->plan_starts > 0 || !is_plan) &&
           (sum->restarts > 0 || !is_restart) &&
           (scope->records & ~sum->records) == 0 &&
           (scope->ends_of & ~sum->ends_of) == 0 &&
           (scope->lockouts & ~sum->lockouts) == 0 &&
           (has_far_heat || !scope->has_channel);
}

static void first_world(const struct hg_policy *policy,
                        const struct scope *scope, struct world *world)
{
    const char *broken;

    world_init(policy, scope->has_channel, world);
    world->has_heater = (scope->actions & A(HEATER)) != 0;
    if (!(scope->actions & A(BACK)))
        world->backs_left = 0;
    if (!(scope->actions & A(WALL_BACK)))
        world->wall_backs_left = 0;
    if (scope->is_connected) {
        world_apply(policy, world, DO_LINK, &broken);
        world_apply(policy, world, DO_PRESENCE, &broken);
        world_apply(policy, world, DO_TELL, &broken);
    }
    world_rebase(policy, world);
}

static bool has_far_heat(const struct store *store)
{
    struct world world;

    for (size_t at = 0; at < store->count; at++) {
        unpack(store->packed[at], (uint64_t *)(void *)&world);
        if (world.follower.ttl_ms > 0)
            return true;
    }
    return false;
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
    first_world(&policy, scope, &world);
    store_add(&store, &world, 0, DO_TICK);
    for (uint32_t at = 0; at < store.count && status == 0; at++)
        status = expand(&policy, scope, &store, at, &sum);
    if (status == 0 && store.count == store.max) {
        printf("scope %s: not closed at %zu states\n", scope->name, max);
        status = 3;
    }
    if (status == 0 && !is_reached(scope, &sum, has_far_heat(&store))) {
        printf("scope %s: vacuous, it never got to: records %#llx, "
               "ends %#llx, lockouts %#llx\n",
               scope->name, (unsigned long long)(scope->records & ~sum.records),
               (unsigned long long)(scope->ends_of & ~sum.ends_of),
               (unsigned long long)(scope->lockouts & ~sum.lockouts));
        status = 1;
    }
    printf("%-10s %9zu states %9llu permits %8llu ends %8llu refusals\n",
           scope->name, store.count, (unsigned long long)sum.permits,
           (unsigned long long)sum.ends, (unsigned long long)sum.refusals);
    fflush(stdout);
    store_release(&store);
    return status;
}

#define RECENT 60 /* actions of a walk that are shown when it fails */

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

/* The actions before the last, so that it can be understood. */
static void print_recent(const enum world_action *recent, uint64_t end)
{
    for (uint64_t i = end < RECENT ? 0 : end - RECENT; i < end; i++)
        printf("  %s\n", world_action_name(recent[i % RECENT]));
}

static int walk(struct hg_policy policy, uint64_t steps, uint64_t seed)
{
    enum world_action recent[RECENT];
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
            world.backs_left = world.wall_backs_left = 100;
        }
        action = draw(&world, &seed);
        recent[i % RECENT] = action;
        world_apply(&policy, &world, action, &broken);
        if (broken != NULL) {
            printf("walk, step %llu, %s: %s\n", (unsigned long long)i,
                   world_action_name(action), broken);
            print_recent(recent, i + 1);
            return 1;
        }
    }
    printf("walk: %llu steps, %llu permits, %llu ends, %llu plans started, "
           "%llu restarts\n",
           (unsigned long long)steps, (unsigned long long)seen.permits,
           (unsigned long long)seen.ends, (unsigned long long)seen.plan_starts,
           (unsigned long long)seen.restarts);
    return steps >= 100000 && (seen.permits == 0 || seen.plan_starts == 0 ||
                               seen.restarts == 0 || seen.lockouts == 0);
}

/* The same actions raw and rebased after each: the same must come out. */
static int compare(struct hg_policy policy, uint64_t steps, uint64_t seed)
{
    struct world raw, rebased;
    uint64_t effects = 0;

    printf("compare: seed %llu\n", (unsigned long long)seed);
    for (uint64_t i = 0; i < steps; i++) {
        const char *raw_broken, *rebased_broken;
        enum world_action action;
        bool is_raw_done, is_rebased_done;

        if (i % 500 == 0) {
            policy.evidence = (enum hg_evidence)(1 + i / 500 % 3);
            policy.door_rule = (enum hg_door_rule)(i / 1500 % 2);
            world_init(&policy, i / 3000 % 2 == 1, &raw);
            raw.has_heater = true;
            rebased = raw;
        }
        action = draw(&raw, &seed);
        is_raw_done = world_apply(&policy, &raw, action, &raw_broken);
        is_rebased_done =
            world_apply(&policy, &rebased, action, &rebased_broken);
        effects += raw.outcome != 0;
        if (is_raw_done != is_rebased_done || raw.outcome != rebased.outcome ||
            raw_broken != rebased_broken ||
            hg_follower_may_heat(&raw.follower, raw.now.mono.ms) !=
                hg_follower_may_heat(&rebased.follower, rebased.now.mono.ms)) {
            printf("compare, step %llu, %s: they differ\n",
                   (unsigned long long)i, world_action_name(action));
            return 1;
        }
        world_rebase(&policy, &rebased);
    }
    printf("compare: %llu steps alike, %llu with effects\n",
           (unsigned long long)steps, (unsigned long long)effects);
    return effects < steps / 10;
}

struct options {
    bool is_medium, is_list;
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
        if (strcmp(argv[i], "--list") == 0) {
            options->is_list = true;
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
    struct options options = { false, false, NULL, 2000000, 0, 0, 1 };
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
    if (options.is_list) {
        for (size_t i = 0; i < sizeof(scopes) / sizeof(scopes[0]); i++)
            printf("%s\n", scopes[i].name);
        return 0;
    }
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
