/*
 * Verifying a folder: whatever is changed, dropped, swapped or cut is found,
 * and said to be where it is.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "journal/journal.h"
#include "journal/line.h"
#include "journal/verify.h"
#include "journal_dir.h"

#define FIRST_SEGMENT "journal-000000000001.jsonl"
#define RECORDS       60 /* some segments of 4096 bytes */

static int make_journal(void **state)
{
    struct journal_dir *made = calloc(1, sizeof(*made));

    assert_non_null(made);
    journal_dir_make(made);
    journal_dir_fill(made, RECORDS, 4096);
    *state = made;
    return 0;
}

static int remove_journal(void **state)
{
    journal_dir_remove(*state);
    free(*state);
    return 0;
}

static int verify(const struct journal_dir *made,
                  struct hg_journal_report *report)
{
    struct hg_journal_verify_options options = { .dir = made->dir };

    return hg_journal_verify(&options, report);
}

/* Where line number i (from 1) of a text begins, or its end. */
static char *line_at(char *text, uint64_t i)
{
    while (--i > 0)
        text = strchr(text, '\n') + 1;
    return text;
}

static void count_progress(void *arg, uint64_t done, uint64_t total)
{
    uint64_t *told = arg;

    assert_true(done <= total);
    assert_true(done > *told);
    *told = done;
}

static void test_journal_verify__accepts_what_was_written(void **state)
{
    uint64_t told = 0;
    struct hg_journal_verify_options options = {
        .dir = ((const struct journal_dir *)*state)->dir,
        .progress = count_progress,
        .arg = &told,
    };
    struct hg_journal_report report;

    assert_int_equal(hg_journal_verify(&options, &report), HG_OK);
    assert_string_equal(report.what, "");
    assert_int_equal(report.first_n, 1);
    assert_int_equal(report.last_n, RECORDS);
    assert_int_equal(report.records, RECORDS);
    assert_true(report.segments >= 3);
    assert_true(report.is_head_checked);
    assert_int_equal(report.head_n, RECORDS);
    assert_int_equal(report.bad_n, 0);
    assert_string_equal(report.bad_file, "");
    assert_int_equal(told, report.bytes);
}

/* Flip a bit of every single byte, in turn: each one is found. */
static void test_journal_verify__finds_every_changed_byte(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_report report;
    uint64_t line = 1;
    size_t len;
    char *text = journal_dir_read(made, FIRST_SEGMENT, &len);

    for (size_t i = 0; i < len; i++) {
        char before = text[i];

        text[i] ^= (char)(1 << i % 7);
        journal_dir_write(made, FIRST_SEGMENT, text, len);
        HG_CHECK_EQ("changed", verify(made, &report), HG_ERR_CORRUPT);
        HG_CHECK_TRUE("at the line or the next",
                      report.bad_n == line || report.bad_n == line + 1);
        HG_CHECK_TRUE("says what", report.what[0] != '\0');
        text[i] = before;
        line += before == '\n' ? 1 : 0;
    }
    journal_dir_write(made, FIRST_SEGMENT, text, len);
    assert_int_equal(verify(made, &report), HG_OK);
    free(text);
}

static void test_journal_verify__finds_a_change_in_the_last_record(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_report report;
    char name[HG_JOURNAL_FILE_NAME_BYTES];
    char path[160];
    size_t len;
    char *text;

    /* the newest segment */
    for (uint64_t n = RECORDS; n > 0; n--) {
        (void)snprintf(name, sizeof(name), "journal-%012" PRIu64 ".jsonl", n);
        journal_dir_path(made, name, path);
        if (access(path, R_OK) == 0)
            break;
    }
    text = journal_dir_read(made, name, &len);
    text[len - 4] ^= 1;
    journal_dir_write(made, name, text, len);

    assert_int_equal(verify(made, &report), HG_ERR_CORRUPT);
    assert_int_equal(report.bad_n, RECORDS);
    assert_non_null(strstr(report.what, "signed"));
    /* without any head nobody can know */
    journal_dir_path(made, "head.json", path);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(verify(made, &report), HG_OK);
    assert_false(report.is_head_checked);
    free(text);
}

static void test_journal_verify__finds_lines_out_of_place(void **state)
{
    static const char *const label[] = { "dropped", "doubled", "swapped" };
    const struct journal_dir *made = *state;
    size_t len;
    char *text = journal_dir_read(made, FIRST_SEGMENT, &len);
    char *changed = malloc(2 * len);

    assert_non_null(changed);
    for (size_t kind = 0; kind < HG_COUNT(label); kind++) {
        char *at = line_at(text, 5);
        char *next = line_at(text, 6);
        char *after = line_at(text, 7);
        size_t one = (size_t)(next - at);
        size_t two = (size_t)(after - next);
        size_t head = (size_t)(at - text);
        size_t end = head;
        struct hg_journal_report report;

        memcpy(changed, text, head);
        if (kind != 0) {
            memcpy(changed + end, kind == 1 ? at : next, kind == 1 ? one : two);
            end += kind == 1 ? one : two;
        }
        if (kind != 0) {
            memcpy(changed + end, at, one);
            end += one;
        }
        memcpy(changed + end, kind == 2 ? after : next,
               len - (size_t)((kind == 2 ? after : next) - text));
        end += len - (size_t)((kind == 2 ? after : next) - text);
        journal_dir_write(made, FIRST_SEGMENT, changed, end);
        HG_CHECK_EQ(label[kind], verify(made, &report), HG_ERR_CORRUPT);
        HG_CHECK_EQ(label[kind], report.bad_n, kind == 1 ? 6 : 5);
        HG_CHECK_EQ(label[kind], report.bad_line, kind == 1 ? 6 : 5);
        HG_CHECK_STR(label[kind], report.bad_file, FIRST_SEGMENT);
    }
    free(changed);
    free(text);
}

/* Somebody leaves a record out and computes the chain anew behind it. */
static void test_journal_verify__finds_a_left_out_number(void **state)
{
    struct hg_journal_digest digest = { 0 };
    char prev[HG_JOURNAL_HASH_TEXT_BYTES];
    uint8_t hash[HG_JOURNAL_HASH_BYTES];
    struct hg_journal_report report;
    struct journal_dir made;
    char text[1024];
    size_t len = 0;

    (void)state;
    memcpy(prev, hg_journal_hash_zero, sizeof(prev));
    assert_int_equal(hg_journal_digest_init(&digest), HG_OK);
    for (uint64_t n = 1; n <= 3; n += 2) {
        size_t start = len;

        len += hg_journal_line_begin(n, AT_MS, prev, text + len);
        len += (size_t)snprintf(text + len, 32, "\"kind\":\"a\"}");
        assert_int_equal(
            hg_journal_digest_line(&digest, text + start, len - start, hash),
            HG_OK);
        hg_hex_from_bytes(hash, sizeof(hash), prev);
        text[len++] = '\n';
    }
    hg_journal_digest_release(&digest);
    journal_dir_make(&made);
    assert_int_equal(mkdir(made.dir, 0700), 0);
    journal_dir_write(&made, FIRST_SEGMENT, text, len);

    assert_int_equal(verify(&made, &report), HG_ERR_CORRUPT);
    assert_int_equal(report.bad_n, 2);
    assert_int_equal(report.last_n, 1);
    journal_dir_remove(&made);
}

/* Cut the whole journal at every record: the head shows it. */
static void test_journal_verify__finds_a_cut_end(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_report report;
    char path[160];
    size_t len;
    char *text = journal_dir_read(made, FIRST_SEGMENT, &len);
    char *end = text + len;

    for (uint64_t n = 2; n <= RECORDS; n++) { /* only the first segment left */
        char name[HG_JOURNAL_FILE_NAME_BYTES];

        (void)snprintf(name, sizeof(name), "journal-%012" PRIu64 ".jsonl", n);
        journal_dir_path(made, name, path);
        (void)unlink(path);
    }
    for (uint64_t n = 1; end > text; n++) {
        end = line_at(text, n);
        if (*end == '\0')
            break;
        journal_dir_write(made, FIRST_SEGMENT, text, (size_t)(end - text));
        HG_CHECK_EQ("cut", verify(made, &report), HG_ERR_CORRUPT);
        HG_CHECK_EQ("cut", report.bad_n, n);
        HG_CHECK_TRUE("cut", strstr(report.what, "end is missing") != NULL);
        end = text + len;
    }
    /* in the middle of a line */
    journal_dir_write(made, FIRST_SEGMENT, text, len - 1);
    assert_int_equal(verify(made, &report), HG_ERR_CORRUPT);
    assert_non_null(strstr(report.what, "no end"));
    /* all of it */
    journal_dir_path(made, FIRST_SEGMENT, path);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(verify(made, &report), HG_ERR_NOT_FOUND);
    free(text);
}

static void test_journal_verify__finds_a_missing_file(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_verify_options options = { .dir = made->dir };
    struct hg_journal_report report;
    char path[160];
    size_t len;
    char *text = journal_dir_read(made, FIRST_SEGMENT, &len);
    uint64_t lines = 0;

    for (size_t i = 0; i < len; i++)
        lines += text[i] == '\n' ? 1 : 0;
    journal_dir_path(made, FIRST_SEGMENT, path);
    assert_int_equal(unlink(path), 0);

    assert_int_equal(verify(made, &report), HG_ERR_CORRUPT);
    assert_int_equal(report.bad_n, 1);
    assert_int_equal(report.bad_line, 0);
    /* unless somebody says that it was archived */
    options.may_start_late = true;
    assert_int_equal(hg_journal_verify(&options, &report), HG_OK);
    assert_int_equal(report.first_n, lines + 1);
    assert_true(report.is_head_checked);
    free(text);
}

/* -- heads ---------------------------------------------------------------*/

static void test_journal_verify__judges_heads(void **state)
{
    static const struct {
        const char *label;
        const char *find, *put; /* in head.json */
        int want;
        const char *what;
    } row[] = {
        { "as it was", "\"n\":60", "\"n\":60", HG_OK, "" },
        { "another number", "\"n\":60", "\"n\":59", HG_ERR_DENIED,
          "signature" },
        { "another time", "T17", "T18", HG_ERR_DENIED, "signature" },
        { "no head", "\"n\":60", "\"m\":60", HG_ERR_INPUT, "no head" },
    };
    const struct journal_dir *made = *state;
    struct hg_journal_report report;
    char path[160];
    size_t len;
    char *text = journal_dir_read(made, "head.json", &len);

    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_journal_verify_options options = { .dir = made->dir,
                                                     .head_path = path };
        char *at = strstr(text, row[i].find);

        assert_non_null(at);
        memcpy(at, row[i].put, strlen(row[i].put));
        journal_dir_write(made, "kept.json", text, len);
        memcpy(at, row[i].find, strlen(row[i].find));
        journal_dir_path(made, "kept.json", path);
        HG_CHECK_EQ(row[i].label, hg_journal_verify(&options, &report),
                    row[i].want);
        HG_CHECK_TRUE(row[i].label, strstr(report.what, row[i].what) != NULL);
        HG_CHECK_EQ(row[i].label, report.records, RECORDS);
        HG_CHECK_EQ(row[i].label, report.is_head_checked, row[i].want == HG_OK);
    }
    free(text);
}

/* A journal written anew from the start, with a key of its own, does not
 * match a head kept elsewhere. */
static void test_journal_verify__unmasks_a_forged_journal(void **state)
{
    const struct journal_dir *made = *state;
    struct hg_journal_verify_options options = { 0 };
    struct hg_journal_report report;
    struct journal_dir forged;
    char path[160];

    journal_dir_make(&forged);
    journal_dir_fill(&forged, RECORDS + 1, 4096);
    journal_dir_path(made, "head.json", path);
    options.dir = forged.dir;
    assert_int_equal(hg_journal_verify(&options, &report), HG_OK);
    options.head_path = path;
    assert_int_equal(hg_journal_verify(&options, &report), HG_ERR_DENIED);
    assert_non_null(strstr(report.what, "another key"));

    /* and a missing head is not taken for a good one */
    options.head_path = "/nowhere/head.json";
    assert_int_equal(hg_journal_verify(&options, &report), HG_ERR_NOT_FOUND);
    journal_dir_remove(&forged);
}

int main(void)
{
#define IN_DIR(test)                                                           \
    cmocka_unit_test_setup_teardown(test, make_journal, remove_journal)
    const struct CMUnitTest tests[] = {
        IN_DIR(test_journal_verify__accepts_what_was_written),
        IN_DIR(test_journal_verify__finds_every_changed_byte),
        IN_DIR(test_journal_verify__finds_a_change_in_the_last_record),
        IN_DIR(test_journal_verify__finds_lines_out_of_place),
        cmocka_unit_test(test_journal_verify__finds_a_left_out_number),
        IN_DIR(test_journal_verify__finds_a_cut_end),
        IN_DIR(test_journal_verify__finds_a_missing_file),
        IN_DIR(test_journal_verify__judges_heads),
        IN_DIR(test_journal_verify__unmasks_a_forged_journal),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
