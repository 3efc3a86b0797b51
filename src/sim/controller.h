#ifndef HG_SIM_CONTROLLER_H
#define HG_SIM_CONTROLLER_H

/*
 * One simulated controller with its hot room: thermostat, permit follower,
 * hard-wired door switch and high limit, panel, telemetry, and the faults
 * that break them. It is driven by times and payloads; it knows no socket and
 * reads no clock.
 *
 * Two times run here. The controller's own clock (now_ms: uptime, seq, lease,
 * door and panel timers) is CLOCK_BOOTTIME and always real, so that the permit
 * rule stays honest. Only the physics runs `speed` times faster.
 *
 * What is hard-wired: the door switch opens the contactor's coil, so a welded
 * contactor defeats it; the high limit is in the mains, so nothing defeats it.
 */
#include "base/buf.h"
#include "base/err.h"
#include "base/platinum.h"
#include "heatgate/permit_follower.h"
#include "sim/physics.h"

#define HG_SIMCTL_ROOM_BYTES 33  /* a room name with NUL */
#define HG_SIMCTL_BOOT_BYTES 9   /* a boot mark with NUL */
#define HG_SIMCTL_TEXT_BYTES 512 /* any message it sends, with NUL */
#define HG_SIMCTL_EVENTS     8   /* local events waiting; more are dropped */
#define HG_SIMCTL_CODE_BYTES 24

/* of an open door's draught, at a sensor that hangs in it */
#define HG_SIMCTL_NEAR_DOOR_SHARE 0.6

/* faults, as bits; reboot is a deed, not a fault */
#define HG_SIMCTL_FAULT_LIST(X)                                                \
    X(SENSOR_GONE, "sensor-gone")           /* air_c null or a broken loop */  \
    X(SENSOR_FROZEN, "sensor-frozen")       /* the reading stands still */     \
    X(SENSOR_OFFSET, "sensor-offset")       /* reads so many C too much */     \
    X(SENSOR_NEAR_DOOR, "sensor-near-door") /* hung in the draught */          \
    X(WELDED, "welded")                     /* the contactor stays closed */   \
    X(ELEMENTS_DEAD, "elements-dead")       /* contactor on, no heat */        \
    X(SILENT, "silent")                     /* sends nothing, still follows */ \
    X(REPLAY, "replay")                     /* old telemetry instead of new */ \
    X(DUPLICATE, "duplicate")               /* every message twice */          \
    X(LATE, "late")                         /* messages delayed */             \
    X(IGNORE_PERMIT, "ignore-permit")       /* heats without one */            \
    X(DEAF, "deaf")                         /* hears no permit any more */     \
    X(NO_COUNTER, "no-counter")             /* no door_count member */         \
    X(MODULE_HOT, "module-hot")             /* 58 C in its enclosure */        \
    X(MODULE_DAMP, "module-damp")           /* 97 % RH in its enclosure */     \
    X(POWER_LOST, "power-lost")             /* no mains: no heat, no link */   \
    X(DOOR_GONE, "door-gone")               /* door null, circuit open */      \
    X(DOOR_CHATTER, "door-chatter")         /* the switch flickers */          \
    X(BAD_MAC, "bad-mac")                   /* signs with a wrong key */       \
    X(DOOR_SWAPPED, "door-swapped")         /* contact the wrong way round */  \
    X(NO_METER, "no-meter")                 /* no energy_wh member */          \
    X(NO_POWER, "no-power")                 /* no power_w member */            \
    X(DOOR_SILENT, "door-silent") /* foreign: its door topic is mute */        \
    X(RETAINED, "retained")       /* foreign: all it says is retained */

enum hg_simctl_fault_index {
#define HG_SIMCTL_INDEX(name, word) HG_SIMCTL_FAULT_INDEX_##name,
    HG_SIMCTL_FAULT_LIST(HG_SIMCTL_INDEX)
#undef HG_SIMCTL_INDEX
        HG_SIMCTL_FAULTS
};
enum hg_simctl_fault {
#define HG_SIMCTL_BIT(name, word)                                              \
    HG_SIMCTL_##name = 1 << HG_SIMCTL_FAULT_INDEX_##name,
    HG_SIMCTL_FAULT_LIST(HG_SIMCTL_BIT)
#undef HG_SIMCTL_BIT
};

/* What does not change while it runs, but for speed. */
struct hg_simctl_setup {
    char room[HG_SIMCTL_ROOM_BYTES];
    struct hg_physics_spec spec; /* passed hg_physics_spec_check() */
    double start_c;
    double hysteresis_c;      /* width of the band around the target, > 0 */
    double limit_c;           /* the high limit trips here, on the true air */
    double local_target_c;    /* of heat started at the panel */
    uint64_t local_max_ms;    /* the panel's own timer */
    uint64_t timer_ms;        /* foreign.h: hardware timer; 0: leases */
    uint32_t period_ms;       /* between telemetry messages, >= 1 */
    double speed;             /* physics seconds per real second, > 0 */
    uint64_t seed;            /* sensor noise */
    enum hg_platinum element; /* sends air_ohm of it in place of air_c */
    uint64_t boot_salt;       /* boot marks; must differ between processes */
};

enum hg_simctl_event_kind {
    HG_SIMCTL_EVENT_NONE = 0,
    HG_SIMCTL_EVENT_ROOM_CHECK,
    HG_SIMCTL_EVENT_LOCAL_START,
    HG_SIMCTL_EVENT_LOCAL_STOP,
    HG_SIMCTL_EVENT_FAULT
};
struct hg_simctl_event {
    enum hg_simctl_event_kind kind;
    char code[HG_SIMCTL_CODE_BYTES]; /* of a fault */
};

struct hg_simctl {
    struct hg_simctl_setup setup;
    struct hg_physics_room room;
    struct hg_follower follower;
    uint64_t now_ms; /* where its own clock stands */
    /* this boot */
    char boot[HG_SIMCTL_BOOT_BYTES];
    uint64_t boots, seq, started_ms;
    uint64_t permits_taken, permits_ignored;
    bool is_light_on, is_fan_on;
    int32_t last_target_mc; /* of the last permit to heat; 0: none yet */
    /* faults */
    uint32_t faults; /* bits of enum hg_simctl_fault */
    double offset_c;
    uint64_t late_ms;
    int32_t frozen_mc;
    double bench_door_share; /* the sensor's, when it hangs rightly */
    /* door */
    bool is_door_open;      /* the door itself */
    bool is_switch_open;    /* what its switch says */
    uint64_t door_until_ms; /* closes by itself then; 0: stays */
    uint64_t door_count;
    uint64_t chatter_ms; /* next flicker */
    /* heater */
    bool is_thermostat_on, is_local, is_limit_tripped;
    bool is_contactor_on;
    bool is_heating; /* the truth: the elements draw power */
    uint64_t local_until_ms;
    bool is_relay_on; /* commanded, and the hardware timer has not run out */
    uint64_t relay_until_ms;
    uint64_t heater_on_ms, switchings;
    uint64_t last_on_ms, last_off_ms; /* 0: never */
    int32_t reading_mc;
    double module_c;
    /* outbound */
    uint64_t telemetry_due_ms;
    struct hg_simctl_event event[HG_SIMCTL_EVENTS];
    unsigned events;
    bool is_link_wanted; /* the link may be up; see link commands */
    bool is_linked;      /* kept by the owner of the link, for state */
};

struct hg_simctl_message {
    bool is_event; /* else telemetry */
    size_t len;
    char text[HG_SIMCTL_TEXT_BYTES];
};

/* The word of a fault ("welded"); index below HG_SIMCTL_FAULTS. */
const char *hg_simctl_fault_word(unsigned index);

/* Power up at now_ms: a first boot, door closed, no permit, no fault. */
void hg_simctl_init(const struct hg_simctl_setup *setup, uint64_t now_ms,
                    struct hg_simctl *ctl);

/* Start again: new boot mark, seq and uptime 0, permit and panel forgotten.
 * Door, heat and faults stay as they are. */
void hg_simctl_reboot(struct hg_simctl *ctl, uint64_t now_ms);

/*
 * Live until now_ms. Everything that its own clock ends in between (lease,
 * timers) ends at its moment, not at the end of the step. A now_ms before the
 * last one does nothing.
 */
void hg_simctl_step(struct hg_simctl *ctl, uint64_t now_ms);

/* When hg_simctl_step() is wanted next; above now_ms of the last step. */
uint64_t hg_simctl_deadline(const struct hg_simctl *ctl);

/*
 * Take in the payload of a permit message at now_ms.
 *
 * HG_ERR_CLOSED: no power, or deaf; HG_ERR_DENIED: it is retained;
 * HG_ERR_INPUT: not a permit; HG_ERR_EXISTS: an old serial; all ignored.
 */
HG_MUST_CHECK int hg_simctl_hear(struct hg_simctl *ctl, const char *payload,
                                 size_t len, bool is_retained, uint64_t now_ms);

/*
 * Take in the payload of an outputs message, retained or not: light and fan.
 * Nothing happens without power, or when it is none; an empty one is off.
 */
void hg_simctl_hear_outputs(struct hg_simctl *ctl, const char *payload,
                            size_t len);

/*
 * The next message that wants to be sent, events first; call until it gives
 * false. Each takes one seq. Memory shortage loses the message.
 */
bool hg_simctl_next(struct hg_simctl *ctl, struct hg_simctl_message *out);

/* Send telemetry with the next hg_simctl_next(), e.g. on a new link. */
void hg_simctl_nudge(struct hg_simctl *ctl);

/* Switch a relay; its hardware timer begins when it goes on. */
void hg_simctl_set_relay(struct hg_simctl *ctl, bool is_on, uint64_t now_ms);

/* Move the door; for_ms > 0 closes an opened door again by itself. */
void hg_simctl_move_door(struct hg_simctl *ctl, bool is_open, uint64_t for_ms,
                         uint64_t now_ms);

/* Panel: room-check button. */
void hg_simctl_press_check(struct hg_simctl *ctl);
/* Panel: heat without a permit, until stopped or its own timer ends it. */
void hg_simctl_set_local(struct hg_simctl *ctl, bool is_on, uint64_t now_ms);

/*
 * Add one fault (see the list), or with 0 take all away. value: degrees of
 * SENSOR_OFFSET, milliseconds of LATE. Power that comes back is a new boot.
 */
void hg_simctl_set_fault(struct hg_simctl *ctl, uint32_t fault, double value,
                         uint64_t now_ms);

/* Reset the tripped high limit by hand. HG_ERR_BUSY: still within 20 C. */
HG_MUST_CHECK int hg_simctl_reset_limit(struct hg_simctl *ctl, uint64_t now_ms);

/* The heater as the controller reports it. */
bool hg_simctl_reports_on(const struct hg_simctl *ctl);

/* The truth as one JSON object, appended. HG_ERR_MEMORY, HG_ERR_FULL. */
HG_MUST_CHECK int hg_simctl_describe(const struct hg_simctl *ctl,
                                     struct hg_buf *out);

#endif
