/* What is wanted of light and fan; see outputs.h. */
#include "service/outputs.h"
#include "base/sat.h"
#include <string.h>

static const char *const output_name[HG_OUTPUT_COUNT] = {
    [HG_OUTPUT_LIGHT] = "light",
    [HG_OUTPUT_FAN] = "fan",
};

const char *hg_output_text(enum hg_output output)
{
    return (unsigned)output < HG_OUTPUT_COUNT ? output_name[output] : "";
}

int hg_output_find(const char *text, enum hg_output *ret_output)
{
    for (unsigned i = 0; i < HG_OUTPUT_COUNT; i++)
        if (strcmp(text, output_name[i]) == 0) {
            *ret_output = (enum hg_output)i;
            return 0;
        }
    return HG_ERR_NOT_FOUND;
}

bool hg_outputs_has(const struct hg_outputs_setting *setting,
                    enum hg_output output)
{
    if (output == HG_OUTPUT_LIGHT)
        return setting->has_light;
    return output == HG_OUTPUT_FAN && setting->has_fan;
}

bool hg_outputs_has_any(const struct hg_outputs_setting *setting)
{
    return setting->has_light || setting->has_fan;
}

bool hg_outputs_is_same(const struct hg_outputs_setting *a,
                        const struct hg_outputs_setting *b)
{
    return a->has_light == b->has_light && a->has_fan == b->has_fan &&
           a->run_on_ms == b->run_on_ms;
}

void hg_outputs_see(struct hg_outputs *outputs,
                    const struct hg_outputs_setting *setting, bool is_heat,
                    bool is_permit_live, struct hg_mono now)
{
    bool has_begun = is_heat && !outputs->is_heat;

    if (has_begun && outputs->word[HG_OUTPUT_FAN] == HG_OUTPUTS_WORD_OFF)
        outputs->word[HG_OUTPUT_FAN] = HG_OUTPUTS_WORD_NONE;
    if (outputs->is_permit_live && !is_permit_live) {
        outputs->has_permit_ended = true;
        outputs->permit_ended_at = now;
    }
    outputs->is_heat = is_heat;
    outputs->is_permit_live = is_permit_live;
    for (unsigned i = 0; i < HG_OUTPUT_COUNT; i++)
        if (!hg_outputs_has(setting, (enum hg_output)i))
            outputs->word[i] = HG_OUTPUTS_WORD_NONE;
}

void hg_outputs_say(struct hg_outputs *outputs, enum hg_output output,
                    bool is_on)
{
    outputs->word[output] = is_on ? HG_OUTPUTS_WORD_ON : HG_OUTPUTS_WORD_OFF;
}

static bool is_aired(const struct hg_outputs *outputs, uint64_t run_on_ms,
                     struct hg_mono now)
{
    if (outputs->is_permit_live)
        return true;
    return outputs->has_permit_ended &&
           hg_mono_since(now, outputs->permit_ended_at) < run_on_ms;
}

struct hg_outputs_wanted
hg_outputs_want(const struct hg_outputs *outputs,
                const struct hg_outputs_setting *setting, struct hg_mono now)
{
    const enum hg_outputs_word *word = outputs->word;
    struct hg_outputs_wanted wanted;

    wanted.is_on[HG_OUTPUT_LIGHT] =
        setting->has_light && word[HG_OUTPUT_LIGHT] == HG_OUTPUTS_WORD_ON;
    wanted.is_on[HG_OUTPUT_FAN] = setting->has_fan &&
                                  word[HG_OUTPUT_FAN] != HG_OUTPUTS_WORD_OFF &&
                                  (word[HG_OUTPUT_FAN] == HG_OUTPUTS_WORD_ON ||
                                   is_aired(outputs, setting->run_on_ms, now));
    return wanted;
}
