#ifndef HG_JOURNAL_FILES_H
#define HG_JOURNAL_FILES_H

/*
 * The files of a journal folder: segment names and their order, reading
 * lines out of one, and the few writing steps that have to be durable. Inner
 * to the module.
 */
#include "base/err.h"
#include "journal/io.h"
#include "journal/line.h"
#include "journal/verify.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_JOURNAL_DIR_BYTES  1024
#define HG_JOURNAL_PATH_BYTES (HG_JOURNAL_DIR_BYTES + 64)
/* a journal of 16 TiB; more files than that are a mistake */
#define HG_JOURNAL_SEGMENTS_MAX ((size_t)1000000)

/* "journal-000000000001.jsonl" */
void hg_journal_segment_name(uint64_t first_n,
                             char out[HG_JOURNAL_FILE_NAME_BYTES]);
/* HG_ERR_RANGE: dir is HG_JOURNAL_DIR_BYTES long or longer */
HG_MUST_CHECK int hg_journal_path(const char *dir, const char *name,
                                  char ret_path[HG_JOURNAL_PATH_BYTES]);

struct hg_journal_segment {
    uint64_t first_n;
    uint64_t bytes;
};

struct hg_journal_segments {
    struct hg_journal_segment *item; /* in rising order */
    size_t count;
};

/* List the segments; release in any case. HG_ERR_SYSTEM, HG_ERR_MEMORY,
 * HG_ERR_FULL. Other files are left alone. */
HG_MUST_CHECK int hg_journal_segments_list(const char *dir,
                                           struct hg_journal_segments *list);
void hg_journal_segments_release(struct hg_journal_segments *list);

/* a file being read line by line; -1 and NULL when released */
struct hg_journal_lines {
    int fd;
    char *bytes; /* holds [start, end) of the file from offset on */
    size_t start, end;
    uint64_t offset; /* of bytes[start] in the file */
    size_t ask;      /* bytes to read next; grows, so that few cost little */
    bool is_eof;
};

struct hg_journal_piece {
    const char *line; /* valid until the next call */
    size_t len;       /* without the newline */
    uint64_t offset;  /* where it begins in the file */
    bool has_end;     /* false: no newline within HG_JOURNAL_LINE_MAX bytes */
};

/* Open for reading from a byte on; release in any case.
 * HG_ERR_NOT_FOUND, HG_ERR_SYSTEM, HG_ERR_MEMORY */
HG_MUST_CHECK int hg_journal_lines_open(const char *path, uint64_t offset,
                                        struct hg_journal_lines *lines);
/* The next line. HG_ERR_NOT_FOUND: none left; HG_ERR_SYSTEM. */
HG_MUST_CHECK int hg_journal_lines_next(struct hg_journal_lines *lines,
                                        struct hg_journal_piece *ret_piece);
void hg_journal_lines_release(struct hg_journal_lines *lines);

/* All of a small file, at most cap - 1 bytes, NUL-terminated.
 * HG_ERR_NOT_FOUND, HG_ERR_RANGE (larger), HG_ERR_SYSTEM */
HG_MUST_CHECK int hg_journal_read_small(const char *path, char *ret_bytes,
                                        size_t cap, size_t *ret_len);

/* Write all of it. HG_ERR_SYSTEM with errno. */
HG_MUST_CHECK int hg_journal_write_all(const struct hg_journal_io *io, int fd,
                                       const void *bytes, size_t len);
/* Make new names in the folder durable. HG_ERR_SYSTEM with errno. */
HG_MUST_CHECK int hg_journal_sync_dir(const struct hg_journal_io *io,
                                      const char *dir);

struct hg_journal_small {
    const char *dir, *name;
    const void *bytes;
    size_t len;
    mode_t mode;
};

/* Replace a small file, whole or not at all, durably. HG_ERR_SYSTEM with
 * errno, HG_ERR_RANGE. */
HG_MUST_CHECK int hg_journal_replace(const struct hg_journal_io *io,
                                     const struct hg_journal_small *file);

#endif
