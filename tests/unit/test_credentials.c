/*
 * The store of credentials: what it writes it reads, rotation ends every
 * other guest, and the rules that each credential keeps.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/credentials.h"
#include "test_credentials_fixture.h"

#define MANY 10000

/* -- what is kept ----------------------------------------------------------*/

static void test_credentials__no_file_is_an_empty_store(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(hg_credentials_count(fixture->store), 0);
    assert_null(hg_credentials_find(fixture->store, 1));
    assert_null(hg_credentials_find_id(fixture->store, "g-00001"));
}

static void test_credentials__reads_what_it_wrote(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential rows[] = {
        staff(HG_ROLE_OWNER, 33554431), guest(7, both, 2),
        staff(HG_ROLE_INTEGRATOR, 5),   staff(HG_ROLE_MANAGER, 0),
        staff(HG_ROLE_CARETAKER, 900),
    };

    memcpy(rows[1].label, "Zoë & \"C\" \\ 1", 15);
    rows[1].from_ms += 7; /* not a whole second */
    rows[2].has_token = true;
    memset(rows[2].token_hash, 9, sizeof(rows[2].token_hash));
    rows[4].is_all_rooms = false;
    rows[4].room = otter;
    rows[4].room_count = 1;
    for (size_t i = 0; i < HG_COUNT(rows); i++)
        assert_int_equal(add(fixture, &rows[i]), 0);

    assert_int_equal(reopen(fixture, NULL), 0);

    assert_int_equal(hg_credentials_count(fixture->store), HG_COUNT(rows));
    for (size_t i = 0; i < HG_COUNT(rows); i++)
        check_same(hg_credentials_find_id(fixture->store, rows[i].id),
                   &rows[i]);
    for (size_t i = 1; i < HG_COUNT(rows); i++)
        assert_true(hg_credentials_at(fixture->store, i - 1)->number <
                    hg_credentials_at(fixture->store, i)->number);
}

static void test_credentials__the_file_is_private(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential row = guest(7, heron, 1);
    struct stat info;

    assert_int_equal(add(fixture, &row), 0);

    assert_int_equal(stat(path_in(fixture, "credentials.json"), &info), 0);
    assert_int_equal(info.st_mode & 07777, 0600);
    assert_int_equal(chmod(path_in(fixture, "credentials.json"), 0640), 0);
    assert_int_equal(reopen(fixture, NULL), HG_ERR_DENIED);
    assert_non_null(strstr(fixture->said, "0600"));
}

static void test_credentials__an_ended_one_keeps_no_hash(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential row = guest(7, heron, 1);
    static const uint8_t ZERO[HG_CREDENTIAL_HASH_BYTES];
    const struct hg_credential *found;
    char *text;

    assert_int_equal(add(fixture, &row), 0);
    assert_int_equal(end(fixture, "g-00007"), 0);
    assert_int_equal(fixture->ended.count, 1);
    assert_string_equal(fixture->ended.id[0], "g-00007");
    text = get_file(fixture);
    assert_non_null(text);
    assert_null(strstr(text, "\"hash\""));
    assert_null(strstr(text, "\"salt\""));
    free(text);

    assert_int_equal(reopen(fixture, NULL), 0);
    found = hg_credentials_find(fixture->store, 7);
    assert_non_null(found);
    assert_true(found->is_ended);
    assert_int_equal(found->ended_ms, NOW_MS);
    assert_memory_equal(found->hash, ZERO, sizeof(ZERO));
    assert_false(hg_credential_may(found, "heron"));
}

static void test_credentials__ends_what_is_live_only(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential row = guest(7, heron, 1);

    assert_int_equal(add(fixture, &row), 0);

    assert_int_equal(end(fixture, "g-00008"), HG_ERR_NOT_FOUND);
    assert_int_equal(end(fixture, "m-00007"), HG_ERR_NOT_FOUND);
    assert_true(is_live(fixture, 7));
    assert_int_equal(end(fixture, "g-00007"), 0);
    assert_int_equal(end(fixture, "g-00007"), HG_ERR_NOT_FOUND);
    assert_non_null(strstr(fixture->said, "no such credential"));
}

static void test_credentials__a_number_is_taken_once(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential row = guest(7, heron, 1);
    struct hg_credential twin = staff(HG_ROLE_MANAGER, 7);

    assert_int_equal(add(fixture, &row), 0);
    assert_int_equal(add(fixture, &twin), HG_ERR_EXISTS);
    assert_int_equal(hg_credentials_count(fixture->store), 1);
    assert_int_equal(hg_credentials_find(fixture->store, 7)->role,
                     HG_ROLE_GUEST);
}

static void test_credentials__rows_go_400_days_after_the_end(void **state)
{
    static const struct {
        const char *label;
        int64_t age_ms;
        bool is_trusted;
        bool is_kept;
    } ROWS[] = {
        { "at 400 days", 400 * DAY_MS, true, true },
        { "past them", 400 * DAY_MS + 1, true, false },
        { "with a clock nobody trusts", 900 * DAY_MS, false, true },
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct hg_credential old = guest(10, heron, 1);
        struct hg_credential fresh = staff(HG_ROLE_MANAGER, 20 + (uint32_t)i);
        struct hg_credential kept = staff(HG_ROLE_OWNER, 30 + (uint32_t)i);
        struct hg_credentials_change change = { .add = &fresh };

        old.number += (uint32_t)i;
        hg_code_print_id(old.number, HG_ROLE_GUEST, old.id);
        kept.created_ms = 0; /* staff has no end, however old */
        assert_int_equal(add(fixture, &old), 0);
        assert_int_equal(add(fixture, &kept), 0);
        change.now.ms = old.until_ms + ROWS[i].age_ms;
        change.now.is_trusted = ROWS[i].is_trusted;
        assert_int_equal(commit(fixture, &change), 0);

        HG_CHECK_EQ(ROWS[i].label,
                    hg_credentials_find(fixture->store, old.number) != NULL,
                    ROWS[i].is_kept);
        HG_CHECK_TRUE(ROWS[i].label,
                      hg_credentials_find(fixture->store, kept.number) != NULL);
    }
}

/* -- rotation --------------------------------------------------------------*/

static void test_credentials__rotation_ends_every_other_guest(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential fresh = guest(9, heron, 1);

    fill(fixture);
    assert_int_equal(rotate(fixture, &fresh), 0);

    assert_int_equal(fixture->ended.count, 3);
    assert_string_equal(fixture->ended.id[0], "g-00001");
    assert_string_equal(fixture->ended.id[1], "g-00003");
    assert_string_equal(fixture->ended.id[2], "g-00004");
    assert_int_equal(reopen(fixture, NULL), 0);
    assert_false(is_live(fixture, 1));
    assert_true(is_live(fixture, 2));
    assert_false(is_live(fixture, 3));
    assert_false(is_live(fixture, 4));
    assert_true(is_live(fixture, 5));
    assert_true(is_live(fixture, 9));
}

static void test_credentials__rotation_of_two_rooms(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential fresh = guest(9, both, 2);

    fill(fixture);
    assert_int_equal(rotate(fixture, &fresh), 0);

    assert_int_equal(fixture->ended.count, 4);
    assert_true(is_live(fixture, 5));
    assert_true(is_live(fixture, 9));
}

/* -- rules -----------------------------------------------------------------*/

static void test_credentials__limits_of_a_stay(void **state)
{
    static const struct {
        const char *label;
        int64_t from_ms, until_ms;
        int want;
    } ROWS[] = {
        { "a millisecond", 0, 1, 0 },
        { "nothing", 5, 5, HG_ERR_RANGE },
        { "366 days", 0, 366 * DAY_MS, 0 },
        { "a little more", 0, 366 * DAY_MS + 1, HG_ERR_RANGE },
        { "before 1970", -1, 5, HG_ERR_RANGE },
        { "the end of time", INT64_MAX - 1, INT64_MAX, HG_ERR_RANGE },
        { "from one end to the other", INT64_MIN, INT64_MAX, HG_ERR_RANGE },
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct hg_credential row = guest(7, heron, 1);

        row.from_ms = ROWS[i].from_ms;
        row.until_ms = ROWS[i].until_ms;
        HG_CHECK_EQ(ROWS[i].label, hg_credential_check(&row, &fixture->why),
                    ROWS[i].want);
    }
}

static void test_credentials__where_a_moment_lies(void **state)
{
    struct hg_credential row = guest(7, heron, 1);
    struct hg_credential manager = staff(HG_ROLE_MANAGER, 8);
    const struct {
        const char *label;
        const struct hg_credential *who;
        struct hg_wall at;
        enum hg_credential_stay want;
    } ROWS[] = {
        { "just before", &row, { NOW_MS - 1, true }, HG_STAY_BEFORE },
        { "the first moment", &row, { NOW_MS, true }, HG_STAY_INSIDE },
        { "the last", &row, { row.until_ms - 1, true }, HG_STAY_INSIDE },
        { "at its end", &row, { row.until_ms, true }, HG_STAY_AFTER },
        { "no trust", &row, { NOW_MS, false }, HG_STAY_UNTRUSTED },
        { "staff, no trust", &manager, { 0, false }, HG_STAY_INSIDE },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++)
        HG_CHECK_EQ(ROWS[i].label, hg_credential_stay(ROWS[i].who, ROWS[i].at),
                    ROWS[i].want);
}

static void test_credentials__rooms_are_whole_names(void **state)
{
    struct hg_credential row = guest(7, heron, 1);
    struct hg_credential manager = staff(HG_ROLE_MANAGER, 8);

    (void)state;
    assert_true(hg_credential_may(&row, "heron"));
    assert_false(hg_credential_may(&row, "hero"));
    assert_false(hg_credential_may(&row, "heron-2"));
    assert_false(hg_credential_may(&row, "*"));
    assert_true(hg_credential_may(&manager, "otter"));
    manager.is_ended = true;
    assert_false(hg_credential_may(&manager, "otter"));
}

/* -- size ------------------------------------------------------------------*/

static double seconds(void)
{
    struct timespec now;

    assert_int_equal(clock_gettime(CLOCK_MONOTONIC, &now), 0);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

/* Write a file of count guests without going through a commit for each. */
static void put_many(const struct fixture *fixture, uint32_t count)
{
    int fd = open(path_in(fixture, "credentials.json"),
                  O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    FILE *file = fdopen(fd, "w");

    assert_non_null(file);
    (void)fputs(HG_CREDENTIALS_HEAD, file);
    for (uint32_t i = 0; i < count; i++) {
        struct hg_credential row = guest(2 * i, i % 2 ? heron : otter, 1);
        char *line = NULL;

        assert_int_equal(hg_credential_to_line(&row, &line), 0);
        (void)fprintf(file, "%s%s\n", line, i + 1 < count ? "," : "");
        free(line);
    }
    (void)fputs(HG_CREDENTIALS_TAIL, file);
    assert_int_equal(fclose(file), 0);
}

static void test_credentials__holds_10000_guests(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential fresh = guest(1, heron, 1);
    double start;
    double loaded;
    double saved;

    put_many(fixture, MANY);
    start = seconds();
    assert_int_equal(reopen(fixture, NULL), 0);
    loaded = seconds();
    assert_int_equal(add(fixture, &fresh), 0);
    saved = seconds();
    print_message("%d guests: load %.1f ms, save %.1f ms\n", MANY,
                  (loaded - start) * 1e3, (saved - loaded) * 1e3);

    assert_int_equal(hg_credentials_count(fixture->store), MANY + 1);
    assert_int_equal(rotate(fixture, &(struct hg_credential) { 0 }),
                     HG_ERR_INPUT);
    fresh = guest(3, heron, 1);
    assert_int_equal(rotate(fixture, &fresh), 0);
    assert_int_equal(fixture->ended.count, MANY / 2 + 1);
}

static void test_credentials__stops_at_100000(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential fresh = guest(1, heron, 1);
    struct hg_credential next = guest(3, heron, 1);

    put_many(fixture, HG_CREDENTIALS_MAX - 1);
    assert_int_equal(reopen(fixture, NULL), 0);
    assert_int_equal(add(fixture, &fresh), 0);
    assert_int_equal(add(fixture, &next), HG_ERR_FULL);
    assert_int_equal(hg_credentials_count(fixture->store), HG_CREDENTIALS_MAX);
    put_many(fixture, HG_CREDENTIALS_MAX + 1);
    assert_int_equal(reopen(fixture, NULL), HG_ERR_RANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH(test_credentials__no_file_is_an_empty_store),
        WITH(test_credentials__reads_what_it_wrote),
        WITH(test_credentials__the_file_is_private),
        WITH(test_credentials__an_ended_one_keeps_no_hash),
        WITH(test_credentials__ends_what_is_live_only),
        WITH(test_credentials__a_number_is_taken_once),
        WITH(test_credentials__rows_go_400_days_after_the_end),
        WITH(test_credentials__rotation_ends_every_other_guest),
        WITH(test_credentials__rotation_of_two_rooms),
        WITH(test_credentials__limits_of_a_stay),
        WITH(test_credentials__where_a_moment_lies),
        WITH(test_credentials__rooms_are_whole_names),
        WITH(test_credentials__holds_10000_guests),
        WITH(test_credentials__stops_at_100000),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
