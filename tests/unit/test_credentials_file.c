/*
 * The file of credentials: a change is whole or not at all whichever step of
 * the disk fails, and a file that is not understood is refused with its line.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/credentials.h"
#include "test_credentials_fixture.h"

#define STEPS 9 /* system calls of one replacement */

/* -- a disk that fails -----------------------------------------------------*/

struct faults {
    unsigned at;      /* which call fails, from 1 */
    bool is_for_good; /* and all after it */
    bool is_short;    /* writes take half */
    unsigned calls;
    int error;
};

static bool fails(struct faults *faults)
{
    faults->calls++;
    if (faults->at == 0 || faults->calls < faults->at ||
        (faults->calls > faults->at && !faults->is_for_good))
        return false;
    errno = faults->error;
    return true;
}

static int faulty_open(void *arg, const char *path, int flags, mode_t mode)
{
    return fails(arg) ? -1 : open(path, flags, mode);
}

static ssize_t faulty_write(void *arg, int fd, const void *bytes, size_t len)
{
    struct faults *faults = arg;

    if (fails(faults))
        return -1;
    return write(fd, bytes, faults->is_short && len > 1 ? len / 2 : len);
}

static int faulty_fsync(void *arg, int fd)
{
    return fails(arg) ? -1 : fsync(fd);
}

/* The descriptor goes either way, as with the real one on Linux. */
static int faulty_close(void *arg, int fd)
{
    int rc = close(fd);

    return fails(arg) ? -1 : rc;
}

static int faulty_rename(void *arg, const char *from, const char *to)
{
    return fails(arg) ? -1 : rename(from, to);
}

static int faulty_unlink(void *arg, const char *path)
{
    return fails(arg) ? -1 : unlink(path);
}

static struct hg_access_io faulty(struct faults *faults)
{
    struct hg_access_io io = {
        faults,       faulty_open,   faulty_write,  faulty_fsync,
        faulty_close, faulty_rename, faulty_unlink,
    };

    return io;
}

/* Memory holds what fill() made, and nothing else. */
static void check_as_filled(const char *label, const struct fixture *fixture)
{
    HG_CHECK_EQ(label, hg_credentials_count(fixture->store), 5);
    for (uint32_t number = 1; number <= 5; number++)
        HG_CHECK_TRUE(label, is_live(fixture, number));
}

/*
 * Step by step, once and for good: the rotation fails, memory is as before,
 * the file is the old one or (after the rename) the whole new one.
 */
static void fail_step(struct fixture *fixture, unsigned step, bool is_for_good)
{
    struct faults faults = { .error = ENOSPC };
    struct hg_access_io io = faulty(&faults);
    struct hg_credential fresh = guest(9, heron, 1);
    char label[64];
    char *before = get_file(fixture);
    char *after;

    (void)snprintf(label, sizeof(label), "step %u%s", step,
                   is_for_good ? " and on" : "");
    HG_CHECK_EQ(label, reopen(fixture, &io), 0);
    faults.at = step;
    faults.is_for_good = is_for_good;

    HG_CHECK_EQ(label, rotate(fixture, &fresh), HG_ERR_SYSTEM);

    HG_CHECK_TRUE(label, strstr(fixture->said, "nothing was changed") != NULL);
    HG_CHECK_TRUE(label, strstr(fixture->said, "No space left") != NULL);
    HG_CHECK_EQ(label, fixture->ended.count, 0);
    check_as_filled(label, fixture);
    after = get_file(fixture);
    if (step <= 6) {
        HG_CHECK_STR(label, after, before);
    } else {
        HG_CHECK_EQ(label, reopen(fixture, NULL), 0);
        HG_CHECK_TRUE(label, is_live(fixture, 9) && !is_live(fixture, 1));
    }
    put_file(fixture, before);
    free(before);
    free(after);
}

static void test_credentials__survives_every_failing_step(void **state)
{
    struct fixture *fixture = *state;
    struct faults none = { 0 };
    struct hg_access_io io = faulty(&none);
    struct hg_credential fresh = guest(9, heron, 1);

    fill(fixture);
    for (unsigned step = 1; step <= STEPS; step++) {
        fail_step(fixture, step, false);
        fail_step(fixture, step, true);
    }

    /* and STEPS is all there is */
    assert_int_equal(reopen(fixture, &io), 0);
    assert_int_equal(rotate(fixture, &fresh), 0);
    assert_int_equal(none.calls, STEPS);
}

static void test_credentials__goes_on_after_a_failure(void **state)
{
    struct fixture *fixture = *state;
    struct faults faults = { .error = EIO };
    struct hg_access_io io = faulty(&faults);
    struct hg_credential fresh = guest(9, heron, 1);

    fill(fixture);
    assert_int_equal(reopen(fixture, &io), 0);
    faults.at = 4;
    assert_int_equal(rotate(fixture, &fresh), HG_ERR_SYSTEM);
    assert_int_equal(end(fixture, "g-00002"), 0);
    assert_int_equal(rotate(fixture, &fresh), 0);

    assert_int_equal(fixture->ended.count, 3);
    assert_int_equal(reopen(fixture, NULL), 0);
    assert_true(is_live(fixture, 9));
    assert_false(is_live(fixture, 2));
}

static void test_credentials__short_writes_are_completed(void **state)
{
    struct fixture *fixture = *state;
    struct faults faults = { .is_short = true };
    struct hg_access_io io = faulty(&faults);
    struct hg_credential fresh = guest(9, heron, 1);

    fill(fixture);
    assert_int_equal(reopen(fixture, &io), 0);
    assert_int_equal(rotate(fixture, &fresh), 0);

    assert_true(faults.calls > STEPS);
    assert_int_equal(reopen(fixture, NULL), 0);
    assert_true(is_live(fixture, 9));
}

static void test_credentials__a_crashed_write_is_cleared_away(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credential row = guest(7, heron, 1);
    int fd = open(path_in(fixture, "credentials.json.new"),
                  O_WRONLY | O_CREAT | O_CLOEXEC, 0666);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, "half a li", 9), 9);
    assert_int_equal(close(fd), 0);

    assert_int_equal(add(fixture, &row), 0);
    assert_int_equal(access(path_in(fixture, "credentials.json.new"), F_OK),
                     -1);
    assert_int_equal(reopen(fixture, NULL), 0);
    assert_true(is_live(fixture, 7));
}

/* -- files that are not understood -----------------------------------------*/

#define SALT "00112233445566778899aabbccddeeff"
#define HASH SALT SALT
#define OWNER                                                                  \
    "{\"id\":\"o-00001\",\"role\":\"owner\",\"rooms\":\"*\",\"label\":\"\","   \
    "\"created_at\":\"2025-12-01T00:00:00Z\",\"salt\":\"" SALT                 \
    "\",\"hash\":\"" HASH "\"}"
#define REST                                                                   \
    "\"created_at\":\"2025-12-01T00:00:00Z\",\"salt\":\"" SALT                 \
    "\",\"hash\":\"" HASH "\"}"
#define GUEST(members) "{\"id\":\"g-00002\",\"role\":\"guest\"," members REST
#define STAY                                                                   \
    "\"from\":\"2025-12-05T15:00:00+01:00\","                                  \
    "\"until\":\"2025-12-07T11:00:00+01:00\","

static const struct {
    const char *label;
    const char *item;
    const char *want;
} MISTAKES[] = {
    { "no object", "7", "must be an object" },
    { "no id", "{\"role\":\"owner\"}", "\"id\" is missing" },
    { "id of another type", "{\"id\":7,\"role\":\"owner\"}",
      "\"id\" must be a string" },
    { "id of another role", "{\"id\":\"o-00002\",\"role\":\"guest\"}",
      "must name a credential" },
    { "a role nobody has", "{\"id\":\"k-00002\",\"role\":\"king\"}",
      "must name a credential" },
    { "the id twice", OWNER, "there twice" },
    { "a stranger", "{\"id\":\"o-00002\",\"may_all\":true}",
      "\"may_all\" is not known" },
    { "no rooms", GUEST("\"label\":\"\"," STAY), "\"rooms\"" },
    { "empty rooms", GUEST("\"rooms\":[],\"label\":\"\"," STAY),
      "1 to 64 names" },
    { "rooms of numbers", GUEST("\"rooms\":[7],\"label\":\"\"," STAY),
      "names of rooms" },
    { "no room's name", GUEST("\"rooms\":[\"Heron\"],\"label\":\"\"," STAY),
      "no name of a room" },
    { "a guest everywhere", GUEST("\"rooms\":\"*\",\"label\":\"\"," STAY),
      "a guest must have a list" },
    { "no stay", GUEST("\"rooms\":[\"heron\"],\"label\":\"\","),
      "must have a stay" },
    { "half a stay",
      GUEST("\"rooms\":[\"heron\"],\"label\":\"\","
            "\"from\":\"2025-12-05T15:00:00Z\","),
      "\"until\" is missing" },
    { "a stay backwards",
      GUEST("\"rooms\":[\"heron\"],\"label\":\"\","
            "\"from\":\"2025-12-05T15:00:00Z\","
            "\"until\":\"2025-12-05T15:00:00Z\","),
      "must end after it begins" },
    { "a bad time",
      GUEST("\"rooms\":[\"heron\"],\"label\":\"\",\"from\":\"today\","),
      "RFC 3339" },
    { "no label", GUEST("\"rooms\":[\"heron\"]," STAY),
      "\"label\" is missing" },
    { "an ended one with a hash",
      GUEST("\"rooms\":[\"heron\"],\"label\":\"\"," STAY
            "\"ended_at\":\"2025-12-06T00:00:00Z\","),
      "must have no" },
    { "a token for a guest",
      GUEST("\"rooms\":[\"heron\"],\"label\":\"\"," STAY
            "\"token_sha256\":\"" HASH "\","),
      "only an integrator" },
    { "a short hash",
      "{\"id\":\"o-00002\",\"role\":\"owner\",\"rooms\":\"*\","
      "\"label\":\"\",\"created_at\":\"2025-12-01T00:00:00Z\","
      "\"salt\":\"" SALT "\",\"hash\":\"" SALT "\"}",
      "64 hex digits" },
};

static void test_credentials__names_the_line_of_a_mistake(void **state)
{
    struct fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(MISTAKES); i++) {
        char text[2048];

        /* a label with brackets, to lead a careless count of lines astray */
        (void)snprintf(text, sizeof(text),
                       "{\"credentials\": [\n"
                       "\n%s,\n\n  %s\n],\n\"v\": 1}\n",
                       "{\"id\":\"o-00001\",\"role\":\"owner\",\n"
                       "\"rooms\":\"*\",\"label\":\"[,{\\\"\"," REST,
                       MISTAKES[i].item);
        put_file(fixture, text);

        HG_CHECK_EQ(MISTAKES[i].label, reopen(fixture, NULL), HG_ERR_CORRUPT);
        if (strstr(fixture->said, "/credentials.json: line 6: ") == NULL ||
            strstr(fixture->said, MISTAKES[i].want) == NULL)
            fail_msg("[%s] %s", MISTAKES[i].label, fixture->said);
        assert_null(fixture->store);
    }
}

static void test_credentials__refuses_another_form(void **state)
{
    static const char *const TEXT[] = {
        "",
        "nothing",
        "[]",
        "{}",
        "{\"v\":1}",
        "{\"v\":2,\"credentials\":[]}",
        "{\"v\":\"1\",\"credentials\":[]}",
        "{\"v\":1,\"credentials\":{}}",
        "{\"v\":1,\"credentials\":[],\"more\":1}",
        "{\"v\":1,\"credentials\":[]} tail",
        "{\"v\":1,\"v\":1,\"credentials\":[]}",
        "{\"v\":1,\"credentials\":[" OWNER "\n",
        "{\"v\":1,\"credentials\":[{\"id\":\"a\\u0000b\"}]}",
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(TEXT); i++) {
        put_file(fixture, TEXT[i]);
        HG_CHECK_EQ(TEXT[i], reopen(fixture, NULL), HG_ERR_CORRUPT);
        HG_CHECK_TRUE(TEXT[i], strstr(fixture->said, ": line 1: ") != NULL ||
                                   strstr(fixture->said, ": line 2: ") != NULL);
    }
}

static void test_credentials__every_cut_file_is_refused(void **state)
{
    struct fixture *fixture = *state;
    char *whole;
    size_t len;

    fill(fixture);
    whole = get_file(fixture);
    len = strlen(whole) - 1; /* only the last newline may be missing */
    for (size_t cut = 0; cut < len; cut++) {
        char kept = whole[cut];

        whole[cut] = '\0';
        put_file(fixture, whole);
        if (reopen(fixture, NULL) != HG_ERR_CORRUPT)
            fail_msg("accepted the first %zu bytes", cut);
        whole[cut] = kept;
    }
    free(whole);
}

static void test_credentials__a_link_or_a_folder_is_no_file(void **state)
{
    struct fixture *fixture = *state;
    const char *path = path_in(fixture, "credentials.json");

    assert_int_equal(symlink("/dev/null", path), 0);
    assert_int_equal(reopen(fixture, NULL), HG_ERR_SYSTEM);
    path = path_in(fixture, "credentials.json");
    assert_int_equal(unlink(path), 0);
    assert_int_equal(mkdir(path, 0700), 0);
    assert_int_equal(reopen(fixture, NULL), HG_ERR_DENIED);
    assert_int_equal(rmdir(path_in(fixture, "credentials.json")), 0);
}

static void test_credentials__names_a_missing_folder(void **state)
{
    struct fixture *fixture = *state;
    struct hg_credentials *store = NULL;

    assert_int_equal(
        hg_credentials_open("/nonexistent/hg", NULL, &fixture->why, &store),
        HG_ERR_SYSTEM);
    assert_non_null(strstr(fixture->said, "/nonexistent/hg"));
    assert_null(store);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH(test_credentials__survives_every_failing_step),
        WITH(test_credentials__goes_on_after_a_failure),
        WITH(test_credentials__short_writes_are_completed),
        WITH(test_credentials__a_crashed_write_is_cleared_away),
        WITH(test_credentials__names_the_line_of_a_mistake),
        WITH(test_credentials__refuses_another_form),
        WITH(test_credentials__every_cut_file_is_refused),
        WITH(test_credentials__a_link_or_a_folder_is_no_file),
        WITH(test_credentials__names_a_missing_folder),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
