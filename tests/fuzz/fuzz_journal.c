/*
 * A journal folder made of the input: verify, read and open it. The first
 * byte says how honest the maker is: whether each line gets its right number
 * and prev, so that the chain is whole however the bytes change. What verify
 * calls good reads back complete, and is not good any more when one byte
 * before the last line changes.
 */
#include "fuzz.h"
#include "base/text.h"
#include "journal/files.h"
#include "journal/journal.h"
#include "journal/line.h"
#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#define HONEST 1u  /* right n, at and prev for every line */
#define HEADED 2u  /* the last line of the input becomes head.json */
#define TORN   4u  /* the newline at the end is left out */
#define SPLIT  8u  /* a second file begins in the middle */
#define OPENED 16u /* opened for writing, too */

static char folder[64];

int LLVMFuzzerInitialize(int *argc, char ***argv);

static void remove_folder(void)
{
    DIR *entries = opendir(folder);
    struct dirent *entry;

    while (entries != NULL && (entry = readdir(entries)) != NULL) {
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0)
            (void)unlinkat(dirfd(entries), entry->d_name, 0);
    }
    if (entries != NULL)
        (void)closedir(entries);
    if (rmdir(folder) != 0)
        fprintf(stderr, "could not remove %s\n", folder);
}

int LLVMFuzzerInitialize(int *argc, char ***argv)
{
    (void)argc;
    (void)argv;
    (void)snprintf(folder, sizeof(folder), "%s/hg-fuzz-XXXXXX",
                   access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
    FUZZ_MUST(mkdtemp(folder) != NULL);
    FUZZ_MUST(atexit(remove_folder) == 0);
    return 0;
}

static void write_file(const char *name, const char *bytes, size_t len)
{
    char path[160];
    int fd;

    (void)snprintf(path, sizeof(path), "%s/%s", folder, name);
    fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    FUZZ_MUST(fd >= 0 && write(fd, bytes, len) == (ssize_t)len);
    FUZZ_MUST(close(fd) == 0);
}

static void empty_folder(uint64_t second_n)
{
    char name[HG_JOURNAL_FILE_NAME_BYTES], path[160];
    const char *names[] = { "head.json", "key.pem", "key.pub.pem", name };

    for (size_t i = 0; i < 4; i++) {
        hg_journal_segment_name(1, name);
        (void)snprintf(path, sizeof(path), "%s/%s", folder, names[i]);
        (void)unlink(path);
    }
    hg_journal_segment_name(second_n, name);
    (void)snprintf(path, sizeof(path), "%s/%s", folder, name);
    (void)unlink(path);
}

struct built {
    char *bytes;
    size_t len, last; /* where the last line begins */
    uint64_t lines;
    size_t split; /* where the second file begins; 0: none */
    uint64_t split_n;
};

/* A line of the input as the members of an honest record. */
static void add_honest(struct built *built, const char *line, size_t len,
                       char prev[HG_JOURNAL_HASH_TEXT_BYTES])
{
    struct hg_journal_digest digest = { 0 };
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
    char *start = built->bytes + built->len;
    size_t at = hg_journal_line_begin(
        built->lines + 1, (int64_t)(built->lines * 1000), prev, start);

    memcpy(start + at, "\"", 1);
    memcpy(start + at + 1, line, len);
    memcpy(start + at + 1 + len, "}", 1);
    at += len + 2;
    FUZZ_MUST(hg_journal_digest_init(&digest) == 0);
    FUZZ_MUST(hg_journal_digest_line(&digest, start, at, hash) == 0);
    hg_journal_digest_release(&digest);
    hg_hex_from_bytes(hash, sizeof(hash), prev);
    start[at] = '\n';
    built->len += at + 1;
}

static void add_raw(struct built *built, const char *line, size_t len)
{
    memcpy(built->bytes + built->len, line, len);
    built->bytes[built->len + len] = '\n';
    built->len += len + 1;
}

static void build(unsigned how, const char *text, size_t size,
                  struct built *built)
{
    char prev[HG_JOURNAL_HASH_TEXT_BYTES];
    const char *end = text + size;

    memset(built, 0, sizeof(*built));
    memcpy(prev, hg_journal_hash_zero, sizeof(prev));
    built->bytes = malloc((size + 1) * HG_JOURNAL_FRAME_BYTES + 64);
    FUZZ_MUST(built->bytes != NULL);
    while (text < end) {
        const char *stop = memchr(text, '\n', (size_t)(end - text));
        size_t len = (size_t)((stop != NULL ? stop : end) - text);

        built->last = built->len;
        if ((how & SPLIT) != 0 && built->lines == 2) {
            built->split = built->len;
            built->split_n = built->lines + 1;
        }
        if ((how & HONEST) != 0)
            add_honest(built, text, len, prev);
        else
            add_raw(built, text, len);
        built->lines++;
        text += len + 1;
    }
    if ((how & TORN) != 0 && built->len > 0)
        built->len--;
}

static void write_journal(const struct built *built)
{
    char name[HG_JOURNAL_FILE_NAME_BYTES];
    size_t first = built->split > 0 ? built->split : built->len;

    hg_journal_segment_name(1, name);
    write_file(name, built->bytes, first);
    if (built->split > 0) {
        hg_journal_segment_name(built->split_n, name);
        write_file(name, built->bytes + first, built->len - first);
    }
}

static int verify(struct hg_journal_report *report)
{
    struct hg_journal_verify_options options = { .dir = folder };
    int err = hg_journal_verify(&options, report);

    FUZZ_MUST((err == 0) == (report->what[0] == '\0'));
    return err;
}

static int count_line(void *arg, uint64_t n, const char *line, size_t len)
{
    uint64_t *count = arg;

    FUZZ_MUST(n == *count + 1 && len > 0 && line[0] == '{');
    *count = n;
    return 0;
}

static void check_good(struct built *built,
                       const struct hg_journal_report *good, uint8_t place)
{
    struct hg_journal_range range = { 0, 0 };
    struct hg_journal_report report;
    uint64_t count = 0;
    size_t at;

    FUZZ_MUST(good->records == built->lines && good->last_n == built->lines);
    FUZZ_MUST(good->bytes == built->len);
    FUZZ_MUST(hg_journal_read_dir(folder, &range, count_line, &count) == 0);
    FUZZ_MUST(count == built->lines);
    if (built->last == 0)
        return;
    at = (size_t)place * 7919 % built->last;
    built->bytes[at] ^= 1;
    write_journal(built);
    FUZZ_MUST(verify(&report) == HG_ERR_CORRUPT);
    built->bytes[at] ^= 1;
    write_journal(built);
}

/* Opening cuts a torn end, takes one more record, and all is good. */
static void check_open(const struct built *built)
{
    struct hg_journal_options options = { .dir = folder };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal_report report;
    struct hg_journal *journal = NULL;
    uint64_t n = 0;

    if (hg_journal_open(&options, problem, &opened, &journal) != 0) {
        FUZZ_MUST(problem[0] != '\0');
        return;
    }
    FUZZ_MUST(opened.repaired_bytes <= built->len);
    FUZZ_MUST(hg_journal_append(journal, 1000, "\"kind\":\"x\"", 10, &n) == 0);
    FUZZ_MUST(n <= built->lines + 1);
    FUZZ_MUST(hg_journal_flush(journal, 5000) == 0);
    hg_journal_free(journal);
    if (verify(&report) == 0)
        FUZZ_MUST(report.last_n == n);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct hg_journal_report report;
    struct built built;
    unsigned how;
    char *text;
    size_t len;

    if (size < 3)
        return 0;
    how = data[0];
    len = size - 2;
    text = fuzz_text(data + 2, len);
    if ((how & HEADED) != 0) {
        char *head = strrchr(text, '\n');

        if (head != NULL && strlen(text) == len) {
            write_file("head.json", head + 1, len - (size_t)(head + 1 - text));
            len = (size_t)(head - text);
        }
    }
    build(how, text, len, &built);
    write_journal(&built);
    if (verify(&report) == 0)
        check_good(&built, &report, data[1]);
    else if ((how & (HONEST | HEADED | TORN)) == HONEST)
        FUZZ_MUST(report.bad_line > 0); /* a control character, or too long */
    if ((how & OPENED) != 0)
        check_open(&built);
    empty_folder(built.split_n);
    free(built.bytes);
    free(text);
    return 0;
}
