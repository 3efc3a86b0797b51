/*
 * Renaming of states, so that the space closes: see world_rebase(). A run
 * with and a run without it are compared by explore --compare.
 *
 * An age is cut where no rule can tell it from an older one: at the longest
 * interval it is compared with, and as much more as the clock may still step
 * back.
 */
#include "world.h"
#include <string.h>

#define NOW_MS 1000 /* what "now" is called after a rebase */
#define SEQ    100
#define TICKET 1000
#define SERIAL ((UINT64_C(7) << HG_EPOCH_SHIFT) + 1000)

/* a struct of its own: rebase is called for each step of an exploration */
struct rebase {
    uint64_t mono;
    int64_t wall;
    uint64_t slack_ms;     /* the boot clock may still step back this far */
    int64_t wall_slack_ms; /* and the wall clock */
};

/* Keep the distance to now; an age of limit_ms or more is limit_ms. */
static void move(const struct rebase *by, struct hg_mono *time, bool is_used,
                 uint64_t limit_ms)
{
    uint64_t oldest_ms = limit_ms + by->slack_ms;

    if (!is_used) {
        time->ms = 0;
        return;
    }
    if (time->ms + oldest_ms < by->mono)
        time->ms = by->mono - oldest_ms;
    time->ms = time->ms + NOW_MS - by->mono;
}

/* Of a wall time only the distance to now is kept; past is past. */
static void move_wall(const struct rebase *by, int64_t *wall_ms, bool is_used)
{
    int64_t distance = *wall_ms - by->wall;

    if (distance < -by->wall_slack_ms)
        distance = -by->wall_slack_ms;
    *wall_ms = is_used ? distance + NOW_MS : 0;
}

static void move_asker(const struct rebase *by, struct hg_asker *asker)
{
    move_wall(by, &asker->stay_from_ms, asker->has_stay);
    move_wall(by, &asker->stay_until_ms, asker->has_stay);
}

static uint64_t count(uint64_t present, uint64_t value)
{
    uint64_t back = present - value;

    /* only looked at for being the present one or not, ever */
    return SEQ - (back > 1 ? 1 : back);
}

static void rebase_session(const struct hg_policy *policy,
                           const struct rebase *by, struct hg_gate_state *state)
{
    struct hg_gate_session *session = &state->session;
    struct hg_gate_permit *permit = &state->permit;

    move(by, &session->started_at, session->is_active, policy->session_cap_ms);
    move(by, &session->ends_at, session->is_active, 0);
    move(by, &session->held_at, session->is_held, policy->door_hold_max_ms);
    session->serial_before = 0; /* telemetry here reports no permit */
    move(by, &permit->sent_at, permit->is_live, policy->lease_ms);
    move(by, &permit->until, permit->is_live, 0);
    permit->is_due &= permit->is_live;
    permit->serial = permit->is_live ? SERIAL : 0;
}

static void rebase_stream(const struct hg_policy *policy,
                          const struct rebase *by, struct world *world)
{
    struct hg_gate_stream *stream = &world->state.stream;

    memset(&stream->counts, 0, sizeof(stream->counts));
    for (int i = 0; i < HG_BOOTS_KEPT; i++) {
        if (i > 0 || !stream->boot[i].has_telemetry)
            stream->boot[i].telemetry_seq = 0;
        else
            stream->boot[i].telemetry_seq += SEQ - world->seq;
        if (i > 0 || !stream->boot[i].has_event)
            stream->boot[i].event_seq = 0;
        else
            stream->boot[i].event_seq += SEQ - world->event_seq;
    }
    /* a boot that was not heard yet: the gate's first one is an older one */
    if (!world->is_boot_heard)
        stream->boot[0].telemetry_seq = stream->boot[0].event_seq = 0;
    stream->base_ms =
        stream->has_base ? stream->base_ms - (int64_t)world->start_ms : 0;
    /* it rises 2 ms a second: not at all in the times of this world */
    stream->base_at.ms = stream->has_base ? NOW_MS : 0;
    move(by, &stream->fresh_at, stream->is_fresh, policy->stale_after_ms);
    stream->reading.uptime_ms = 0;
    stream->reading.seq = 0;
    stream->same_air_on_ms = 0; /* far below ten minutes, ever */
    stream->reading.door_count =
        stream->has_reading
            ? count(world->door_count, stream->reading.door_count)
            : 0;
}

static void rebase_check(const struct hg_policy *policy,
                         const struct rebase *by, struct world *world)
{
    struct hg_gate_state *state = &world->state;
    struct hg_gate_check *check = &state->check;
    struct hg_gate_look *look = &state->look;
    bool is_valid = check->state == HG_CHECK_VALID;

    move(by, &check->expires_at, is_valid, 0);
    if (!is_valid) {
        memset(&check->signer, 0, sizeof(check->signer));
        memset(check->boot, 0, sizeof(check->boot));
        check->why = HG_WHY_NONE;
    }
    check->has_door_count &= is_valid;
    check->door_count =
        is_valid ? count(world->door_count, check->door_count) : 0;
    move(by, &look->open_at, look->has_open, policy->look_in_window_ms);
    move(by, &look->panel_at, look->has_panel, policy->look_in_window_ms);
    look->cycle_at.ms = 0; /* only shown, never judged */
    memset(state->open_check, 0, sizeof(state->open_check));
}

static void rebase_gate(const struct hg_policy *policy, const struct rebase *by,
                        struct world *world)
{
    struct hg_gate_state *state = &world->state;
    uint64_t two_leases_ms = 2 * (uint64_t)policy->lease_ms;
    bool is_rival = (state->lockouts & HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY)) != 0;

    rebase_stream(policy, by, world);
    rebase_check(policy, by, world);
    rebase_session(policy, by, state);
    move(by, &state->now.mono, true, 0);
    state->now.wall.ms = NOW_MS;
    memset(&state->last, 0, sizeof(state->last));
    move(by, &state->rival_at, is_rival, two_leases_ms);
    move(by, &state->rest_until, state->is_resting, 0);
    move(by, &state->local_at, state->is_local, policy->session_cap_ms);
    move(by, &state->unbidden_at, state->is_unbidden, two_leases_ms);
    /* only read about a heater that is on */
    move(by, &state->revoked_at, world->has_heater, policy->lease_ms);
    move(by, &state->silent_until, world->has_heater, two_leases_ms);
    move_asker(by, &state->session.by);
    move_asker(by, &state->pending.by);
    move_asker(by, &state->plan.by);
    move_wall(by, &state->plan.starts_at_ms, state->plan.is_active);
    state->plan.ready_at_ms = 0; /* only shown, never judged */
}

static void rebase_monitor(const struct hg_policy *policy,
                           const struct rebase *by, bool has_heater,
                           struct monitor *m)
{
    bool has_check = m->check == MONITOR_GOOD || m->check == MONITOR_UNKNOWN;
    uint64_t two_leases_ms = 2 * (uint64_t)policy->lease_ms;

    memset(&m->seen, 0, sizeof(m->seen));
    move(by, &m->now, true, 0);
    move(by, &m->proof_at, m->has_proof, policy->stale_after_ms);
    move(by, &m->open_at, m->has_open, policy->look_in_window_ms);
    move(by, &m->panel_at, m->has_panel, policy->look_in_window_ms);
    move(by, &m->check_until, has_check, 0);
    if (!has_check)
        memset(&m->signer, 0, sizeof(m->signer));
    m->has_check_count &= has_check;
    m->is_check_broken &= has_check;
    move(by, &m->started_at, m->is_heat, policy->session_cap_ms);
    move(by, &m->ends_at, m->is_heat, 0);
    move(by, &m->held_at, m->is_held, policy->door_hold_max_ms);
    move(by, &m->lent_at, m->is_lent, policy->lease_ms);
    move(by, &m->lent_until, m->is_lent, 0);
    m->is_due &= m->is_lent;
    move(by, &m->local_at, m->is_local, policy->session_cap_ms);
    move(by, &m->rest_until, m->is_resting, 0);
    move(by, &m->rival_at,
         (m->lockouts & HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY)) != 0, two_leases_ms);
    move(by, &m->unbidden_at, m->is_unbidden, two_leases_ms);
    move(by, &m->revoked_at, has_heater, policy->lease_ms);
    move(by, &m->quiet_at, has_heater, two_leases_ms);
    m->was_heat = m->was_held = m->was_lent = m->was_waiting = false;
    m->was_unbidden_long = false;
    m->unmet_before = 0;
    m->has_rise_base &= m->is_heat;
    m->rise_on_ms = m->has_rise_base ? m->rise_on_ms : 0;
    if (!m->is_heat) {
        m->ends_why = HG_WHY_NONE;
        memset(&m->by, 0, sizeof(m->by));
    }
    if (!m->is_waiting)
        memset(&m->asked_by, 0, sizeof(m->asked_by));
    if (!m->has_plan)
        memset(&m->plan_by, 0, sizeof(m->plan_by));
    move_asker(by, &m->by);
    move_asker(by, &m->asked_by);
    move_asker(by, &m->plan_by);
    move_wall(by, &m->plan_at_ms, m->has_plan);
    m->duration_ms = m->is_heat ? m->duration_ms : 0;
    m->asked_ms = m->is_waiting ? m->asked_ms : 0;
    m->change_ms = m->is_change_waiting ? m->change_ms : 0;
    m->ticket = m->is_waiting ? TICKET : 0;
    m->change_ticket = m->is_change_waiting ? TICKET : 0;
}

/* How many of the messages on their way have a lower serial? */
static uint64_t rank(const uint64_t serials[WORLD_CHANNEL], uint64_t serial)
{
    uint64_t lower = 0;

    for (int i = 0; i < WORLD_CHANNEL; i++)
        lower += serials[i] != 0 && serials[i] < serial;
    return lower;
}

/*
 * Serials are only ever compared: with those on their way, and with the next
 * one, which is higher than all.
 */
static void rebase_far_end(const struct hg_policy *policy,
                           const struct rebase *by, struct world *world)
{
    struct hg_follower *follower = &world->follower;
    uint64_t serials[WORLD_CHANNEL], left_ms, lower;
    bool is_heat_near = false, is_known = false;

    for (int i = 0; i < WORLD_CHANNEL; i++)
        serials[i] = world->message[i].serial;
    lower = rank(serials, follower->serial);
    for (int i = 0; i < WORLD_CHANNEL; i++) {
        struct world_message *message = &world->message[i];

        if (!message->is_there)
            continue;
        is_known |= message->serial == follower->serial;
        is_heat_near |= message->is_heat;
        message->serial = SERIAL - 10 + 2 * rank(serials, message->serial);
        move(by, &message->sent_at, true, WORLD_DELAY_MAX);
    }
    follower->serial = SERIAL - 11 + 2 * lower + is_known;
    /* of the permit it follows only what is left of it counts */
    left_ms = follower->ttl_ms;
    if (left_ms > 0)
        left_ms -= left_ms < by->mono - follower->received_ms
                       ? left_ms
                       : by->mono - follower->received_ms;
    follower->ttl_ms = (uint32_t)left_ms;
    if (follower->seen_ms < by->mono || !world->has_channel)
        follower->seen_ms = by->mono;
    follower->seen_ms += NOW_MS - by->mono;
    follower->received_ms = NOW_MS;
    follower->target_mc = left_ms > 0 ? 80000 : 0;
    move(by, &world->lent_end,
         world->has_channel && !world->was_lent &&
             (left_ms > 0 || is_heat_near),
         policy->lease_ms + WORLD_DELAY_MAX);
}

void world_rebase(const struct hg_policy *policy, struct world *world)
{
    struct hg_gate_state *state = &world->state;
    bool has_ticket = state->pending.kind != HG_PENDING_NONE;
    struct rebase by = { world->now.mono.ms, world->now.wall.ms,
                         world->backs_left,
                         (int64_t)world->wall_backs_left * WORLD_WALL_BACK };

    rebase_gate(policy, &by, world);
    rebase_monitor(policy, &by, world->has_heater, &world->monitor);
    rebase_far_end(policy, &by, world);
    if (world->monitor.serial != 0)
        world->monitor.serial =
            SERIAL - (state->serial != world->monitor.serial);
    state->serial = SERIAL;
    state->epoch = 7;
    /* only the newest ticket can still be waited for */
    if (world->ticket != 0)
        world->ticket =
            has_ticket && world->ticket == state->pending.ticket ? TICKET : 1;
    state->pending.ticket = has_ticket ? TICKET : 0;
    state->last_ticket = TICKET;
    world->proof_count = world->has_proof_count
                             ? count(world->door_count, world->proof_count)
                             : 0;
    world->outcome = 0;
    world->door_count = SEQ;
    world->seq = SEQ;
    world->event_seq = SEQ;
    world->now.mono.ms = NOW_MS;
    world->now.wall.ms = NOW_MS;
    world->start_ms = 0;
}
