/* Permits into on and off. */
#include "controllers/drive.h"
#include "base/sat.h"
#include <string.h>

static enum hg_command send_off(struct hg_drive *drive, uint64_t now_ms)
{
    bool is_repeat = !drive->is_on && drive->is_off_pending;

    drive->repeat_ms = is_repeat ? drive->repeat_ms * 2 : 0;
    if (drive->repeat_ms < HG_DRIVE_REPEAT_MIN_MS)
        drive->repeat_ms = HG_DRIVE_REPEAT_MIN_MS;
    if (drive->repeat_ms > HG_DRIVE_REPEAT_MAX_MS)
        drive->repeat_ms = HG_DRIVE_REPEAT_MAX_MS;
    drive->repeat_at_ms = hg_sat_add_u64(now_ms, drive->repeat_ms);
    drive->is_on = false;
    drive->is_off_pending = true;
    return HG_COMMAND_OFF;
}

static enum hg_command send_on(struct hg_drive *drive)
{
    drive->is_on = true;
    drive->is_off_pending = false;
    drive->repeat_ms = 0;
    return HG_COMMAND_ON;
}

/* Two-point control; without a reading of the air there is no heat. */
static bool is_cold(struct hg_drive *drive)
{
    int64_t over_mc = (int64_t)drive->air_mc - drive->follower.target_mc;

    if (!drive->is_regulating)
        return true;
    if (!drive->has_air || over_mc >= HG_DRIVE_BAND_MC)
        drive->is_warm = true;
    else if (over_mc <= -HG_DRIVE_BAND_MC)
        drive->is_warm = false;
    return !drive->is_warm;
}

static bool wants_heat(struct hg_drive *drive, uint64_t now_ms)
{
    return hg_follower_may_heat(&drive->follower, now_ms) == 1 &&
           is_cold(drive);
}

/* Switch when what is wanted has changed; else repeat an off that is due. */
static enum hg_command settle(struct hg_drive *drive, uint64_t now_ms)
{
    bool is_wanted = wants_heat(drive, now_ms);

    if (is_wanted != drive->is_on)
        return is_wanted ? send_on(drive) : send_off(drive, now_ms);
    if (!is_wanted && drive->is_off_pending && now_ms >= drive->repeat_at_ms)
        return send_off(drive, now_ms);
    return HG_COMMAND_NONE;
}

enum hg_command hg_drive_reset(struct hg_drive *drive, bool is_regulating,
                               uint64_t now_ms)
{
    memset(drive, 0, sizeof(*drive));
    hg_follower_init(&drive->follower);
    drive->is_regulating = is_regulating;
    return send_off(drive, now_ms);
}

enum hg_command hg_drive_hear(struct hg_drive *drive, uint64_t serial,
                              uint64_t ttl_ms, int32_t target_mc,
                              uint64_t now_ms)
{
    bool was_live = hg_drive_may_heat(drive, now_ms);
    bool is_taken = hg_follower_hear(&drive->follower, serial, ttl_ms > 0,
                                     ttl_ms, target_mc, now_ms) == 1;

    if (ttl_ms == 0 || !is_taken) {
        /* a revoke, or what cannot come from our gate: off either way */
        drive->follower.ttl_ms = 0;
        return send_off(drive, now_ms);
    }
    if (!was_live)
        drive->is_warm = false; /* between the two points a new heat begins */
    return wants_heat(drive, now_ms) ? send_on(drive) : settle(drive, now_ms);
}

enum hg_command hg_drive_report(struct hg_drive *drive,
                                const struct hg_reading *reading,
                                uint64_t now_ms)
{
    drive->has_air = reading->has_air;
    drive->air_mc = reading->air_mc;
    if (reading->heater == HG_HEATER_OFF && !drive->is_on)
        drive->is_off_pending = false;
    return settle(drive, now_ms);
}

enum hg_command hg_drive_tick(struct hg_drive *drive, uint64_t now_ms)
{
    return settle(drive, now_ms);
}

bool hg_drive_may_heat(struct hg_drive *drive, uint64_t now_ms)
{
    return hg_follower_may_heat(&drive->follower, now_ms) == 1;
}
