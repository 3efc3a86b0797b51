/*
 * Owns how often refusals are recorded. Pure: time is a value, the table is
 * fixed, a lookup walks at most HG_REFUSALS_MAX entries.
 */
#include "service/refusals.h"
#include "base/sat.h"
#include <string.h>

void hg_refusals_init(struct hg_refusals *table)
{
    memset(table, 0, sizeof(*table));
}

static bool is_pausing(const struct hg_refusals_entry *entry,
                       struct hg_mono now)
{
    return entry->has_recorded &&
           hg_mono_since(now, entry->recorded_at) < HG_REFUSALS_PAUSE_MS;
}

static void count_in(struct hg_refusal *waiting, const struct hg_refusal *more)
{
    /* a returned record may be older than what waits */
    if (waiting->count == 0 || more->first_at.ms < waiting->first_at.ms)
        waiting->first_at = more->first_at;
    if (waiting->count == 0 || more->last_at.ms > waiting->last_at.ms)
        waiting->last_at = more->last_at;
    waiting->reasons |= more->reasons;
    waiting->count = hg_sat_add_u64(waiting->count, more->count);
}

static bool is_of(const struct hg_refusals_entry *entry,
                  const struct hg_refusal *asked)
{
    const struct hg_refusal *own = &entry->waiting;

    return entry->is_used && own->actor.role == asked->actor.role &&
           memcmp(own->actor.id, asked->actor.id, sizeof(own->actor.id)) == 0 &&
           memcmp(own->room, asked->room, sizeof(own->room)) == 0;
}

/* nothing waits in it and its pause is over: it may be used anew */
static bool is_idle(const struct hg_refusals_entry *entry, struct hg_mono now)
{
    return !entry->is_used ||
           (entry->waiting.count == 0 && !is_pausing(entry, now));
}

static struct hg_refusals_entry *entry_of(struct hg_refusals *table,
                                          struct hg_mono now,
                                          const struct hg_refusal *asked)
{
    struct hg_refusals_entry *idle = NULL;

    for (size_t i = 0; i < HG_REFUSALS_MAX; i++) {
        struct hg_refusals_entry *entry = &table->entry[i];

        if (is_of(entry, asked))
            return entry;
        if (idle == NULL && is_idle(entry, now))
            idle = entry;
    }
    if (idle == NULL) {
        table->many.waiting.scope = HG_REFUSAL_MANY;
        return &table->many;
    }
    memset(idle, 0, sizeof(*idle));
    idle->is_used = true;
    idle->waiting.scope = HG_REFUSAL_ONE;
    idle->waiting.actor = asked->actor;
    memcpy(idle->waiting.room, asked->room, sizeof(idle->waiting.room));
    return idle;
}

static void take(struct hg_refusals_entry *entry, struct hg_mono now,
                 struct hg_refusal *ret_record)
{
    *ret_record = entry->waiting;
    entry->waiting.count = 0;
    entry->waiting.reasons = 0;
    entry->has_recorded = true;
    entry->recorded_at = now;
}

bool hg_refusals_note(struct hg_refusals *table, struct hg_mono now,
                      const struct hg_refusal *asked,
                      struct hg_refusal *ret_record)
{
    struct hg_refusal one = *asked;
    struct hg_refusals_entry *entry;

    one.count = 1;
    one.first_at = now;
    one.last_at = now;
    if (table->is_journal_down) {
        count_in(&table->summary.waiting, &one);
        return false;
    }
    entry = entry_of(table, now, asked);
    count_in(&entry->waiting, &one);
    if (entry != &table->many)
        entry->waiting.kind = asked->kind;
    if (is_pausing(entry, now))
        return false;
    take(entry, now, ret_record);
    return true;
}

static bool is_due(const struct hg_refusals_entry *entry, struct hg_mono now)
{
    return entry->waiting.count > 0 && !is_pausing(entry, now);
}

bool hg_refusals_due(struct hg_refusals *table, struct hg_mono now,
                     struct hg_refusal *ret_record)
{
    struct hg_refusals_entry *due = NULL;

    if (table->is_journal_down)
        return false;
    if (table->summary.waiting.count > 0)
        due = &table->summary; /* what came first is recorded first */
    else if (is_due(&table->many, now))
        due = &table->many;
    for (size_t i = 0; i < HG_REFUSALS_MAX && due == NULL; i++)
        if (is_due(&table->entry[i], now))
            due = &table->entry[i];
    if (due == NULL)
        return false;
    if (due == &table->summary)
        due->waiting.scope = HG_REFUSAL_SUMMARY;
    take(due, now, ret_record);
    return true;
}

static void move_to_summary(struct hg_refusals *table,
                            struct hg_refusals_entry *entry)
{
    if (entry->waiting.count == 0)
        return;
    count_in(&table->summary.waiting, &entry->waiting);
    entry->waiting.count = 0;
    entry->waiting.reasons = 0;
}

void hg_refusals_journal(struct hg_refusals *table, bool is_ok)
{
    table->is_journal_down = !is_ok;
    if (is_ok)
        return;
    move_to_summary(table, &table->many);
    for (size_t i = 0; i < HG_REFUSALS_MAX; i++)
        move_to_summary(table, &table->entry[i]);
}

void hg_refusals_return(struct hg_refusals *table,
                        const struct hg_refusal *record)
{
    if (record->count > 0)
        count_in(&table->summary.waiting, record);
}
