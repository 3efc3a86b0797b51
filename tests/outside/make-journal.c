/*
 * Makes a journal for the outside checks: make-journal FOLDER RECORDS
 * [ROOM]. Rooms and guests are invented; every third record has a long note in
 * UTF-8.
 */
#include "journal/journal.h"
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AT_MS    INT64_C(1767979351042) /* 2026-01-09T17:22:31.042Z */
#define WAIT_MS  60000
#define NOTE_LEN 9000

static int append(struct hg_journal *journal, const char *room, uint64_t i)
{
    static char members[NOTE_LEN + 256];
    static char note[NOTE_LEN + 1];
    uint64_t n;
    int len;

    memset(note, 'x', NOTE_LEN);
    len = snprintf(members, sizeof(members),
                   "\"kind\":\"heat-granted\",\"room\":\"%.32s\",\"actor\":"
                   "\"guest:g-%" PRIu64 "\",\"note\":\"\xc3\xa4%%%.*s\"",
                   room, i, i % 3 == 0 ? (int)(i * 7 % NOTE_LEN) : 0, note);
    return hg_journal_append(journal, AT_MS + (int64_t)i * 1000, members,
                             (size_t)len, &n);
}

static int fill(struct hg_journal *journal, const char *room, uint64_t records)
{
    struct hg_journal_head head;
    int err = HG_OK;

    for (uint64_t i = 1; i <= records && err == HG_OK; i++) {
        err = append(journal, room, i);
        if (err != HG_ERR_FULL)
            continue;
        err = hg_journal_flush(journal, WAIT_MS);
        if (err == HG_OK)
            err = append(journal, room, i);
    }
    if (err == HG_OK)
        err = hg_journal_flush(journal, WAIT_MS);
    if (err == HG_OK)
        err = hg_journal_sign_head(journal, AT_MS, &head);
    if (err < 0)
        return err;
    hg_journal_store_head(journal, &head);
    return hg_journal_flush(journal, WAIT_MS);
}

int main(int argc, char **argv)
{
    struct hg_journal_options options = { .segment_bytes = 65536 };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal *journal;
    int err;

    if (argc != 3 && argc != 4) {
        (void)fprintf(stderr, "usage: make-journal FOLDER RECORDS [ROOM]\n");
        return 2;
    }
    options.dir = argv[1];
    err = hg_journal_open(&options, problem, &opened, &journal);
    if (err < 0) {
        (void)fprintf(stderr, "make-journal: %s\n", problem);
        return 1;
    }
    err = fill(journal, argc == 4 ? argv[3] : "heron",
               strtoull(argv[2], NULL, 10));
    hg_journal_free(journal);
    if (err < 0)
        (void)fprintf(stderr, "make-journal: %s\n", hg_err_text(err));
    return err < 0 ? 1 : 0;
}
