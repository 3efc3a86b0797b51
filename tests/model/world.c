/* See world.h. */
#include "world.h"
#include <stdio.h>
#include <string.h>

#define START_MS 1000

struct hg_policy world_policy(void)
{
    struct hg_policy policy = {
        .usage_class = HG_USAGE_SEMI_PUBLIC,
        .session_cap_ms = 7,
        .target_max_mc = 90000,
        .target_min_mc = 40000,
        .heater_w = 6000,
        .lease_ms = 3,
        .stale_after_ms = 3,
        .late_after_ms = 2,
        .evidence = HG_EVIDENCE_DOOR_CYCLE,
        .look_in_window_ms = 3,
        .check_valid_ms = 5,
        .door_rule = HG_DOOR_RULE_HOLD,
        .door_hold_max_ms = 2,
        .over_temp_mc = 120000,
        .no_rise_mc = 3000,
        .no_rise_ms = 3,
        .rest_after_cap_ms = 2,
        .door_proof_ms = 1000,
        .is_commissioning_waived = true,
    };

    return policy;
}

struct hg_policy world_policy_medium(void)
{
    struct hg_policy policy = world_policy();

    policy.session_cap_ms = 11;
    policy.lease_ms = 6;
    policy.stale_after_ms = 5;
    policy.late_after_ms = 3;
    policy.look_in_window_ms = 4;
    policy.check_valid_ms = 8;
    policy.door_hold_max_ms = 4;
    policy.no_rise_ms = 5;
    policy.rest_after_cap_ms = 3;
    return policy;
}

void world_init(const struct hg_policy *policy, bool has_channel,
                struct world *world)
{
    memset(world, 0, sizeof(*world));
    world->now.mono.ms = START_MS;
    world->now.wall.ms = START_MS;
    world->now.wall.is_trusted = true;
    world->boot = 1;
    world->seq = 100;
    world->event_seq = 100;
    world->door_count = 100;
    world->door = HG_DOOR_CLOSED;
    world->heater = HG_HEATER_OFF;
    world->is_journal_ok = true;
    world->has_channel = has_channel;
    world->backs_left = world->wall_backs_left = WORLD_BACKS;
    hg_follower_init(&world->follower);
    monitor_init(&world->monitor, policy, world->now.mono);
    hg_gate_init(policy, NULL, world->now, 7, &world->state);
}

const char *world_action_name(enum world_action action)
{
    static const char *const name[] = {
#define WORLD_NAME(name) #name,
        WORLD_ACTIONS(WORLD_NAME)
#undef WORLD_NAME
    };

    return name[action];
}

/* The channel: what the gate publishes is on its way; the oldest makes way. */
static void publish(struct world *world, const struct hg_effect *effect)
{
    struct world_message *slot = world->message;

    while (slot->is_there && slot + 1 < world->message + WORLD_CHANNEL)
        slot++;
    if (slot->is_there)
        memmove(&world->message[0], &world->message[1],
                sizeof(world->message[0]) * (WORLD_CHANNEL - 1));
    slot->is_there = true;
    slot->is_heat = effect->kind == HG_EFFECT_PERMIT;
    slot->serial = effect->serial;
    slot->ttl_ms = effect->ttl_ms;
    slot->sent_at = world->now.mono;
}

static void fold(uint64_t *print, uint64_t word)
{
    *print = (*print ^ word) * UINT64_C(0x9E3779B97F4A7C15);
    *print ^= *print >> 29;
}

/* All of an effect that does not change its name in a rebase. */
static void print_effect(struct world *world, const struct hg_effect *effect)
{
    uint64_t *print = &world->outcome;

    fold(print, (uint64_t)effect->kind << 48 | (uint64_t)effect->record << 32 |
                    (uint64_t)effect->level << 16 | (uint64_t)effect->why);
    fold(print, effect->reasons);
    fold(print, (uint64_t)effect->verdict << 32 | effect->request);
    fold(print, effect->ttl_ms);
    fold(print, effect->duration_ms);
    fold(print, (uint64_t)effect->target_mc);
    fold(print, (uint64_t)effect->actor.role << 8 | (effect->ticket != 0));
    /* a rebased world has forgotten since when a room check is open */
    if (effect->ends_at.ms != 0 && effect->check == 0)
        fold(print, effect->ends_at.ms - world->now.mono.ms);
}

static const char *feed(const struct hg_policy *policy, struct world *world,
                        struct hg_event *event,
                        const struct monitor_truth *truth)
{
    struct hg_effects effects;
    const char *broken;

    event->at = world->now;
    hg_gate_step(policy, &world->state, event, &effects);
    broken = monitor_step(&world->monitor, policy, event, truth, &effects);
    for (uint32_t i = 0; i < effects.count; i++) {
        const struct hg_effect *effect = &effects.effect[i];

        print_effect(world, effect);
        if (effect->kind == HG_EFFECT_RECORD && effect->ticket != 0)
            world->ticket = effect->ticket;
        if (world->has_channel && world->is_link_up &&
            (effect->kind == HG_EFFECT_REVOKE ||
             effect->kind == HG_EFFECT_PERMIT))
            publish(world, effect);
    }
    if (world->was_lent && !world->monitor.is_lent)
        world->lent_end = world->now.mono;
    world->was_lent = world->monitor.is_lent;
    return broken;
}

static struct hg_asker asker(enum hg_role role, const char *id)
{
    struct hg_asker who;

    memset(&who, 0, sizeof(who));
    who.actor.role = role;
    snprintf(who.actor.id, sizeof(who.actor.id), "%s", id);
    who.is_allowed = true;
    who.request = 1;
    return who;
}

static const char *person(const struct hg_policy *policy, struct world *world,
                          enum hg_event_kind kind, struct hg_event *event)
{
    struct monitor_truth truth;

    memset(&truth, 0, sizeof(truth));
    event->kind = kind;
    return feed(policy, world, event, &truth);
}

static const char *simple(const struct hg_policy *policy, struct world *world,
                          enum hg_event_kind kind)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.asker = asker(HG_ROLE_OWNER, "uid=0");
    return person(policy, world, kind, &event);
}

static void fill_reading(const struct world *world, struct hg_event *event)
{
    struct hg_reading *reading = &event->reading;

    memset(event, 0, sizeof(*event));
    event->kind = HG_EVENT_TELEMETRY;
    snprintf(reading->boot, sizeof(reading->boot), "b%u", world->boot);
    reading->seq = world->seq;
    reading->uptime_ms = world->now.mono.ms - world->start_ms;
    reading->is_whole = true;
    reading->has_air = true;
    reading->air_mc = 20000;
    reading->door = world->door;
    reading->heater = world->heater;
    reading->has_door_count = true;
    reading->door_count = world->door_count;
}

/* What is true of a message that is new to the gateway. */
static void note_heard(struct world *world, struct monitor_truth *truth,
                       bool is_proof)
{
    truth->is_live = true;
    truth->is_proof = is_proof;
    truth->is_reboot = !world->is_boot_heard && world->is_any_boot_heard;
    world->is_boot_heard = world->is_any_boot_heard = true;
    world->is_first_boot_heard |= world->boot == 1;
}

static bool tell(const struct hg_policy *policy, struct world *world,
                 enum world_action action, const char **broken)
{
    struct monitor_truth truth;
    struct hg_event event;

    if (!world->is_link_up || (action == DO_TELL_LATE && !world->has_base))
        return false;
    memset(&truth, 0, sizeof(truth));
    world->seq++;
    fill_reading(world, &event);
    switch ((int)action) {
    case DO_TELL_LATE:
        event.reading.uptime_ms -= policy->late_after_ms;
        note_heard(world, &truth, false);
        break;
    case DO_TELL_HALF:
        event.reading.is_whole = false;
        note_heard(world, &truth, false);
        /* a half-read message proves only an open door */
        truth.is_live = true;
        break;
    case DO_TELL_DOOR_NULL:
        event.reading.door = HG_DOOR_UNKNOWN;
        note_heard(world, &truth, true);
        break;
    case DO_TELL_AIR_NULL:
        event.reading.has_air = false;
        note_heard(world, &truth, true);
        break;
    default:
        note_heard(world, &truth, true);
        break;
    }
    truth.is_counted =
        world->has_proof_count && world->proof_count != world->door_count;
    truth.is_counted_now = truth.is_counted && world->has_proof_here;
    if (truth.is_proof) {
        world->has_base = true;
        world->has_proof_count = world->has_proof_here = true;
        world->proof_count = world->door_count;
    }
    world->is_told = true;
    *broken = feed(policy, world, &event, &truth);
    return true;
}

/* Messages that prove nothing at all. */
static bool tell_nothing(const struct hg_policy *policy, struct world *world,
                         enum world_action action, const char **broken)
{
    struct monitor_truth truth;
    struct hg_event event;

    if (!world->is_link_up || !world->is_told)
        return false;
    memset(&truth, 0, sizeof(truth));
    fill_reading(world, &event);
    event.reading.door = HG_DOOR_CLOSED;
    if (action == DO_TELL_RETAINED) {
        event.reading.seq = world->seq + 1;
        event.reading.is_retained = true;
    }
    if (action == DO_TELL_OLD_BOOT) {
        if (world->boot < 2 || !world->is_first_boot_heard)
            return false;
        snprintf(event.reading.boot, sizeof(event.reading.boot), "b1");
        event.reading.seq = world->seq + 50;
    }
    *broken = feed(policy, world, &event, &truth);
    return true;
}

static bool tell_local(const struct hg_policy *policy, struct world *world,
                       enum hg_local what, const char **broken)
{
    struct monitor_truth truth;
    struct hg_event event;

    if (!world->is_link_up)
        return false;
    memset(&truth, 0, sizeof(truth));
    memset(&event, 0, sizeof(event));
    event.kind = HG_EVENT_LOCAL;
    snprintf(event.local.boot, sizeof(event.local.boot), "b%u", world->boot);
    event.local.seq = ++world->event_seq;
    event.local.what = what;
    note_heard(world, &truth, false);
    *broken = feed(policy, world, &event, &truth);
    return true;
}

static bool sign(const struct hg_policy *policy, struct world *world,
                 enum world_action action, const char **broken)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    event.asker = action == DO_SIGN_INTEGRATOR
                      ? asker(HG_ROLE_INTEGRATOR, "i-1")
                      : asker(HG_ROLE_CARETAKER, "c-1");
    event.check.id = 77;
    event.check.is_place_code_right = true;
    event.check.agreed =
        action == DO_SIGN_PARTLY ? HG_STATEMENT_ALL - 1 : HG_STATEMENT_ALL;
    *broken = person(policy, world, HG_EVENT_CHECK_OPEN, &event);
    if (*broken == NULL)
        *broken = person(policy, world, HG_EVENT_CHECK_SIGN, &event);
    return true;
}

static void fill_heat(const struct hg_policy *policy, struct world *world,
                      enum world_action action, struct hg_event *event)
{
    memset(event, 0, sizeof(*event));
    event->asker = asker(HG_ROLE_OWNER, "uid=0");
    event->asker.request = 2; /* told apart from a stop's answer */
    event->heat.has_target = event->heat.has_duration = true;
    event->heat.target_mc = 80000;
    event->heat.duration_ms = policy->session_cap_ms / 2 + 1;
    snprintf(event->heat.heat_id, sizeof(event->heat.heat_id), "h-1");
    if (action == DO_START_LONG || action == DO_CHANGE_LONG)
        event->heat.duration_ms = policy->session_cap_ms;
    if (action == DO_CHANGE_SHORT)
        event->heat.duration_ms = 2;
    if (action == DO_START_FORBIDDEN)
        event->asker.is_allowed = false;
    if (action == DO_START_GUEST) {
        event->asker = asker(HG_ROLE_GUEST, "g-1");
        event->asker.request = 2;
        event->asker.has_stay = true;
        event->asker.stay_from_ms = world->now.wall.ms - 1;
        event->asker.stay_until_ms = world->now.wall.ms + 3;
    }
    if (action == DO_PLAN) {
        event->heat.starts_at_ms = world->now.wall.ms + 2;
        event->heat.ready_at_ms = world->now.wall.ms + 5;
    }
}

static bool restart(const struct hg_policy *policy, struct world *world,
                    const char **broken)
{
    struct hg_gate_memory memory;
    struct monitor_truth truth;
    struct hg_event event;
    uint64_t epoch = world->state.epoch + 1;

    hg_gate_remember(&world->state, &memory);
    hg_gate_init(policy, &memory, world->now, epoch, &world->state);
    world->is_link_up = world->is_online = false;
    world->is_journal_ok = true;
    world->has_base = world->has_proof_here = false;
    world->ticket = 0;
    memset(&truth, 0, sizeof(truth));
    memset(&event, 0, sizeof(event));
    truth.is_restart = true;
    *broken = feed(policy, world, &event, &truth);
    return true;
}

static bool reboot(struct world *world)
{
    if (world->boot >= WORLD_BOOTS)
        return false;
    world->boot++;
    world->seq = 0;
    world->event_seq = 0;
    world->is_boot_heard = world->is_told = false;
    world->has_base = world->has_proof_count = false;
    world->start_ms = world->now.mono.ms - 10;
    hg_follower_init(&world->follower);
    return true;
}

static bool lock(const struct hg_policy *policy, struct world *world,
                 enum world_action action, const char **broken)
{
    struct hg_event event;
    hg_why_set lockouts = world->monitor.lockouts;

    memset(&event, 0, sizeof(event));
    event.asker =
        asker(HG_ROLE_MANAGER, action == DO_UNLOCK_NAMELESS ? "" : "m-1");
    event.lockout.has_note = true;
    event.lockout.what = HG_WHY_LOCKED_OUT;
    if (action == DO_LOCK) {
        *broken = person(policy, world, HG_EVENT_LOCKOUT_SET, &event);
        return true;
    }
    for (int why = 1; why < HG_WHY_COUNT; why++)
        if (lockouts & HG_WHY_BIT(why)) {
            event.lockout.what = (enum hg_why)why;
            break;
        }
    *broken = person(policy, world, HG_EVENT_LOCKOUT_CLEAR, &event);
    return true;
}

static bool link_toggle(const struct hg_policy *policy, struct world *world,
                        const char **broken)
{
    world->is_link_up = !world->is_link_up;
    world->is_online = false;
    if (!world->is_link_up)
        memset(world->message, 0, sizeof(world->message));
    *broken = simple(policy, world,
                     world->is_link_up ? HG_EVENT_LINK_UP : HG_EVENT_LINK_DOWN);
    return true;
}

static bool presence(const struct hg_policy *policy, struct world *world,
                     const char **broken)
{
    struct hg_event event;

    if (!world->is_link_up)
        return false;
    memset(&event, 0, sizeof(event));
    world->is_online = !world->is_online;
    event.is_online = world->is_online;
    *broken = person(policy, world, HG_EVENT_PRESENCE, &event);
    return true;
}

/* heat at the far end: at most a lease and the delay after permission ended */
static const char *judge_far_end(const struct hg_policy *policy,
                                 struct world *world)
{
    struct hg_mono end = world->lent_end;

    if (!world->has_channel ||
        !hg_follower_may_heat(&world->follower, world->now.mono.ms))
        return NULL;
    if (world->monitor.is_lent ||
        world->now.mono.ms < end.ms + policy->lease_ms + WORLD_DELAY_MAX)
        return NULL;
    return "I2: heat at the far end, a lease after permission ended";
}

static void remove_message(struct world *world, int i)
{
    memmove(&world->message[i], &world->message[i + 1],
            sizeof(world->message[0]) * (size_t)(WORLD_CHANNEL - 1 - i));
    memset(&world->message[WORLD_CHANNEL - 1], 0, sizeof(world->message[0]));
}

/* What was not delivered in time is lost. */
static void let_time_pass(struct world *world, uint64_t ms)
{
    world->now.mono.ms += ms;
    world->now.wall.ms += (int64_t)ms;
    while (world->message[0].is_there &&
           world->now.mono.ms - world->message[0].sent_at.ms > WORLD_DELAY_MAX)
        remove_message(world, 0);
}

/* The newest (it overtakes), the oldest, or the newest once more later. */
static bool deliver(struct world *world, enum world_action action)
{
    int i = 0;
    const struct world_message *message;

    if (!world->message[0].is_there)
        return false;
    while (action != DO_DELIVER_OLD && i + 1 < WORLD_CHANNEL &&
           world->message[i + 1].is_there)
        i++;
    message = &world->message[i];
    hg_follower_hear(&world->follower, message->serial, message->is_heat,
                     message->ttl_ms, 80000, world->now.mono.ms);
    if (action != DO_DELIVER_KEEP)
        remove_message(world, i);
    return true;
}

static bool apply_world(const struct hg_policy *policy, struct world *world,
                        enum world_action action, const char **broken)
{
    switch ((int)action) {
    case DO_TICK:
    case DO_LEAP:
        let_time_pass(world, action == DO_TICK ? 1 : 40);
        *broken = simple(policy, world, HG_EVENT_TICK);
        return true;
    case DO_BACK:
        /* the far end shares this clock: there it is real time */
        if (world->backs_left == 0 || world->has_channel)
            return false;
        world->backs_left--;
        world->now.mono.ms -= 1;
        *broken = simple(policy, world, HG_EVENT_TICK);
        return true;
    case DO_DOOR:
        world->door =
            world->door == HG_DOOR_OPEN ? HG_DOOR_CLOSED : HG_DOOR_OPEN;
        world->door_count += world->door == HG_DOOR_OPEN;
        return true;
    case DO_FLICK:
        if (world->door == HG_DOOR_OPEN)
            return false;
        world->door_count++;
        return true;
    case DO_HEATER:
        world->heater =
            world->heater == HG_HEATER_ON ? HG_HEATER_OFF : HG_HEATER_ON;
        return true;
    case DO_REBOOT:
        return reboot(world);
    case DO_LINK:
        return link_toggle(policy, world, broken);
    case DO_PRESENCE:
        return presence(policy, world, broken);
    case DO_TRUST:
        world->now.wall.is_trusted = !world->now.wall.is_trusted;
        *broken = simple(policy, world, HG_EVENT_CLOCK_STEPPED);
        return true;
    case DO_WALL_BACK:
        if (world->wall_backs_left == 0)
            return false;
        world->wall_backs_left--;
        world->now.wall.ms -= WORLD_WALL_BACK;
        *broken = simple(policy, world, HG_EVENT_CLOCK_STEPPED);
        return true;
    case DO_RESTART:
        return restart(policy, world, broken);
    case DO_DELIVER:
    case DO_DELIVER_OLD:
    case DO_DELIVER_KEEP:
        return deliver(world, action);
    default:
        return false;
    }
}

static bool apply_people(const struct hg_policy *policy, struct world *world,
                         enum world_action action, const char **broken)
{
    struct hg_event event;

    fill_heat(policy, world, action, &event);
    switch ((int)action) {
    case DO_SIGN:
    case DO_SIGN_PARTLY:
    case DO_SIGN_INTEGRATOR:
        return sign(policy, world, action, broken);
    case DO_START:
    case DO_START_GUEST:
    case DO_START_LONG:
    case DO_START_FORBIDDEN:
        *broken = person(policy, world, HG_EVENT_START, &event);
        return true;
    case DO_CHANGE_LONG:
    case DO_CHANGE_SHORT:
        *broken = person(policy, world, HG_EVENT_CHANGE, &event);
        return true;
    case DO_PLAN:
        *broken = person(policy, world, HG_EVENT_PLAN, &event);
        return true;
    case DO_STOP:
        *broken = simple(policy, world, HG_EVENT_STOP);
        return true;
    case DO_UNPLAN:
        *broken = simple(policy, world, HG_EVENT_UNPLAN);
        return true;
    case DO_ACCESS_END:
        *broken = simple(policy, world, HG_EVENT_ACCESS_ENDED);
        return true;
    case DO_SHUTDOWN:
        *broken = simple(policy, world, HG_EVENT_SHUTDOWN);
        world->is_link_up = false;
        return true;
    case DO_LOCK:
    case DO_UNLOCK:
    case DO_UNLOCK_NAMELESS:
        return lock(policy, world, action, broken);
    default:
        return false;
    }
}

static bool apply_machinery(const struct hg_policy *policy, struct world *world,
                            enum world_action action, const char **broken)
{
    struct hg_event event;

    memset(&event, 0, sizeof(event));
    switch ((int)action) {
    case DO_COMMIT:
        if (world->ticket == 0 || !world->is_journal_ok)
            return false;
        event.ticket = world->ticket;
        world->ticket = 0;
        *broken = person(policy, world, HG_EVENT_COMMITTED, &event);
        return true;
    case DO_JOURNAL:
        world->is_journal_ok = !world->is_journal_ok;
        *broken = simple(policy, world,
                         world->is_journal_ok ? HG_EVENT_JOURNAL_OK
                                              : HG_EVENT_JOURNAL_FAILED);
        return true;
    case DO_FOREIGN:
        if (!world->is_link_up)
            return false;
        event.heard.serial = world->state.serial + 1;
        event.heard.is_heat = true;
        *broken = person(policy, world, HG_EVENT_PERMIT_HEARD, &event);
        return true;
    default:
        return false;
    }
}

bool world_apply(const struct hg_policy *policy, struct world *world,
                 enum world_action action, const char **broken)
{
    bool is_done;

    *broken = NULL;
    world->outcome = 0;
    switch ((int)action) {
    case DO_TELL:
    case DO_TELL_LATE:
    case DO_TELL_HALF:
    case DO_TELL_DOOR_NULL:
    case DO_TELL_AIR_NULL:
        is_done = tell(policy, world, action, broken);
        break;
    case DO_TELL_AGAIN:
    case DO_TELL_RETAINED:
    case DO_TELL_OLD_BOOT:
        is_done = tell_nothing(policy, world, action, broken);
        break;
    case DO_PANEL:
        is_done = tell_local(policy, world, HG_LOCAL_ROOM_CHECK, broken);
        break;
    case DO_LOCAL_START:
        is_done = tell_local(policy, world, HG_LOCAL_START, broken);
        break;
    case DO_LOCAL_STOP:
        is_done = tell_local(policy, world, HG_LOCAL_STOP, broken);
        break;
    default:
        is_done = apply_world(policy, world, action, broken) ||
                  apply_people(policy, world, action, broken) ||
                  apply_machinery(policy, world, action, broken);
        break;
    }
    if (is_done && *broken == NULL)
        *broken = judge_far_end(policy, world);
    return is_done;
}
