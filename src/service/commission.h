#ifndef HG_SERVICE_COMMISSION_H
#define HG_SERVICE_COMMISSION_H

/*
 * The guided record of commissioning (gate.md section 5): what a person on
 * site has said, what the telemetry showed, and what follows from it. Pure:
 * time and readings come in as values; no file, no socket, no gate.
 *
 * Nothing here makes or asks for a permit. The supervised heat is started at
 * the panel by the person on site; the gateway only looks on. So the door
 * test proves the wiring alone: no permit of ours can have been withdrawn in
 * the same moment, because none may be live.
 *
 * Units: _ms milliseconds, _mc milli-degrees Celsius.
 */
#include "heatgate/gate.h"
#include <jansson.h>

/* Limits, with their source */

/* sensor and hand-held thermometer: common practice, from memory */
#define HG_COM_SENSOR_OFF_MC 3000
/* a rise that no draught makes, well before a sauna is warm: from memory */
#define HG_COM_RISE_MC 2000
/* gate.md section 5: door opened while heating, heater reported off */
#define HG_COM_CUT_MS 5000
/* the door stays open so long, to see that the heater stays off */
#define HG_COM_OPEN_MS 5000
/* what the heater does after the door was closed is looked at so long */
#define HG_COM_AFTER_MS 10000
/* what was sent before the door was said to be so may still come: not used */
#define HG_COM_SETTLE_MS 1500
/* a door that is said to be so may take this long to be reported */
#define HG_COM_GIVE_UP_MS 8000
/* the person has this long to start the heater, to open the door */
#define HG_COM_PATIENCE_MS 300000

#define HG_COM_TEXT_BYTES   121 /* of a name or label; with NUL */
#define HG_COM_PHOTOS_MAX   24
#define HG_COM_PHOTO_BYTES  ((size_t)20 << 20)
#define HG_COM_DIGEST_BYTES 65 /* SHA-256 in hex; with NUL */
#define HG_COM_WHO_BYTES    80

/* X(name, "step", needed to renew the proof?, "what to do") */
#define HG_COM_STEP_LIST(X)                                                    \
    X(NAMES, "names", false,                                                   \
      "Name the heater, its controller, the cross-section of the cables and "  \
      "the electrician.")                                                      \
    X(PLACEMENT, "placement", false,                                           \
      "Agree to each statement about where things are.")                       \
    X(DOOR, "door", false,                                                     \
      "Close the door, open it, close it again; say so each time.")            \
    X(SENSOR, "sensor", false,                                                 \
      "Hold a thermometer beside the air sensor for some minutes and tell "    \
      "what it reads.")                                                        \
    X(HEAT, "heat", false,                                                     \
      "Stay on site. Start the heater at its panel, with the door closed and " \
      "without stones, and wait until the air rises.")                         \
    X(CUT, "cut", true,                                                        \
      "While the heater is on, open the door, keep it open for at least 5 s, " \
      "then close it. The heater must have been started at its panel.")        \
    X(MODULE, "module", false,                                                 \
      "Compare the controller's own climate with its limits: below 50 C and "  \
      "below 95 % relative humidity.")                                         \
    X(PHOTOS, "photos", false,                                                 \
      "Photograph each terminal block from several angles, before the cover "  \
      "goes on.")

enum hg_com_step {
    HG_COM_STEP_NONE = 0,
#define HG_COM_STEP_ENUM(name, id, proof, text) HG_COM_STEP_##name,
    HG_COM_STEP_LIST(HG_COM_STEP_ENUM)
#undef HG_COM_STEP_ENUM
        HG_COM_STEPS
};

/* X(NAME, "code", "text", "remedy"): why a step failed or cannot be taken */
#define HG_COM_FAULT_LIST(X)                                                   \
    X(NO_DATA, "no-data", "There is no fresh telemetry of the controller.",    \
      "Check its power and its connection, then do the step again.")           \
    X(REBOOTED, "controller-restarted",                                        \
      "The controller restarted during the step.",                             \
      "Find out why, then do the step again.")                                 \
    X(RESTARTED, "gateway-restarted",                                          \
      "The gateway restarted during the step.", "Do the step again.")          \
    X(NOT_AGREED, "not-agreed", "Not every statement was agreed to.",          \
      "Put the installation right, then agree to all of them.")                \
    X(DOOR_SWAPPED, "door-swapped",                                            \
      "The door reads open whenever it is said to be closed, and closed "      \
      "whenever it is said to be open: its switch is wired the wrong way "     \
      "round.",                                                                \
      "Swap the normally-open and normally-closed contact of the switch, or "  \
      "turn its magnet, then do the step again.")                              \
    X(DOOR_BRIDGED, "door-bridged",                                            \
      "The door reads closed all the time: its switch is bridged, stuck, or "  \
      "its wires are at the wrong numbers.",                                   \
      "Compare the terminals with the manual, counting from the marked end, "  \
      "then do the step again.")                                               \
    X(DOOR_BROKEN, "door-broken",                                              \
      "The door reads open all the time: a wire of its switch is loose, or "   \
      "its magnet is too far away.",                                           \
      "Mend it, then do the step again.")                                      \
    X(DOOR_UNKNOWN, "door-unknown",                                            \
      "The controller does not know whether the door is open.",                \
      "Check the switch of the door and its wires, then do the step again.")   \
    X(DOOR_UNSTEADY, "door-unsteady",                                          \
      "The door did not read as it was said to be.",                           \
      "Move it firmly and say what it is each time; if that does not help, "   \
      "check the switch.")                                                     \
    X(SENSOR_OFF, "sensor-off",                                                \
      "The air sensor and the thermometer differ by more than 3 C.",           \
      "Wait until both have settled side by side; if they still differ, "      \
      "check "                                                                 \
      "the sensor's type and its wires.")                                      \
    X(SENSOR_GONE, "sensor-fault", "The air sensor gives no reading.",         \
      "Check the sensor and its wires, then do the step again.")               \
    X(REMOTE_HEAT, "remote-heat",                                              \
      "The gateway has lent the heater a permit; a door test then would not "  \
      "show what the wiring does by itself.",                                  \
      "Stop that heat, then start the heater at its panel.")                   \
    X(HEATER_ON, "heater-on", "The heater is on before it was started.",       \
      "Switch it off at its panel. If it stays on, switch it off at the "      \
      "breaker: the contactor may be welded.")                                 \
    X(DOOR_OPEN, "door-open", "The door is open.",                             \
      "Close it, then do the step again.")                                     \
    X(NOT_STARTED, "heat-not-started",                                         \
      "The heater was not reported on within 5 minutes.",                      \
      "Start it at its panel. If it was started, check breaker, contactor "    \
      "and the wires of the controller.")                                      \
    X(NO_RISE, "no-rise",                                                      \
      "The heater is reported on, but the air did not rise by 2 C in time.",   \
      "Check elements, breaker and contactor, and where the sensor hangs.")    \
    X(HEAT_ENDED, "heat-ended",                                                \
      "The heater went off before the step was done.",                         \
      "Set the panel to a higher temperature, then do the step again.")        \
    X(NOT_OPENED, "door-not-opened",                                           \
      "The door was not opened within 5 minutes.",                             \
      "Do the step again and open it while the heater is on.")                 \
    X(NOT_CLOSED, "door-not-closed",                                           \
      "The door was not closed again within 5 minutes.",                       \
      "Do the step again and close it after 5 s or more.")                     \
    X(NOT_CUT, "door-does-not-cut",                                            \
      "The heater was not reported off within 5 s of the door's opening.",     \
      "Switch it off at the breaker now. Check the wires of the door switch "  \
      "and whether the contactor is welded.")                                  \
    X(BACK_ON, "back-on", "The heater came on again while the door was open.", \
      "Switch it off at the breaker now. Check the wires of the door switch "  \
      "and the contactor.")                                                    \
    X(CLOSED_EARLY, "closed-early",                                            \
      "The door was closed before 5 s were over.",                             \
      "Do the step again and keep it open for longer.")                        \
    X(MODULE_CLIMATE, "module-climate",                                        \
      "The controller's module is at or above 50 C or 95 % relative "          \
      "humidity.",                                                             \
      "Move it to a cooler, drier place, then do the step again.")             \
    X(NO_PHOTO, "no-photo", "There is no photograph yet.",                     \
      "Send one of each terminal block.")                                      \
    X(CLOCK, "clock-untrusted",                                                \
      "The gateway's wall clock cannot be relied on, and the date of the "     \
      "proof depends on it.",                                                  \
      "Wait until the clock is synchronised, then do the step again.")         \
    X(BEFORE, "step-before", "Another step has to be done before this one.",   \
      "Take the steps in their order.")

enum hg_com_fault {
    HG_COM_OK = 0,
#define HG_COM_FAULT_ENUM(name, code, text, remedy) HG_COM_##name,
    HG_COM_FAULT_LIST(HG_COM_FAULT_ENUM)
#undef HG_COM_FAULT_ENUM
        HG_COM_FAULTS
};

struct hg_com_words {
    const char *code, *text, *remedy;
};
/* Words of a fault; of HG_COM_OK empty ones. */
struct hg_com_words hg_com_fault_words(enum hg_com_fault fault);
/* The fault of a code, HG_COM_OK: none. */
enum hg_com_fault hg_com_fault_find(const char *code);
const char *hg_com_step_id(enum hg_com_step step);
const char *hg_com_step_text(enum hg_com_step step);
/* By its id; HG_COM_STEP_NONE: no such step. */
enum hg_com_step hg_com_step_find(const char *id);

/* The placement statements, in words; bits 1 << index. */
#define HG_COM_STATEMENTS     6
#define HG_COM_STATEMENTS_ALL ((1u << HG_COM_STATEMENTS) - 1)
struct hg_com_statement {
    const char *id, *text;
};
const struct hg_com_statement *hg_com_statement(size_t index);

/*
 * What was measured, by step. X(NAME, STEP, "member", scale): here a whole
 * number, outside that divided by scale, so that members are in _c.
 */
#define HG_COM_VALUE_LIST(X)                                                   \
    X(THERMOMETER, SENSOR, "thermometer_c", 1000)                              \
    X(AIR, SENSOR, "air_c", 1000)                                              \
    X(HEAT_FROM, HEAT, "air_from_c", 1000)                                     \
    X(HEAT_TO, HEAT, "air_to_c", 1000)                                         \
    X(HEAT_TOOK, HEAT, "rise_took_ms", 1)                                      \
    X(CUT_TOOK, CUT, "off_after_ms", 1)                                        \
    X(CUT_AT_MOST, CUT, "off_at_most_ms", 1)                                   \
    X(CUT_OPEN, CUT, "door_open_ms", 1)                                        \
    X(CUT_RESUMED, CUT, "came_back_on", 1)                                     \
    X(MODULE_MC, MODULE, "module_max_c", 1000)                                 \
    X(MODULE_RH, MODULE, "module_max_rh", 1)

enum hg_com_value {
#define HG_COM_VALUE_ENUM(name, step, member, scale) HG_COM_VALUE_##name,
    HG_COM_VALUE_LIST(HG_COM_VALUE_ENUM)
#undef HG_COM_VALUE_ENUM
        HG_COM_VALUES
};

enum hg_com_name {
    HG_COM_NAME_HEATER = 0,
    HG_COM_NAME_CONTROLLER,
    HG_COM_NAME_CABLE,
    HG_COM_NAME_ELECTRICIAN,
    HG_COM_NAMES
};
const char *hg_com_name_id(enum hg_com_name name);

enum hg_com_mark { /* how a step stands */
                   HG_COM_TODO = 0,
                   HG_COM_WATCHING,
                   HG_COM_PASSED,
                   HG_COM_FAILED
};

struct hg_com_result {
    enum hg_com_mark mark;
    enum hg_com_fault fault; /* FAILED */
    int64_t at_ms;           /* wall, of the mark */
};

struct hg_com_photo {
    char sha256[HG_COM_DIGEST_BYTES];
    char label[HG_COM_TEXT_BYTES];
    uint64_t bytes;
    bool is_png; /* else JPEG */
};

enum hg_com_phase { /* of the step that is watched */
                    HG_COM_PHASE_NONE = 0,
                    HG_COM_PHASE_DOOR,  /* wait until the door reads so */
                    HG_COM_PHASE_QUIET, /* wait for old permits to run out */
                    HG_COM_PHASE_START, /* wait for the heater */
                    HG_COM_PHASE_RISE,  /* heater on: wait for warmth */
                    HG_COM_PHASE_OPEN,  /* heater on: wait for the door */
                    HG_COM_PHASE_OFF,   /* door open: wait for off */
                    HG_COM_PHASE_STAY,  /* off, door open: stays off? */
                    HG_COM_PHASE_AFTER  /* door closed again */
};

struct hg_com_watch { /* dies with the process: RESTARTED */
    enum hg_com_step step;
    enum hg_com_phase phase;
    struct hg_mono since;     /* of the phase */
    struct hg_mono opened_at; /* first message with the door open */
    uint64_t opened_uptime_ms;
    struct hg_mono closed_at; /* last message before it */
    char boot[HG_BOOT_BYTES];
};

struct hg_commission {
    bool is_proof; /* only the door test, to renew the proof */
    struct hg_actor actor;
    char by[HG_COM_WHO_BYTES];
    int64_t begun_at_ms; /* wall */
    struct hg_com_result step[HG_COM_STEPS];
    char name[HG_COM_NAMES][HG_COM_TEXT_BYTES];
    unsigned int agreed; /* bits of the statements */
    unsigned int said;   /* doors said so far: closed, open, closed */
    enum hg_door read[3];
    bool has_value[HG_COM_VALUES];
    int64_t value[HG_COM_VALUES];
    size_t photos;
    struct hg_com_photo photo[HG_COM_PHOTOS_MAX];
    struct hg_com_watch watch;
};

/* What the telemetry shows now. */
struct hg_com_sight {
    struct hg_tick at; /* of receipt, or of now when nothing new came */
    bool is_fresh;     /* the newest reading is fresh, and not stale */
    bool is_remote;    /* a heat of the gateway is on, or about to be */
    bool is_echo;      /* a permit from before may not have run out yet */
    const struct hg_policy *policy;
    const struct hg_reading *reading;
};

/* Begin a record: all steps to do. com is overwritten. */
void hg_com_begin(struct hg_commission *com, bool is_proof,
                  const struct hg_actor *actor, const char *by,
                  int64_t wall_ms);

/* Does this record need the step? */
bool hg_com_needs(const struct hg_commission *com, enum hg_com_step step);
/* The first step that is needed and not passed; NONE: all are. */
enum hg_com_step hg_com_next(const struct hg_commission *com);

/*
 * The person does a step. Each returns what is wrong with it, HG_COM_OK when
 * nothing is; the step's mark says the same. A step may be repeated; a later
 * failure then undoes an earlier pass.
 *
 *   hg_com_agree     placement: these statements hold
 *   hg_com_say_door  the door is so now; the next of closed, open, closed
 *   hg_com_measure   the thermometer reads this
 *   hg_com_watch     heat, cut: begin to look on
 *   hg_com_module    compare the module's climate
 *   hg_com_add_photo one more photograph (HG_COM_PHOTOS_MAX at most; false:
 *                    no room left); the same one twice changes its label
 */
enum hg_com_fault hg_com_take_names(struct hg_commission *com,
                                    const struct hg_com_sight *sight);
enum hg_com_fault hg_com_agree(struct hg_commission *com,
                               const struct hg_com_sight *sight,
                               unsigned int agreed);
enum hg_com_fault hg_com_say_door(struct hg_commission *com,
                                  const struct hg_com_sight *sight,
                                  enum hg_door door);
enum hg_com_fault hg_com_measure(struct hg_commission *com,
                                 const struct hg_com_sight *sight,
                                 int32_t thermometer_mc);
enum hg_com_fault hg_com_watch(struct hg_commission *com,
                               const struct hg_com_sight *sight,
                               enum hg_com_step step);
enum hg_com_fault hg_com_module(struct hg_commission *com,
                                const struct hg_com_sight *sight);
bool hg_com_add_photo(struct hg_commission *com,
                      const struct hg_com_photo *photo);
enum hg_com_fault hg_com_end_photos(struct hg_commission *com,
                                    const struct hg_com_sight *sight);

/*
 * A new reading (is_reading), or only time has passed. True when a step's
 * mark changed, so that the record wants to be kept.
 */
bool hg_com_see(struct hg_commission *com, const struct hg_com_sight *sight,
                bool is_reading);

/* The watched step cannot go on: the process that watched is gone. */
void hg_com_interrupt(struct hg_commission *com, int64_t wall_ms);

/* When the door was proved: wall time of the passed CUT. */
int64_t hg_com_proof_at(const struct hg_commission *com);

/* Did the last door test show a heater that the door does not cut? */
bool hg_com_is_dangerous(const struct hg_commission *com);

/* thousandths come out as they were put in: 20.1, not 20.100000000000001 */
#define HG_COM_REAL_PRECISION JSON_REAL_PRECISION(15)

/* -- commission_json.c ------------------------------------------------------*/

/*
 * So many thousandths as JSON: a whole number without a fraction, so that
 * everybody's JSON writes the same text. NULL: no memory.
 */
json_t *hg_com_thousandths(int64_t value);
/*
 * The record as JSON, for the file, for commission.state and the journal.
 * has_words: with the texts that help a person. NULL: no memory.
 */
json_t *hg_com_json(const struct hg_commission *com, bool has_words);
/* And back; a watched step is interrupted. HG_ERR_CORRUPT. */
int hg_com_from_json(const json_t *json, struct hg_commission *ret_com)
    __attribute__((warn_unused_result));

#endif
