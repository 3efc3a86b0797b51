/*
 * The journal on a bad disk: each call is made to fail in turn, once, some
 * times, and for good. Nothing may be lost, nothing called durable too early,
 * and the news of it come exactly once.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "journal/journal.h"
#include "journal/verify.h"
#include "journal_dir.h"
#include "journal_faults.h"

#define ALL_OPS (~0U)
#define BEFORE  UINT64_C(10) /* records before the disk goes bad */
#define LAST    UINT64_C(60) /* at the end; some segments of 4096 bytes */

struct rig {
    struct journal_dir made;
    struct faulty_disk disk;
    struct hg_journal_io io;
    struct bell bell;
    unsigned int heard;
    struct hg_journal *journal;
    unsigned int failed, recovered; /* edges seen */
    struct hg_journal_news news;
};

static void rig_start(struct rig *rig, size_t queue_records)
{
    struct hg_journal_options options = { .segment_bytes = 4096,
                                          .queue_bytes = 65536,
                                          .queue_records = queue_records,
                                          .retry_ms = 1,
                                          .wake = bell_ring };
    static const struct bell silent = BELL_SILENT;
    struct hg_journal_opened opened;

    memset(rig, 0, sizeof(*rig));
    rig->bell = silent;
    journal_dir_make(&rig->made);
    faulty_disk_init(&rig->disk);
    rig->io = faulty_disk_io(&rig->disk);
    options.dir = rig->made.dir;
    options.io = &rig->io;
    options.wake_arg = &rig->bell;
    rig->journal = journal_dir_open(&options, &opened);
}

static void rig_end(struct rig *rig)
{
    hg_journal_free(rig->journal);
    faulty_disk_release(&rig->disk);
    journal_dir_remove(&rig->made);
}

/* Take the news, as the loop would, and count the edges. */
static void rig_poll(struct rig *rig, const char *label)
{
    uint64_t before_n = rig->news.durable_n;

    hg_journal_poll(rig->journal, &rig->news);
    HG_CHECK_TRUE(label, rig->news.durable_n >= before_n);
    HG_CHECK_TRUE(label,
                  rig->news.durable_n <= faulty_disk_safe_lines(&rig->disk));
    rig->failed += rig->news.has_failed ? 1 : 0;
    rig->recovered += rig->news.has_recovered ? 1 : 0;
    if (rig->news.is_failed)
        HG_CHECK_TRUE(label, strstr(rig->news.text, "journal-0") != NULL);
}

static void rig_wait_durable(struct rig *rig, uint64_t n, const char *label)
{
    rig_poll(rig, label);
    while (rig->news.durable_n < n || rig->news.is_failed) {
        bell_wait(&rig->bell, &rig->heard);
        rig_poll(rig, label);
    }
}

static void rig_wait_failed(struct rig *rig, const char *label)
{
    rig_poll(rig, label);
    while (!rig->news.is_failed) {
        bell_wait(&rig->bell, &rig->heard);
        rig_poll(rig, label);
    }
}

static void rig_append(struct rig *rig, uint64_t first, uint64_t last)
{
    for (uint64_t n = first; n <= last; n++)
        HG_CHECK_EQ("append", journal_dir_append(rig->journal, n), HG_OK);
}

/* The folder holds exactly the records 1 to n in one chain. */
static void rig_check_disk(struct rig *rig, uint64_t n, const char *label)
{
    struct hg_journal_verify_options options = { .dir = rig->made.dir };
    struct hg_journal_report report;
    int err = hg_journal_verify(&options, &report);

    HG_CHECK_STR(label, report.what, "");
    HG_CHECK_EQ(label, err, HG_OK);
    HG_CHECK_EQ(label, report.last_n, n);
    HG_CHECK_EQ(label, report.records, n);
}

/* -- one fault after the other -------------------------------------------*/

/* Fail bad calls after good ones. Returns false when nothing failed. */
static bool try_fault(int64_t good, int64_t bad)
{
    char label[64];
    struct rig rig;
    unsigned int failed_ops;
    unsigned int want;

    (void)snprintf(label, sizeof(label), "%" PRId64 " good, %" PRId64 " bad",
                   good, bad);
    rig_start(&rig, 0);
    rig_append(&rig, 1, BEFORE);
    rig_wait_durable(&rig, BEFORE, label);

    faulty_disk_arm(&rig.disk, ALL_OPS, good, bad);
    faulty_disk_hold(&rig.disk, true);
    rig_append(&rig, BEFORE + 1, LAST);
    faulty_disk_hold(&rig.disk, false);
    if (bad < 0) {
        rig_wait_failed(&rig, label);
        faulty_disk_heal(&rig.disk);
    }
    rig_wait_durable(&rig, LAST, label);

    /* a close that fails after its sync has lost nothing */
    failed_ops = faulty_disk_failed(&rig.disk);
    want = (failed_ops & ~(1U << FAULT_CLOSE)) != 0 ? 1 : 0;
    HG_CHECK_EQ(label, rig.failed, want);
    HG_CHECK_EQ(label, rig.recovered, want);
    hg_journal_free(rig.journal);
    rig.journal = NULL;
    rig_check_disk(&rig, LAST, label);
    rig_end(&rig);
    return failed_ops != 0;
}

static void test_journal_faults__each_call_fails_once(void **state)
{
    int64_t good = 0;

    (void)state;
    while (try_fault(good, 1))
        good++;
    /* at least: 3 segments of open, folder, write, sync, close */
    assert_true(good >= 10);
}

static void test_journal_faults__each_call_fails_with_the_next(void **state)
{
    (void)state;
    for (int64_t bad = 2; bad <= 9; bad++) {
        for (int64_t good = 0; good < 12; good++)
            (void)try_fault(good, bad);
    }
}

static void test_journal_faults__each_call_fails_for_good(void **state)
{
    (void)state;
    /* the last calls may be a close, after which nothing else fails */
    for (int64_t good = 0; good < 9; good++)
        assert_true(try_fault(good, -1));
}

/* -- lasting failure -----------------------------------------------------*/

static void test_journal_faults__a_full_queue_refuses_and_goes_on(void **state)
{
    struct rig rig;
    uint64_t n = 77;
    uint64_t last;

    (void)state;
    rig_start(&rig, 50);
    rig_append(&rig, 1, BEFORE);
    rig_wait_durable(&rig, BEFORE, "good");
    faulty_disk_arm(&rig.disk, 1U << FAULT_FDATASYNC, 0, -1);

    rig_append(&rig, BEFORE + 1, BEFORE + 50);
    assert_int_equal(hg_journal_append(rig.journal, AT_MS, "\"a\":1", 5, &n),
                     HG_ERR_FULL);
    assert_int_equal(n, 77);
    rig_wait_failed(&rig, "bad");
    assert_int_equal(rig.news.durable_n, BEFORE);
    assert_int_equal(hg_journal_flush(rig.journal, 20000), HG_ERR_SYSTEM);
    for (int turn = 0; turn < 20; turn++) { /* retries ring, edges do not */
        bell_wait(&rig.bell, &rig.heard);
        rig_poll(&rig, "bad");
    }
    assert_int_equal(rig.failed, 1);
    assert_int_equal(rig.recovered, 0);
    assert_non_null(strstr(rig.news.text, "Input/output error"));
    assert_non_null(strstr(rig.news.text, "cannot sync"));

    faulty_disk_heal(&rig.disk);
    rig_wait_durable(&rig, BEFORE + 50, "healed");
    last = hg_journal_last(rig.journal).n;
    assert_int_equal(last, BEFORE + 50);
    rig_append(&rig, last + 1, last + 5);
    rig_wait_durable(&rig, last + 5, "after");
    assert_int_equal(rig.failed, 1);
    assert_int_equal(rig.recovered, 1);
    rig_check_disk(&rig, last + 5, "after");
    rig_end(&rig);
}

static void test_journal_faults__a_full_disk_leaves_whole_lines(void **state)
{
    struct rig rig;

    (void)state;
    rig_start(&rig, 0);
    rig_append(&rig, 1, BEFORE);
    rig_wait_durable(&rig, BEFORE, "good");
    faulty_disk_arm(&rig.disk, 1U << FAULT_WRITE, 0, -1);
    rig_append(&rig, BEFORE + 1, BEFORE + 3);
    rig_wait_failed(&rig, "full");
    assert_non_null(strstr(rig.news.text, "No space left on device"));
    assert_non_null(strstr(rig.news.text, "free space"));

    hg_journal_free(rig.journal); /* the power goes, so to say */
    rig.journal = NULL;
    rig_check_disk(&rig, BEFORE, "full");
    rig_end(&rig);
}

/* One record waits, the disk is bad, and the syncer has no file open. */
static void rig_wait_shut(struct rig *rig)
{
    faulty_disk_arm(&rig->disk, 1U << FAULT_WRITE | 1U << FAULT_OPEN, 0, -1);
    rig_append(rig, BEFORE + 1, BEFORE + 1);
    rig_wait_failed(rig, "bad");
    while (strstr(rig->news.text, "cannot open") == NULL) {
        bell_wait(&rig->bell, &rig->heard);
        rig_poll(rig, "bad");
    }
}

static void test_journal_faults__durable_records_must_not_vanish(void **state)
{
    struct rig rig;

    (void)state;
    rig_start(&rig, 0);
    rig_append(&rig, 1, BEFORE);
    rig_wait_durable(&rig, BEFORE, "good");

    /* somebody empties the file while the disk fails: never begun anew */
    rig_wait_shut(&rig);
    journal_dir_write(&rig.made, "journal-000000000001.jsonl", "", 0);
    faulty_disk_heal(&rig.disk);
    do {
        bell_wait(&rig.bell, &rig.heard);
        rig_poll(&rig, "emptied");
        assert_true(rig.news.is_failed);
    } while (strstr(rig.news.text, "lost durable records") == NULL);
    assert_int_equal(rig.recovered, 0);
    rig_end(&rig);
}

static void test_journal_faults__a_vanished_file_is_not_begun_anew(void **state)
{
    char path[160];
    struct rig rig;

    (void)state;
    rig_start(&rig, 0);
    rig_append(&rig, 1, BEFORE);
    rig_wait_durable(&rig, BEFORE, "good");
    journal_dir_path(&rig.made, "journal-000000000001.jsonl", path);
    rig_wait_shut(&rig);
    assert_int_equal(unlink(path), 0);
    faulty_disk_heal(&rig.disk);
    do {
        bell_wait(&rig.bell, &rig.heard);
        rig_poll(&rig, "vanished");
        assert_true(rig.news.is_failed);
    } while (strstr(rig.news.text, "No such file") == NULL);
    assert_int_not_equal(access(path, F_OK), 0);
    rig_end(&rig);
}

static int count_line(void *arg, uint64_t n, const char *line, size_t len)
{
    uint64_t *count = arg;

    (void)line;
    (void)len;
    ++*count;
    assert_int_equal(n, *count);
    return 0;
}

static void test_journal_faults__only_durable_records_are_read(void **state)
{
    struct hg_journal_range range = { 0, 0 };
    uint64_t count = 0;
    struct rig rig;

    (void)state;
    rig_start(&rig, 0);
    rig_append(&rig, 1, BEFORE);
    rig_wait_durable(&rig, BEFORE, "good");
    /* lines that nobody synced stay behind in the file */
    rig.disk.keeps_pages = true; /* the syncer rests */
    faulty_disk_arm(&rig.disk, 1U << FAULT_FDATASYNC | 1U << FAULT_FTRUNCATE, 0,
                    -1);
    rig_append(&rig, BEFORE + 1, BEFORE + 5);
    rig_wait_failed(&rig, "bad");

    assert_int_equal(hg_journal_read(rig.journal, &range, count_line, &count),
                     HG_OK);
    assert_int_equal(count, BEFORE);
    faulty_disk_heal(&rig.disk);
    rig_end(&rig);
}

/* -- heads ---------------------------------------------------------------*/

static void test_journal_faults__a_bad_head_file_keeps_the_old(void **state)
{
    struct hg_journal_head head;
    struct hg_journal_head stored;
    struct rig rig;
    int64_t good = 0;
    bool has_failed = true;

    (void)state;
    rig_start(&rig, 0);
    rig_append(&rig, 1, 1);
    rig_wait_durable(&rig, 1, "first");
    assert_int_equal(hg_journal_sign_head(rig.journal, AT_MS, &head), HG_OK);
    hg_journal_store_head(rig.journal, &head);
    assert_int_equal(hg_journal_flush(rig.journal, 20000), HG_OK);
    for (; has_failed; good++) {
        size_t len;
        char *text;

        faulty_disk_arm(&rig.disk, ~(1U << FAULT_CLOSE), good, 1);
        hg_journal_store_head(rig.journal, &head);
        assert_int_equal(hg_journal_flush(rig.journal, 20000), HG_OK);
        rig_poll(&rig, "head");
        has_failed = faulty_disk_failed(&rig.disk) != 0;
        HG_CHECK_EQ("head", rig.news.has_head_failed, has_failed);
        HG_CHECK_EQ("head", strstr(rig.news.text, "head.json") != NULL,
                    has_failed);
        text = journal_dir_read(&rig.made, "head.json", &len);
        HG_CHECK_EQ("head", hg_journal_head_parse(text, len, &stored), HG_OK);
        free(text);
    }
    assert_true(good > 5); /* open, write, sync, rename, folder */
    assert_int_equal(rig.failed, 0);
    faulty_disk_heal(&rig.disk);
    rig_end(&rig);
}

/* -- opening -------------------------------------------------------------*/

/* Open with one bad call. Returns false when nothing failed. */
static bool try_open(const struct journal_dir *made, int64_t good)
{
    struct hg_journal_options options = { .dir = made->dir };
    struct hg_journal *const untouched = (struct hg_journal *)&options;
    char problem[HG_JOURNAL_TEXT_BYTES];
    struct hg_journal *journal = untouched;
    struct hg_journal_opened opened;
    struct faulty_disk disk;
    struct hg_journal_io io;
    bool has_failed;
    int err;

    faulty_disk_init(&disk);
    io = faulty_disk_io(&disk);
    options.io = &io;
    faulty_disk_arm(&disk, ~(1U << FAULT_CLOSE), good, 1);
    err = hg_journal_open(&options, problem, &opened, &journal);
    has_failed = faulty_disk_failed(&disk) != 0;
    HG_CHECK_EQ("open", err, has_failed ? HG_ERR_SYSTEM : HG_OK);
    HG_CHECK_EQ("problem", problem[0] != '\0', has_failed);
    if (has_failed)
        assert_ptr_equal(journal, untouched);
    else
        hg_journal_free(journal);
    faulty_disk_release(&disk);
    return has_failed;
}

static void test_journal_faults__opening_fails_and_can_be_repeated(void **state)
{
    struct hg_journal_verify_options options = { 0 };
    struct hg_journal_report report;
    struct journal_dir made;
    char *text;
    size_t len;

    (void)state;
    /* a new folder: key pair */
    for (int64_t good = 0, failed = 1; failed; good++) {
        journal_dir_make(&made);
        failed = try_open(&made, good);
        HG_CHECK_FALSE("repeated", try_open(&made, 1000));
        assert_true(failed || good > 8);
        journal_dir_remove(&made);
    }
    /* a torn line: nothing else is cut */
    journal_dir_make(&made);
    options.dir = made.dir;
    journal_dir_fill(&made, 3, 0);
    text = journal_dir_read(&made, "journal-000000000001.jsonl", &len);
    for (int64_t good = 0, failed = 1; failed; good++) {
        journal_dir_write(&made, "journal-000000000001.jsonl", text, len - 2);
        failed = try_open(&made, good);
        HG_CHECK_FALSE("repeated", try_open(&made, 1000));
        HG_CHECK_EQ("whole", hg_journal_verify(&options, &report),
                    HG_ERR_CORRUPT); /* head.json speaks of record 3 */
        HG_CHECK_EQ("whole", report.last_n, 2);
        assert_true(failed || good >= 3);
    }
    free(text);
    journal_dir_remove(&made);
}

/* -- load ----------------------------------------------------------------*/

static void test_journal_faults__a_flaky_disk_under_load(void **state)
{
    struct rig rig;
    uint64_t n = 1;
    uint32_t dice = 20260109; /* fixed: the schedule varies by itself */

    (void)state;
    rig_start(&rig, 100);
    while (n <= 3000) {
        if (n % 50 == 1) {
            dice = dice * 1664525U + 1013904223U;
            faulty_disk_arm(&rig.disk, ALL_OPS, dice >> 8 & 7, dice >> 16 & 3);
        }
        if (journal_dir_append(rig.journal, n) == HG_OK) {
            n++;
            continue;
        }
        bell_wait(&rig.bell, &rig.heard);
        rig_poll(&rig, "load");
    }
    rig_wait_durable(&rig, 3000, "load");
    assert_int_equal(rig.news.durable_n, 3000);
    hg_journal_free(rig.journal);
    rig.journal = NULL;
    rig_check_disk(&rig, 3000, "load");
    rig_end(&rig);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_journal_faults__each_call_fails_once),
        cmocka_unit_test(test_journal_faults__each_call_fails_with_the_next),
        cmocka_unit_test(test_journal_faults__each_call_fails_for_good),
        cmocka_unit_test(test_journal_faults__a_full_queue_refuses_and_goes_on),
        cmocka_unit_test(test_journal_faults__a_full_disk_leaves_whole_lines),
        cmocka_unit_test(test_journal_faults__durable_records_must_not_vanish),
        cmocka_unit_test(
            test_journal_faults__a_vanished_file_is_not_begun_anew),
        cmocka_unit_test(test_journal_faults__only_durable_records_are_read),
        cmocka_unit_test(test_journal_faults__a_bad_head_file_keeps_the_old),
        cmocka_unit_test(
            test_journal_faults__opening_fails_and_can_be_repeated),
        cmocka_unit_test(test_journal_faults__a_flaky_disk_under_load),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
