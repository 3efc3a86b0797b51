#ifndef GATE_STORY_H
#define GATE_STORY_H

/*
 * The effects of the latest step as one line, in their order, so that a test
 * can say all of what has to come out:
 *
 *   -door-open          a revoke and its cause
 *   ^42                 an epoch
 *   +30000              a permit and its lease in milliseconds
 *   heat-held/door-open a record and its cause; @role unless the gateway did
 *                       it; # when something waits for it; {reasons}
 *   !info:heat-held     a notice, with /cause and {reasons}
 *   *                   the outside view changed
 *   =granted{reasons}   an answer
 *
 * Include after gate_room.h.
 */
#include "base/why.h"

struct story {
    char text[1024];
};

static inline void story_add(struct story *story, const char *word)
{
    size_t used = strlen(story->text);

    snprintf(story->text + used, sizeof(story->text) - used, "%s", word);
}

static inline void story_reasons(struct story *story, hg_why_set reasons)
{
    const char *mark = "{";

    /* bit 0 is never set: it would read as "none" */
    for (int why = 0; why < HG_WHY_COUNT; why++) {
        if ((reasons & HG_WHY_BIT(why)) == 0)
            continue;
        story_add(story, mark);
        story_add(story, hg_why_code((enum hg_why)why));
        mark = ",";
    }
    if (reasons != 0)
        story_add(story, "}");
}

static inline void story_record(struct story *story,
                                const struct hg_effect *effect)
{
    static const char *const role[] = {
        "@nobody",  "@guest", "@caretaker",  "@integrator",
        "@manager", "@owner", "@controller", "",
    };

    story_add(story, hg_record_code(effect->record));
    if (effect->why != HG_WHY_NONE)
        story_add(story, "/");
    if (effect->why != HG_WHY_NONE)
        story_add(story, hg_why_code(effect->why));
    if (effect->kind == HG_EFFECT_RECORD)
        story_add(story, role[effect->actor.role]);
    if (effect->ticket != 0)
        story_add(story, "#");
    story_reasons(story, effect->reasons);
}

static inline void story_effect(struct story *story,
                                const struct hg_effect *effect)
{
    static const char *const level[] = { "!info:", "!warning:", "!alarm:" };
    static const char *const verdict[] = { "=refused", "=granted", "=unknown",
                                           "=not-allowed", "=busy" };
    char number[32];

    switch (effect->kind) {
    case HG_EFFECT_REVOKE:
        story_add(story, "-");
        story_add(story, hg_why_code(effect->why));
        break;
    case HG_EFFECT_EPOCH:
        snprintf(number, sizeof(number), "^%llu",
                 (unsigned long long)effect->epoch);
        story_add(story, number);
        break;
    case HG_EFFECT_PERMIT:
        snprintf(number, sizeof(number), "+%llu",
                 (unsigned long long)effect->ttl_ms);
        story_add(story, number);
        break;
    case HG_EFFECT_RECORD:
        story_record(story, effect);
        break;
    case HG_EFFECT_NOTICE:
        story_add(story, level[effect->level]);
        story_record(story, effect);
        break;
    case HG_EFFECT_STATE:
        story_add(story, "*");
        break;
    case HG_EFFECT_ANSWER:
        story_add(story, verdict[effect->verdict]);
        story_reasons(story, effect->reasons);
        break;
    case HG_EFFECT_NONE:
        story_add(story, "?");
        break;
    }
}

static inline struct story room_story(const struct room *room)
{
    struct story story;

    memset(&story, 0, sizeof(story));
    for (uint32_t i = 0; i < room->effects.count; i++) {
        if (i > 0)
            story_add(&story, " ");
        story_effect(&story, &room->effects.effect[i]);
    }
    return story;
}

#define CHECK_STORY(label, room, want)                                         \
    HG_CHECK_STR((label), room_story(room).text, (want))

#endif
