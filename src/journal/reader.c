/*
 * Reading records by number. The name of a segment tells its first record,
 * and inside a segment the place is found by halving, because numbers rise
 * with the bytes; no index has to be kept or trusted.
 */
#include "journal/inner.h"
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* below this, reading line by line is as quick as halving on */
#define HALVE_UNTIL ((uint64_t)128 * 1024)
/* a whole line, and enough of the next to see its number */
#define PEEK_FIRST_BYTES ((size_t)2048)
#define PEEK_BYTES       (HG_JOURNAL_LINE_MAX + 64)

/* -- finding the place in a file -----------------------------------------*/

struct place {
    int fd;
    char *bytes; /* PEEK_BYTES */
};

/*
 * The first line that begins behind offset and within some bytes: where, and
 * its number. HG_ERR_NOT_FOUND: there is none that can be read.
 */
static int peek_within(const struct place *place, uint64_t offset, size_t bytes,
                       uint64_t *ret_offset, uint64_t *ret_n)
{
    const char *line;
    size_t left;
    uint64_t n;
    ssize_t got;

    do
        got = pread(place->fd, place->bytes, bytes, (off_t)offset);
    while (got < 0 && errno == EINTR);
    if (got < 0)
        return HG_ERR_SYSTEM;
    line = memchr(place->bytes, '\n', (size_t)got);
    if (line == NULL)
        return HG_ERR_NOT_FOUND;
    line++;
    left = (size_t)got - (size_t)(line - place->bytes);
    if (hg_journal_line_number(line, left, &n) < 0)
        return HG_ERR_NOT_FOUND;
    *ret_offset = offset + (uint64_t)(line - place->bytes);
    *ret_n = n;
    return HG_OK;
}

/* Most lines are short, so look a short way first. */
static int peek(const struct place *place, uint64_t offset,
                uint64_t *ret_offset, uint64_t *ret_n)
{
    int err = peek_within(place, offset, PEEK_FIRST_BYTES, ret_offset, ret_n);

    if (err == HG_ERR_NOT_FOUND)
        err = peek_within(place, offset, PEEK_BYTES, ret_offset, ret_n);
    return err;
}

/* A line start at or before record n, close to it; 0 is always right. */
static int halve(const struct place *place, uint64_t bytes, uint64_t n,
                 uint64_t *ret_offset)
{
    uint64_t low = 0;
    uint64_t high = bytes;

    while (high - low > HALVE_UNTIL) {
        uint64_t middle = low + (high - low) / 2;
        uint64_t at = 0;
        uint64_t at_n = 0;
        int err = peek(place, middle, &at, &at_n);

        if (err < 0 && err != HG_ERR_NOT_FOUND)
            return err;
        if (err == HG_OK && at_n <= n && at > low && at < high)
            low = at;
        else
            high = middle;
    }
    *ret_offset = low;
    return HG_OK;
}

static int find_place(const char *path, uint64_t bytes, uint64_t n,
                      uint64_t *ret_offset)
{
    struct place place = { .fd = -1 };
    int err = HG_OK;

    if (bytes <= HALVE_UNTIL) {
        *ret_offset = 0;
        return HG_OK;
    }
    place.fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (place.fd < 0)
        return HG_ERR_SYSTEM;
    place.bytes = malloc(PEEK_BYTES);
    if (place.bytes == NULL)
        err = HG_ERR_MEMORY;
    else
        err = halve(&place, bytes, n, ret_offset);
    free(place.bytes);
    (void)close(place.fd); /* only read: nothing to lose */
    return err;
}

/* -- giving out lines ----------------------------------------------------*/

struct reader {
    const struct hg_journal_reading *reading;
    hg_journal_line_fn *fn;
    void *arg;
    uint64_t next_n; /* as it should come; 0: not known before the first */
    uint64_t given;
    bool is_newest; /* in the newest segment a torn line may end it */
    bool is_over;
};

static int give_line(struct reader *reader,
                     const struct hg_journal_piece *piece)
{
    const struct hg_journal_reading *reading = reader->reading;
    struct hg_journal_frame frame;

    /* beyond the durable records bytes may be in the making: not looked at */
    if (reader->next_n > reading->upto_n) {
        reader->is_over = true;
        return HG_OK;
    }
    if (!piece->has_end && reader->is_newest) {
        reader->is_over = true;
        return HG_OK;
    }
    if (!piece->has_end ||
        hg_journal_line_parse(piece->line, piece->len, &frame) < 0 ||
        (reader->next_n != 0 ? frame.n != reader->next_n
                             : frame.n > reading->after_n + 1))
        return HG_ERR_CORRUPT;
    reader->next_n = frame.n + 1;
    if (frame.n <= reading->after_n)
        return HG_OK;
    reader->given++;
    reader->is_over = reader->given == reading->limit;
    return reader->fn(reader->arg, frame.n, piece->line, piece->len);
}

static int read_segment(struct reader *reader,
                        const struct hg_journal_segment *segment)
{
    struct hg_journal_lines lines = { .fd = -1 };
    struct hg_journal_piece piece;
    char name[HG_JOURNAL_FILE_NAME_BYTES];
    char path[HG_JOURNAL_PATH_BYTES];
    uint64_t offset = 0;
    int err;

    hg_journal_segment_name(segment->first_n, name);
    err = hg_journal_path(reader->reading->dir, name, path);
    if (err == HG_OK)
        err = find_place(path, segment->bytes, reader->reading->after_n + 1,
                         &offset);
    if (err == HG_OK)
        err = hg_journal_lines_open(path, offset, &lines);
    if (offset == 0)
        reader->next_n = segment->first_n;
    while (err == HG_OK && !reader->is_over) {
        err = hg_journal_lines_next(&lines, &piece);
        if (err == HG_ERR_NOT_FOUND) {
            err = HG_OK; /* the end of this file, not of the reading */
            break;
        }
        if (err == HG_OK)
            err = give_line(reader, &piece);
    }
    hg_journal_lines_release(&lines);
    return err;
}

static int read_segments(struct reader *reader,
                         const struct hg_journal_segments *list)
{
    size_t i = list->count - 1;
    int err = HG_OK;

    while (i > 0 && list->item[i].first_n > reader->reading->after_n + 1)
        i--;
    for (; i < list->count && !reader->is_over && err == HG_OK; i++) {
        uint64_t first_n = list->item[i].first_n;

        if (first_n > reader->reading->upto_n)
            break;
        if (reader->next_n != 0 && reader->next_n != first_n)
            return HG_ERR_CORRUPT;
        reader->is_newest = i == list->count - 1;
        err = read_segment(reader, &list->item[i]);
    }
    return err;
}

int hg_journal_read_range(const struct hg_journal_reading *reading,
                          hg_journal_line_fn *fn, void *arg)
{
    struct reader reader = { .reading = reading, .fn = fn, .arg = arg };
    struct hg_journal_segments list = { 0 };
    int err;

    if (reading->after_n >= reading->upto_n)
        return HG_OK;
    err = hg_journal_segments_list(reading->dir, &list);
    if (err == HG_OK)
        err = list.count > 0 ? read_segments(&reader, &list) : HG_ERR_NOT_FOUND;
    hg_journal_segments_release(&list);
    return err;
}

int hg_journal_read_dir(const char *dir, const struct hg_journal_range *range,
                        hg_journal_line_fn *fn, void *arg)
{
    struct hg_journal_reading reading = { dir, range->after_n, HG_JOURNAL_N_MAX,
                                          range->limit };

    return hg_journal_read_range(&reading, fn, arg);
}
