/* What an import has to do; see import.h. */
#include "cli/import.h"
#include "base/text.h"
#include "cli/cli.h"
#include <stdlib.h>
#include <string.h>

const char *hg_import_word(enum hg_import_deed deed)
{
    switch (deed) {
    case HG_IMPORT_KEEP:
        return "keep";
    case HG_IMPORT_ISSUE:
        return "issue";
    case HG_IMPORT_MOVE:
        return "move";
    case HG_IMPORT_REVOKE:
        return "revoke";
    case HG_IMPORT_PRUNE:
        return "prune";
    case HG_IMPORT_GONE:
        return "gone";
    case HG_IMPORT_ENDED:
        return "ended";
    case HG_IMPORT_TOO_LONG:
        return "too-long";
    case HG_IMPORT_NONE:
        break;
    }
    return "cancelled";
}

static bool is_ended(const json_t *guest)
{
    return json_is_true(json_object_get(guest, "ended"));
}

/* The code of a stay: a live one before an ended one. */
static const json_t *find_guest(const json_t *by_uid, const char *uid)
{
    return json_object_get(by_uid, uid);
}

/* Guests with a uid, by it. */
static json_t *index_guests(const json_t *guests)
{
    json_t *by_uid = json_object();
    json_t *guest;
    size_t i;

    json_array_foreach(guests, i, guest)
    {
        const char *uid = hg_cli_text(guest, "uid");
        const json_t *known;

        if (uid[0] == '\0')
            continue;
        known = json_object_get(by_uid, uid);
        if (known == NULL || is_ended(known))
            json_object_set(by_uid, uid, guest);
    }
    return by_uid;
}

static bool has_times(const json_t *guest, int64_t from_ms, int64_t until_ms)
{
    int64_t from, until;

    return hg_text_to_wall(hg_cli_text(guest, "from"), &from) == 0 &&
           hg_text_to_wall(hg_cli_text(guest, "until"), &until) == 0 &&
           from == from_ms && until == until_ms;
}

static enum hg_import_deed decide(const struct hg_import_ask *ask,
                                  const struct hg_calendar_stay *stay,
                                  const json_t *guest)
{
    if (stay->is_cancelled)
        return guest == NULL || is_ended(guest) ? HG_IMPORT_NONE
                                                : HG_IMPORT_REVOKE;
    if (stay->is_too_long)
        return HG_IMPORT_TOO_LONG;
    if (guest == NULL)
        return HG_IMPORT_ISSUE;
    if (is_ended(guest))
        return ask->is_renewing ? HG_IMPORT_ISSUE : HG_IMPORT_ENDED;
    return has_times(guest, stay->from_ms, stay->until_ms) ? HG_IMPORT_KEEP
                                                           : HG_IMPORT_MOVE;
}

static void take_stay(const struct hg_import_ask *ask,
                      const struct hg_calendar_stay *stay, json_t *by_uid,
                      struct hg_import_step *step)
{
    const json_t *guest;

    hg_hex_from_bytes(stay->uid, sizeof(stay->uid), step->uid);
    guest = find_guest(by_uid, step->uid);
    step->deed = decide(ask, stay, guest);
    step->from_ms = stay->from_ms;
    step->until_ms = stay->until_ms;
    if (guest != NULL)
        snprintf(step->id, sizeof(step->id), "%s", hg_cli_text(guest, "id"));
    json_object_del(by_uid, step->uid); /* what is left is not in the file */
}

/* A stay that has begun is left to end by itself. */
static bool take_rest(const struct hg_import_ask *ask, const json_t *guest,
                      struct hg_import_step *step)
{
    if (is_ended(guest) ||
        hg_text_to_wall(hg_cli_text(guest, "from"), &step->from_ms) < 0 ||
        hg_text_to_wall(hg_cli_text(guest, "until"), &step->until_ms) < 0 ||
        step->from_ms <= ask->now_ms)
        return false;
    step->deed = ask->is_pruning ? HG_IMPORT_PRUNE : HG_IMPORT_GONE;
    snprintf(step->uid, sizeof(step->uid), "%s", hg_cli_text(guest, "uid"));
    snprintf(step->id, sizeof(step->id), "%s", hg_cli_text(guest, "id"));
    return true;
}

int hg_import_plan(const struct hg_import_ask *ask,
                   struct hg_import_step **ret_steps, size_t *ret_count)
{
    size_t max = ask->calendar->count + json_array_size(ask->guests);
    struct hg_import_step *steps = calloc(max > 0 ? max : 1, sizeof(*steps));
    json_t *by_uid = index_guests(ask->guests);
    size_t count = 0;
    const char *uid;
    json_t *guest;

    if (steps == NULL || by_uid == NULL) {
        json_decref(by_uid);
        free(steps);
        return HG_ERR_MEMORY;
    }
    for (size_t i = 0; i < ask->calendar->count; i++)
        take_stay(ask, &ask->calendar->stay[i], by_uid, &steps[count++]);
    json_object_foreach(by_uid, uid, guest)
    {
        if (take_rest(ask, guest, &steps[count]))
            count++;
    }
    json_decref(by_uid);
    *ret_steps = steps;
    *ret_count = count;
    return 0;
}
