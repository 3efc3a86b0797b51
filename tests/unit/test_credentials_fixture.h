#ifndef HG_TESTS_TEST_CREDENTIALS_FIXTURE_H
#define HG_TESTS_TEST_CREDENTIALS_FIXTURE_H

/*
 * A store of credentials in a folder of its own, and credentials to put into
 * it. Include after cmocka.h.
 */
#include "access/code.h"
#include "access/credential_json.h"
#include "access/credentials.h"
#include "base/text.h"
#include "check.h"
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define DAY_MS INT64_C(86400000)
#define NOW_MS INT64_C(1764950400000) /* 2025-12-05T16:00:00Z */

static const struct hg_wall NOW = { NOW_MS, true };

struct fixture {
    char dir[64];
    struct hg_credentials *store;
    struct hg_credentials_ended ended;
    struct hg_buf why;
    char said[1024];
};

/* -- the folder ------------------------------------------------------------*/

static const char *path_in(const struct fixture *fixture, const char *name)
{
    static char path[128];

    (void)snprintf(path, sizeof(path), "%s/%s", fixture->dir, name);
    return path;
}

static inline int setup(void **state)
{
    static struct fixture fixture;

    memset(&fixture, 0, sizeof(fixture));
    memcpy(fixture.dir, "/tmp/hg-credentials-XXXXXX", 27);
    if (mkdtemp(fixture.dir) == NULL)
        return -1;
    hg_buf_init(&fixture.why, fixture.said, sizeof(fixture.said));
    *state = &fixture;
    return hg_credentials_open(fixture.dir, NULL, &fixture.why, &fixture.store);
}

static inline int teardown(void **state)
{
    struct fixture *fixture = *state;

    hg_credentials_ended_release(&fixture->ended);
    hg_credentials_free(fixture->store);
    (void)unlink(path_in(fixture, "credentials.json"));
    (void)unlink(path_in(fixture, "credentials.json.new"));
    return rmdir(fixture->dir);
}

static inline void put_file(const struct fixture *fixture, const char *text)
{
    int fd = open(path_in(fixture, "credentials.json"),
                  O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), strlen(text));
    assert_int_equal(close(fd), 0);
}

/* The file's bytes; the caller frees. NULL: there is no file. */
static char *get_file(const struct fixture *fixture)
{
    struct hg_access_file file = { fixture->dir, "credentials.json" };
    char *text = NULL;
    size_t len;
    int err = hg_access_file_read(&file, SIZE_MAX - 1, &text, &len);

    assert_true(err == HG_OK || err == HG_ERR_NOT_FOUND);
    return text;
}

/* Forget what is in memory and load the file. */
static inline int reopen(struct fixture *fixture, const struct hg_access_io *io)
{
    struct hg_credentials *store = NULL;
    int err;

    hg_buf_init(&fixture->why, fixture->said, sizeof(fixture->said));
    err = hg_credentials_open(fixture->dir, io, &fixture->why, &store);
    hg_credentials_free(fixture->store);
    fixture->store = store;
    return err;
}

/* -- credentials -----------------------------------------------------------*/

static char heron[1][HG_CREDENTIAL_ROOM_BYTES] = { "heron" };
static char otter[1][HG_CREDENTIAL_ROOM_BYTES] = { "otter" };
static char both[2][HG_CREDENTIAL_ROOM_BYTES] = { "heron", "otter" };

static inline struct hg_credential staff(enum hg_role role, uint32_t number)
{
    struct hg_credential credential = { .number = number, .role = role };

    hg_code_print_id(number, role, credential.id);
    credential.is_all_rooms = true;
    credential.created_ms = NOW_MS - 1;
    memset(credential.salt, (int)(number % 251), sizeof(credential.salt));
    memset(credential.hash, (int)(number % 241), sizeof(credential.hash));
    return credential;
}

static inline struct hg_credential guest(uint32_t number,
                                         char (*room)[HG_CREDENTIAL_ROOM_BYTES],
                                         size_t room_count)
{
    struct hg_credential credential = staff(HG_ROLE_GUEST, number);

    credential.is_all_rooms = false;
    credential.room = room;
    credential.room_count = room_count;
    credential.has_stay = true;
    credential.from_ms = NOW_MS;
    credential.until_ms = NOW_MS + 3 * DAY_MS;
    return credential;
}

static inline int commit(struct fixture *fixture,
                         const struct hg_credentials_change *change)
{
    hg_credentials_ended_release(&fixture->ended);
    hg_buf_init(&fixture->why, fixture->said, sizeof(fixture->said));
    return hg_credentials_commit(fixture->store, change, &fixture->why,
                                 &fixture->ended);
}

static inline int add(struct fixture *fixture,
                      const struct hg_credential *credential)
{
    struct hg_credentials_change change = { .add = credential, .now = NOW };

    return commit(fixture, &change);
}

static inline int end(struct fixture *fixture, const char *id)
{
    struct hg_credentials_change change = { .end_id = id, .now = NOW };

    return commit(fixture, &change);
}

static inline int rotate(struct fixture *fixture,
                         const struct hg_credential *fresh)
{
    struct hg_credentials_change change = {
        .add = fresh,
        .rotate_room = (const char(*)[HG_CREDENTIAL_ROOM_BYTES])fresh->room,
        .rotate_count = fresh->room_count,
        .now = NOW,
    };

    return commit(fixture, &change);
}

static inline bool is_live(const struct fixture *fixture, uint32_t number)
{
    const struct hg_credential *credential =
        hg_credentials_find(fixture->store, number);

    return credential != NULL && !credential->is_ended;
}

static inline void check_same(const struct hg_credential *a,
                              const struct hg_credential *b)
{
    assert_non_null(a);
    HG_CHECK_EQ(b->id, a->number, b->number);
    HG_CHECK_EQ(b->id, a->role, b->role);
    HG_CHECK_STR(b->id, a->id, b->id);
    HG_CHECK_STR(b->id, a->label, b->label);
    HG_CHECK_EQ(b->id, a->is_all_rooms, b->is_all_rooms);
    HG_CHECK_EQ(b->id, a->room_count, b->room_count);
    for (size_t i = 0; i < b->room_count; i++)
        HG_CHECK_STR(b->id, a->room[i], b->room[i]);
    HG_CHECK_EQ(b->id, a->has_stay, b->has_stay);
    HG_CHECK_EQ(b->id, a->from_ms, b->from_ms);
    HG_CHECK_EQ(b->id, a->until_ms, b->until_ms);
    HG_CHECK_EQ(b->id, a->created_ms, b->created_ms);
    HG_CHECK_EQ(b->id, a->is_ended, b->is_ended);
    HG_CHECK_EQ(b->id, a->ended_ms, b->ended_ms);
    HG_CHECK_EQ(b->id, a->has_token, b->has_token);
    HG_CHECK_BYTES(b->id, a->salt, b->salt, sizeof(b->salt));
    HG_CHECK_BYTES(b->id, a->hash, b->hash, sizeof(b->hash));
    HG_CHECK_BYTES(b->id, a->token_hash, b->token_hash, sizeof(b->token_hash));
}

/* Guests 1 heron, 2 otter, 3 both, 4 heron next week; staff 5. */
static inline void fill(struct fixture *fixture)
{
    struct hg_credential rows[] = {
        guest(1, heron, 1), guest(2, otter, 1),        guest(3, both, 2),
        guest(4, heron, 1), staff(HG_ROLE_MANAGER, 5),
    };

    rows[3].from_ms += 7 * DAY_MS;
    rows[3].until_ms += 7 * DAY_MS;
    for (size_t i = 0; i < HG_COUNT(rows); i++)
        assert_int_equal(add(fixture, &rows[i]), 0);
}

#define WITH(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

#endif
