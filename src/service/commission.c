/* The guided record as a state machine; see commission.h. */
#include "service/commission.h"
#include "base/sat.h"
#include "base/text.h"
#include <string.h>

/* -- words ------------------------------------------------------------------*/

static const struct {
    const char *id, *text;
    bool is_for_proof;
} STEPS[HG_COM_STEPS] = {
#define ROW(name, id, proof, text) [HG_COM_STEP_##name] = { id, text, proof },
    HG_COM_STEP_LIST(ROW)
#undef ROW
};

static const struct hg_com_words FAULTS[HG_COM_FAULTS] = {
    [HG_COM_OK] = { "", "", "" },
#define ROW(name, code, text, remedy) [HG_COM_##name] = { code, text, remedy },
    HG_COM_FAULT_LIST(ROW)
#undef ROW
};

/* common practice; no standard is quoted here */
static const struct hg_com_statement STATEMENTS[HG_COM_STATEMENTS] = {
    { "sensor-place", "The air sensor is at least about 0.5 m away from "
                      "heater, ventilation, glass and door, and close to "
                      "where people sit." },
    { "module-place", "The controller's module is where it stays below 50 C "
                      "and below 95 % relative humidity; outdoors it is "
                      "under cover." },
    { "module-height", "If the module is inside the hot room, it is 10 to 50 "
                       "cm above the floor and far from the heater." },
    { "cables", "All cables to and from the power module have the same "
                "cross-section." },
    { "terminals", "Each wire was compared with the number of its terminal, "
                   "counted from the marked end." },
    { "cut-out", "The heater has its own hard-wired high-limit cut-out, and "
                 "nothing bypasses it or the door switch." },
};

struct hg_com_words hg_com_fault_words(enum hg_com_fault fault)
{
    return FAULTS[(unsigned)fault < HG_COM_FAULTS ? fault : HG_COM_OK];
}

enum hg_com_fault hg_com_fault_find(const char *code)
{
    for (int i = HG_COM_OK + 1; i < HG_COM_FAULTS; i++)
        if (strcmp(FAULTS[i].code, code) == 0)
            return (enum hg_com_fault)i;
    return HG_COM_OK;
}

const char *hg_com_step_id(enum hg_com_step step)
{
    return (unsigned)step < HG_COM_STEPS && step > 0 ? STEPS[step].id : "";
}

const char *hg_com_step_text(enum hg_com_step step)
{
    return (unsigned)step < HG_COM_STEPS && step > 0 ? STEPS[step].text : "";
}

enum hg_com_step hg_com_step_find(const char *id)
{
    for (int i = HG_COM_STEP_NONE + 1; i < HG_COM_STEPS; i++)
        if (strcmp(STEPS[i].id, id) == 0)
            return (enum hg_com_step)i;
    return HG_COM_STEP_NONE;
}

const struct hg_com_statement *hg_com_statement(size_t index)
{
    return index < HG_COM_STATEMENTS ? &STATEMENTS[index] : NULL;
}

const char *hg_com_name_id(enum hg_com_name name)
{
    static const char *const ID[HG_COM_NAMES] = {
        [HG_COM_NAME_HEATER] = "heater",
        [HG_COM_NAME_CONTROLLER] = "controller",
        [HG_COM_NAME_CABLE] = "cable",
        [HG_COM_NAME_ELECTRICIAN] = "electrician",
    };

    return (unsigned)name < HG_COM_NAMES ? ID[name] : "";
}

/* -- marks ------------------------------------------------------------------*/

static enum hg_com_fault mark(struct hg_commission *com,
                              const struct hg_com_sight *sight,
                              enum hg_com_step step, enum hg_com_fault fault)
{
    struct hg_com_result *result = &com->step[step];

    result->mark = fault == HG_COM_OK ? HG_COM_PASSED : HG_COM_FAILED;
    result->fault = fault;
    result->at_ms = sight->at.wall.ms;
    if (com->watch.step == step)
        memset(&com->watch, 0, sizeof(com->watch));
    return fault;
}

static void set(struct hg_commission *com, enum hg_com_value value,
                int64_t number)
{
    com->has_value[value] = true;
    com->value[value] = number;
}

static void forget(struct hg_commission *com, enum hg_com_step step)
{
#define DROP(name, of, member, scale)                                          \
    if (step == HG_COM_STEP_##of)                                              \
        com->has_value[HG_COM_VALUE_##name] = false;
    HG_COM_VALUE_LIST(DROP)
#undef DROP
}

void hg_com_begin(struct hg_commission *com, bool is_proof,
                  const struct hg_actor *actor, const char *by, int64_t wall_ms)
{
    size_t len = strlen(by);

    memset(com, 0, sizeof(*com));
    com->is_proof = is_proof;
    com->actor = *actor;
    memcpy(com->by, by, len < sizeof(com->by) ? len : sizeof(com->by) - 1);
    com->begun_at_ms = wall_ms;
}

bool hg_com_needs(const struct hg_commission *com, enum hg_com_step step)
{
    return step > HG_COM_STEP_NONE && step < HG_COM_STEPS &&
           (!com->is_proof || STEPS[step].is_for_proof);
}

enum hg_com_step hg_com_next(const struct hg_commission *com)
{
    for (int i = HG_COM_STEP_NONE + 1; i < HG_COM_STEPS; i++)
        if (hg_com_needs(com, (enum hg_com_step)i) &&
            com->step[i].mark != HG_COM_PASSED)
            return (enum hg_com_step)i;
    return HG_COM_STEP_NONE;
}

/* -- what the person does ---------------------------------------------------*/

enum hg_com_fault hg_com_take_names(struct hg_commission *com,
                                    const struct hg_com_sight *sight)
{
    return mark(com, sight, HG_COM_STEP_NAMES, HG_COM_OK);
}

enum hg_com_fault hg_com_agree(struct hg_commission *com,
                               const struct hg_com_sight *sight,
                               unsigned int agreed)
{
    com->agreed = agreed & HG_COM_STATEMENTS_ALL;
    return mark(com, sight, HG_COM_STEP_PLACEMENT,
                com->agreed == HG_COM_STATEMENTS_ALL ? HG_COM_OK
                                                     : HG_COM_NOT_AGREED);
}

static enum hg_com_fault see_air(const struct hg_com_sight *sight)
{
    if (!sight->is_fresh)
        return HG_COM_NO_DATA;
    return sight->reading->has_air && sight->reading->air_mc >= HG_AIR_MIN_MC &&
                   sight->reading->air_mc <= HG_AIR_MAX_MC
               ? HG_COM_OK
               : HG_COM_SENSOR_GONE;
}

enum hg_com_fault hg_com_measure(struct hg_commission *com,
                                 const struct hg_com_sight *sight,
                                 int32_t thermometer_mc)
{
    enum hg_com_fault fault = see_air(sight);
    int64_t off_mc;

    forget(com, HG_COM_STEP_SENSOR);
    set(com, HG_COM_VALUE_THERMOMETER, thermometer_mc);
    if (fault != HG_COM_OK)
        return mark(com, sight, HG_COM_STEP_SENSOR, fault);
    set(com, HG_COM_VALUE_AIR, sight->reading->air_mc);
    off_mc = (int64_t)sight->reading->air_mc - thermometer_mc;
    if (off_mc > HG_COM_SENSOR_OFF_MC || off_mc < -HG_COM_SENSOR_OFF_MC)
        fault = HG_COM_SENSOR_OFF;
    return mark(com, sight, HG_COM_STEP_SENSOR, fault);
}

/* The highest that was ever reported while this record was open counts. */
static void note_module(struct hg_commission *com,
                        const struct hg_reading *reading)
{
    const struct {
        bool has;
        enum hg_com_value value;
        int64_t number;
    } part[] = {
        { reading->has_module_c, HG_COM_VALUE_MODULE_MC, reading->module_mc },
        { reading->has_module_rh, HG_COM_VALUE_MODULE_RH,
          (int64_t)reading->module_rh },
    };

    for (size_t i = 0; i < HG_COUNT(part); i++)
        if (part[i].has && (!com->has_value[part[i].value] ||
                            com->value[part[i].value] < part[i].number))
            set(com, part[i].value, part[i].number);
}

static bool is_over(const struct hg_commission *com, enum hg_com_value value,
                    int64_t limit)
{
    return com->has_value[value] && com->value[value] >= limit;
}

enum hg_com_fault hg_com_module(struct hg_commission *com,
                                const struct hg_com_sight *sight)
{
    bool is_bad;

    if (!sight->is_fresh)
        return mark(com, sight, HG_COM_STEP_MODULE, HG_COM_NO_DATA);
    /* asked again after a failure: the module was moved, so measure anew */
    if (com->step[HG_COM_STEP_MODULE].mark == HG_COM_FAILED)
        forget(com, HG_COM_STEP_MODULE);
    note_module(com, sight->reading);
    is_bad = is_over(com, HG_COM_VALUE_MODULE_MC, HG_MODULE_MAX_MC) ||
             is_over(com, HG_COM_VALUE_MODULE_RH, HG_MODULE_MAX_RH);
    return mark(com, sight, HG_COM_STEP_MODULE,
                is_bad ? HG_COM_MODULE_CLIMATE : HG_COM_OK);
}

bool hg_com_add_photo(struct hg_commission *com,
                      const struct hg_com_photo *photo)
{
    for (size_t i = 0; i < com->photos; i++) {
        if (strcmp(com->photo[i].sha256, photo->sha256) != 0)
            continue;
        com->photo[i] = *photo;
        return true;
    }
    if (com->photos == HG_COM_PHOTOS_MAX)
        return false;
    com->photo[com->photos++] = *photo;
    return true;
}

enum hg_com_fault hg_com_end_photos(struct hg_commission *com,
                                    const struct hg_com_sight *sight)
{
    return mark(com, sight, HG_COM_STEP_PHOTOS,
                com->photos > 0 ? HG_COM_OK : HG_COM_NO_PHOTO);
}

/* -- watching ---------------------------------------------------------------*/

static void enter(struct hg_commission *com, const struct hg_com_sight *sight,
                  enum hg_com_phase phase)
{
    com->watch.phase = phase;
    com->watch.since = sight->at.mono;
    if (phase == HG_COM_PHASE_OPEN)
        com->watch.closed_at = sight->at.mono;
}

static void begin_watch(struct hg_commission *com,
                        const struct hg_com_sight *sight, enum hg_com_step step,
                        enum hg_com_phase phase)
{
    struct hg_com_watch *watch = &com->watch;

    if (watch->step != HG_COM_STEP_NONE && watch->step != step)
        com->step[watch->step].mark = HG_COM_TODO; /* left half done */
    memset(watch, 0, sizeof(*watch));
    watch->step = step;
    watch->closed_at = sight->at.mono;
    memcpy(watch->boot, sight->reading->boot, sizeof(watch->boot));
    enter(com, sight, phase);
    com->step[step].mark = HG_COM_WATCHING;
    com->step[step].fault = HG_COM_OK;
    com->step[step].at_ms = sight->at.wall.ms;
}

/* On, whatever the contactor's report says, when power is drawn. */
static bool is_on(const struct hg_com_sight *sight)
{
    uint64_t drawn_w = sight->policy->heater_w / 20;

    if (drawn_w < 50)
        drawn_w = 50;
    return sight->reading->heater == HG_HEATER_ON ||
           (sight->reading->has_power && sight->reading->power_w > drawn_w);
}

static enum hg_com_fault door_fault(const enum hg_door read[3])
{
    static const struct {
        enum hg_door read[3];
        enum hg_com_fault fault;
    } TABLE[] = {
        { { HG_DOOR_CLOSED, HG_DOOR_OPEN, HG_DOOR_CLOSED }, HG_COM_OK },
        { { HG_DOOR_OPEN, HG_DOOR_CLOSED, HG_DOOR_OPEN }, HG_COM_DOOR_SWAPPED },
        { { HG_DOOR_CLOSED, HG_DOOR_CLOSED, HG_DOOR_CLOSED },
          HG_COM_DOOR_BRIDGED },
        { { HG_DOOR_OPEN, HG_DOOR_OPEN, HG_DOOR_OPEN }, HG_COM_DOOR_BROKEN },
    };

    for (size_t i = 0; i < 3; i++)
        if (read[i] == HG_DOOR_UNKNOWN)
            return HG_COM_DOOR_UNKNOWN;
    for (size_t i = 0; i < HG_COUNT(TABLE); i++)
        if (memcmp(TABLE[i].read, read, sizeof(TABLE[i].read)) == 0)
            return TABLE[i].fault;
    return HG_COM_DOOR_UNSTEADY;
}

static enum hg_door door_wanted(unsigned int said)
{
    return said == 2 ? HG_DOOR_OPEN : HG_DOOR_CLOSED;
}

/* What the door reads is settled; the third one decides. */
static void settle_door(struct hg_commission *com,
                        const struct hg_com_sight *sight)
{
    com->read[com->said - 1] = sight->reading->door;
    com->watch.phase = HG_COM_PHASE_NONE;
    if (com->said == HG_COUNT(com->read))
        mark(com, sight, HG_COM_STEP_DOOR, door_fault(com->read));
}

/* Only readings that come well after the word count. */
static void watch_door(struct hg_commission *com,
                       const struct hg_com_sight *sight)
{
    uint64_t for_ms = hg_mono_since(sight->at.mono, com->watch.since);

    if (com->watch.phase != HG_COM_PHASE_DOOR || for_ms < HG_COM_SETTLE_MS)
        return;
    if (sight->reading->door == door_wanted(com->said) ||
        for_ms >= HG_COM_GIVE_UP_MS)
        settle_door(com, sight);
}

enum hg_com_fault hg_com_say_door(struct hg_commission *com,
                                  const struct hg_com_sight *sight,
                                  enum hg_door door)
{
    if (!sight->is_fresh)
        return mark(com, sight, HG_COM_STEP_DOOR, HG_COM_NO_DATA);
    /* anything but the next one of the three begins anew */
    if (com->watch.step != HG_COM_STEP_DOOR ||
        com->watch.phase == HG_COM_PHASE_DOOR ||
        com->said >= HG_COUNT(com->read) || door != door_wanted(com->said + 1))
        com->said = 0;
    if (door != door_wanted(com->said + 1))
        return mark(com, sight, HG_COM_STEP_DOOR, HG_COM_DOOR_UNSTEADY);
    if (com->said == 0)
        memset(com->read, 0, sizeof(com->read));
    com->said++;
    begin_watch(com, sight, HG_COM_STEP_DOOR, HG_COM_PHASE_DOOR);
    return HG_COM_OK;
}

/* What must hold before a heat is watched. */
static enum hg_com_fault before_heat(const struct hg_commission *com,
                                     const struct hg_com_sight *sight,
                                     enum hg_com_step step)
{
    enum hg_com_fault fault = see_air(sight);

    if (fault != HG_COM_OK)
        return fault;
    if (!com->is_proof && com->step[HG_COM_STEP_DOOR].mark != HG_COM_PASSED)
        return HG_COM_BEFORE;
    if (!com->is_proof && step == HG_COM_STEP_CUT &&
        com->step[HG_COM_STEP_HEAT].mark != HG_COM_PASSED)
        return HG_COM_BEFORE;
    if (step == HG_COM_STEP_CUT && !sight->at.wall.is_trusted)
        return HG_COM_CLOCK;
    if (sight->is_remote)
        return HG_COM_REMOTE_HEAT;
    if (sight->reading->door == HG_DOOR_UNKNOWN)
        return HG_COM_DOOR_UNKNOWN;
    if (sight->reading->door == HG_DOOR_OPEN)
        return HG_COM_DOOR_OPEN;
    return step == HG_COM_STEP_HEAT && is_on(sight) ? HG_COM_HEATER_ON
                                                    : HG_COM_OK;
}

/* No permit of ours can move the heater any more. */
static void leave_quiet(struct hg_commission *com,
                        const struct hg_com_sight *sight)
{
    if (com->watch.phase != HG_COM_PHASE_QUIET || sight->is_echo)
        return;
    enter(com, sight,
          com->watch.step == HG_COM_STEP_CUT && is_on(sight)
              ? HG_COM_PHASE_OPEN
              : HG_COM_PHASE_START);
}

enum hg_com_fault hg_com_watch(struct hg_commission *com,
                               const struct hg_com_sight *sight,
                               enum hg_com_step step)
{
    enum hg_com_fault fault = before_heat(com, sight, step);

    forget(com, step);
    if (fault != HG_COM_OK)
        return mark(com, sight, step, fault);
    begin_watch(com, sight, step, HG_COM_PHASE_QUIET);
    leave_quiet(com, sight);
    return HG_COM_OK;
}

/* How long the phase lasts, and what is wrong when it does not end. */
static enum hg_com_fault too_long(const struct hg_commission *com,
                                  const struct hg_com_sight *sight)
{
    const struct hg_com_watch *watch = &com->watch;
    uint64_t for_ms = hg_mono_since(sight->at.mono, watch->since);

    switch (watch->phase) {
    case HG_COM_PHASE_QUIET:
    case HG_COM_PHASE_START:
        return for_ms >= HG_COM_PATIENCE_MS ? HG_COM_NOT_STARTED : HG_COM_OK;
    case HG_COM_PHASE_RISE:
        return for_ms >= sight->policy->no_rise_ms ? HG_COM_NO_RISE : HG_COM_OK;
    case HG_COM_PHASE_OPEN:
        return for_ms >= HG_COM_PATIENCE_MS ? HG_COM_NOT_OPENED : HG_COM_OK;
    case HG_COM_PHASE_OFF:
        return for_ms > HG_COM_CUT_MS ? HG_COM_NOT_CUT : HG_COM_OK;
    case HG_COM_PHASE_STAY:
        return for_ms >= HG_COM_PATIENCE_MS ? HG_COM_NOT_CLOSED : HG_COM_OK;
    case HG_COM_PHASE_AFTER:
    case HG_COM_PHASE_DOOR:
    case HG_COM_PHASE_NONE:
        break;
    }
    return HG_COM_OK;
}

/* Common to both heats until the heater is on and warms, or the door moves. */
static enum hg_com_fault watch_heat(struct hg_commission *com,
                                    const struct hg_com_sight *sight)
{
    const struct hg_reading *reading = sight->reading;
    struct hg_com_watch *watch = &com->watch;

    if (reading->door != HG_DOOR_CLOSED)
        return reading->door == HG_DOOR_OPEN ? HG_COM_DOOR_OPEN
                                             : HG_COM_DOOR_UNKNOWN;
    if (see_air(sight) != HG_COM_OK)
        return HG_COM_SENSOR_GONE;
    if (watch->phase == HG_COM_PHASE_QUIET) {
        if (is_on(sight) && watch->step == HG_COM_STEP_HEAT)
            return HG_COM_HEATER_ON;
        leave_quiet(com, sight);
        return HG_COM_OK;
    }
    if (watch->phase == HG_COM_PHASE_START && is_on(sight)) {
        enter(com, sight,
              watch->step == HG_COM_STEP_HEAT ? HG_COM_PHASE_RISE
                                              : HG_COM_PHASE_OPEN);
        if (watch->step == HG_COM_STEP_HEAT)
            set(com, HG_COM_VALUE_HEAT_FROM, reading->air_mc);
        return HG_COM_OK;
    }
    if (watch->phase != HG_COM_PHASE_RISE)
        return HG_COM_OK;
    if (!is_on(sight))
        return HG_COM_HEAT_ENDED;
    if (reading->air_mc < com->value[HG_COM_VALUE_HEAT_FROM])
        set(com, HG_COM_VALUE_HEAT_FROM, reading->air_mc);
    set(com, HG_COM_VALUE_HEAT_TO, reading->air_mc);
    set(com, HG_COM_VALUE_HEAT_TOOK,
        (int64_t)hg_mono_since(sight->at.mono, watch->since));
    if (reading->air_mc - com->value[HG_COM_VALUE_HEAT_FROM] >= HG_COM_RISE_MC)
        mark(com, sight, HG_COM_STEP_HEAT, HG_COM_OK);
    return HG_COM_OK;
}

/* By receipt and by the controller's own clock: the longer one counts. */
static uint64_t span_ms(const struct hg_com_watch *watch,
                        const struct hg_com_sight *sight)
{
    uint64_t here_ms = hg_mono_since(sight->at.mono, watch->opened_at);
    uint64_t there_ms =
        hg_sat_sub_u64(sight->reading->uptime_ms, watch->opened_uptime_ms);

    return here_ms > there_ms ? here_ms : there_ms;
}

static enum hg_com_fault see_off(struct hg_commission *com,
                                 const struct hg_com_sight *sight)
{
    uint64_t took_ms = span_ms(&com->watch, sight);

    if (took_ms > HG_COM_CUT_MS)
        return HG_COM_NOT_CUT;
    if (sight->reading->door != HG_DOOR_OPEN)
        return HG_COM_CLOSED_EARLY;
    if (is_on(sight))
        return HG_COM_OK;
    set(com, HG_COM_VALUE_CUT_TOOK, (int64_t)took_ms);
    set(com, HG_COM_VALUE_CUT_AT_MOST,
        (int64_t)hg_mono_since(sight->at.mono, com->watch.closed_at));
    enter(com, sight, HG_COM_PHASE_STAY);
    return HG_COM_OK;
}

static enum hg_com_fault see_open(struct hg_commission *com,
                                  const struct hg_com_sight *sight)
{
    struct hg_com_watch *watch = &com->watch;

    if (sight->reading->door == HG_DOOR_UNKNOWN)
        return HG_COM_DOOR_UNKNOWN;
    if (sight->reading->door == HG_DOOR_CLOSED) {
        watch->closed_at = sight->at.mono;
        return is_on(sight) ? HG_COM_OK : HG_COM_HEAT_ENDED;
    }
    watch->opened_at = sight->at.mono;
    watch->opened_uptime_ms = sight->reading->uptime_ms;
    enter(com, sight, HG_COM_PHASE_OFF);
    return see_off(com, sight);
}

static enum hg_com_fault see_stay(struct hg_commission *com,
                                  const struct hg_com_sight *sight)
{
    uint64_t open_ms = hg_mono_since(sight->at.mono, com->watch.opened_at);

    if (sight->reading->door == HG_DOOR_UNKNOWN)
        return HG_COM_DOOR_UNKNOWN;
    if (sight->reading->door == HG_DOOR_OPEN)
        return is_on(sight) ? HG_COM_BACK_ON : HG_COM_OK;
    if (open_ms < HG_COM_OPEN_MS)
        return HG_COM_CLOSED_EARLY;
    set(com, HG_COM_VALUE_CUT_OPEN, (int64_t)open_ms);
    set(com, HG_COM_VALUE_CUT_RESUMED, is_on(sight) ? 1 : 0);
    enter(com, sight, HG_COM_PHASE_AFTER);
    return HG_COM_OK;
}

/* Back on by itself or not: both are fine, and worth knowing. */
static enum hg_com_fault see_after(struct hg_commission *com,
                                   const struct hg_com_sight *sight)
{
    if (sight->reading->door == HG_DOOR_OPEN && is_on(sight))
        return HG_COM_BACK_ON;
    if (is_on(sight))
        set(com, HG_COM_VALUE_CUT_RESUMED, 1);
    if (hg_mono_since(sight->at.mono, com->watch.since) < HG_COM_AFTER_MS)
        return HG_COM_OK;
    if (!sight->at.wall.is_trusted)
        return HG_COM_CLOCK; /* the proof counts from this time */
    mark(com, sight, HG_COM_STEP_CUT, HG_COM_OK);
    return HG_COM_OK;
}

static enum hg_com_fault watch_cut(struct hg_commission *com,
                                   const struct hg_com_sight *sight)
{
    switch (com->watch.phase) {
    case HG_COM_PHASE_OPEN:
        return see_open(com, sight);
    case HG_COM_PHASE_OFF:
        return see_off(com, sight);
    case HG_COM_PHASE_STAY:
        return see_stay(com, sight);
    case HG_COM_PHASE_AFTER:
        return see_after(com, sight);
    case HG_COM_PHASE_QUIET:
    case HG_COM_PHASE_START:
    case HG_COM_PHASE_RISE:
    case HG_COM_PHASE_DOOR:
    case HG_COM_PHASE_NONE:
        break;
    }
    return watch_heat(com, sight);
}

static enum hg_com_fault watch_reading(struct hg_commission *com,
                                       const struct hg_com_sight *sight)
{
    const struct hg_com_watch *watch = &com->watch;

    if (strcmp(watch->boot, sight->reading->boot) != 0)
        return HG_COM_REBOOTED;
    if (watch->step == HG_COM_STEP_DOOR)
        return HG_COM_OK;
    if (sight->is_remote)
        return HG_COM_REMOTE_HEAT;
    if (watch->step == HG_COM_STEP_HEAT)
        return watch_heat(com, sight);
    return watch_cut(com, sight);
}

bool hg_com_see(struct hg_commission *com, const struct hg_com_sight *sight,
                bool is_reading)
{
    enum hg_com_step step = com->watch.step;
    enum hg_com_fault fault;

    if (is_reading)
        note_module(com, sight->reading);
    if (step == HG_COM_STEP_NONE)
        return false;
    /* a heater not seen off in time is worse than a lost connection */
    fault = is_reading ? watch_reading(com, sight) : HG_COM_OK;
    if (fault == HG_COM_OK && com->watch.step == step)
        fault = too_long(com, sight);
    if (fault == HG_COM_OK && com->watch.step == step && !sight->is_fresh)
        fault = HG_COM_NO_DATA;
    if (fault != HG_COM_OK)
        mark(com, sight, step, fault);
    else if (step == HG_COM_STEP_DOOR && is_reading)
        watch_door(com, sight);
    return com->watch.step != step;
}

void hg_com_interrupt(struct hg_commission *com, int64_t wall_ms)
{
    struct hg_com_sight sight;

    memset(&sight, 0, sizeof(sight));
    sight.at.wall.ms = wall_ms;
    for (int i = HG_COM_STEP_NONE + 1; i < HG_COM_STEPS; i++)
        if (com->step[i].mark == HG_COM_WATCHING)
            mark(com, &sight, (enum hg_com_step)i, HG_COM_RESTARTED);
    memset(&com->watch, 0, sizeof(com->watch));
}

int64_t hg_com_proof_at(const struct hg_commission *com)
{
    return com->step[HG_COM_STEP_CUT].at_ms;
}

bool hg_com_is_dangerous(const struct hg_commission *com)
{
    const struct hg_com_result *cut = &com->step[HG_COM_STEP_CUT];

    return cut->mark == HG_COM_FAILED &&
           (cut->fault == HG_COM_NOT_CUT || cut->fault == HG_COM_BACK_ON);
}
