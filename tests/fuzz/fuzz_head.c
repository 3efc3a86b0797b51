/*
 * The frame of a journal line and a signed head, from raw bytes: what is read
 * as ours is spelled as we spell it.
 */
#include "fuzz.h"
#include "journal/head.h"
#include "journal/line.h"

static void check_line(const char *line, size_t len)
{
    char begin[HG_JOURNAL_FRAME_BYTES];
    struct hg_journal_frame frame;
    size_t begin_len;
    uint64_t n;

    if (hg_journal_line_parse(line, len, &frame) != 0)
        return;
    FUZZ_MUST(frame.n >= 1 && frame.n <= HG_JOURNAL_N_MAX);
    FUZZ_MUST(frame.prev > line && frame.prev + 64 < line + len);
    FUZZ_MUST(hg_journal_line_number(line, len, &n) == 0 && n == frame.n);
    begin_len = hg_journal_line_begin(frame.n, frame.at_ms, frame.prev, begin);
    FUZZ_MUST(begin_len < sizeof(begin) && begin_len < len);
    FUZZ_MUST(memcmp(begin, line, begin_len) == 0);
}

static void check_head(const char *text, size_t len)
{
    char printed[HG_JOURNAL_HEAD_TEXT_BYTES];
    struct hg_journal_head head, again;
    int err;

    if (hg_journal_head_parse(text, len, &head) != 0)
        return;
    FUZZ_MUST(head.n >= 1);
    FUZZ_MUST(strlen(head.hash) == 64 && strlen(head.key) == 64 &&
              strlen(head.sig) == 128 && strlen(head.at) < sizeof(head.at));
    FUZZ_MUST(hg_journal_head_format(&head, printed) < sizeof(printed));
    FUZZ_MUST(hg_journal_head_parse(printed, strlen(printed), &again) == 0);
    FUZZ_MUST(again.n == head.n && strcmp(again.hash, head.hash) == 0 &&
              strcmp(again.at, head.at) == 0 &&
              strcmp(again.key, head.key) == 0 &&
              strcmp(again.sig, head.sig) == 0);
    err = hg_journal_head_check(&head);
    FUZZ_MUST(err == 0 || err == HG_ERR_DENIED || err == HG_ERR_CRYPTO);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *exact = malloc(size > 0 ? size : 1); /* nothing behind it */

    FUZZ_MUST(exact != NULL);
    if (size > 0)
        memcpy(exact, data, size);
    check_line(exact, size);
    check_head(exact, size);
    free(exact);
    return 0;
}
