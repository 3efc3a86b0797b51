#ifndef HEATGATE_REASONS_H
#define HEATGATE_REASONS_H

/*
 * Every reason for which a start is refused or heat ends: one list, each with
 * its stable code, what happened and why, and what to do about it. A name is
 * never reused for another meaning. The codes are the contract's (3.1).
 */
#include <stdint.h>

/* X(enum name, "code", "text", "remedy") */
#define HG_WHY_LIST(X)                                                         \
    X(NOT_COMMISSIONED, "not-commissioned",                                    \
      "This room has not been commissioned for remote heating.",               \
      "Have an electrician walk through 'heatgate commission' on site.")       \
    X(PROOF_OVERDUE, "proof-overdue",                                          \
      "The last proof that the door switch cuts the heat is too old.",         \
      "Repeat the door test with 'heatgate commission' on site.")              \
    X(DOOR_OPEN, "door-open", "The door of the hot room is open.",             \
      "Look in, clear the room, close the door, then sign a room check.")      \
    X(DOOR_UNKNOWN, "door-unknown",                                            \
      "It is not known whether the door is closed.",                           \
      "Check the door switch and its wiring, and that the controller sends "   \
      "telemetry.")                                                            \
    X(CHECK_MISSING, "check-missing",                                          \
      "Nobody has signed a room check for this heating.",                      \
      "Look into the hot room, clear it, close the door, then sign the room "  \
      "check.")                                                                \
    X(CHECK_VOID, "check-void",                                                \
      "The room check no longer holds: the room was not seen shut all the "    \
      "time since it was signed.",                                             \
      "Look in again, close the door, then sign a new room check.")            \
    X(CHECK_EXPIRED, "check-expired", "The room check is too old.",            \
      "Look in again, close the door, then sign a new room check.")            \
    X(TELEMETRY_STALE, "telemetry-stale",                                      \
      "The controller has not reported for too long.",                         \
      "Check the controller's power and network; wait for a new reading.")     \
    X(TELEMETRY_LATE, "telemetry-late",                                        \
      "The controller's reports arrive too late to be relied on.",             \
      "Check the network between controller and gateway; wait for it to "      \
      "settle.")                                                               \
    X(CONTROLLER_OFFLINE, "controller-offline",                                \
      "The controller is not online.",                                         \
      "Check the controller's power and network.")                             \
    X(BROKER_DOWN, "broker-down",                                              \
      "The gateway has no connection to the message broker.",                  \
      "Check the broker and the network; the gateway reconnects by itself.")   \
    X(SENSOR_FAULT, "sensor-fault",                                            \
      "The air sensor is missing, impossible or frozen.",                      \
      "Have the sensor and its cable checked, then clear the lockout with a "  \
      "note.")                                                                 \
    X(OVER_TEMPERATURE, "over-temperature",                                    \
      "The air was at or above the over-temperature limit.",                   \
      "Find out why on site, let the room cool, then clear the lockout with "  \
      "a note.")                                                               \
    X(NO_RISE, "no-rise",                                                      \
      "The heater reported on but the air did not get warmer.",                \
      "Have wiring, breaker, contactor and elements checked, then clear the "  \
      "lockout with a note.")                                                  \
    X(HEATER_UNBIDDEN, "heater-unbidden",                                      \
      "The heater ran without a permit and without a local start.",            \
      "Switch it off at the breaker; have the contactor checked; then clear "  \
      "the lockout with a note.")                                              \
    X(MODULE_CLIMATE, "module-climate",                                        \
      "The controller's power module is too hot or too humid.",                \
      "Let it cool or dry below 50 C and 95 % RH; check where it is "          \
      "mounted.")                                                              \
    X(RIVAL_GATEWAY, "rival-gateway",                                          \
      "A permit was heard that this gateway did not send.",                    \
      "Find the second sender and the broker's access list, then clear the "   \
      "lockout with a note.")                                                  \
    X(RESTING, "resting",                                                      \
      "The room rests after a session that ran to its cap.",                   \
      "Wait until the rest is over.")                                          \
    X(ALREADY_HEATING, "already-heating", "The room is being heated already.", \
      "Change or stop the running heat instead.")                              \
    X(TARGET_OUT_OF_RANGE, "target-out-of-range",                              \
      "The target temperature is outside this room's range.",                  \
      "Ask for a temperature within the room's range.")                        \
    X(DURATION_OVER_CAP, "duration-over-cap",                                  \
      "The duration is longer than this room's class of use allows.",          \
      "Ask for a shorter duration.")                                           \
    X(OUTSIDE_STAY, "outside-stay", "The code is not valid at this time.",     \
      "Use it within the days of the stay, or ask for a new code.")            \
    X(NOT_ALLOWED, "not-allowed", "This is not allowed with this code.",       \
      "Ask the owner or the manager.")                                         \
    X(LOCKED_OUT, "locked-out", "The room was locked by a person.",            \
      "Ask the owner or the manager to clear the lockout with a note.")        \
    X(JOURNAL_UNAVAILABLE, "journal-unavailable",                              \
      "The record of heating cannot be written, so nothing may start.",        \
      "Free disk space or mend the disk; the gateway recovers by itself.")     \
    X(CLOCK_UNTRUSTED, "clock-untrusted",                                      \
      "The gateway's clock cannot be relied on, and a stay, a plan or a "      \
      "proof depends on it.",                                                  \
      "Let the clock synchronise, or set it.")                                 \
    X(PERMIT_NOT_FOLLOWED, "permit-not-followed",                              \
      "The controller reports another permit than the one in force.",          \
      "Check the controller's connection and its firmware.")                   \
    X(STOPPED, "stopped", "Somebody stopped the heat.",                        \
      "Start again when wanted; a new room check is needed.")                  \
    X(TIME_UP, "time-up", "The asked time is over.",                           \
      "Start again when wanted; a new room check is needed.")                  \
    X(CAP_REACHED, "cap-reached",                                              \
      "The longest time that this class of use allows is over.",               \
      "Let the room rest; a new room check is needed.")                        \
    X(DOOR_HELD_TOO_LONG, "door-held-too-long",                                \
      "The door stayed open longer than the heat may wait.",                   \
      "Look in, close the door, then sign a new room check.")                  \
    X(ACCESS_ENDED, "access-ended",                                            \
      "The access of the person who started the heat has ended.",              \
      "Start again with a valid code; a new room check is needed.")            \
    X(GATEWAY_RESTART, "gateway-restart",                                      \
      "The gateway was restarted; no heat survives that.",                     \
      "Look in, sign a new room check, and start again.")                      \
    X(CONTROLLER_RESTARTED, "controller-restarted",                            \
      "The controller was restarted; no heat survives that.",                  \
      "Look in, sign a new room check, and start again.")

enum hg_why {
    HG_WHY_NONE = 0,
#define HG_WHY_ENUM(name, code, text, remedy) HG_WHY_##name,
    HG_WHY_LIST(HG_WHY_ENUM)
#undef HG_WHY_ENUM
        HG_WHY_COUNT
};

/* a set of reasons: bit n stands for (enum hg_why)n; bit 0 is never set */
typedef uint64_t hg_why_set;

#define HG_WHY_BIT(why) (UINT64_C(1) << (unsigned)(why))

#endif
