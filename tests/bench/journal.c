/*
 * Makes a journal as a site of so many rooms leaves it: four heats a day, the
 * door opened twice in each. bench-journal FOLDER ROOMS DAYS.
 */
#include "journal/journal.h"
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#define AT_MS   INT64_C(1767979351042) /* 2026-01-09T17:22:31.042Z */
#define DAY_MS  INT64_C(86400000)
#define HEATS   4
#define WAIT_MS 60000

/* the records of a heat, as the service writes them */
static const struct {
    const char *kind, *actor, *rest;
} RECORDS[] = {
    { "check-signed", "guest:g-7k2qf",
      "\"evidence\":\"door-cycle\",\"agreed\":[\"heater-clear\","
      "\"floor-clear\",\"nobody-inside\",\"door-closed\"],"
      "\"boot\":\"5e1f\",\"door_count\":12" },
    { "heat-granted", "guest:g-7k2qf",
      "\"target_c\":80.0,\"duration_min\":120" },
    { "heat-held", "controller", "\"why\":\"door-open\",\"serial\":117440518" },
    { "heat-resumed", "controller", "\"serial\":117440519" },
    { "heat-held", "controller", "\"why\":\"door-open\",\"serial\":117440520" },
    { "heat-resumed", "controller", "\"serial\":117440521" },
    { "heat-ended", "gateway",
      "\"why\":\"time-up\",\"ran_s\":7200,\"energy_wh\":9310" },
};
#define KINDS (sizeof(RECORDS) / sizeof(RECORDS[0]))

static int append(struct hg_journal *journal, uint64_t room, uint64_t heat,
                  size_t kind)
{
    int64_t at_ms = AT_MS + (int64_t)(heat / HEATS) * DAY_MS +
                    (int64_t)(heat % HEATS) * (DAY_MS / HEATS);
    char members[512];
    uint64_t n;
    int len, err;

    len = snprintf(members, sizeof(members),
                   "\"kind\":\"%s\",\"room\":\"room-%05" PRIu64
                   "\",\"actor\":\"%s\",\"heat_id\":\"h-%016" PRIx64 "\",%s",
                   RECORDS[kind].kind, room, RECORDS[kind].actor,
                   heat * 100000 + room, RECORDS[kind].rest);
    err = hg_journal_append(journal, at_ms, members, (size_t)len, &n);
    if (err != HG_ERR_FULL)
        return err;
    err = hg_journal_flush(journal, WAIT_MS);
    return err < 0
               ? err
               : hg_journal_append(journal, at_ms, members, (size_t)len, &n);
}

static int fill(struct hg_journal *journal, uint64_t rooms, uint64_t days)
{
    struct hg_journal_head head;
    int err = 0;

    for (uint64_t heat = 0; heat < days * HEATS; heat++)
        for (size_t kind = 0; kind < KINDS; kind++)
            for (uint64_t room = 0; room < rooms && err == 0; room++)
                err = append(journal, room, heat, kind);
    if (err == 0)
        err = hg_journal_flush(journal, WAIT_MS);
    if (err == 0)
        err = hg_journal_sign_head(journal, AT_MS, &head);
    if (err < 0)
        return err;
    hg_journal_store_head(journal, &head);
    return hg_journal_flush(journal, WAIT_MS);
}

int main(int argc, char **argv)
{
    struct hg_journal_options options = { 0 };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal *journal;
    int err;

    if (argc != 4) {
        fprintf(stderr, "usage: bench-journal FOLDER ROOMS DAYS\n");
        return 2;
    }
    options.dir = argv[1];
    err = hg_journal_open(&options, problem, &opened, &journal);
    if (err < 0) {
        fprintf(stderr, "bench-journal: %s\n", problem);
        return 1;
    }
    err =
        fill(journal, strtoull(argv[2], NULL, 10), strtoull(argv[3], NULL, 10));
    hg_journal_free(journal);
    if (err < 0)
        fprintf(stderr, "bench-journal: %s\n", hg_err_text(err));
    return err < 0 ? 1 : 0;
}
