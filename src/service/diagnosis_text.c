/* The words of the findings, and the evidence as a sentence. */
#include "service/diagnosis.h"
#include <inttypes.h>

const struct hg_finding_words hg_finding_words[HG_FINDING_COUNT] = {
#define HG_FINDING_ROW(name, code, level, text, remedy)                        \
    { code, text, remedy, HG_LEVEL_##level,                                    \
      HG_FINDING_##name == HG_FINDING_HEATER_UNBIDDEN ||                       \
          HG_FINDING_##name == HG_FINDING_PERMIT_NOT_FOLLOWED ||               \
          HG_FINDING_##name == HG_FINDING_RIVAL_GATEWAY },
    HG_FINDING_LIST(HG_FINDING_ROW)
#undef HG_FINDING_ROW
};

static double celsius(int64_t mc)
{
    return (double)mc / 1000;
}

static void tell_heater(enum hg_finding finding,
                        const struct hg_diagnosis_mark *mark,
                        struct hg_buf *out)
{
    if (finding == HG_FINDING_HEATER_SILENT)
        hg_buf_addf(out,
                    "off for %" PRId64 " min with a permit in force and "
                    "%.1f C in the room",
                    mark->a, celsius(mark->b));
    else if (finding == HG_FINDING_HEATER_NO_POWER)
        hg_buf_addf(out, "%" PRId64 " W of %" PRId64 " W", mark->a, mark->b);
    else if (finding == HG_FINDING_HEATER_NO_WARMTH && mark->b >= 0)
        hg_buf_addf(out, "%.1f C while %" PRId64 " W are drawn",
                    celsius(mark->a), mark->b);
    else if (finding == HG_FINDING_HEATER_NO_WARMTH)
        hg_buf_addf(out,
                    "%.1f C; the power is not measured, so breaker and "
                    "contactor may be the cause as well",
                    celsius(mark->a));
    else if (mark->a >= 0)
        hg_buf_addf(out, "%" PRId64 " W are drawn", mark->a);
    else
        hg_buf_add(out, "it is reported on");
}

static void tell_sensor(enum hg_finding finding,
                        const struct hg_diagnosis_mark *mark,
                        struct hg_buf *out)
{
    if (finding == HG_FINDING_SENSOR_IMPOSSIBLE)
        hg_buf_addf(out, "from %.1f C to %.1f C", celsius(mark->a),
                    celsius(mark->b));
    else if (finding == HG_FINDING_SENSOR_FROZEN)
        hg_buf_addf(out, "%.3f C for %" PRId64 " min of heating",
                    celsius(mark->b), mark->a);
    else if (finding == HG_FINDING_SENSOR_DRIFTING && mark->b == 0)
        hg_buf_addf(out, "%.1f C warmer within an hour", celsius(mark->a));
    else if (finding == HG_FINDING_SENSOR_DRIFTING)
        hg_buf_addf(out, "%.1f C after %" PRId64 " h of rest", celsius(mark->a),
                    mark->b);
    else if (finding == HG_FINDING_SENSOR_NEAR_DOOR)
        hg_buf_addf(out,
                    "%.1f C down while it was open, %.1f C of them back "
                    "within seconds",
                    celsius(mark->a), celsius(mark->b));
    else
        hg_buf_add(out, "air_c is null");
}

static void tell_rest(enum hg_finding finding,
                      const struct hg_diagnosis_mark *mark, struct hg_buf *out)
{
    switch (finding) {
    case HG_FINDING_DOOR_MISSING:
        hg_buf_add(out, "door is null");
        break;
    case HG_FINDING_DOOR_CHATTER:
        hg_buf_addf(out, "%" PRId64 " openings within a minute", mark->a);
        break;
    case HG_FINDING_LOSSY_LINK:
    case HG_FINDING_LATE_MESSAGES:
        hg_buf_addf(out, "%" PRId64 " of %" PRId64 " in ten minutes", mark->a,
                    mark->b);
        break;
    case HG_FINDING_MODULE_NEAR_LIMIT:
    case HG_FINDING_MODULE_CLIMATE:
        if (mark->a != INT64_MIN)
            hg_buf_addf(out, "%.1f C of 50 C", celsius(mark->a));
        if (mark->a != INT64_MIN && mark->b >= 0)
            hg_buf_add(out, ", ");
        if (mark->b >= 0)
            hg_buf_addf(out, "%" PRId64 " %% of 95 %% RH", mark->b);
        break;
    case HG_FINDING_PERMIT_NOT_FOLLOWED:
        hg_buf_addf(out, "it reports %" PRId64 ", in force is %" PRId64,
                    mark->a, mark->b);
        break;
    default:
        hg_buf_addf(out, "ours was %" PRId64, mark->a);
        break;
    }
}

void hg_diagnosis_tell(const struct hg_diagnosis *diagnosis,
                       enum hg_finding finding, struct hg_buf *out)
{
    const struct hg_diagnosis_mark *mark = &diagnosis->mark[finding];

    hg_buf_add(out, hg_finding_words[finding].text);
    hg_buf_add(out, " Seen: ");
    if (finding <= HG_FINDING_HEATER_UNBIDDEN)
        tell_heater(finding, mark, out);
    else if (finding <= HG_FINDING_SENSOR_NEAR_DOOR)
        tell_sensor(finding, mark, out);
    else
        tell_rest(finding, mark, out);
    hg_buf_add(out, ".");
}
