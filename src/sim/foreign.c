/* The foreign controller's words. */
#include "sim/foreign.h"
#include <string.h>

static bool has(const struct hg_simctl *ctl, enum hg_simctl_fault fault)
{
    return (ctl->faults & (uint32_t)fault) != 0;
}

static void say_climate(const struct hg_simctl *ctl, struct hg_buf *out)
{
    double f = ctl->reading_mc / 1000.0 * 9 / 5 + 32;

    if (has(ctl, HG_SIMCTL_SENSOR_GONE))
        hg_buf_add(out, "{\"sensors\":[{\"temperature_f\":null}]");
    else
        hg_buf_addf(out, "{\"sensors\":[{\"temperature_f\":%.2f}]", f);
    hg_buf_addf(out, ",\"uptime_s\":%llu}",
                (unsigned long long)(ctl->now_ms - ctl->started_ms) / 1000);
}

bool hg_simforeign_say(const struct hg_simctl *ctl, unsigned which,
                       const char **ret_leaf, struct hg_buf *out)
{
    static const char *const leaf[HG_SIMFOREIGN_LEAVES] = { "climate", "door",
                                                            "relay" };
    bool is_on = hg_simctl_reports_on(ctl);

    *ret_leaf = leaf[which];
    if (which == 0)
        say_climate(ctl, out);
    else if (which == 1)
        hg_buf_add(out, ctl->is_switch_open ? "OPEN" : "SHUT");
    else
        hg_buf_addf(out, "{\"state\":\"%s\",\"load\":{\"power_kw\":%.3f}}",
                    is_on ? "ON" : "OFF",
                    ctl->is_heating ? ctl->setup.spec.heater_w / 1000 : 0.0);
    return which != 1 || !has(ctl, HG_SIMCTL_DOOR_SILENT);
}

int hg_simforeign_hear(struct hg_simctl *ctl, const char *payload, size_t len,
                       uint64_t now_ms)
{
    if (has(ctl, HG_SIMCTL_POWER_LOST) || has(ctl, HG_SIMCTL_DEAF))
        return HG_ERR_CLOSED;
    if (len == 2 && memcmp(payload, "ON", 2) == 0)
        hg_simctl_set_relay(ctl, true, now_ms);
    else if (len == 3 && memcmp(payload, "OFF", 3) == 0)
        hg_simctl_set_relay(ctl, false, now_ms);
    else
        return HG_ERR_INPUT;
    return HG_OK;
}
