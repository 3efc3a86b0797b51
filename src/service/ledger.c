/* Heats of the journal added up; see ledger.h. */
#include "service/ledger.h"
#include "base/text.h"
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define MARK "\"kind\":\"heat-"

void hg_ledger_init(const struct hg_ledger_ask *ask, struct hg_ledger *ledger)
{
    memset(ledger, 0, sizeof(*ledger));
    ledger->ask = *ask;
}

static const char *text_of(const json_t *record, const char *name)
{
    const char *text = json_string_value(json_object_get(record, name));

    return text == NULL ? "" : text;
}

/* -- sums -------------------------------------------------------------------
 */

static void add_to(struct hg_ledger_sum *sum, const struct hg_ledger_row *row)
{
    sum->heats++;
    sum->energy_wh += row->energy_wh;
}

static void add_named(struct hg_ledger_sums *sums, const char *name,
                      const struct hg_ledger_row *row)
{
    size_t i = 0;

    while (i < sums->count && strcmp(sums->sum[i].name, name) != 0)
        i++;
    if (i == HG_LEDGER_SUMS) {
        i = HG_LEDGER_SUMS - 1; /* the last place is for all others */
        snprintf(sums->sum[i].name, sizeof(sums->sum[i].name), "others");
    } else if (i == sums->count) {
        sums->count++;
        snprintf(sums->sum[i].name, sizeof(sums->sum[i].name), "%s", name);
    }
    add_to(&sums->sum[i], row);
}

static void month_of(int64_t ms, char out[16])
{
    time_t seconds = (time_t)(ms / 1000 - (ms % 1000 < 0));
    struct tm tm;

    memset(&tm, 0, sizeof(tm));
    if (localtime_r(&seconds, &tm) == NULL ||
        strftime(out, 16, "%Y-%m", &tm) == 0)
        snprintf(out, 16, "unknown");
}

/* -- records ---------------------------------------------------------------
 */

static void close_row(struct hg_ledger *ledger)
{
    struct hg_ledger_row *row = &ledger->open;
    char month[16];

    if (!ledger->has_open)
        return;
    ledger->has_open = false;
    if (!row->is_over && strcmp(row->heat_id, ledger->ask.running_id) == 0) {
        row->has_energy = true;
        row->energy_wh = ledger->ask.running_wh;
    }
    add_to(&ledger->total, row);
    add_named(&ledger->by, row->by, row);
    month_of(row->started_ms, month);
    add_named(&ledger->months, month, row);
    if (ledger->row_count < HG_LEDGER_ROWS) {
        ledger->row[ledger->row_count++] = *row;
    } else if (!ledger->has_next) {
        ledger->has_next = true;
        ledger->next_ms = row->started_ms;
    }
}

static int take_grant(struct hg_ledger *ledger, const json_t *record,
                      int64_t at_ms)
{
    struct hg_ledger_row *row = &ledger->open;

    close_row(ledger);
    if (at_ms < ledger->ask.from_ms || at_ms >= ledger->ask.until_ms)
        return 0;
    memset(row, 0, sizeof(*row));
    if (hg_text_copy(row->heat_id, sizeof(row->heat_id),
                     text_of(record, "heat_id")) < 0 ||
        hg_text_copy(row->by, sizeof(row->by), text_of(record, "actor")) < 0)
        return HG_ERR_CORRUPT;
    row->started_ms = at_ms;
    row->target_c = json_number_value(json_object_get(record, "target_c"));
    ledger->has_open = true;
    return 0;
}

static int take_end(struct hg_ledger *ledger, const json_t *record,
                    int64_t at_ms)
{
    const json_t *energy = json_object_get(record, "energy_wh");
    struct hg_ledger_row *row = &ledger->open;

    if (!ledger->has_open ||
        strcmp(row->heat_id, text_of(record, "heat_id")) != 0)
        return 0;
    if (text_of(record, "why")[0] == '\0') {
        ledger->has_open = false; /* a grant that never took effect */
        return 0;
    }
    if (hg_text_copy(row->end, sizeof(row->end), text_of(record, "why")) < 0)
        return HG_ERR_CORRUPT;
    row->is_over = true;
    row->ended_ms = at_ms;
    row->has_energy =
        json_is_integer(energy) && json_integer_value(energy) >= 0;
    if (row->has_energy)
        row->energy_wh = (uint64_t)json_integer_value(energy);
    close_row(ledger);
    return 0;
}

int hg_ledger_take(struct hg_ledger *ledger, const char *line, size_t len)
{
    int64_t at_ms;
    json_t *record;
    const char *kind;
    int err = 0;

    if (memmem(line, len, MARK, strlen(MARK)) == NULL)
        return 0;
    record = json_loadb(line, len, 0, NULL);
    if (record == NULL)
        return HG_ERR_CORRUPT;
    kind = text_of(record, "kind");
    if (strcmp(text_of(record, "room"), ledger->ask.room) != 0)
        err = 0;
    else if (hg_text_to_wall(text_of(record, "at"), &at_ms) < 0)
        err = HG_ERR_CORRUPT;
    else if (strcmp(kind, "heat-granted") == 0)
        err = take_grant(ledger, record, at_ms);
    else if (strcmp(kind, "heat-ended") == 0)
        err = take_end(ledger, record, at_ms);
    json_decref(record);
    return err;
}

/* -- the answer -------------------------------------------------------------
 */

static void put_energy(const struct hg_ledger *ledger, uint64_t energy_wh,
                       json_t *json)
{
    double kwh = (double)energy_wh / 1000.0;

    json_object_set_new(json, "energy_wh", json_integer((json_int_t)energy_wh));
    json_object_set_new(json, "kwh", json_real(kwh));
    /* hundredths of the smallest coin in use: sums are not rounded twice */
    json_object_set_new(
        json, "cost",
        ledger->ask.has_price
            ? json_real(round(kwh * ledger->ask.price_per_kwh * 1e4) / 1e4)
            : json_null());
}

static json_t *row_json(const struct hg_ledger *ledger,
                        const struct hg_ledger_row *row)
{
    json_t *json = json_pack(
        "{s:s, s:s, s:o, s:o, s:s?, s:f}", "heat_id", row->heat_id, "by",
        row->by, "started_at", hg_json_wall(row->started_ms), "ended_at",
        row->is_over ? hg_json_wall(row->ended_ms) : json_null(), "end",
        row->is_over ? row->end : NULL, "target_c", row->target_c);

    if (json == NULL)
        return NULL;
    if (row->has_energy) {
        put_energy(ledger, row->energy_wh, json);
        return json;
    }
    json_object_set_new(json, "energy_wh", json_null());
    json_object_set_new(json, "kwh", json_null());
    json_object_set_new(json, "cost", json_null());
    return json;
}

static json_t *sum_json(const struct hg_ledger *ledger,
                        const struct hg_ledger_sum *sum, const char *name)
{
    json_t *json = json_object();

    if (json == NULL)
        return NULL;
    if (name != NULL)
        json_object_set_new(json, name, json_string(sum->name));
    json_object_set_new(json, "heats", json_integer((json_int_t)sum->heats));
    put_energy(ledger, sum->energy_wh, json);
    return json;
}

static json_t *sums_json(const struct hg_ledger *ledger,
                         const struct hg_ledger_sums *sums, const char *name)
{
    json_t *list = json_array();

    for (size_t i = 0; list != NULL && i < sums->count; i++)
        json_array_append_new(list, sum_json(ledger, &sums->sum[i], name));
    return list;
}

json_t *hg_ledger_json(struct hg_ledger *ledger)
{
    const struct hg_ledger_ask *ask = &ledger->ask;
    json_t *heats = json_array();

    close_row(ledger);
    for (size_t i = 0; heats != NULL && i < ledger->row_count; i++)
        json_array_append_new(heats, row_json(ledger, &ledger->row[i]));
    return json_pack(
        "{s:s, s:o, s:o, s:o, s:s?, s:o, s:o, s:o, s:o, s:o}", "room",
        ask->room, "from", hg_json_wall(ask->from_ms), "until",
        hg_json_wall(ask->until_ms), "price_per_kwh",
        ask->has_price ? json_real(ask->price_per_kwh) : json_null(),
        "currency", ask->currency[0] == '\0' ? NULL : ask->currency, "heats",
        heats, "total", sum_json(ledger, &ledger->total, NULL), "by",
        sums_json(ledger, &ledger->by, "by"), "months",
        sums_json(ledger, &ledger->months, "month"), "next",
        ledger->has_next ? hg_json_wall(ledger->next_ms) : json_null());
}
