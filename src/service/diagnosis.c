/*
 * Faults of a room, told apart by what its readings say together. Each
 * watcher below knows one of them; none changes the gate.
 */
#include "service/diagnosis.h"
#include "base/sat.h"
#include <stdlib.h>
#include <string.h>

#define SLOT_MS       (UINT64_C(5) * 60000)
#define SMOOTH_MS     60000
#define OPEN_SLOT_MS  10000
#define MINUTE_MS     60000
#define LIVE_AIR_MC   40000 /* dips are judged in a warm room only */
#define LINK_SENT_MIN 60
#define REST_GAP_MS   (UINT64_C(10) * 60000)

struct look { /* one call */
    struct hg_diagnosis *dia;
    const struct hg_diagnosis_sight *sight;
    const struct hg_policy *policy;
    const struct hg_gate_state *gate;
    const struct hg_reading *now;
    uint64_t at_ms;
    uint64_t dt_ms; /* since the reading before; 0: nothing follows it */
    bool is_same_boot;
};

static void set(struct look *look, enum hg_finding finding, int64_t a,
                int64_t b)
{
    struct hg_diagnosis_mark *mark = &look->dia->mark[finding];

    if (look->dia->on & HG_FINDING_BIT(finding))
        return;
    look->dia->on |= HG_FINDING_BIT(finding);
    mark->since_ms = look->sight->at.wall.ms;
    mark->a = a;
    mark->b = b;
}

static void clear(struct look *look, enum hg_finding finding)
{
    look->dia->on &= ~HG_FINDING_BIT(finding);
}

static bool has(const struct look *look, enum hg_finding finding)
{
    return (look->dia->on & HG_FINDING_BIT(finding)) != 0;
}

/* the least power that counts as drawn: contract 7 */
static uint32_t drawn_w(const struct hg_policy *policy)
{
    uint32_t share_w = policy->heater_w / 20;

    return share_w > 50 ? share_w : 50;
}

static int64_t power_of(const struct hg_reading *reading)
{
    return reading->has_power ? (int64_t)reading->power_w : -1;
}

/* -- the heater ------------------------------------------------------------*/

static void watch_silent(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;
    int64_t margin_mc = look->policy->no_rise_mc > HG_DIA_FAR_MC
                            ? look->policy->no_rise_mc
                            : HG_DIA_FAR_MC;

    if (now->heater == HG_HEATER_ON) {
        dia->silent_ms = 0;
        clear(look, HG_FINDING_HEATER_SILENT);
        return;
    }
    if (!look->gate->session.is_active) {
        dia->silent_ms = 0;
        return;
    }
    if (dia->last.is_live && now->heater == HG_HEATER_OFF &&
        now->door == HG_DOOR_CLOSED && now->has_air &&
        now->air_mc < (int64_t)dia->target_mc - margin_mc)
        dia->silent_ms += look->dt_ms;
    if (dia->silent_ms >= look->policy->no_rise_ms)
        set(look, HG_FINDING_HEATER_SILENT,
            (int64_t)(dia->silent_ms / MINUTE_MS), now->air_mc);
}

static void watch_power(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;

    if (now->heater != HG_HEATER_ON || !now->has_power) {
        dia->no_power_ms = 0;
        return;
    }
    if (now->power_w >= drawn_w(look->policy)) {
        dia->no_power_ms = 0;
        clear(look, HG_FINDING_HEATER_NO_POWER);
        return;
    }
    if (dia->last.is_on)
        dia->no_power_ms += look->dt_ms;
    if (dia->no_power_ms >= HG_DIA_NO_POWER_MS)
        set(look, HG_FINDING_HEATER_NO_POWER, now->power_w,
            look->policy->heater_w);
}

/* The gate's own windows of heater-on time, with what the meter says. */
static void watch_warmth(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;
    hg_why_set came = look->gate->lockouts & ~dia->lockouts;
    hg_why_set went = dia->lockouts & ~look->gate->lockouts;

    if (went & HG_WHY_BIT(HG_WHY_NO_RISE)) { /* somebody saw to it */
        clear(look, HG_FINDING_HEATER_NO_WARMTH);
        clear(look, HG_FINDING_HEATER_NO_POWER);
    }
    if (dia->has_cold_base && now->has_air && now->heater == HG_HEATER_ON &&
        now->air_mc - (int64_t)dia->cold_base_mc >= look->policy->no_rise_mc)
        clear(look, HG_FINDING_HEATER_NO_WARMTH);
    if (!dia->last.is_live || now->door != HG_DOOR_CLOSED || !now->has_air ||
        now->air_mc >= (int64_t)dia->target_mc - look->policy->no_rise_mc) {
        dia->has_cold_base = false;
    } else if (!dia->has_cold_base ||
               now->air_mc - (int64_t)dia->cold_base_mc >=
                   look->policy->no_rise_mc) {
        dia->has_cold_base = true;
        dia->cold_base_mc = now->air_mc;
        dia->cold_ms = 0;
    } else if (dia->last.is_on && now->heater == HG_HEATER_ON) {
        dia->cold_ms += look->dt_ms;
    }
    if (has(look, HG_FINDING_HEATER_NO_POWER))
        return; /* that explains it */
    if ((came & HG_WHY_BIT(HG_WHY_NO_RISE)) ||
        (dia->has_cold_base && dia->cold_ms >= look->policy->no_rise_ms))
        set(look, HG_FINDING_HEATER_NO_WARMTH, now->air_mc, power_of(now));
}

/* -- the air sensor --------------------------------------------------------*/

static bool is_in_range(const struct hg_reading *now)
{
    return now->air_mc >= HG_AIR_MIN_MC && now->air_mc <= HG_AIR_MAX_MC;
}

static void watch_sensor(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;
    uint64_t same_ms = look->gate->stream.same_air_on_ms;
    int64_t step_mc = 0;

    if (!now->has_air) {
        set(look, HG_FINDING_SENSOR_MISSING, 0, 0);
        return;
    }
    clear(look, HG_FINDING_SENSOR_MISSING);
    if (look->dt_ms > 0 && dia->last.has_air)
        step_mc = llabs((int64_t)now->air_mc - dia->last.air_mc);
    if (!is_in_range(now) ||
        step_mc > HG_AIR_STEP_MC +
                      (int64_t)look->dt_ms * HG_AIR_RATE_MC_PER_S / 1000) {
        dia->jump_at_ms = look->at_ms;
        set(look, HG_FINDING_SENSOR_IMPOSSIBLE,
            dia->last.has_air ? dia->last.air_mc : now->air_mc, now->air_mc);
    } else if (look->at_ms - dia->jump_at_ms >= HG_DIA_JUMP_MS) {
        clear(look, HG_FINDING_SENSOR_IMPOSSIBLE);
    }
    if (same_ms >= HG_FROZEN_MS)
        set(look, HG_FINDING_SENSOR_FROZEN, (int64_t)(same_ms / MINUTE_MS),
            now->air_mc);
    else if (same_ms == 0)
        clear(look, HG_FINDING_SENSOR_FROZEN);
}

static void judge_rest(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    uint64_t rest_ms = look->at_ms - dia->rest.from_ms;
    int64_t air_mc = dia->rest.air_mc;
    int64_t rise_mc =
        air_mc - dia->rest.slot_mc[dia->rest.slots % HG_DIA_REST_SLOTS];
    bool is_hot = rest_ms >= HG_DIA_REST_HOT_MS && air_mc > HG_DIA_REST_HOT_MC;

    /* the slot about to be overwritten must be of the time at rest */
    if (rest_ms < HG_DIA_REST_MS || dia->rest.slots < HG_DIA_REST_SLOTS)
        return;
    if (rise_mc > HG_DIA_REST_RISE_MC)
        set(look, HG_FINDING_SENSOR_DRIFTING, rise_mc, 0);
    else if (is_hot)
        set(look, HG_FINDING_SENSOR_DRIFTING, air_mc,
            (int64_t)(rest_ms / (60 * MINUTE_MS)));
    else if (rise_mc < HG_DIA_REST_CALM_MC)
        clear(look, HG_FINDING_SENSOR_DRIFTING);
}

/* An unheated room, shut for hours, only cools or follows the day. */
static void watch_rest(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;
    uint64_t gap_ms = look->at_ms - dia->last.at_ms;
    bool is_heated = now->heater != HG_HEATER_OFF ||
                     (now->has_power && now->power_w >= drawn_w(look->policy));

    if (is_heated || now->door != HG_DOOR_CLOSED || !now->has_air ||
        !is_in_range(now) || !dia->rest.has_air || gap_ms > REST_GAP_MS) {
        memset(&dia->rest, 0, sizeof(dia->rest));
        dia->rest.has_air = now->has_air && is_in_range(now);
        dia->rest.air_mc = now->air_mc;
        dia->rest.from_ms = look->at_ms;
        dia->rest.slot_ms = look->at_ms;
        return;
    }
    dia->rest.air_mc =
        (int32_t)(dia->rest.air_mc + ((int64_t)now->air_mc - dia->rest.air_mc) *
                                         (int64_t)gap_ms /
                                         (int64_t)(gap_ms + SMOOTH_MS));
    if (look->at_ms - dia->rest.slot_ms < SLOT_MS)
        return;
    judge_rest(look);
    dia->rest.slot_mc[dia->rest.slots++ % HG_DIA_REST_SLOTS] = dia->rest.air_mc;
    dia->rest.slot_ms = look->at_ms;
}

static unsigned int count_bits(unsigned int bits)
{
    unsigned int count = 0;

    for (; bits != 0; bits &= bits - 1)
        count++;
    return count;
}

static void judge_dip(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    int64_t down_mc = (int64_t)dia->dip.before_mc - dia->dip.low_mc;
    int64_t back_mc = (int64_t)look->now->air_mc - dia->dip.low_mc;
    bool is_late = look->at_ms - dia->dip.shut_ms > HG_DIA_DIP_WITHIN_MS;
    bool is_dip = !is_late && down_mc >= HG_DIA_DIP_MC &&
                  back_mc >= HG_DIA_DIP_BACK_MC &&
                  back_mc * 100 >= down_mc * HG_DIA_DIP_PERCENT;

    if (!is_dip && !is_late)
        return;
    dia->dip.is_judged = true;
    dia->dip.history = (uint8_t)(dia->dip.history << 1 | (is_dip ? 1 : 0));
    if (count_bits(dia->dip.history) >= HG_DIA_DIP_TIMES)
        set(look, HG_FINDING_SENSOR_NEAR_DOOR, down_mc, back_mc);
    else if (dia->dip.history == 0)
        clear(look, HG_FINDING_SENSOR_NEAR_DOOR);
}

static void watch_dips(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;
    bool is_open = now->door == HG_DOOR_OPEN;

    if (!now->has_air || look->dt_ms == 0) {
        dia->dip.is_open = false;
        dia->dip.is_judged = true;
        return;
    }
    if (is_open && !dia->dip.is_open && dia->last.has_air) {
        dia->dip.before_mc = dia->last.air_mc;
        dia->dip.low_mc = dia->last.air_mc;
        /* too cold to tell: counted as no opening */
        dia->dip.is_judged = dia->last.air_mc < LIVE_AIR_MC;
    }
    if (!is_open && dia->dip.is_open)
        dia->dip.shut_ms = look->at_ms - look->dt_ms;
    dia->dip.is_open = is_open;
    if (dia->dip.is_judged)
        return;
    if (now->air_mc < dia->dip.low_mc)
        dia->dip.low_mc = now->air_mc;
    if (!is_open && dia->dip.shut_ms != 0)
        judge_dip(look);
}

/* -- door, module, permits -------------------------------------------------*/

static void roll_opens(struct hg_diagnosis *dia, uint64_t slot)
{
    if (slot - dia->chatter.slot >= HG_DIA_OPEN_SLOTS)
        memset(dia->chatter.opens, 0, sizeof(dia->chatter.opens));
    else
        for (uint64_t i = dia->chatter.slot + 1; i <= slot; i++)
            dia->chatter.opens[i % HG_DIA_OPEN_SLOTS] = 0;
    dia->chatter.slot = slot;
}

static uint64_t opens_of(const struct look *look)
{
    const struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;

    if (!look->is_same_boot)
        return 0;
    if (now->has_door_count && dia->last.has_door_count)
        return hg_sat_sub_u64(now->door_count, dia->last.door_count);
    return now->door == HG_DOOR_OPEN && dia->last.door == HG_DOOR_CLOSED;
}

static void watch_door(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    uint64_t slot = look->at_ms / OPEN_SLOT_MS;
    uint64_t opens = opens_of(look);
    int64_t sum = 0;

    if (look->now->door == HG_DOOR_UNKNOWN)
        set(look, HG_FINDING_DOOR_MISSING, 0, 0);
    else
        clear(look, HG_FINDING_DOOR_MISSING);
    roll_opens(dia, slot);
    /* 1000 in ten seconds are chatter in any case; sums stay small */
    dia->chatter.opens[slot % HG_DIA_OPEN_SLOTS] =
        (uint16_t)(dia->chatter.opens[slot % HG_DIA_OPEN_SLOTS] % 1000 +
                   (opens < 1000 ? opens : 1000));
    for (size_t i = 0; i < HG_DIA_OPEN_SLOTS; i++)
        sum += dia->chatter.opens[i];
    if (sum >= HG_DIA_CHATTER_OPENS) {
        dia->chatter.quiet_ms = look->at_ms;
        set(look, HG_FINDING_DOOR_CHATTER, sum, 0);
    } else if (look->at_ms - dia->chatter.quiet_ms >= HG_DIA_CALM_MS) {
        clear(look, HG_FINDING_DOOR_CHATTER);
    }
}

static void watch_module(struct look *look)
{
    const struct hg_reading *now = look->now;
    int64_t mc = now->has_module_c ? now->module_mc : INT64_MIN;
    int64_t rh = now->has_module_rh ? (int64_t)now->module_rh : -1;

    if (mc >= HG_MODULE_MAX_MC || rh >= HG_MODULE_MAX_RH) {
        clear(look, HG_FINDING_MODULE_NEAR_LIMIT);
        set(look, HG_FINDING_MODULE_CLIMATE, mc, rh);
        return;
    }
    clear(look, HG_FINDING_MODULE_CLIMATE);
    if (mc >= HG_DIA_MODULE_MC || rh >= HG_DIA_MODULE_RH)
        set(look, HG_FINDING_MODULE_NEAR_LIMIT, mc, rh);
    else if (mc < HG_DIA_MODULE_CALM_MC && rh < HG_DIA_MODULE_CALM_RH)
        clear(look, HG_FINDING_MODULE_NEAR_LIMIT);
}

static void watch_gate(struct look *look)
{
    const struct hg_gate_state *gate = look->gate;
    const struct hg_gate_session *session = &gate->session;

    if (gate->lockouts & HG_WHY_BIT(HG_WHY_HEATER_UNBIDDEN))
        set(look, HG_FINDING_HEATER_UNBIDDEN, power_of(look->now), 0);
    else
        clear(look, HG_FINDING_HEATER_UNBIDDEN);
    if (gate->lockouts & HG_WHY_BIT(HG_WHY_RIVAL_GATEWAY))
        set(look, HG_FINDING_RIVAL_GATEWAY, (int64_t)gate->serial, 0);
    else
        clear(look, HG_FINDING_RIVAL_GATEWAY);
    if (!session->is_active)
        return; /* not known to be mended before the next heat */
    if (session->is_unfollowed_told)
        set(look, HG_FINDING_PERMIT_NOT_FOLLOWED, (int64_t)look->now->permit,
            (int64_t)gate->permit.serial);
    else if (gate->permit.is_live && !session->is_unfollowed &&
             look->now->has_permit && look->now->permit == gate->permit.serial)
        clear(look, HG_FINDING_PERMIT_NOT_FOLLOWED);
}

/* -- the link --------------------------------------------------------------*/

static void roll_minutes(struct hg_diagnosis *dia, uint64_t minute)
{
    if (minute - dia->link.minute >= HG_DIA_MINUTES)
        memset(dia->link.of, 0, sizeof(dia->link.of));
    else
        for (uint64_t i = dia->link.minute + 1; i <= minute; i++)
            memset(&dia->link.of[i % HG_DIA_MINUTES], 0,
                   sizeof(dia->link.of[0]));
    dia->link.minute = minute;
}

static void add16(uint16_t *sum, uint64_t more)
{
    *sum = (uint16_t)(more > (uint64_t)(UINT16_MAX - *sum) ? UINT16_MAX
                                                           : *sum + more);
}

static void judge_link(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    int64_t sent = 0, got = 0, late = 0, lost;

    for (size_t i = 0; i < HG_DIA_MINUTES; i++) {
        sent += dia->link.of[i].sent;
        got += dia->link.of[i].got;
        late += dia->link.of[i].late;
    }
    lost = sent > got ? sent - got : 0;
    if (sent >= LINK_SENT_MIN && lost >= HG_DIA_LINK_LEAST &&
        lost * 100 > sent * HG_DIA_LINK_PERCENT)
        set(look, HG_FINDING_LOSSY_LINK, lost, sent);
    else if (lost * 100 <= sent * HG_DIA_LINK_CALM)
        clear(look, HG_FINDING_LOSSY_LINK);
    if (got >= LINK_SENT_MIN && late >= HG_DIA_LINK_LEAST &&
        late * 100 > got * HG_DIA_LINK_PERCENT)
        set(look, HG_FINDING_LATE_MESSAGES, late, got);
    else if (late * 100 <= got * HG_DIA_LINK_CALM)
        clear(look, HG_FINDING_LATE_MESSAGES);
}

static void watch_link(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_gate_stream *stream = &look->gate->stream;
    uint64_t fresh = hg_sat_sub_u64(stream->counts.fresh, dia->last.fresh);
    uint64_t late = hg_sat_sub_u64(stream->counts.late, dia->last.late);
    uint64_t event_seq = stream->boot[0].event_seq;
    size_t slot;

    roll_minutes(dia, look->at_ms / MINUTE_MS);
    slot = dia->link.minute % HG_DIA_MINUTES;
    dia->last.fresh = stream->counts.fresh;
    dia->last.late = stream->counts.late;
    if (!look->is_same_boot && look->sight->is_reading) {
        memset(dia->link.of, 0, sizeof(dia->link.of));
        dia->last.event_seq = event_seq;
        return; /* a new boot counts anew */
    }
    add16(&dia->link.of[slot].got, fresh + late);
    add16(&dia->link.of[slot].late, late);
    if (look->sight->is_reading) {
        uint64_t sent = hg_sat_sub_u64(look->now->seq, dia->last.seq);

        if (event_seq != dia->last.event_seq && event_seq > dia->last.seq &&
            event_seq < look->now->seq)
            sent--; /* a local event has taken one */
        dia->last.event_seq = event_seq;
        add16(&dia->link.of[slot].sent, sent);
    }
    judge_link(look);
}

/* -- all of it -------------------------------------------------------------*/

static void keep_last(struct look *look)
{
    struct hg_diagnosis *dia = look->dia;
    const struct hg_reading *now = look->now;

    dia->last.has_one = true;
    dia->last.has_air = now->has_air && is_in_range(now);
    dia->last.has_door_count = now->has_door_count;
    dia->last.is_on = now->heater == HG_HEATER_ON;
    dia->last.door = now->door;
    dia->last.air_mc = now->air_mc;
    dia->last.at_ms = look->at_ms;
    dia->last.seq = now->seq;
    dia->last.door_count = now->door_count;
    memcpy(dia->last.boot, now->boot, HG_BOOT_BYTES);
}

static void see_reading(struct look *look)
{
    watch_silent(look);
    watch_power(look);
    watch_warmth(look);
    watch_sensor(look);
    watch_rest(look);
    watch_dips(look);
    watch_door(look);
    watch_module(look);
    keep_last(look);
}

void hg_diagnosis_see(struct hg_diagnosis *diagnosis,
                      const struct hg_diagnosis_sight *sight)
{
    const struct hg_gate_state *gate = sight->gate;
    struct look look = { .dia = diagnosis,
                         .sight = sight,
                         .policy = sight->policy,
                         .gate = gate,
                         .now = &gate->stream.reading,
                         .at_ms = sight->at.mono.ms };
    uint64_t since_ms = hg_sat_sub_u64(look.at_ms, diagnosis->last.at_ms);

    if (!gate->stream.has_reading || look.at_ms < diagnosis->last.at_ms)
        return;
    look.is_same_boot =
        diagnosis->last.has_one &&
        strncmp(diagnosis->last.boot, look.now->boot, HG_BOOT_BYTES) == 0;
    if (look.is_same_boot && since_ms <= sight->policy->stale_after_ms)
        look.dt_ms = since_ms;
    watch_link(&look);
    if (sight->is_reading)
        see_reading(&look);
    watch_gate(&look);
    if (gate->session.is_active)
        diagnosis->target_mc = gate->session.target_mc;
    diagnosis->last.is_live = gate->permit.is_live;
    diagnosis->lockouts = gate->lockouts;
}
