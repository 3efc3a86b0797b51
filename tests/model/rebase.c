/*
 * Renaming of states, so that the space closes: see world_rebase(). A run
 * with and a run without it are compared by explore --compare.
 */
#include "world.h"
#include <string.h>

#define NOW_MS   1000 /* what "now" is called after a rebase */
#define OLD_MS   14   /* older than any interval of the policies used here */
#define SEQ      100
#define TICKET   1000
#define SERIAL   ((UINT64_C(7) << HG_EPOCH_SHIFT) + 1000)
#define NEAR_MAX 500

static void move(struct hg_mono *time, uint64_t now_ms, bool is_used)
{
    if (!is_used) {
        time->ms = 0;
        return;
    }
    if (time->ms + OLD_MS < now_ms)
        time->ms = now_ms - OLD_MS;
    time->ms = time->ms + NOW_MS - now_ms;
}

/* wall times move with wall time: only their distance to now is kept */
static void move_wall(int64_t *wall_ms, int64_t now_ms, bool is_used)
{
    *wall_ms = is_used ? *wall_ms - now_ms + NOW_MS : 0;
}

static void move_asker(struct hg_asker *asker, int64_t wall_ms)
{
    move_wall(&asker->stay_from_ms, wall_ms, asker->has_stay);
    move_wall(&asker->stay_until_ms, wall_ms, asker->has_stay);
    if (asker->has_stay && asker->stay_from_ms < NOW_MS - OLD_MS)
        asker->stay_from_ms = NOW_MS - OLD_MS;
}

static uint64_t near(uint64_t newest, uint64_t serial)
{
    uint64_t back = newest - serial;

    return SERIAL - (back > NEAR_MAX ? NEAR_MAX : back);
}

static uint64_t count(uint64_t present, uint64_t value)
{
    uint64_t back = present - value;

    /* only looked at for being the present one or not, ever */
    return SEQ - (back > 1 ? 1 : back);
}

static void rebase_session(struct hg_gate_state *state, uint64_t mono)
{
    struct hg_gate_session *session = &state->session;

    move(&session->started_at, mono, session->is_active);
    move(&session->ends_at, mono, session->is_active);
    move(&session->held_at, mono, session->is_held);
    move(&session->unfollowed_at, mono, false);
    session->serial_before = 0; /* telemetry here reports no permit */
    move(&state->permit.sent_at, mono, state->permit.is_live);
    move(&state->permit.until, mono, state->permit.is_live);
    if (!state->permit.is_live)
        state->permit.serial = 0;
}

static void rebase_stream(struct hg_gate_state *state, struct world *world,
                          uint64_t mono)
{
    struct hg_gate_stream *stream = &state->stream;

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
    if (stream->base_ms > 99)
        stream->base_ms = 99;
    if (stream->base_ms < -99)
        stream->base_ms = -99;
    /* it rises 2 ms a second: not at all in the times of this world */
    stream->base_at.ms = stream->has_base ? NOW_MS : 0;
    move(&stream->fresh_at, mono, stream->is_fresh);
    stream->reading.uptime_ms = 0;
    stream->reading.seq = 0;
    stream->same_air_on_ms = 0;
    stream->reading.door_count =
        stream->has_reading
            ? count(world->door_count, stream->reading.door_count)
            : 0;
}

static void rebase_gate(struct hg_gate_state *state, struct world *world)
{
    uint64_t mono = world->now.mono.ms;
    int64_t wall = world->now.wall.ms;
    bool is_valid = state->check.state == HG_CHECK_VALID;

    rebase_stream(state, world, mono);
    rebase_session(state, mono);
    move(&state->now.mono, mono, true);
    state->now.wall.ms = NOW_MS;
    move(&state->check.expires_at, mono, is_valid);
    if (!is_valid)
        memset(&state->check.signer, 0, sizeof(state->check.signer));
    if (!is_valid)
        memset(state->check.boot, 0, sizeof(state->check.boot));
    state->check.door_count =
        is_valid ? count(world->door_count, state->check.door_count) : 0;
    state->check.has_door_count &= is_valid;
    state->check.why = is_valid ? state->check.why : HG_WHY_NONE;
    move(&state->look.open_at, mono, state->look.has_open);
    move(&state->look.cycle_at, mono, state->look.has_cycle);
    move(&state->look.panel_at, mono, state->look.has_panel);
    memset(state->open_check, 0, sizeof(state->open_check));
    memset(&state->last, 0, sizeof(state->last));
    move(&state->rival_at, mono,
         (state->lockouts & HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY)) != 0);
    move(&state->rest_until, mono, state->is_resting);
    move(&state->local_at, mono, state->is_local);
    move(&state->unbidden_at, mono, state->is_unbidden);
    /* only read about a heater that is on */
    move(&state->revoked_at, mono, world->has_heater);
    move(&state->silent_until, mono, world->has_heater);
    move_asker(&state->session.by, wall);
    move_asker(&state->pending.by, wall);
    move_asker(&state->plan.by, wall);
    move_wall(&state->plan.starts_at_ms, wall, state->plan.is_active);
    move_wall(&state->plan.ready_at_ms, wall, state->plan.is_active);
}

static void rebase_monitor(struct monitor *m, struct world *world)
{
    uint64_t mono = world->now.mono.ms;
    int64_t wall = world->now.wall.ms;
    bool has_check = m->check == 1 || m->check == 2;

    memset(&m->seen, 0, sizeof(m->seen));
    move(&m->now, mono, true);
    move(&m->proof_at, mono, m->has_proof);
    move(&m->open_at, mono, m->has_open);
    move(&m->panel_at, mono, m->has_panel);
    move(&m->check_until, mono, has_check);
    if (!has_check)
        memset(&m->signer, 0, sizeof(m->signer));
    m->has_check_count &= has_check;
    move(&m->started_at, mono, m->is_heat);
    move(&m->held_at, mono, m->is_held);
    move(&m->lent_at, mono, m->is_lent);
    move(&m->lent_until, mono, m->is_lent);
    move(&m->local_at, mono, m->is_local);
    move(&m->rest_until, mono, m->is_resting);
    if (!m->is_heat)
        memset(&m->by, 0, sizeof(m->by));
    if (!m->is_waiting)
        memset(&m->asked_by, 0, sizeof(m->asked_by));
    if (!m->has_plan)
        memset(&m->plan_by, 0, sizeof(m->plan_by));
    move_asker(&m->by, wall);
    move_asker(&m->asked_by, wall);
    move_asker(&m->plan_by, wall);
    move_wall(&m->plan_at_ms, wall, m->has_plan);
    m->duration_ms = m->is_heat ? m->duration_ms : 0;
    m->asked_ms = m->is_waiting ? m->asked_ms : 0;
    m->change_ms = m->is_change_waiting ? m->change_ms : 0;
    m->ticket = m->is_waiting ? TICKET : 0;
    m->change_ticket = m->is_change_waiting ? TICKET : 0;
    m->is_started = false;
}

static void rebase_far_end(struct world *world, uint64_t newest)
{
    uint64_t mono = world->now.mono.ms;

    for (int i = 0; i < WORLD_CHANNEL; i++) {
        struct world_message *message = &world->message[i];

        if (!message->is_there)
            continue;
        message->serial = near(newest, message->serial);
        move(&message->sent_at, mono, true);
    }
    move(&world->lent_end, mono, world->has_channel);
    if (world->follower.serial != 0)
        world->follower.serial = near(newest, world->follower.serial);
    if (world->follower.ttl_ms == 0) {
        world->follower.received_ms = 0;
        world->follower.target_mc = 0;
    } else {
        world->follower.received_ms += NOW_MS - mono;
    }
    world->follower.seen_ms = world->has_channel ? NOW_MS : 0;
}

void world_rebase(struct world *world)
{
    struct hg_gate_state *state = &world->state;
    uint64_t newest = state->serial;
    bool has_ticket = state->pending.kind != HG_PENDING_NONE;

    rebase_gate(state, world);
    rebase_monitor(&world->monitor, world);
    rebase_far_end(world, newest);
    if (world->monitor.serial != 0)
        world->monitor.serial = near(newest, world->monitor.serial);
    if (state->permit.is_live)
        state->permit.serial = near(newest, state->permit.serial);
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
    world->door_count = SEQ;
    world->seq = SEQ;
    world->event_seq = SEQ;
    world->now.mono.ms = NOW_MS;
    world->now.wall.ms = NOW_MS;
    world->start_ms = 0;
}
