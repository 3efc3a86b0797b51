/*
 * The journal on a good disk: lines and their chain, segments, opening after
 * a crash, reading by number, heads.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "journal/journal.h"
#include "journal/line.h"
#include "journal_dir.h"

#define FIRST_SEGMENT "journal-000000000001.jsonl"
#define ZEROS                                                                  \
    "00000000000000000000000000000000"                                         \
    "00000000000000000000000000000000"

static int make_dir(void **state)
{
    struct journal_dir *made = calloc(1, sizeof(*made));

    assert_non_null(made);
    journal_dir_make(made);
    *state = made;
    return 0;
}

static int remove_dir(void **state)
{
    journal_dir_remove(*state);
    free(*state);
    return 0;
}

/* -- lines ---------------------------------------------------------------*/

static void test_journal__hashes_as_published(void **state)
{
    /* FIPS 180-4 examples; RFC 6234 section 8.5, TEST1 */
    static const char want[] =
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    struct hg_journal_digest digest = { 0 };
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
    char hex[HG_JOURNAL_HASH_TEXT_BYTES];

    (void)state;
    assert_int_equal(hg_journal_digest_init(&digest), HG_OK);
    for (int i = 0; i < 2; i++) { /* the context is used again */
        assert_int_equal(hg_journal_digest_line(&digest, "abc", 3, hash), 0);
        hg_hex_from_bytes(hash, sizeof(hash), hex);
        assert_string_equal(hex, want);
    }
    hg_journal_digest_release(&digest);
}

static void test_journal__writes_lines_of_the_contract(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    struct hg_journal_opened opened;
    struct hg_journal *journal = journal_dir_open(&options, &opened);
    struct hg_journal_digest digest = { 0 };
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
    char hex[HG_JOURNAL_HASH_TEXT_BYTES];
    char want[512];
    uint64_t n = 0;
    size_t len;
    char *text;

    assert_true(opened.is_new);
    assert_true(opened.is_key_new);
    assert_int_equal(
        hg_journal_append(journal, AT_MS, "\"kind\":\"a\"", 10, &n), HG_OK);
    assert_int_equal(
        hg_journal_append(journal, AT_MS + 1, "\"kind\":\"b\"", 10, &n), HG_OK);
    assert_int_equal(n, 2);
    assert_int_equal(hg_journal_flush(journal, 20000), HG_OK);
    assert_int_equal(hg_journal_durable(journal), 2);
    assert_int_equal(hg_journal_last(journal).wall_ms, AT_MS + 1);
    hg_journal_free(journal);

    (void)snprintf(want, sizeof(want),
                   "{\"n\":1,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"%s"
                   "\",\"kind\":\"a\"}",
                   hg_journal_hash_zero);
    text = journal_dir_read(made, FIRST_SEGMENT, &len);
    assert_memory_equal(text, want, strlen(want));
    assert_int_equal(hg_journal_digest_init(&digest), HG_OK);
    assert_int_equal(hg_journal_digest_line(&digest, want, strlen(want), hash),
                     HG_OK);
    hg_journal_digest_release(&digest);
    hg_hex_from_bytes(hash, sizeof(hash), hex);
    (void)snprintf(want, sizeof(want),
                   "\n{\"n\":2,\"at\":\"2026-01-09T17:22:31.043Z\","
                   "\"prev\":\"%s\",\"kind\":\"b\"}\n",
                   hex);
    assert_string_equal(strchr(text, '\n'), want);
    free(text);
}

static void test_journal__refuses_members_that_break_a_line(void **state)
{
    static char long_text[HG_JOURNAL_MEMBERS_MAX + 1];
    const struct {
        const char *label;
        const char *members;
        size_t len;
        int want;
    } row[] = {
        { "empty", "", 0, HG_ERR_INPUT },
        { "a newline", "\"k\":\"a\nb\"", 9, HG_ERR_INPUT },
        { "a NUL", "\"k\":\"a\0b\"", 9, HG_ERR_INPUT },
        { "a brace first", "{\"k\":1}", 7, HG_ERR_INPUT },
        { "one byte too long", long_text, HG_JOURNAL_MEMBERS_MAX + 1,
          HG_ERR_RANGE },
        { "as long as allowed", long_text, HG_JOURNAL_MEMBERS_MAX, HG_OK },
        { "UTF-8", "\"k\":\"\xc3\xa4\"", 8, HG_OK },
    };
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    struct hg_journal_opened opened;
    struct hg_journal *journal = journal_dir_open(&options, &opened);
    uint64_t accepted = 0;

    memset(long_text, 'x', sizeof(long_text));
    long_text[0] = '"';
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint64_t n = 77;
        int err =
            hg_journal_append(journal, AT_MS, row[i].members, row[i].len, &n);

        accepted += err == HG_OK ? 1 : 0;
        HG_CHECK_EQ(row[i].label, err, row[i].want);
        HG_CHECK_EQ(row[i].label, n, err == HG_OK ? accepted : 77);
    }
    assert_int_equal(hg_journal_last(journal).n, accepted);
    hg_journal_free(journal);

    journal = journal_dir_open(&options, &opened);
    assert_int_equal(hg_journal_durable(journal), accepted);
    hg_journal_free(journal);
}

static const struct {
    const char *label;
    const char *line;
    int want;
} framed[] = {
    { "ours",
      "{\"n\":7,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_OK },
    { "no milliseconds",
      "{\"n\":7,\"at\":\"2026-01-09T17:22:31Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "a small t",
      "{\"n\":7,\"at\":\"2026-01-09t17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "a leap second",
      "{\"n\":7,\"at\":\"2016-12-31T23:59:60.000Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "a year before ours",
      "{\"n\":7,\"at\":\"1969-12-31T23:59:59.000Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "no such day",
      "{\"n\":7,\"at\":\"2026-02-30T17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "a leading zero",
      "{\"n\":07,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "13 digits",
      "{\"n\":1000000000000,\"at\":\"2026-01-09T17:22:31.042Z\","
      "\"prev\":\"" ZEROS "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "a blank",
      "{ \"n\":7,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "a short hash",
      "{\"n\":7,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"00\","
      "\"kind\":\"a\"}",
      HG_ERR_INPUT },
    { "no members",
      "{\"n\":7,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"" ZEROS "\"}",
      HG_ERR_INPUT },
    { "no end",
      "{\"n\":7,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\"",
      HG_ERR_INPUT },
    { "a control character",
      "{\"n\":7,\"at\":\"2026-01-09T17:22:31.042Z\",\"prev\":\"" ZEROS
      "\",\"kind\":\"a\v\"}",
      HG_ERR_INPUT },
    { "nothing", "", HG_ERR_INPUT },
};

static void test_journal__reads_only_its_own_frame(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(framed); i++) {
        struct hg_journal_frame frame = { .n = 99 };
        size_t len = strlen(framed[i].line);
        char *line = malloc(len + 1); /* exact, for the address checker */

        assert_non_null(line);
        memcpy(line, framed[i].line, len);
        HG_CHECK_EQ(framed[i].label, hg_journal_line_parse(line, len, &frame),
                    framed[i].want);
        HG_CHECK_EQ(framed[i].label, frame.n, framed[i].want == HG_OK ? 7 : 99);
        for (size_t cut = 0; cut < len; cut++) {
            char *part = malloc(cut + 1);

            assert_non_null(part);
            memcpy(part, framed[i].line, cut);
            HG_CHECK_EQ(framed[i].label,
                        hg_journal_line_parse(part, cut, &frame), HG_ERR_INPUT);
            free(part);
        }
        free(line);
    }
}

/* -- opening -------------------------------------------------------------*/

static void test_journal__goes_on_where_it_ended(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir,
                                          .segment_bytes = 4096 };
    struct hg_journal_opened opened;

    /* every length around the joints of segments */
    for (uint64_t n = 1; n <= 100; n++) {
        struct hg_journal *journal = journal_dir_open(&options, &opened);

        HG_CHECK_EQ("is new", opened.is_new, n == 1);
        HG_CHECK_EQ("key is new", opened.is_key_new, n == 1);
        HG_CHECK_EQ("repaired", opened.repaired_bytes, 0);
        HG_CHECK_EQ("last", hg_journal_last(journal).n, n - 1);
        HG_CHECK_EQ("durable", hg_journal_durable(journal), n - 1);
        if (n > 1)
            HG_CHECK_EQ("wall", hg_journal_last(journal).wall_ms,
                        AT_MS + (int64_t)(n - 1) * 1000);
        assert_int_equal(journal_dir_append(journal, n), HG_OK);
        hg_journal_free(journal); /* writes what waits */
    }
}

static void test_journal__keeps_its_files_to_itself(void **state)
{
    static const char *const name[] = { FIRST_SEGMENT, "key.pem", "head.json" };
    const struct journal_dir *made = *state;
    struct stat stat_of;
    char path[160];

    (void)umask(0);
    journal_dir_fill(made, 3, 0);

    assert_int_equal(stat(made->dir, &stat_of), 0);
    assert_int_equal(stat_of.st_mode & 0777, 0700);
    for (size_t i = 0; i < HG_COUNT(name); i++) {
        journal_dir_path(made, name[i], path);
        HG_CHECK_EQ(name[i], stat(path, &stat_of), 0);
        HG_CHECK_EQ(name[i], stat_of.st_mode & 0777, 0600);
    }
}

static void test_journal__is_open_once(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal *first = journal_dir_open(&options, &opened);
    struct hg_journal *second = (struct hg_journal *)&opened;

    assert_int_equal(hg_journal_open(&options, problem, &opened, &second),
                     HG_ERR_BUSY);
    assert_ptr_equal(second, &opened);
    assert_non_null(strstr(problem, "stop it first"));
    hg_journal_free(first);

    first = journal_dir_open(&options, &opened);
    hg_journal_free(first);
}

static void test_journal__refuses_options_outside_their_limits(void **state)
{
    const struct journal_dir *made = *state;
    static char long_dir[2000];
    const struct {
        const char *label;
        struct hg_journal_options options;
    } row[] = {
        { "segment", { .dir = made->dir, .segment_bytes = 4095 } },
        { "queue", { .dir = made->dir, .queue_bytes = 65535 } },
        { "retry", { .dir = made->dir, .retry_ms = 5001 } },
        { "path", { .dir = long_dir } },
    };

    memset(long_dir, 'x', sizeof(long_dir) - 1);
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char problem[HG_JOURNAL_TEXT_BYTES];
        struct hg_journal_opened opened;
        struct hg_journal *journal = NULL;

        HG_CHECK_EQ(
            row[i].label,
            hg_journal_open(&row[i].options, problem, &opened, &journal),
            HG_ERR_RANGE);
        HG_CHECK_TRUE(row[i].label, problem[0] != '\0');
    }
}

/* Cut the newest segment at every byte, as a crash may: it opens, and only
 * whole records are left. */
static void test_journal__cuts_a_torn_last_line(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    struct hg_journal_opened opened;
    size_t len;
    char *text;

    journal_dir_fill(made, 3, 0);
    text = journal_dir_read(made, FIRST_SEGMENT, &len);
    for (size_t cut = 0; cut <= len; cut++) {
        struct hg_journal *journal;
        size_t whole = 0;
        uint64_t records = 0;

        for (size_t i = 0; i < cut; i++) {
            if (text[i] == '\n') {
                whole = i + 1;
                records++;
            }
        }
        journal_dir_write(made, FIRST_SEGMENT, text, cut);
        journal = journal_dir_open(&options, &opened);
        HG_CHECK_EQ("repaired", opened.repaired_bytes, cut - whole);
        HG_CHECK_EQ("last", hg_journal_last(journal).n, records);
        HG_CHECK_EQ("go on", journal_dir_append(journal, records + 1), HG_OK);
        hg_journal_free(journal);
        journal = journal_dir_open(&options, &opened);
        HG_CHECK_EQ("again", hg_journal_last(journal).n, records + 1);
        HG_CHECK_EQ("nothing left to repair", opened.repaired_bytes, 0);
        hg_journal_free(journal);
    }
    free(text);
}

/* Change each byte of the newest segment but its last line: never opened. */
static void test_journal__stops_at_a_broken_line(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    size_t last_line = 0;
    size_t len;
    size_t after;
    char *text;
    char *again;

    journal_dir_fill(made, 3, 0);
    text = journal_dir_read(made, FIRST_SEGMENT, &len);
    for (size_t i = 0; i + 1 < len; i++)
        last_line = text[i] == '\n' ? i + 1 : last_line;
    for (size_t i = 0; i < last_line; i++) {
        char problem[HG_JOURNAL_TEXT_BYTES];
        struct hg_journal_opened opened;
        struct hg_journal *journal = NULL;

        text[i] ^= 1;
        journal_dir_write(made, FIRST_SEGMENT, text, len);
        HG_CHECK_EQ("changed",
                    hg_journal_open(&options, problem, &opened, &journal),
                    HG_ERR_CORRUPT);
        HG_CHECK_TRUE("says where", strstr(problem, FIRST_SEGMENT) != NULL);
        HG_CHECK_TRUE("says what to do", strstr(problem, "backup") != NULL);
        again = journal_dir_read(made, FIRST_SEGMENT, &after);
        HG_CHECK_EQ("left as it was", after, len);
        HG_CHECK_BYTES("left as it was", again, text, len);
        free(again);
        text[i] ^= 1;
    }
    free(text);
}

static void test_journal__stops_when_the_file_before_does_not_fit(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir,
                                          .segment_bytes = 4096 };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal *journal = NULL;
    size_t len;
    char *text;

    journal_dir_fill(made, 25, 4096); /* two segments */
    text = journal_dir_read(made, FIRST_SEGMENT, &len);
    text[len - 5] ^= 1; /* in its last line: only the link shows it */
    journal_dir_write(made, FIRST_SEGMENT, text, len);

    assert_int_equal(hg_journal_open(&options, problem, &opened, &journal),
                     HG_ERR_CORRUPT);
    text[len - 5] ^= 1;
    journal_dir_write(made, FIRST_SEGMENT, text, len - 1);
    assert_int_equal(hg_journal_open(&options, problem, &opened, &journal),
                     HG_ERR_CORRUPT);
    journal_dir_write(made, FIRST_SEGMENT, text, len);
    journal = journal_dir_open(&options, &opened);
    hg_journal_free(journal);
    free(text);
}

static void test_journal__goes_on_in_an_empty_new_file(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir,
                                          .segment_bytes = 4096 };
    struct hg_journal_opened opened;
    struct hg_journal *journal;

    /* a crash right after the file was made */
    journal_dir_fill(made, 3, 0);
    journal_dir_write(made, "journal-000000000004.jsonl", "{\"n\":4,", 7);
    journal = journal_dir_open(&options, &opened);

    assert_int_equal(opened.repaired_bytes, 7);
    assert_int_equal(hg_journal_last(journal).n, 3);
    assert_int_equal(journal_dir_append(journal, 4), HG_OK);
    hg_journal_free(journal);
    journal = journal_dir_open(&options, &opened);
    assert_int_equal(hg_journal_last(journal).n, 4);
    hg_journal_free(journal);
}

static void test_journal__stops_at_an_empty_file_out_of_place(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal *journal = NULL;

    journal_dir_fill(made, 3, 0);
    journal_dir_write(made, "journal-000000000009.jsonl", "", 0);

    assert_int_equal(hg_journal_open(&options, problem, &opened, &journal),
                     HG_ERR_CORRUPT);
    assert_non_null(strstr(problem, "missing before"));
}

static void test_journal__wants_its_own_key(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal_opened opened;
    struct hg_journal *journal = NULL;
    char path[160];

    journal_dir_fill(made, 1, 0);
    journal_dir_path(made, "key.pem", path);
    assert_int_equal(chmod(path, 0640), 0);
    assert_int_equal(hg_journal_open(&options, problem, &opened, &journal),
                     HG_ERR_DENIED);
    assert_non_null(strstr(problem, "chmod 600"));

    assert_int_equal(chmod(path, 0600), 0);
    journal_dir_write(made, "key.pem", "no key", 6);
    assert_int_equal(hg_journal_open(&options, problem, &opened, &journal),
                     HG_ERR_CORRUPT);

    /* a new private key beside the old public one */
    assert_int_equal(unlink(path), 0);
    assert_int_equal(hg_journal_open(&options, problem, &opened, &journal),
                     HG_ERR_CORRUPT);
    journal_dir_path(made, "key.pub.pem", path);
    assert_int_equal(unlink(path), 0);
    journal = journal_dir_open(&options, &opened);
    hg_journal_free(journal);
}

/* -- news ----------------------------------------------------------------*/

static void test_journal__rings_when_records_are_durable(void **state)
{
    const struct journal_dir *made = *state;
    struct bell bell = BELL_SILENT;
    struct hg_journal_options options = { .dir = made->dir,
                                          .wake = bell_ring,
                                          .wake_arg = &bell };
    struct hg_journal_opened opened;
    struct hg_journal *journal = journal_dir_open(&options, &opened);
    struct hg_journal_news news;
    unsigned int heard = 0;

    for (uint64_t n = 1; n <= 1000; n++) {
        assert_int_equal(journal_dir_append(journal, n), HG_OK);
        hg_journal_poll(journal, &news);
        HG_CHECK_TRUE("never ahead", news.durable_n <= n);
    }
    do {
        bell_wait(&bell, &heard);
        hg_journal_poll(journal, &news);
    } while (news.durable_n < 1000);

    assert_false(news.has_failed);
    assert_false(news.has_recovered);
    assert_false(news.is_failed);
    assert_string_equal(news.text, "");
    hg_journal_free(journal);
}

/* -- reading -------------------------------------------------------------*/

struct seen {
    uint64_t first, last, count, stop_at;
};

static int see(void *arg, uint64_t n, const char *line, size_t len)
{
    struct seen *seen = arg;
    char want[40];

    (void)snprintf(want, sizeof(want), "\"guest:g-%" PRIu64 "\"", n);
    HG_CHECK_TRUE("its own line", memmem(line, len, want, strlen(want)) != 0);
    if (seen->count == 0)
        seen->first = n;
    else
        HG_CHECK_EQ("in order", n, seen->last + 1);
    seen->last = n;
    seen->count++;
    return n == seen->stop_at ? HG_ERR_NOT_FOUND : 0;
}

static void test_journal__reads_any_range(void **state)
{
    static const uint64_t after[] = { 0,    1,    2,    999,  2500,  4094, 4095,
                                      4096, 5555, 9998, 9999, 10000, 10001 };
    static const uint64_t limit[] = { 1, 3, 2000, 0 };
    static const uint64_t segment[] = { 0, 1000000, 50000 };

    for (size_t s = 0; s < HG_COUNT(segment); s++) {
        struct hg_journal_options options = { .segment_bytes = segment[s] };
        struct hg_journal_opened opened;
        struct hg_journal *journal;
        struct journal_dir made;

        (void)state;
        journal_dir_make(&made);
        options.dir = made.dir;
        journal_dir_fill(&made, 10000, segment[s]);
        journal = journal_dir_open(&options, &opened);
        for (size_t i = 0; i < HG_COUNT(after) * HG_COUNT(limit); i++) {
            struct hg_journal_range range = { after[i / HG_COUNT(limit)],
                                              limit[i % HG_COUNT(limit)] };
            uint64_t left = range.after_n < 10000 ? 10000 - range.after_n : 0;
            uint64_t want =
                range.limit != 0 && range.limit < left ? range.limit : left;
            struct seen seen = { 0 };
            struct seen outside = { 0 };

            HG_CHECK_EQ("read", hg_journal_read(journal, &range, see, &seen),
                        HG_OK);
            HG_CHECK_EQ_U64("count", seen.count, want);
            HG_CHECK_EQ_U64("first", seen.first,
                            want > 0 ? range.after_n + 1 : 0);
            HG_CHECK_EQ("read dir",
                        hg_journal_read_dir(made.dir, &range, see, &outside),
                        HG_OK);
            HG_CHECK_EQ_U64("count in dir", outside.count, want);
        }
        hg_journal_free(journal);
        journal_dir_remove(&made);
    }
}

/* Wherever halving lands, the record asked for comes first. */
static void test_journal__reads_from_every_record(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_range range = { 0, 1 };

    journal_dir_fill(made, 4000, 0); /* one file of some 900 KiB */
    for (range.after_n = 0; range.after_n < 4000; range.after_n++) {
        struct seen seen = { 0 };

        HG_CHECK_EQ("read", hg_journal_read_dir(made->dir, &range, see, &seen),
                    HG_OK);
        HG_CHECK_EQ_U64("first", seen.first, range.after_n + 1);
    }
}

static void test_journal__reading_ends_when_told(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_range range = { 0, 0 };
    struct seen seen = { .stop_at = 30 };

    journal_dir_fill(made, 100, 4096);

    assert_int_equal(hg_journal_read_dir(made->dir, &range, see, &seen),
                     HG_ERR_NOT_FOUND); /* what the callback gave back */
    assert_int_equal(seen.count, 30);
    assert_int_equal(hg_journal_read_dir("/nowhere", &range, see, &seen),
                     HG_ERR_NOT_FOUND);
}

static void test_journal__reading_notices_a_hole(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_range range = { 0, 0 };
    struct seen seen = { 0 };
    size_t len;
    char *text;

    journal_dir_fill(made, 60, 4096);
    text = journal_dir_read(made, FIRST_SEGMENT, &len);
    journal_dir_write(made, FIRST_SEGMENT, text, len - 3);
    assert_int_equal(hg_journal_read_dir(made->dir, &range, see, &seen),
                     HG_ERR_CORRUPT);
    journal_dir_write(made, FIRST_SEGMENT, text, len);

    memset(&seen, 0, sizeof(seen));
    text[10] = 'x';
    journal_dir_write(made, FIRST_SEGMENT, text, len);
    assert_int_equal(hg_journal_read_dir(made->dir, &range, see, &seen),
                     HG_ERR_CORRUPT);
    free(text);
}

static void test_journal__reading_notices_a_missing_file(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_range range = { 0, 0 };
    struct seen seen = { 0 };
    bool is_gone = false;

    journal_dir_fill(made, 60, 4096);
    for (uint64_t n = 2; n < 40 && !is_gone; n++) { /* the second one */
        char name[40];
        char path[160];

        (void)snprintf(name, sizeof(name), "journal-%012" PRIu64 ".jsonl", n);
        journal_dir_path(made, name, path);
        is_gone = unlink(path) == 0;
    }
    assert_true(is_gone);

    assert_int_equal(hg_journal_read_dir(made->dir, &range, see, &seen),
                     HG_ERR_CORRUPT);
    assert_true(seen.count > 0);
    assert_true(seen.count < 40);
}

/* -- heads ---------------------------------------------------------------*/

static void test_journal__signs_only_what_is_durable(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_options options = { .dir = made->dir };
    struct hg_journal_opened opened;
    struct hg_journal *journal = journal_dir_open(&options, &opened);
    struct hg_journal_head head = { .n = 99 };
    struct hg_journal_head again;
    char text[HG_JOURNAL_HEAD_TEXT_BYTES];
    size_t len;
    char *stored;

    assert_int_equal(hg_journal_sign_head(journal, AT_MS, &head),
                     HG_ERR_NOT_FOUND);
    assert_int_equal(head.n, 99);
    assert_int_equal(journal_dir_append(journal, 1), HG_OK);
    assert_int_equal(hg_journal_flush(journal, 20000), HG_OK);
    assert_int_equal(hg_journal_sign_head(journal, AT_MS, &head), HG_OK);
    hg_journal_store_head(journal, &head);
    assert_int_equal(hg_journal_flush(journal, 20000), HG_OK);
    assert_int_equal(head.n, 1);
    assert_string_equal(head.at, "2026-01-09T17:22:31.042Z");
    assert_int_equal(hg_journal_head_check(&head), HG_OK);
    hg_journal_free(journal);

    len = hg_journal_head_format(&head, text);
    stored = journal_dir_read(made, "head.json", &len);
    assert_memory_equal(stored, text, len - 1);
    assert_int_equal(stored[len - 1], '\n');
    assert_int_equal(hg_journal_head_parse(stored, len, &again), HG_OK);
    assert_memory_equal(&again, &head, sizeof(head));
    free(stored);

    /* the same key and hash after opening again */
    journal = journal_dir_open(&options, &opened);
    assert_int_equal(hg_journal_sign_head(journal, AT_MS, &again), HG_OK);
    assert_memory_equal(&again, &head, sizeof(head));
    hg_journal_free(journal);
}

int main(void)
{
#define IN_DIR(test) cmocka_unit_test_setup_teardown(test, make_dir, remove_dir)
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_journal__hashes_as_published),
        IN_DIR(test_journal__writes_lines_of_the_contract),
        IN_DIR(test_journal__refuses_members_that_break_a_line),
        cmocka_unit_test(test_journal__reads_only_its_own_frame),
        IN_DIR(test_journal__goes_on_where_it_ended),
        IN_DIR(test_journal__keeps_its_files_to_itself),
        IN_DIR(test_journal__is_open_once),
        IN_DIR(test_journal__refuses_options_outside_their_limits),
        IN_DIR(test_journal__cuts_a_torn_last_line),
        IN_DIR(test_journal__stops_at_a_broken_line),
        IN_DIR(test_journal__stops_when_the_file_before_does_not_fit),
        IN_DIR(test_journal__goes_on_in_an_empty_new_file),
        IN_DIR(test_journal__stops_at_an_empty_file_out_of_place),
        IN_DIR(test_journal__wants_its_own_key),
        IN_DIR(test_journal__rings_when_records_are_durable),
        cmocka_unit_test(test_journal__reads_any_range),
        IN_DIR(test_journal__reads_from_every_record),
        IN_DIR(test_journal__reading_ends_when_told),
        IN_DIR(test_journal__reading_notices_a_hole),
        IN_DIR(test_journal__reading_notices_a_missing_file),
        IN_DIR(test_journal__signs_only_what_is_durable),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
