/*
 * Finding the end of a journal at its opening. Only the newest segment is
 * read, and the last line of the one before, to which it must be linked. A
 * last line without its newline is what a crash in the middle of a write
 * leaves: it was never durable, so it is cut off. Anything else that is wrong
 * stops the opening, because cutting it could hide that somebody changed it.
 */
#include "base/buf.h"
#include "journal/inner.h"
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

struct search {
    struct hg_journal *journal;
    char *problem; /* HG_JOURNAL_TEXT_BYTES */
    char name[HG_JOURNAL_FILE_NAME_BYTES];
    uint64_t line;     /* of the file, from 1 */
    bool is_link_open; /* the record before is not here: take prev as it is */
};

static int broken(const struct search *search, const char *what)
{
    struct hg_buf buf;

    hg_buf_init(&buf, search->problem, HG_JOURNAL_TEXT_BYTES);
    hg_buf_addf(&buf, "the journal is broken: %.300s/%s", search->journal->dir,
                search->name);
    if (search->line > 0)
        hg_buf_addf(&buf, " line %" PRIu64, search->line);
    hg_buf_addf(&buf,
                ": %s; somebody changed the files or the disk failed: keep a "
                "copy, run \"heatgate journal verify\", then put the folder "
                "back from a backup, or move it away to begin a new journal",
                what);
    return HG_ERR_CORRUPT;
}

/* Take one good line as the newest so far. */
static int accept_line(struct search *search,
                       const struct hg_journal_piece *piece)
{
    struct hg_journal *journal = search->journal;
    struct hg_journal_frame frame;
    int err;

    if (hg_journal_line_parse(piece->line, piece->len, &frame) < 0)
        return broken(search, "it has not the form of a record");
    if (frame.n != journal->last.n + 1)
        return broken(search, "its number does not follow the one before");
    if (!search->is_link_open &&
        memcmp(frame.prev, journal->last_hash, 64) != 0)
        return broken(search, "its prev is not the SHA-256 of the line before");
    err = hg_journal_digest_line(&journal->digest, piece->line, piece->len,
                                 journal->durable_hash);
    if (err < 0)
        return err;
    hg_hex_from_bytes(journal->durable_hash, HG_JOURNAL_HASH_BYTES,
                      journal->last_hash);
    journal->last.n = frame.n;
    journal->last.wall_ms = frame.at_ms;
    search->is_link_open = false;
    return HG_OK;
}

/* After a line without end: is there no newline at all in what follows? */
static int check_torn(const struct search *search,
                      struct hg_journal_lines *lines)
{
    struct hg_journal_piece piece;
    int err;

    while ((err = hg_journal_lines_next(lines, &piece)) == HG_OK) {
        if (piece.has_end)
            return broken(search, "it is longer than any record");
    }
    return err == HG_ERR_NOT_FOUND ? HG_OK : err;
}

/* Accept all lines of a segment; ret_bytes is where the good ones end. */
static int accept_segment(struct search *search, uint64_t first_n,
                          uint64_t *ret_bytes)
{
    struct hg_journal_lines lines = { .fd = -1 };
    struct hg_journal_piece piece;
    char path[HG_JOURNAL_PATH_BYTES];
    uint64_t bytes = 0;
    int err;

    hg_journal_segment_name(first_n, search->name);
    err = hg_journal_path(search->journal->dir, search->name, path);
    if (err == HG_OK)
        err = hg_journal_lines_open(path, 0, &lines);
    while (err == HG_OK) {
        err = hg_journal_lines_next(&lines, &piece);
        if (err < 0)
            break;
        search->line++;
        if (!piece.has_end) {
            err = check_torn(search, &lines);
            break;
        }
        err = accept_line(search, &piece);
        bytes += piece.len + 1;
    }
    hg_journal_lines_release(&lines);
    search->line = 0;
    if (err < 0 && err != HG_ERR_NOT_FOUND)
        return err;
    *ret_bytes = bytes;
    return HG_OK;
}

/* Where the last line of a file begins; HG_ERR_NOT_FOUND: it is empty. */
static int find_last_line(const char *path, uint64_t bytes,
                          uint64_t *ret_offset)
{
    uint64_t back = 2 * HG_JOURNAL_LINE_MAX;
    struct hg_journal_lines lines;
    struct hg_journal_piece piece;
    uint64_t offset = 0;
    uint64_t count = 0;
    int err;

    err = hg_journal_lines_open(path, bytes > back ? bytes - back : 0, &lines);
    while (err == HG_OK) {
        err = hg_journal_lines_next(&lines, &piece);
        if (err == HG_OK) {
            offset = piece.offset;
            count++;
        }
    }
    hg_journal_lines_release(&lines);
    if (err != HG_ERR_NOT_FOUND || count == 0)
        return err;
    *ret_offset = offset;
    return HG_OK;
}

/* Take one line as the newest so far, whatever came before it. */
static int accept_alone(struct search *search,
                        const struct hg_journal_piece *piece)
{
    struct hg_journal_frame frame;

    if (!piece->has_end ||
        hg_journal_line_parse(piece->line, piece->len, &frame) < 0)
        return broken(search, "its last line is not a whole record");
    search->journal->last.n = frame.n - 1;
    search->is_link_open = true;
    return accept_line(search, piece);
}

/* Take the last line of the segment before the newest. */
static int accept_link(struct search *search,
                       const struct hg_journal_segment *before)
{
    struct hg_journal_lines lines = { .fd = -1 };
    struct hg_journal_piece piece;
    char path[HG_JOURNAL_PATH_BYTES];
    uint64_t offset = 0;
    int err;

    hg_journal_segment_name(before->first_n, search->name);
    err = hg_journal_path(search->journal->dir, search->name, path);
    if (err == HG_OK)
        err = find_last_line(path, before->bytes, &offset);
    if (err == HG_OK)
        err = hg_journal_lines_open(path, offset, &lines);
    if (err == HG_OK)
        err = hg_journal_lines_next(&lines, &piece);
    if (err == HG_ERR_NOT_FOUND)
        err = broken(search, "it holds no record");
    else if (err == HG_OK)
        err = accept_alone(search, &piece);
    hg_journal_lines_release(&lines);
    return err;
}

/* Cut what follows the good lines off and make all of it durable. */
static int settle_tail(struct hg_journal *journal, uint64_t file_bytes)
{
    const struct hg_journal_io *io = journal->io;
    struct hg_journal_tail *tail = &journal->tail;
    char name[HG_JOURNAL_FILE_NAME_BYTES];
    char path[HG_JOURNAL_PATH_BYTES];
    int err;

    hg_journal_segment_name(tail->first_n, name);
    err = hg_journal_path(journal->dir, name, path);
    if (err < 0)
        return err;
    tail->fd = io->open(io->arg, path,
                        O_WRONLY | O_APPEND | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (tail->fd < 0)
        return HG_ERR_SYSTEM;
    if (file_bytes > tail->bytes &&
        io->ftruncate(io->arg, tail->fd, (off_t)tail->bytes) != 0)
        return HG_ERR_SYSTEM;
    if (io->fdatasync(io->arg, tail->fd) != 0)
        return HG_ERR_SYSTEM;
    err = hg_journal_sync_dir(io, journal->dir);
    tail->has_name_synced = err == HG_OK;
    return err;
}

static int search_end(struct search *search,
                      const struct hg_journal_segments *list)
{
    struct hg_journal *journal = search->journal;
    const struct hg_journal_segment *newest = &list->item[list->count - 1];
    int err = HG_OK;

    /* without a segment before, a late first record means an archived one */
    search->is_link_open = list->count == 1 && newest->first_n > 1;
    journal->last.n = newest->first_n - 1;
    if (list->count > 1)
        err = accept_link(search, newest - 1);
    if (err < 0)
        return err;
    hg_journal_segment_name(newest->first_n, search->name);
    if (journal->last.n != newest->first_n - 1)
        return broken(search, "records are missing before this file");
    err = accept_segment(search, newest->first_n, &journal->tail.bytes);
    if (err < 0)
        return err;
    if (search->is_link_open)
        return broken(search, "no record is left to continue from");
    journal->tail.first_n = newest->first_n;
    journal->durable_n = journal->last.n;
    return settle_tail(journal, newest->bytes);
}

int hg_journal_find_end(struct hg_journal *journal,
                        char problem[HG_JOURNAL_TEXT_BYTES],
                        uint64_t *ret_repaired_bytes)
{
    struct search search = { .journal = journal, .problem = problem };
    struct hg_journal_segments list;
    int err;

    memcpy(journal->last_hash, hg_journal_hash_zero,
           sizeof(journal->last_hash));
    journal->tail.first_n = 1;
    err = hg_journal_segments_list(journal->dir, &list);
    if (err == HG_OK && list.count > 0) {
        err = search_end(&search, &list);
        if (err == HG_OK)
            *ret_repaired_bytes =
                list.item[list.count - 1].bytes - journal->tail.bytes;
    }
    hg_journal_segments_release(&list);
    return err;
}
