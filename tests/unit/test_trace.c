/* The course of a heat: what is kept of it, how much, and its files. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "check.h"
#include "base/text.h"
#include "service/traces.h"
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct hg_trace *new_trace(void)
{
    struct hg_trace *trace = calloc(1, sizeof(*trace));

    assert_non_null(trace);
    trace->period_ms = HG_TRACE_PERIOD_MS;
    snprintf(trace->heat_id, sizeof(trace->heat_id), "h-0123456789abcdef");
    snprintf(trace->room, sizeof(trace->room), "heron");
    snprintf(trace->by, sizeof(trace->by), "guest:g-7k2qf");
    trace->started_ms = 1767979351000;
    return trace;
}

static struct hg_trace_sample at(uint32_t ms)
{
    struct hg_trace_sample sample = { .at_ms = ms,
                                      .air_mc = 20000 + (int32_t)(ms / 1000),
                                      .target_mc = 80000,
                                      .has_permit = true };

    return sample;
}

static void add(struct hg_trace *trace, const struct hg_trace_sample *sample)
{
    assert_int_equal(hg_trace_add(trace, sample), 0);
}

static void test_trace__only_ids_of_heats_name_files(void **state)
{
    static const struct {
        const char *label, *id;
        bool is_one;
    } row[] = {
        { "one", "h-0123456789abcdef", true },
        { "short", "h-0123456789abcde", false },
        { "long", "h-0123456789abcdef0", false },
        { "capitals", "h-0123456789ABCDEF", false },
        { "another kind", "g-0123456789abcdef", false },
        { "a path", "h-../../../passwd", false },
        { "with a slash", "h-0123456789abc/ef", false },
        { "empty", "", false },
        { "the prefix", "h-", false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++)
        HG_CHECK_EQ(row[i].label, hg_trace_is_id(row[i].id), row[i].is_one);
}

static void test_trace__a_sample_each_period_and_at_each_change(void **state)
{
    struct hg_trace *trace = new_trace();
    struct hg_trace_sample sample = at(0);

    (void)state;
    add(trace, &sample);
    sample = at(9999);
    add(trace, &sample);
    HG_CHECK_EQ("below the period", trace->count, 1);
    sample = at(10000);
    add(trace, &sample);
    HG_CHECK_EQ("at the period", trace->count, 2);
    sample = at(10100);
    sample.is_open = true;
    add(trace, &sample);
    HG_CHECK_EQ("the door", trace->count, 3);
    sample.at_ms = 10200;
    sample.has_permit = false;
    add(trace, &sample);
    HG_CHECK_EQ("the permit", trace->count, 4);
    sample.at_ms = 10300;
    sample.target_mc = 70000;
    add(trace, &sample);
    HG_CHECK_EQ("the target", trace->count, 5);
    sample.at_ms = 10400;
    sample.ready_s = 900;
    add(trace, &sample);
    HG_CHECK_EQ("the first forecast", trace->count, 6);
    sample.at_ms = 10500;
    sample.ready_s = 901;
    sample.air_mc++;
    sample.is_on = true;
    add(trace, &sample);
    HG_CHECK_EQ("nothing of that", trace->count, 6);
    hg_trace_free(trace);
}

/* 18 h, the longest there is, at a message every 2 s. */
static void test_trace__is_bounded_and_overlooks_no_door(void **state)
{
    struct hg_trace *trace = new_trace();
    size_t opened = 0;

    (void)state;
    for (uint32_t ms = 0; ms <= 64800000; ms += 2000) {
        struct hg_trace_sample sample = at(ms);

        sample.is_open = ms % 3600000 == 1800000; /* 2 s, once an hour */
        sample.has_permit = !sample.is_open;
        add(trace, &sample);
        assert_true(trace->count <= HG_TRACE_SAMPLES);
    }
    assert_true(trace->count >= HG_TRACE_SAMPLES / 2);
    for (size_t i = 0; i < trace->count; i++) {
        HG_CHECK_EQ("open: no permit", trace->sample[i].is_open,
                    !trace->sample[i].has_permit);
        opened += trace->sample[i].is_open;
        if (i > 0)
            assert_true(trace->sample[i].at_ms > trace->sample[i - 1].at_ms);
    }
    assert_int_equal(trace->sample[0].at_ms, 0);
    assert_int_equal(opened, 18);
    assert_int_equal(trace->period_ms, HG_TRACE_PERIOD_MS * 8);
    hg_trace_free(trace);
}

static void test_trace__a_missing_reading_is_null(void **state)
{
    struct hg_trace *trace = new_trace();
    struct hg_trace_sample sample = at(0);
    struct hg_trace *copy;
    json_t *json, *first;

    (void)state;
    sample.air_mc = HG_TRACE_NO_AIR;
    sample.low_s = 700;
    add(trace, &sample);
    trace->energy_wh = 3120;
    copy = hg_trace_copy(trace);
    hg_trace_free(trace);
    json = hg_trace_json(copy);
    assert_non_null(json);
    assert_true(json_is_null(json_object_get(json, "ended_at")));
    assert_true(json_is_null(json_object_get(json, "end")));
    assert_int_equal(json_array_size(json_object_get(json, "columns")), 9);
    first = json_array_get(json_object_get(json, "samples"), 0);
    assert_int_equal(json_array_size(first), 9);
    assert_true(json_is_null(json_array_get(first, 1)));
    assert_true(json_is_null(json_array_get(first, 6)));
    assert_int_equal(json_integer_value(json_array_get(first, 7)), 700);
    assert_true(
        hg_trace_close_json(json, 1767979951000, HG_WHY_GATEWAY_RESTART));
    assert_string_equal(json_string_value(json_object_get(json, "end")),
                        "gateway-restart");
    assert_string_equal(json_string_value(json_object_get(json, "ended_at")),
                        "2026-01-09T17:32:31Z");
    assert_false(hg_trace_close_json(json, 1767979999000, HG_WHY_STOPPED));
    json_decref(json);
    hg_trace_free(copy);
}

/* -- files ------------------------------------------------------------------
 */

static void put_file(const char *dir, const char *name, const char *text,
                     time_t at_s)
{
    struct timespec when[2] = { { at_s, 0 }, { at_s, 0 } };
    char path[256];
    int fd;

    snprintf(path, sizeof(path), "%s/%s", dir, name);
    fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    assert_int_equal(futimens(fd, when), 0);
    assert_int_equal(close(fd), 0);
}

static bool has_file(const char *dir, const char *name)
{
    char path[256];

    snprintf(path, sizeof(path), "%s/%s", dir, name);
    return access(path, F_OK) == 0;
}

static void begin_dir(char dir[64], char heats[80])
{
    snprintf(dir, 64, "/tmp/heatgate-trace-XXXXXX");
    assert_non_null(mkdtemp(dir));
    snprintf(heats, 80, "%s/%s", dir, HG_TRACES_DIR);
    assert_int_equal(mkdir(heats, 0700), 0);
}

static void end_dir(const char *dir, const char *heats)
{
    static const char *const left[] = { "notes.txt", "h-0000000000000003.json",
                                        "h-0000000000000004.json" };
    char path[256];

    for (size_t i = 0; i < HG_COUNT(left); i++) {
        snprintf(path, sizeof(path), "%s/%s", heats, left[i]);
        (void)unlink(path);
    }
    assert_int_equal(rmdir(heats), 0);
    assert_int_equal(rmdir(dir), 0);
}

static void test_traces__old_and_surplus_files_go_others_stay(void **state)
{
    char dir[64], heats[80], name[48];

    (void)state;
    begin_dir(dir, heats);
    for (int i = 0; i < 5; i++) {
        snprintf(name, sizeof(name), "h-000000000000000%d.json", i);
        put_file(heats, name, "{}", 1000 + i * 100);
    }
    put_file(heats, "notes.txt", "mine", 10);
    put_file(heats, "h-0000000000000009.json.new", "{", 2000);
    HG_CHECK_EQ("none is too old", hg_traces_prune(heats, 5, 1000000), 0);
    HG_CHECK_FALSE("leftover", has_file(heats, "h-0000000000000009.json.new"));
    HG_CHECK_EQ("one too many", hg_traces_prune(heats, 4, 0), 1);
    HG_CHECK_FALSE("the oldest", has_file(heats, "h-0000000000000000.json"));
    HG_CHECK_EQ("older than", hg_traces_prune(heats, 4, 1200001), 2);
    HG_CHECK_TRUE("newer", has_file(heats, "h-0000000000000003.json"));
    HG_CHECK_TRUE("not ours", has_file(heats, "notes.txt"));
    HG_CHECK_EQ("no folder", hg_traces_prune("/nonexistent/heats", 1, 0), 0);
    end_dir(dir, heats);
}

static void test_traces__what_does_not_read_back_is_no_trace(void **state)
{
    json_t *sentinel = json_true(), *trace = sentinel;
    char dir[64], heats[80];

    (void)state;
    begin_dir(dir, heats);
    HG_CHECK_EQ("none", hg_traces_read(dir, "h-0000000000000003", &trace),
                HG_ERR_NOT_FOUND);
    HG_CHECK_EQ("no id", hg_traces_read(dir, "../../x", &trace),
                HG_ERR_NOT_FOUND);
    put_file(heats, "h-0000000000000003.json", "{\"samples\":[[0", 1);
    HG_CHECK_EQ("torn", hg_traces_read(dir, "h-0000000000000003", &trace),
                HG_ERR_CORRUPT);
    put_file(heats, "h-0000000000000004.json", "{\"v\":1}", 1);
    HG_CHECK_EQ("other", hg_traces_read(dir, "h-0000000000000004", &trace),
                HG_ERR_CORRUPT);
    assert_ptr_equal(trace, sentinel);
    end_dir(dir, heats);
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_trace__only_ids_of_heats_name_files),
        cmocka_unit_test(test_trace__a_sample_each_period_and_at_each_change),
        cmocka_unit_test(test_trace__is_bounded_and_overlooks_no_door),
        cmocka_unit_test(test_trace__a_missing_reading_is_null),
        cmocka_unit_test(test_traces__old_and_surplus_files_go_others_stay),
        cmocka_unit_test(test_traces__what_does_not_read_back_is_no_trace),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
