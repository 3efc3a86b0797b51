#ifndef HG_SERVICE_LEDGER_H
#define HG_SERVICE_LEDGER_H

/*
 * Who heated a room when, with how much energy, and what it cost: the
 * journal's records of heats added up. A heat counts where it began. Pure
 * but for memory; months are those of the process's time zone.
 */
#include "base/err.h"
#include "heatgate/gate.h"
#include "service/room.h"
#include <jansson.h>

#define HG_LEDGER_ROWS      400 /* of one answer; sums go over all */
#define HG_LEDGER_SUMS      400 /* people, and months */
#define HG_CURRENCY_BYTES   8
#define HG_LEDGER_WHY_BYTES 32

struct hg_ledger_ask {
    char room[HG_CONFIG_ROOM_BYTES];
    int64_t from_ms, until_ms; /* wall; from <= start of the heat < until */
    bool has_price;
    double price_per_kwh;
    char currency[HG_CURRENCY_BYTES]; /* "": none */
    /* the heat that is running now, and its energy so far; "": none */
    char running_id[HG_ID_BYTES];
    uint64_t running_wh;
};

struct hg_ledger_row {
    char heat_id[HG_ID_BYTES];
    char by[HG_ACTOR_TEXT_BYTES];
    int64_t started_ms, ended_ms;
    bool is_over;
    char end[HG_LEDGER_WHY_BYTES];
    bool has_energy;
    uint64_t energy_wh;
    double target_c;
};

struct hg_ledger_sum {
    char name[HG_ACTOR_TEXT_BYTES];
    uint64_t heats, energy_wh;
};

struct hg_ledger_sums {
    struct hg_ledger_sum sum[HG_LEDGER_SUMS];
    size_t count;
};

struct hg_ledger {
    struct hg_ledger_ask ask;
    bool has_open; /* a grant whose end was not seen yet */
    struct hg_ledger_row open;
    struct hg_ledger_row row[HG_LEDGER_ROWS];
    size_t row_count;
    bool has_next; /* the first heat that found no row any more began then */
    int64_t next_ms;
    struct hg_ledger_sum total;
    struct hg_ledger_sums by, months;
};

/* Begin with nothing. */
void hg_ledger_init(const struct hg_ledger_ask *ask, struct hg_ledger *ledger);

/*
 * Take in one line of the journal, in rising order; lines about other things
 * cost little. HG_ERR_CORRUPT: it is a heat's record and cannot be read.
 */
HG_MUST_CHECK int hg_ledger_take(struct hg_ledger *ledger, const char *line,
                                 size_t len);

/*
 * The answer of report.energy: {room, from, until, currency, price_per_kwh,
 * heats: [...], total, by: [...], months: [...], next}. NULL: no memory.
 */
json_t *hg_ledger_json(struct hg_ledger *ledger);

#endif
