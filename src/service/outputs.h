#ifndef HG_SERVICE_OUTPUTS_H
#define HG_SERVICE_OUTPUTS_H

/*
 * Light and fan of a room: what is wanted of them. They are for comfort, the
 * gate knows nothing of them, and nothing here can make or keep a permit. Pure:
 * no I/O, time comes in as a value. Zeroed memory wants everything off, which
 * is how it begins after a restart.
 */
#include "base/err.h"
#include "heatgate/tick.h"
#include <stdbool.h>
#include <stdint.h>

enum hg_output { HG_OUTPUT_LIGHT = 0, HG_OUTPUT_FAN, HG_OUTPUT_COUNT };

/* What a room has, from its settings. Zero: neither. */
struct hg_outputs_setting {
    bool has_light;
    bool has_fan;
    uint64_t run_on_ms; /* how long the fan goes on after a permit's end */
};

enum hg_outputs_word { /* what a person said last */
                       HG_OUTPUTS_WORD_NONE = 0,
                       HG_OUTPUTS_WORD_ON,
                       HG_OUTPUTS_WORD_OFF
};

struct hg_outputs {
    enum hg_outputs_word word[HG_OUTPUT_COUNT];
    bool is_heat;
    bool is_permit_live;
    bool has_permit_ended;
    struct hg_mono permit_ended_at;
};

struct hg_outputs_wanted {
    bool is_on[HG_OUTPUT_COUNT];
};

/* The word of an output: "light", "fan". */
const char *hg_output_text(enum hg_output output);
/* The output of a word. HG_ERR_NOT_FOUND: it is none. */
HG_MUST_CHECK int hg_output_find(const char *text, enum hg_output *ret_output);

bool hg_outputs_has(const struct hg_outputs_setting *setting,
                    enum hg_output output);
bool hg_outputs_has_any(const struct hg_outputs_setting *setting);
bool hg_outputs_is_same(const struct hg_outputs_setting *a,
                        const struct hg_outputs_setting *b);

/*
 * Look at the room after each step of its gate.
 *
 * is_heat         a session is active, also one that is held
 * is_permit_live  a permit is live
 * now             boot time of the step
 *
 * A heat that begins takes back an "off" about the fan; what the room has no
 * longer is forgotten.
 */
void hg_outputs_see(struct hg_outputs *outputs,
                    const struct hg_outputs_setting *setting, bool is_heat,
                    bool is_permit_live, struct hg_mono now);

/*
 * A person says on or off. "On" holds until somebody says off, "off" until
 * somebody says on or, for the fan, the next heat begins. About what the room
 * does not have it changes nothing that is wanted.
 */
void hg_outputs_say(struct hg_outputs *outputs, enum hg_output output,
                    bool is_on);

/*
 * What is wanted at this moment. The fan is on while a permit is live and for
 * less than run_on_ms after its end, if nobody said otherwise. An output that
 * the room does not have is off.
 */
struct hg_outputs_wanted
hg_outputs_want(const struct hg_outputs *outputs,
                const struct hg_outputs_setting *setting, struct hg_mono now);

#endif
