#ifndef HG_SERVICE_DIAGNOSIS_H
#define HG_SERVICE_DIAGNOSIS_H

/*
 * What is wrong with a room, told from its readings: a pure watcher beside
 * the gate, which it reads and never changes. No I/O, no clock, no heap; a
 * finding is a sentence for people and stops no heat.
 */
#include "base/buf.h"
#include "heatgate/gate.h"

/*
 * Thresholds and their sources; "from memory" and "common practice" mean
 * that no document was at hand.
 */
/* below the target, so that no thermostat's band is in play: from memory */
#define HG_DIA_FAR_MC 10000
/* reported on without power: longer than a contactor and a meter need */
#define HG_DIA_NO_POWER_MS (UINT64_C(60) * 1000)
/* a jump of the air stays a finding for so long: own choice */
#define HG_DIA_JUMP_MS (UINT64_C(10) * 60000)
/* at rest: shut and unheated for so long, the stones' warmth is spread */
#define HG_DIA_REST_MS (UINT64_C(2) * 3600000)
/* sun on a cabin gives 2 to 4 C an hour (from memory); twice that is none */
#define HG_DIA_REST_RISE_MC 8000
#define HG_DIA_REST_CALM_MC 2000
/* no unheated hot room is this warm half a day later: from memory */
#define HG_DIA_REST_HOT_MS (UINT64_C(12) * 3600000)
#define HG_DIA_REST_HOT_MC 45000
/*
 * A dip of this size of which this share is back a few seconds after the
 * door has shut, in 3 of 8 openings: a draught at the sensor. The air of a
 * whole room goes on falling or needs half a minute (simulated rooms).
 * Sensors slower than some 20 s blur the difference and are not judged.
 */
#define HG_DIA_DIP_MC        8000
#define HG_DIA_DIP_PERCENT   15
#define HG_DIA_DIP_BACK_MC   2500
#define HG_DIA_DIP_WITHIN_MS 11000
#define HG_DIA_DIP_TIMES     3
/* openings within a minute; people manage two or three: common practice */
#define HG_DIA_CHATTER_OPENS 6
#define HG_DIA_CALM_MS       (UINT64_C(10) * 60000)
/* of the messages in ten minutes, at least so many: own choice */
#define HG_DIA_LINK_PERCENT 5
#define HG_DIA_LINK_CALM    3
#define HG_DIA_LINK_LEAST   5
/* limits are 50 C and 95 % (heatgate/gate.h); near them: own choice */
#define HG_DIA_MODULE_MC      45000
#define HG_DIA_MODULE_CALM_MC 43000
#define HG_DIA_MODULE_RH      90
#define HG_DIA_MODULE_CALM_RH 85

/*
 * X(name, "code", level, "what it means", "what to do"). A code that the
 * contract has as a reason means that reason; the gate itself gives its
 * notice. A name is never reused.
 */
#define HG_FINDING_LIST(X)                                                     \
    X(HEATER_SILENT, "heater-silent", WARNING,                                 \
      "The controller may heat and does not switch on.",                       \
      "Look at the controller's main switch, its own timer and thermostat, "   \
      "the high-limit cut-out (reset it only when its cause is known) and "    \
      "the wires of the door switch.")                                         \
    X(HEATER_NO_POWER, "heater-no-power", WARNING,                             \
      "The heater is reported on but draws no power.",                         \
      "Look at the breaker and the residual-current device first; then have "  \
      "contactor, high-limit cut-out and the wiring behind it checked.")       \
    X(HEATER_NO_WARMTH, "heater-no-warmth", WARNING,                           \
      "The heater is reported on but the air does not get warmer.",            \
      "Have the elements measured, and the place of the air sensor, open "     \
      "vents and the packing of the stones looked at.")                        \
    X(HEATER_UNBIDDEN, "heater-unbidden", ALARM,                               \
      "The heater runs without a permit and without a local start.",           \
      "Switch it off at the breaker; have the contactor checked for welded "   \
      "contacts.")                                                             \
    X(SENSOR_MISSING, "sensor-missing", WARNING, "There is no air reading.",   \
      "Have the air sensor, its cable and its terminals checked for a break "  \
      "or a short.")                                                           \
    X(SENSOR_IMPOSSIBLE, "sensor-impossible", WARNING,                         \
      "The air reading is none that a hot room can have.",                     \
      "Have the sensor's terminals and the type of sensor that the "           \
      "controller is set to checked.")                                         \
    X(SENSOR_FROZEN, "sensor-frozen", WARNING,                                 \
      "The air reading stands still while the heater works.",                  \
      "Restart the controller; if it stands still again, have the sensor "     \
      "replaced.")                                                             \
    X(SENSOR_DRIFTING, "sensor-drifting", WARNING,                             \
      "A shut, unheated room does not behave so: the sensor drifts, or "       \
      "something heats unseen.",                                               \
      "Compare the sensor with a thermometer in the room; see that the "       \
      "heater is cold; have terminals checked for damp.")                      \
    X(SENSOR_NEAR_DOOR, "sensor-near-door", WARNING,                           \
      "The air reading follows the door within seconds.",                      \
      "Have the air sensor hung at least 0.5 m from door and vents, near "     \
      "where people sit.")                                                     \
    X(DOOR_MISSING, "door-unknown", WARNING,                                   \
      "The controller does not know whether the door is closed.",              \
      "Have the door switch and its wiring checked.")                          \
    X(DOOR_CHATTER, "door-chatter", WARNING,                                   \
      "The door switch opens and closes more often than people do.",           \
      "See whether the door rests firmly against its frame; have switch, "     \
      "magnet and terminals tightened.")                                       \
    X(LOSSY_LINK, "lossy-link", WARNING,                                       \
      "Messages of the controller get lost on their way.",                     \
      "Improve the radio link of the controller, or use a cable.")             \
    X(LATE_MESSAGES, "late-messages", WARNING,                                 \
      "Messages of the controller arrive too late to be relied on.",           \
      "See what else uses the network between controller and gateway.")        \
    X(MODULE_NEAR_LIMIT, "module-near-limit", WARNING,                         \
      "The power module is close to the limits of its climate.",               \
      "Give its enclosure air, shade and distance from the heater.")           \
    X(MODULE_CLIMATE, "module-climate", ALARM,                                 \
      "The power module is too hot or too humid.",                             \
      "Let it cool or dry below 50 C and 95 % RH; check where it is "          \
      "mounted.")                                                              \
    X(PERMIT_NOT_FOLLOWED, "permit-not-followed", ALARM,                       \
      "The controller reports another permit than the one in force.",          \
      "Check the controller's connection and its firmware.")                   \
    X(RIVAL_GATEWAY, "rival-gateway", ALARM,                                   \
      "A permit was heard that this gateway did not send.",                    \
      "Find the second sender; check the broker's access list.")

enum hg_finding {
#define HG_FINDING_ENUM(name, code, level, text, remedy) HG_FINDING_##name,
    HG_FINDING_LIST(HG_FINDING_ENUM)
#undef HG_FINDING_ENUM
        HG_FINDING_COUNT
};
#define HG_FINDING_BIT(finding) (UINT32_C(1) << (unsigned)(finding))

struct hg_finding_words {
    const char *code, *text, *remedy;
    enum hg_level level;
    bool is_gates; /* the gate gives the notice of it */
};
extern const struct hg_finding_words hg_finding_words[HG_FINDING_COUNT];

#define HG_DIA_TEXT_BYTES 320
#define HG_DIA_REST_SLOTS 12 /* of five minutes */
#define HG_DIA_MINUTES    10
#define HG_DIA_OPEN_SLOTS 6 /* of ten seconds */

struct hg_diagnosis_mark { /* of a finding that is on */
    int64_t since_ms;      /* wall */
    int64_t a, b;          /* numbers of its sentence, as of then */
};

/* Plain data, all zero at the start; private but for on and mark. */
struct hg_diagnosis {
    uint32_t on; /* bits of enum hg_finding */
    struct hg_diagnosis_mark mark[HG_FINDING_COUNT];
    struct { /* the reading before */
        bool has_one, has_air, has_door_count, is_live, is_on;
        enum hg_door door;
        int32_t air_mc;
        uint64_t at_ms, seq, event_seq, door_count, fresh, late;
        char boot[HG_BOOT_BYTES];
    } last;
    hg_why_set lockouts; /* as of the step before */
    int32_t target_mc;
    uint64_t silent_ms, no_power_ms, cold_ms;
    bool has_cold_base;
    int32_t cold_base_mc;
    uint64_t jump_at_ms;
    struct {
        bool has_air;
        uint64_t from_ms, slot_ms;
        int32_t air_mc; /* smoothed */
        int32_t slot_mc[HG_DIA_REST_SLOTS];
        uint32_t slots;
    } rest;
    struct {
        bool is_open, is_judged;
        int32_t before_mc, low_mc;
        uint64_t shut_ms;
        uint8_t history; /* a bit an opening, newest lowest */
    } dip;
    struct {
        uint64_t slot, quiet_ms;
        uint16_t opens[HG_DIA_OPEN_SLOTS];
    } chatter;
    struct {
        uint64_t minute;
        struct {
            uint16_t sent, got, late;
        } of[HG_DIA_MINUTES];
    } link;
};

struct hg_diagnosis_sight { /* borrowed for the call */
    struct hg_tick at;
    const struct hg_policy *policy;
    const struct hg_gate_state *gate; /* after the step */
    bool is_reading; /* the step was a fresh reading; else time passed */
};

/*
 * Look at the room after each fresh reading, and once a second. Which
 * findings came or went shows in diagnosis->on.
 */
void hg_diagnosis_see(struct hg_diagnosis *diagnosis,
                      const struct hg_diagnosis_sight *sight);

/* What was seen, with numbers, as a sentence; finding is on. */
void hg_diagnosis_tell(const struct hg_diagnosis *diagnosis,
                       enum hg_finding finding, struct hg_buf *out);

#endif
