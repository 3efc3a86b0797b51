#ifndef HG_JOURNAL_HEAD_H
#define HG_JOURNAL_HEAD_H

/*
 * The signed head of a journal: which record was the newest at a time, and
 * its hash. Kept elsewhere, it shows later that nothing before it was changed
 * or cut off. Ed25519 as in RFC 8032 (no context, no prehash).
 */
#include "base/err.h"
#include <stddef.h>
#include <stdint.h>

#define HG_JOURNAL_HASH_TEXT_BYTES 65 /* SHA-256, lower-case hex, NUL */
/* a head as JSON text, with NUL, fits in this */
#define HG_JOURNAL_HEAD_TEXT_BYTES 512

struct hg_journal_head {
    uint64_t n;
    char hash[HG_JOURNAL_HASH_TEXT_BYTES]; /* of line n without its newline */
    char at[36];                           /* RFC 3339 */
    char key[65];                          /* Ed25519 public key, hex */
    char sig[129];                         /* over n LF hash LF at, hex */
};

/*
 * {"n":…,"hash":"…","at":"…","key":"…","sig":"…"} without a newline.
 * Returns its length. For heads from sign_head or parse only.
 */
size_t hg_journal_head_format(const struct hg_journal_head *head,
                              char out[HG_JOURNAL_HEAD_TEXT_BYTES]);

/*
 * Read a head: one JSON object with exactly these five members in any order,
 * white space anywhere, hex in either case (made lower). Nothing is verified.
 * HG_ERR_INPUT: anything else, also longer than HG_JOURNAL_HEAD_TEXT_BYTES.
 */
HG_MUST_CHECK int hg_journal_head_parse(const char *text, size_t len,
                                        struct hg_journal_head *ret_head);

/*
 * Is the signature right for the key inside? (Whose key it is, is another
 * question: compare head->key with one you kept.)
 * HG_ERR_DENIED: no; HG_ERR_CRYPTO.
 */
HG_MUST_CHECK int hg_journal_head_check(const struct hg_journal_head *head);

#endif
