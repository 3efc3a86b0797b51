#ifndef HG_SIM_FOREIGN_H
#define HG_SIM_FOREIGN_H

/*
 * A controller that knows nothing of permits: a relay switched by plain on
 * and off payloads, with a hardware timer, that reports in shapes of its own.
 * Below HG_SIMFOREIGN_ROOT/<room>:
 *   climate    {"sensors":[{"temperature_f":147.6}],"uptime_s":5203}
 *   door       OPEN or SHUT, plain text
 *   relay      {"state":"ON","load":{"power_kw":5.98}}
 *   relay/command   to it: ON or OFF, plain text
 * The relay has no thermostat; its timer runs from the first ON and is not
 * started anew by those that follow.
 */
#include "sim/controller.h"

#define HG_SIMFOREIGN_ROOT    "plant"
#define HG_SIMFOREIGN_COMMAND "relay/command"
#define HG_SIMFOREIGN_LEAVES  3

/*
 * What it says on one of its topics now. False: nothing there (a fault).
 *
 * which  0 … HG_SIMFOREIGN_LEAVES - 1
 */
bool hg_simforeign_say(const struct hg_simctl *ctl, unsigned which,
                       const char **ret_leaf, struct hg_buf *out);

/* Take in the payload of a command. HG_ERR_CLOSED, HG_ERR_INPUT: ignored. */
HG_MUST_CHECK int hg_simforeign_hear(struct hg_simctl *ctl, const char *payload,
                                     size_t len, uint64_t now_ms);

#endif
