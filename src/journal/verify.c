/*
 * Checks a whole journal folder. Each line is hashed once and compared with
 * the prev of the next; the last one can only be vouched for by a head.
 */
#include "journal/verify.h"
#include "base/buf.h"
#include "journal/files.h"
#include "journal/key.h"
#include "journal/line.h"
#include <errno.h>
#include <inttypes.h>
#include <string.h>

#define PROGRESS_BYTES ((uint64_t)4 * 1024 * 1024)

struct verifier {
    const struct hg_journal_verify_options *options;
    struct hg_journal_report *report;
    struct hg_journal_digest digest;
    struct hg_journal_head head;
    uint64_t next_n;
    bool is_link_open; /* the first record of a late start: prev unknown */
    char hash[HG_JOURNAL_HASH_TEXT_BYTES]; /* of the line before */
    uint64_t total_bytes, told_bytes;
};

/* -- what is wrong -------------------------------------------------------*/

static void say(struct hg_journal_report *report, const char *what,
                const char *advice)
{
    struct hg_buf buf;

    hg_buf_init(&buf, report->what, sizeof(report->what));
    hg_buf_add(&buf, what);
    hg_buf_addf(&buf, "; %s", advice);
}

static int bad_record(const struct verifier *verifier, uint64_t line,
                      const char *what)
{
    verifier->report->bad_n = verifier->next_n;
    verifier->report->bad_line = line;
    say(verifier->report, what,
        "keep this folder as it is for whoever asks, and compare it with a "
        "backup: everything before this place is unbroken");
    return HG_ERR_CORRUPT;
}

static int bad_system(struct hg_journal_report *report, int err)
{
    say(report,
        err == HG_ERR_SYSTEM ? strerrordesc_np(errno) : hg_err_text(err),
        "the check could not be finished: see that you may read the folder, "
        "and run it again");
    return err;
}

/* -- lines ---------------------------------------------------------------*/

static int check_line(struct verifier *verifier, uint64_t line,
                      const struct hg_journal_piece *piece)
{
    struct hg_journal_report *report = verifier->report;
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
    struct hg_journal_frame frame;
    int err;

    if (!piece->has_end)
        return bad_record(verifier, line,
                          "the line has no end: the file was cut inside it, "
                          "or a crash hit while it was being written (then "
                          "the service cuts it off at its next start)");
    if (hg_journal_line_parse(piece->line, piece->len, &frame) < 0)
        return bad_record(verifier, line,
                          "the line has not the form of a record");
    if (frame.n != verifier->next_n)
        return bad_record(verifier, line,
                          "another record stands in this place: one or more "
                          "are missing, or their order was changed");
    if (!verifier->is_link_open && memcmp(frame.prev, verifier->hash, 64) != 0)
        return bad_record(verifier, line,
                          "prev is not the SHA-256 of the line before: one "
                          "of these two lines was changed after it was "
                          "written");
    err = hg_journal_digest_line(&verifier->digest, piece->line, piece->len,
                                 hash);
    if (err < 0)
        return bad_system(report, err);
    hg_hex_from_bytes(hash, sizeof(hash), verifier->hash);
    if (frame.n == report->head_n &&
        memcmp(verifier->hash, verifier->head.hash, 64) != 0)
        return bad_record(verifier, line,
                          "it is not the record that was signed in the head: "
                          "it or something before it was written anew");
    verifier->is_link_open = false;
    verifier->next_n++;
    report->last_n = frame.n;
    report->records++;
    memcpy(report->last_at, frame.at, sizeof(report->last_at));
    return HG_OK;
}

static void tell_progress(struct verifier *verifier)
{
    const struct hg_journal_verify_options *options = verifier->options;
    uint64_t bytes = verifier->report->bytes;

    if (options->progress == NULL ||
        (bytes - verifier->told_bytes < PROGRESS_BYTES &&
         bytes != verifier->total_bytes))
        return;
    verifier->told_bytes = bytes;
    options->progress(options->arg, bytes, verifier->total_bytes);
}

static int check_lines(struct verifier *verifier,
                       struct hg_journal_lines *lines)
{
    struct hg_journal_piece piece;
    uint64_t line = 0;
    int err;

    for (;;) {
        err = hg_journal_lines_next(lines, &piece);
        if (err == HG_ERR_NOT_FOUND)
            return HG_OK;
        if (err < 0)
            return bad_system(verifier->report, err);
        line++;
        err = check_line(verifier, line, &piece);
        if (err < 0)
            return err;
        verifier->report->bytes += piece.len + 1;
        tell_progress(verifier);
    }
}

/* -- files ---------------------------------------------------------------*/

static int check_segment(struct verifier *verifier,
                         const struct hg_journal_segment *segment)
{
    struct hg_journal_report *report = verifier->report;
    struct hg_journal_lines lines = { .fd = -1 };
    char path[HG_JOURNAL_PATH_BYTES];
    int err;

    hg_journal_segment_name(segment->first_n, report->bad_file);
    if (segment->first_n != verifier->next_n)
        return bad_record(verifier, 0,
                          "the name of the file does not follow the records "
                          "before it: the file before was cut short or one "
                          "is missing");
    err = hg_journal_path(verifier->options->dir, report->bad_file, path);
    if (err == HG_OK)
        err = hg_journal_lines_open(path, 0, &lines);
    if (err < 0)
        (void)bad_system(report, err);
    else
        err = check_lines(verifier, &lines);
    hg_journal_lines_release(&lines);
    if (err < 0)
        return err;
    report->segments++;
    report->bad_file[0] = '\0';
    return HG_OK;
}

static int check_segments(struct verifier *verifier,
                          const struct hg_journal_segments *list)
{
    int err = HG_OK;

    verifier->next_n = 1;
    memcpy(verifier->hash, hg_journal_hash_zero, sizeof(verifier->hash));
    if (verifier->options->may_start_late && list->item[0].first_n > 1) {
        verifier->next_n = list->item[0].first_n;
        verifier->is_link_open = true;
    }
    verifier->report->first_n = verifier->next_n;
    for (size_t i = 0; i < list->count; i++)
        verifier->total_bytes += list->item[i].bytes;
    for (size_t i = 0; i < list->count && err == HG_OK; i++)
        err = check_segment(verifier, &list->item[i]);
    if (verifier->report->records > 0)
        memcpy(verifier->report->last_hash, verifier->hash,
               sizeof(verifier->hash));
    return err;
}

/* -- the head ------------------------------------------------------------*/

/* The head of --head, or head.json of the folder if there is one. */
static int read_head(struct verifier *verifier)
{
    const char *path = verifier->options->head_path;
    char inside[HG_JOURNAL_PATH_BYTES];
    char text[HG_JOURNAL_HEAD_TEXT_BYTES + 1];
    size_t len = 0;
    int err = HG_OK;

    if (path == NULL) {
        err = hg_journal_path(verifier->options->dir, "head.json", inside);
        path = inside;
    }
    if (err == HG_OK)
        err = hg_journal_read_small(path, text, sizeof(text), &len);
    if (err == HG_ERR_NOT_FOUND && verifier->options->head_path == NULL)
        return HG_OK;
    if (err == HG_OK)
        err = hg_journal_head_parse(text, len, &verifier->head);
    if (err == HG_ERR_RANGE)
        err = HG_ERR_INPUT;
    if (err == HG_OK) {
        verifier->report->head_n = verifier->head.n;
        memcpy(verifier->report->head_key, verifier->head.key,
               sizeof(verifier->head.key));
    } else if (err == HG_ERR_INPUT) {
        say(verifier->report, "the head file holds no head",
            "give the file of one head as it was published: "
            "{\"n\":…,\"hash\":…,\"at\":…,\"key\":…,\"sig\":…}");
    } else if (err == HG_ERR_NOT_FOUND) {
        say(verifier->report, "there is no such head file",
            "give the path of a head you kept");
    } else {
        (void)bad_system(verifier->report, err);
    }
    return err;
}

static int check_head_key(struct verifier *verifier)
{
    char there[65];
    int err;

    err = hg_journal_head_check(&verifier->head);
    if (err == HG_ERR_DENIED) {
        say(verifier->report, "the signature of the head is wrong",
            "the head was changed or is not a head of Heatgate: get it "
            "again from where it was kept");
        return err;
    }
    if (err == HG_OK)
        err = hg_journal_key_read_public(verifier->options->dir, there);
    if (err == HG_ERR_NOT_FOUND)
        return HG_OK; /* a copy without it: the caller compares head_key */
    if (err == HG_OK && strcmp(there, verifier->head.key) != 0) {
        say(verifier->report,
            "the head was signed with another key than key.pub.pem of the "
            "folder",
            "one of the two is not of this journal: ask which key the "
            "gateway had");
        return HG_ERR_DENIED;
    }
    if (err < 0)
        (void)bad_system(verifier->report, err);
    return err;
}

/* After all lines were good: is the signed record among them? */
static int check_head_place(struct verifier *verifier)
{
    struct hg_journal_report *report = verifier->report;

    if (report->head_n > report->last_n) {
        report->bad_n = report->last_n + 1;
        say(report,
            "the end is missing: the head was signed over a later record "
            "than the last one here",
            "records were cut off after the head was signed, or the head is "
            "of another journal");
        return HG_ERR_CORRUPT;
    }
    if (report->head_n < report->first_n) {
        report->bad_n = report->head_n;
        say(report, "the record that the head was signed over is not here",
            "it is in an older, archived file: put that file beside the "
            "others, or use a newer head");
        return HG_ERR_CORRUPT;
    }
    report->is_head_checked = true;
    return HG_OK;
}

/* A broken chain matters more than a broken head, and is told instead. */
static int check_all(struct verifier *verifier,
                     const struct hg_journal_segments *list)
{
    int head_err = read_head(verifier);
    int err;

    if (head_err == HG_OK && verifier->report->head_n != 0)
        head_err = check_head_key(verifier);
    if (head_err < 0)
        verifier->report->head_n = 0; /* nothing it says is compared */
    err = check_segments(verifier, list);
    if (err < 0 || head_err < 0)
        return err < 0 ? err : head_err;
    return verifier->report->head_n != 0 ? check_head_place(verifier) : HG_OK;
}

int hg_journal_verify(const struct hg_journal_verify_options *options,
                      struct hg_journal_report *report)
{
    struct verifier verifier = { .options = options, .report = report };
    struct hg_journal_segments list = { 0 };
    int err;

    memset(report, 0, sizeof(*report));
    err = hg_journal_digest_init(&verifier.digest);
    if (err == HG_OK)
        err = hg_journal_segments_list(options->dir, &list);
    if (err == HG_OK && list.count == 0)
        err = HG_ERR_NOT_FOUND;
    if (err == HG_ERR_NOT_FOUND)
        say(report, "there is no journal in that folder",
            "name the folder that holds journal-….jsonl");
    else if (err < 0)
        (void)bad_system(report, err);
    if (err == HG_OK)
        err = check_all(&verifier, &list);
    hg_journal_segments_release(&list);
    hg_journal_digest_release(&verifier.digest);
    return err;
}
