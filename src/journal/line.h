#ifndef HG_JOURNAL_LINE_H
#define HG_JOURNAL_LINE_H

/*
 * The frame of one journal line, {"n":N,"at":"…","prev":"<64 hex>",…}, and
 * the SHA-256 that links a line to the next. The hash of a line covers all
 * its bytes without the newline. Inner to the module.
 */
#include "base/err.h"
#include "base/text.h"
#include "journal/head.h"
#include <stddef.h>
#include <stdint.h>

#define HG_JOURNAL_LINE_MAX    ((size_t)64 * 1024) /* with its newline */
#define HG_JOURNAL_FRAME_BYTES 192 /* what a line has besides its members */
#define HG_JOURNAL_HASH_BYTES  32
#define HG_JOURNAL_N_MAX       UINT64_C(999999999999) /* 12 digits in names */

/* what "prev" of the first record reads */
extern const char hg_journal_hash_zero[HG_JOURNAL_HASH_TEXT_BYTES];

struct hg_journal_frame {
    uint64_t n;
    int64_t at_ms;
    char at[36];
    const char *prev; /* 64 characters inside the line */
};

/*
 * Write the frame's beginning, up to and with the comma behind prev.
 * Returns its length, below HG_JOURNAL_FRAME_BYTES.
 */
size_t hg_journal_line_begin(uint64_t n, int64_t wall_ms, const char *prev,
                             char out[HG_JOURNAL_FRAME_BYTES]);

/*
 * Read the frame of a line given without its newline.
 * HG_ERR_INPUT: it has not exactly the form we write.
 */
HG_MUST_CHECK int hg_journal_line_parse(const char *line, size_t len,
                                        struct hg_journal_frame *ret_frame);

/* The number alone, from the first bytes of a line. HG_ERR_INPUT. */
HG_MUST_CHECK int hg_journal_line_number(const char *line, size_t len,
                                         uint64_t *ret_n);

/* SHA-256 with one context for any number of lines; zeroed is empty */
struct hg_journal_digest {
    struct evp_md_st *md; /* OpenSSL's EVP_MD */
    struct evp_md_ctx_st *ctx;
};

/* HG_ERR_CRYPTO: no SHA-256 in this OpenSSL, or no memory. */
HG_MUST_CHECK int hg_journal_digest_init(struct hg_journal_digest *digest);
void hg_journal_digest_release(struct hg_journal_digest *digest);

/* HG_ERR_CRYPTO */
HG_MUST_CHECK int hg_journal_digest_line(struct hg_journal_digest *digest,
                                         const void *bytes, size_t len,
                                         uint8_t ret[HG_JOURNAL_HASH_BYTES]);

#endif
