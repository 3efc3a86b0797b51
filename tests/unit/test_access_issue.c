/* Codes issued, rotated and revoked, also when the disk says no. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/access.h"
#include "test_access_fixture.h"

#define HERE "192.0.2.1"

static size_t count_sessions(const struct fixture *fixture)
{
    struct hg_access_counts counts;

    hg_access_count(fixture->access, fixture->tick, &counts);
    return counts.sessions;
}

static struct hg_access_result rotate_now(struct fixture *fixture,
                                          const struct hg_access_issue *issue)
{
    struct hg_access_result result;

    assert_int_equal(hg_access_begin_rotate(fixture->access, issue,
                                            fixture->tick, &fixture->why),
                     0);
    result = next(fixture);
    assert_int_equal(result.kind, HG_ACCESS_KIND_ROTATE);
    assert_int_equal(result.request, issue->request);
    return result;
}

static void test_access_issue__shows_a_durable_code_once(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = guest(fixture, BOTH, 3);
    struct hg_access_result result = issue_now(fixture, &issue);
    char code[HG_CODE_TEXT_BYTES];
    char id[HG_ID_BYTES];

    assert_int_equal(result.outcome, HG_ACCESS_ISSUED);
    assert_int_equal(result.credential->room_count, 2); /* heron came twice */
    assert_int_equal(result.ended.count, 0);
    assert_string_equal(result.token, "");
    memcpy(code, result.code, sizeof(code));
    memcpy(id, result.actor.id, sizeof(id));
    hg_access_result_release(&result);
    assert_string_equal(result.code, "");

    hg_access_free(fixture->access);
    assert_int_equal(open_access(fixture), 0);
    assert_int_equal(sign_in(fixture, code, HERE, NULL), HG_ACCESS_SIGNED_IN);
    assert_non_null(hg_access_find(fixture->access, id));
}

/* Neither the code nor its secret is in the file. */
static void test_access_issue__stores_no_secret(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = staff(fixture, HG_ROLE_INTEGRATOR);
    struct hg_access_result result = issue_now(fixture, &issue);
    struct hg_access_file file = { fixture->dir, HG_CREDENTIALS_NAME };
    struct hg_code code;
    char *text = NULL;
    size_t len;

    assert_int_equal(hg_access_file_read(&file, 1 << 20, &text, &len), 0);
    assert_int_equal(hg_code_parse(result.code, &code), 0);

    assert_non_null(strstr(text, result.actor.id));
    assert_null(strstr(text, code.secret));
    assert_null(strstr(text, result.token + 10));
    free(text);
    hg_access_result_release(&result);
}

#define REFUSED 12

static const struct {
    const char *label;
    int want;
    const char *said;
} REFUSALS[REFUSED] = {
    { "no rooms", HG_ERR_RANGE, "1 to 64 rooms" },
    { "65 rooms", HG_ERR_RANGE, "1 to 64 rooms" },
    { "an odd name", HG_ERR_INPUT, "\"Heron\" is no name" },
    { "a guest everywhere", HG_ERR_INPUT, "list of rooms" },
    { "no role", HG_ERR_INPUT, "role must be" },
    { "the gateway's role", HG_ERR_INPUT, "role must be" },
    { "an end before the start", HG_ERR_RANGE, "end after it begins" },
    { "over already", HG_ERR_RANGE, "over already" },
    { "367 days", HG_ERR_RANGE, "at most 366 days" },
    { "a long label", HG_ERR_INPUT, "80 bytes" },
    { "a label with a newline", HG_ERR_INPUT, "plain text" },
    { "a label of bad UTF-8", HG_ERR_INPUT, "plain text" },
};

/* One room more than there may be. */
static const char *const *many_rooms(void)
{
    static char name[HG_CREDENTIAL_ROOMS + 1][8];
    static const char *names[HG_CREDENTIAL_ROOMS + 1];

    for (size_t i = 0; i < HG_COUNT(names); i++) {
        (void)snprintf(name[i], sizeof(name[i]), "room%zu", i);
        names[i] = name[i];
    }
    return names;
}

/* In the order of REFUSALS. */
static void spoil(struct hg_access_issue issue[REFUSED])
{
    static const char *const ODD[] = { "Heron" };

    issue[0].room_count = 0;
    issue[1].rooms = many_rooms();
    issue[1].room_count = HG_CREDENTIAL_ROOMS + 1;
    issue[2].rooms = ODD;
    issue[3].is_all_rooms = true;
    issue[4].role = HG_ROLE_NONE;
    issue[5].role = HG_ROLE_GATEWAY;
    issue[6].from_ms = issue[6].until_ms;
    issue[7].from_ms = NOW_MS - 2;
    issue[7].until_ms = NOW_MS;
    issue[8].until_ms = issue[8].from_ms + 367 * DAY_MS;
    issue[9].label = "123456789 123456789 123456789 123456789 "
                     "123456789 123456789 123456789 123456789 1";
    issue[10].label = "two\nlines";
    issue[11].label = "\xff";
}

static void test_access_issue__refuses_what_may_not_be(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue[REFUSED];

    for (size_t i = 0; i < REFUSED; i++)
        issue[i] = guest(fixture, HERON, 1);
    spoil(issue);
    for (size_t i = 0; i < REFUSED; i++) {
        hg_buf_init(&fixture->why, fixture->said, sizeof(fixture->said));
        HG_CHECK_EQ(REFUSALS[i].label,
                    hg_access_begin_issue(fixture->access, &issue[i],
                                          fixture->tick, &fixture->why),
                    REFUSALS[i].want);
        if (strstr(fixture->said, REFUSALS[i].said) == NULL)
            fail_msg("[%s] %s", REFUSALS[i].label, fixture->said);
    }
}

static void test_access_issue__takes_the_most_there_may_be(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue =
        guest(fixture, many_rooms(), HG_CREDENTIAL_ROOMS);
    struct hg_access_result result;

    issue.label = "123456789 123456789 123456789 123456789 "
                  "123456789 123456789 123456789 1234567890";
    issue.until_ms = issue.from_ms + 366 * DAY_MS;
    result = issue_now(fixture, &issue);

    assert_int_equal(result.outcome, HG_ACCESS_ISSUED);
    assert_int_equal(result.credential->room_count, HG_CREDENTIAL_ROOMS);
    hg_access_result_release(&result);
    hg_access_free(fixture->access);
    assert_int_equal(open_access(fixture), 0);
}

static void test_access_issue__rotation_ends_the_old_party(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue both = guest(fixture, BOTH, 2);
    struct hg_access_issue other = guest(fixture, OTTER, 1);
    struct hg_access_issue fresh = guest(fixture, HERON, 1);
    struct hg_access_result old[3] = {
        issue_guest(fixture),
        issue_now(fixture, &both),
        issue_now(fixture, &other),
    };
    char token[3][HG_TOKEN_TEXT_BYTES];
    struct hg_access_result result;

    for (size_t i = 0; i < 3; i++)
        assert_int_equal(sign_in(fixture, old[i].code, HERE, token[i]),
                         HG_ACCESS_SIGNED_IN);
    result = rotate_now(fixture, &fresh);

    assert_int_equal(result.outcome, HG_ACCESS_ISSUED);
    assert_int_equal(result.ended.count, 2);
    assert_int_equal(count_sessions(fixture), 1);
    for (size_t i = 0; i < 2; i++) {
        assert_true(strcmp(result.ended.id[0], old[i].actor.id) == 0 ||
                    strcmp(result.ended.id[1], old[i].actor.id) == 0);
        assert_int_equal(sign_in_token(fixture, token[i]), HG_ACCESS_WRONG);
        assert_int_equal(sign_in(fixture, old[i].code, HERE, NULL),
                         HG_ACCESS_WRONG);
    }
    assert_int_equal(sign_in_token(fixture, token[2]), HG_ACCESS_SIGNED_IN);
    assert_int_equal(sign_in(fixture, result.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    for (size_t i = 0; i < 3; i++)
        hg_access_result_release(&old[i]);
    hg_access_result_release(&result);
}

/* A code whose hash is under way when its credential ends does not get in. */
static void test_access_issue__a_rotation_overtakes_a_sign_in(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result old = issue_guest(fixture);
    struct hg_access_issue fresh = guest(fixture, HERON, 1);
    uint64_t retry_after_ms = 0;
    struct hg_access_result result;

    assert_int_equal(hg_access_begin_rotate(fixture->access, &fresh,
                                            fixture->tick, &fixture->why),
                     0);
    assert_int_equal(begin(fixture, old.code, HERE, &retry_after_ms),
                     HG_ACCESS_QUEUED);
    result = next(fixture);
    assert_int_equal(result.outcome, HG_ACCESS_ISSUED);
    hg_access_result_release(&result);
    result = next(fixture);

    assert_int_equal(result.outcome, HG_ACCESS_WRONG);
    assert_string_equal(result.token, "");
    hg_access_result_release(&result);
    hg_access_result_release(&old);
}

static void test_access_issue__a_full_disk_changes_nothing(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result old = issue_guest(fixture);
    struct hg_access_issue fresh = guest(fixture, HERON, 1);
    char token[HG_TOKEN_TEXT_BYTES];
    struct hg_access_result result;

    assert_int_equal(sign_in(fixture, old.code, HERE, token),
                     HG_ACCESS_SIGNED_IN);
    fixture->is_disk_full = true;
    result = rotate_now(fixture, &fresh);

    assert_int_equal(result.outcome, HG_ACCESS_FAILED);
    assert_int_equal(result.err, HG_ERR_SYSTEM);
    assert_non_null(strstr(result.why, "No space left"));
    assert_string_equal(result.code, "");
    assert_int_equal(result.ended.count, 0);
    hg_access_result_release(&result);
    hg_buf_init(&fixture->why, fixture->said, sizeof(fixture->said));
    assert_int_equal(hg_access_revoke(fixture->access, old.actor.id,
                                      fixture->tick, &fixture->why),
                     HG_ERR_SYSTEM);
    assert_non_null(strstr(fixture->said, "nothing was changed"));
    assert_int_equal(sign_in_token(fixture, token), HG_ACCESS_SIGNED_IN);

    fixture->is_disk_full = false;
    assert_int_equal(hg_access_revoke(fixture->access, old.actor.id,
                                      fixture->tick, &fixture->why),
                     0);
    assert_int_equal(count_sessions(fixture), 0);
    assert_int_equal(sign_in_token(fixture, token), HG_ACCESS_WRONG);
    hg_access_result_release(&old);
}

static void
test_access_issue__an_integrator_gets_no_token_on_failure(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = staff(fixture, HG_ROLE_INTEGRATOR);
    struct hg_access_result result;

    fixture->is_disk_full = true;
    result = issue_now(fixture, &issue);

    assert_int_equal(result.outcome, HG_ACCESS_FAILED);
    assert_string_equal(result.token, "");
    assert_string_equal(result.code, "");
    hg_access_result_release(&result);
}

static void test_access_issue__only_guests_are_rotated(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = staff(fixture, HG_ROLE_MANAGER);

    assert_int_equal(hg_access_begin_rotate(fixture->access, &issue,
                                            fixture->tick, &fixture->why),
                     HG_ERR_INPUT);
}

static void test_access_issue__revokes_by_the_shown_id(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char typed[HG_ID_BYTES];

    memcpy(typed, issued.actor.id, sizeof(typed));
    typed[0] = 'G';
    for (size_t i = 2; typed[i] != '\0'; i++) {
        if (typed[i] >= 'a' && typed[i] <= 'z')
            typed[i] = (char)(typed[i] - 'a' + 'A');
    }
    assert_int_equal(hg_access_revoke(fixture->access, "g-zzzzz", fixture->tick,
                                      &fixture->why),
                     HG_ERR_NOT_FOUND);
    assert_int_equal(
        hg_access_revoke(fixture->access, "", fixture->tick, &fixture->why),
        HG_ERR_NOT_FOUND);
    assert_int_equal(
        hg_access_revoke(fixture->access, typed, fixture->tick, &fixture->why),
        0);
    assert_int_equal(
        hg_access_revoke(fixture->access, typed, fixture->tick, &fixture->why),
        HG_ERR_NOT_FOUND);
    assert_true(hg_access_find(fixture->access, typed)->is_ended);
    hg_access_result_release(&issued);
}

struct listing {
    size_t count;
    size_t most;
};

static bool list_one(void *arg, const struct hg_credential *credential)
{
    struct listing *listing = arg;

    (void)credential;
    return ++listing->count < listing->most;
}

static void test_access_issue__lists_by_role(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue manager = staff(fixture, HG_ROLE_MANAGER);
    struct hg_access_result issued[3] = {
        issue_guest(fixture),
        issue_guest(fixture),
        issue_now(fixture, &manager),
    };
    const struct {
        const char *label;
        uint32_t roles;
        size_t most, want;
    } ROWS[] = {
        { "guests", 1u << HG_ROLE_GUEST, 9, 2 },
        { "managers", 1u << HG_ROLE_MANAGER, 9, 1 },
        { "all", UINT32_MAX, 9, 3 },
        { "none", 0, 9, 0 },
        { "the first two", UINT32_MAX, 2, 2 },
    };

    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct listing listing = { 0, ROWS[i].most };

        hg_access_list(fixture->access, ROWS[i].roles, list_one, &listing);
        HG_CHECK_EQ(ROWS[i].label, listing.count, ROWS[i].want);
    }
    for (size_t i = 0; i < HG_COUNT(issued); i++)
        hg_access_result_release(&issued[i]);
}

static void test_access_issue__leaves_with_a_code_under_way(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = guest(fixture, HERON, 1);

    for (size_t i = 0; i < 3; i++)
        assert_int_equal(hg_access_begin_issue(fixture->access, &issue,
                                               fixture->tick, &fixture->why),
                         0);
    hg_access_free(fixture->access);
    assert_int_equal(open_access(fixture), 0);
    assert_null(hg_access_find(fixture->access, "g-00000"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH(test_access_issue__shows_a_durable_code_once),
        WITH(test_access_issue__stores_no_secret),
        WITH(test_access_issue__refuses_what_may_not_be),
        WITH(test_access_issue__takes_the_most_there_may_be),
        WITH(test_access_issue__rotation_ends_the_old_party),
        WITH(test_access_issue__a_rotation_overtakes_a_sign_in),
        WITH(test_access_issue__a_full_disk_changes_nothing),
        WITH(test_access_issue__an_integrator_gets_no_token_on_failure),
        WITH(test_access_issue__only_guests_are_rotated),
        WITH(test_access_issue__revokes_by_the_shown_id),
        WITH(test_access_issue__lists_by_role),
        WITH(test_access_issue__leaves_with_a_code_under_way),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
