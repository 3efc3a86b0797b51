#ifndef HG_TESTS_TEST_ACCESS_FIXTURE_H
#define HG_TESTS_TEST_ACCESS_FIXTURE_H

/*
 * The access unit in a folder of its own, with a clock that the test sets.
 * Waiting is for the hasher's wake-up, never by sleeping. Include after
 * cmocka.h.
 */
#include "access/access.h"
#include "base/sat.h"
#include "base/text.h"
#include "check.h"
#include <errno.h>
#include <fcntl.h>
#include <semaphore.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

#define HOUR_MS INT64_C(3600000)
#define DAY_MS  (24 * HOUR_MS)
#define NOW_MS  INT64_C(1764950400000) /* 2025-12-05T16:00:00Z */

struct fixture {
    char dir[64];
    struct hg_access *access;
    struct hg_tick tick;
    sem_t ready;
    uint64_t last_request;
    bool is_disk_full;
    struct hg_access_io io;
    struct hg_buf why;
    char said[512];
};

static inline void wake(void *wake_arg)
{
    struct fixture *fixture = wake_arg;

    (void)sem_post(&fixture->ready);
}

/* The disk is full when the test says so. */
static inline int open_unless_full(void *arg, const char *path, int flags,
                                   mode_t mode)
{
    const struct fixture *fixture = arg;

    if (fixture->is_disk_full) {
        errno = ENOSPC;
        return -1;
    }
    return open(path, flags, mode);
}

static inline int open_access(struct fixture *fixture)
{
    struct hg_access_setup setup = { fixture->dir, wake, fixture,
                                     &fixture->io };

    hg_buf_init(&fixture->why, fixture->said, sizeof(fixture->said));
    return hg_access_open(&setup, &fixture->why, &fixture->access);
}

static inline int setup(void **state)
{
    static struct fixture fixture;

    memset(&fixture, 0, sizeof(fixture));
    memcpy(fixture.dir, "/tmp/hg-access-XXXXXX", 22);
    if (mkdtemp(fixture.dir) == NULL || sem_init(&fixture.ready, 0, 0) < 0)
        return -1;
    fixture.tick.mono.ms = 90000;
    fixture.tick.wall.ms = NOW_MS;
    fixture.tick.wall.is_trusted = true;
    fixture.io = hg_access_io_system;
    fixture.io.arg = &fixture;
    fixture.io.open = open_unless_full;
    *state = &fixture;
    return open_access(&fixture);
}

static inline int teardown(void **state)
{
    struct fixture *fixture = *state;
    char path[128];

    hg_access_free(fixture->access);
    (void)sem_destroy(&fixture->ready);
    (void)snprintf(path, sizeof(path), "%s/credentials.json", fixture->dir);
    (void)unlink(path);
    return rmdir(fixture->dir);
}

/* Both clocks go on. */
static inline void pass_ms(struct fixture *fixture, uint64_t ms)
{
    fixture->tick.mono = hg_mono_add(fixture->tick.mono, ms);
    fixture->tick.wall.ms += (int64_t)ms;
}

/* The next result; half a minute without one fails the test. */
static inline struct hg_access_result next(struct fixture *fixture)
{
    struct hg_access_result result;
    struct timespec limit;

    assert_int_equal(clock_gettime(CLOCK_REALTIME, &limit), 0);
    limit.tv_sec += 30;
    assert_int_equal(sem_timedwait(&fixture->ready, &limit), 0);
    assert_true(hg_access_poll(fixture->access, fixture->tick, &result));
    assert_int_equal(result.kind == HG_ACCESS_KIND_NONE, 0);
    return result;
}

static inline enum hg_access_outcome begin(struct fixture *fixture,
                                           const char *code,
                                           const char *address,
                                           uint64_t *ret_retry_after_ms)
{
    struct hg_access_sign_in ask = { ++fixture->last_request, code, address,
                                     false };

    return hg_access_begin_sign_in(fixture->access, &ask, fixture->tick,
                                   ret_retry_after_ms);
}

/* A whole sign-in; the session token is copied out if token is not NULL. */
static inline enum hg_access_outcome sign_in(struct fixture *fixture,
                                             const char *code,
                                             const char *address, char *token)
{
    uint64_t retry_after_ms = 0;
    enum hg_access_outcome outcome =
        begin(fixture, code, address, &retry_after_ms);
    struct hg_access_result result;

    if (outcome != HG_ACCESS_QUEUED)
        return outcome;
    result = next(fixture);
    outcome = result.outcome;
    assert_int_equal(result.request, fixture->last_request);
    assert_int_equal(result.kind, HG_ACCESS_KIND_SIGN_IN);
    assert_int_equal(result.token[0] != '\0', outcome == HG_ACCESS_SIGNED_IN);
    if (token != NULL)
        memcpy(token, result.token, sizeof(result.token));
    hg_access_result_release(&result);
    return outcome;
}

static inline enum hg_access_outcome sign_in_token(struct fixture *fixture,
                                                   const char *token)
{
    const struct hg_credential *credential = NULL;
    enum hg_access_outcome outcome = hg_access_sign_in_token(
        fixture->access, token, fixture->tick, &credential);

    assert_int_equal(credential != NULL, outcome == HG_ACCESS_SIGNED_IN);
    return outcome;
}

static const char *const HERON[] = { "heron" };
static const char *const OTTER[] = { "otter" };
static const char *const BOTH[] = { "heron", "otter", "heron" };

/* A guest's code for three days from now. */
static inline struct hg_access_issue
guest(struct fixture *fixture, const char *const *rooms, size_t room_count)
{
    struct hg_access_issue issue = {
        .request = ++fixture->last_request,
        .role = HG_ROLE_GUEST,
        .rooms = rooms,
        .room_count = room_count,
        .from_ms = fixture->tick.wall.ms,
        .until_ms = fixture->tick.wall.ms + 3 * DAY_MS,
        .label = "a party of four",
    };

    return issue;
}

/* Somebody of the staff, for all rooms. */
static inline struct hg_access_issue staff(struct fixture *fixture,
                                           enum hg_role role)
{
    struct hg_access_issue issue = {
        .request = ++fixture->last_request,
        .role = role,
        .is_all_rooms = true,
    };

    return issue;
}

static inline struct hg_access_result
issue_now(struct fixture *fixture, const struct hg_access_issue *issue)
{
    struct hg_access_result result;

    assert_int_equal(hg_access_begin_issue(fixture->access, issue,
                                           fixture->tick, &fixture->why),
                     0);
    result = next(fixture);
    assert_int_equal(result.request, issue->request);
    assert_int_equal(result.kind, HG_ACCESS_KIND_ISSUE);
    return result;
}

/* A guest for heron, issued; the caller releases. */
static inline struct hg_access_result issue_guest(struct fixture *fixture)
{
    struct hg_access_issue issue = guest(fixture, HERON, 1);
    struct hg_access_result result = issue_now(fixture, &issue);

    assert_int_equal(result.outcome, HG_ACCESS_ISSUED);
    return result;
}

/* A code of the right form and the wrong secret. */
static inline void make_wrong(const char *right, char wrong[HG_CODE_TEXT_BYTES])
{
    struct hg_code code;

    assert_int_equal(hg_code_parse(right, &code), 0);
    code.secret[3] = code.secret[3] == '7' ? '8' : '7';
    hg_code_print(&code, wrong);
}

/* A code of an id that nobody has, mostly: one of 2^25. */
static inline void make_stranger(uint32_t number, char text[HG_CODE_TEXT_BYTES])
{
    struct hg_code code = { number, "0123456789A" };

    hg_code_print(&code, text);
}

#define WITH(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

#endif
