#ifndef HG_JOURNAL_VERIFY_H
#define HG_JOURNAL_VERIFY_H

/*
 * Checks a whole journal folder without the service and without trusting
 * it: every number, every hash, every line's form, the joints of the files,
 * and a signed head. Only reads. No key is needed.
 */
#include "base/err.h"
#include "journal/head.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_JOURNAL_FILE_NAME_BYTES 32

struct hg_journal_verify_options {
    const char *dir;
    /*
     * A head kept elsewhere (a file of its JSON). NULL: head.json of the
     * folder, if there; that one proves nothing against whoever can write
     * in the folder.
     */
    const char *head_path;
    bool may_start_late; /* older files were archived: n may begin above 1 */
    /* told every few MiB, may be NULL */
    void (*progress)(void *arg, uint64_t done_bytes, uint64_t total_bytes);
    void *arg;
};

struct hg_journal_report {
    uint64_t first_n, last_n; /* good records, in one unbroken chain */
    uint64_t records, segments, bytes;
    char last_hash[HG_JOURNAL_HASH_TEXT_BYTES]; /* of line last_n */
    char last_at[36];
    bool is_head_checked; /* a head was there, is right and matches */
    uint64_t head_n;      /* 0: no head was read */
    char head_key[65];    /* compare with one you kept */
    /* the first thing wrong; what is "" if nothing is */
    uint64_t bad_n;    /* the record's number, as it should be; 0: none */
    uint64_t bad_line; /* line in the file, from 1; 0: the file as a whole */
    char bad_file[HG_JOURNAL_FILE_NAME_BYTES];
    char what[768]; /* what happened, why, what to do */
};

/*
 * Check the journal of a folder; the report is overwritten in any case.
 *
 * 0                 all good
 * HG_ERR_CORRUPT    something was changed, is missing, or does not match the
 *                   head; the report says where it begins
 * HG_ERR_DENIED     the head's signature is wrong, or its key is not the one
 *                   in key.pub.pem of the folder
 * HG_ERR_INPUT      the head file holds no head
 * HG_ERR_NOT_FOUND  no journal in that folder, or no such head file
 * HG_ERR_SYSTEM, HG_ERR_MEMORY, HG_ERR_CRYPTO
 */
HG_MUST_CHECK int
hg_journal_verify(const struct hg_journal_verify_options *options,
                  struct hg_journal_report *report);

#endif
