#ifndef HG_CONTROLLERS_DRIVE_H
#define HG_CONTROLLERS_DRIVE_H

/*
 * From the gate's permits to the commands of a controller that knows only on
 * and off. It follows the permit rule in the controller's place, so a permit
 * that is not renewed becomes an off after its lease; it repeats an off until
 * the controller reports off; and, where the controller cannot regulate, it
 * keeps the air at the permit's target. It only ever takes away from what a
 * permit allows. Pure.
 */
#include "heatgate/gate.h"
#include "heatgate/permit_follower.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_DRIVE_REPEAT_MIN_MS 1000  /* between two offs; doubling to … */
#define HG_DRIVE_REPEAT_MAX_MS 10000 /* … this */
#define HG_DRIVE_BAND_MC       1000  /* off this much above, on below */

enum hg_command { HG_COMMAND_NONE = 0, HG_COMMAND_OFF, HG_COMMAND_ON };

struct hg_drive { /* all zero: no permit, nothing was sent */
    struct hg_follower follower;
    bool is_regulating; /* the controller has no thermostat we can set */
    bool is_warm;       /* at the target; waits until it is below */
    bool has_air;
    int32_t air_mc;
    bool is_on;          /* the last command */
    bool is_off_pending; /* sent, and off was not reported since */
    uint64_t repeat_ms;
    uint64_t repeat_at_ms;
};

/* A new connection: no permit; the command to begin with is off. */
enum hg_command hg_drive_reset(struct hg_drive *drive, bool is_regulating,
                               uint64_t now_ms);

/*
 * Take in a permit (or, is_heat false, a revoke) of the gate. A revoke is
 * always an off; a permit is an on, sent again with each renewal.
 */
enum hg_command hg_drive_hear(struct hg_drive *drive, uint64_t serial,
                              uint64_t ttl_ms, int32_t target_mc,
                              uint64_t now_ms);

/* A live report of the controller. air_mc counts only with has_air. */
enum hg_command hg_drive_report(struct hg_drive *drive,
                                const struct hg_reading *reading,
                                uint64_t now_ms);

/* Time passes: call it several times a second. */
enum hg_command hg_drive_tick(struct hg_drive *drive, uint64_t now_ms);

/* May the heater be on now, by a permit of ours? */
bool hg_drive_may_heat(struct hg_drive *drive, uint64_t now_ms);

#endif
