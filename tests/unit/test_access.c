/* Signing in by code and token, slow-down, and what the gate is told. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/access.h"
#include "test_access_fixture.h"

#define HERE  "192.0.2.1"
#define THERE "192.0.2.2"

/* -- by code ---------------------------------------------------------------*/

static void test_access__a_right_code_signs_in(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    uint64_t retry_after_ms = 77;
    struct hg_access_result result;

    assert_int_equal(begin(fixture, issued.code, HERE, &retry_after_ms),
                     HG_ACCESS_QUEUED);
    result = next(fixture);

    assert_int_equal(result.outcome, HG_ACCESS_SIGNED_IN);
    assert_int_equal(result.actor.role, HG_ROLE_GUEST);
    assert_string_equal(result.actor.id, issued.actor.id);
    assert_string_equal(result.credential->label, "a party of four");
    assert_int_equal(result.credential->until_ms, NOW_MS + 3 * DAY_MS);
    assert_int_equal(strncmp(result.token, "hgs_", 4), 0);
    assert_string_equal(result.code, "");
    assert_int_equal(sign_in_token(fixture, result.token), HG_ACCESS_SIGNED_IN);
    assert_int_equal(retry_after_ms, 77);
    hg_access_result_release(&result);
    assert_string_equal(result.token, "");
    hg_access_result_release(&issued);
}

static void test_access__a_wrong_code_names_only_its_claim(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char wrong[HG_CODE_TEXT_BYTES];
    uint64_t retry_after_ms = 0;
    struct hg_access_result result;

    make_wrong(issued.code, wrong);
    assert_int_equal(begin(fixture, wrong, HERE, &retry_after_ms),
                     HG_ACCESS_QUEUED);
    result = next(fixture);

    assert_int_equal(result.outcome, HG_ACCESS_WRONG);
    assert_string_equal(result.actor.id, issued.actor.id);
    assert_null(result.credential);
    assert_string_equal(result.token, "");
    hg_access_result_release(&result);
    hg_access_result_release(&issued);
}

static void test_access__an_unknown_id_is_hashed_all_the_same(void **state)
{
    struct fixture *fixture = *state;
    char stranger[HG_CODE_TEXT_BYTES];
    uint64_t retry_after_ms = 0;
    struct hg_access_result result;

    make_stranger(4711, stranger);
    assert_int_equal(begin(fixture, stranger, HERE, &retry_after_ms),
                     HG_ACCESS_QUEUED);
    result = next(fixture);

    assert_int_equal(result.outcome, HG_ACCESS_WRONG);
    assert_int_equal(result.actor.role, HG_ROLE_NONE);
    assert_string_equal(result.actor.id, "");
    hg_access_result_release(&result);
}

static void test_access__a_typing_mistake_is_no_try(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char typo[HG_CODE_TEXT_BYTES];

    memcpy(typo, issued.code, sizeof(typo));
    typo[7] = typo[7] == '7' ? '8' : '7';
    for (size_t i = 0; i < 50; i++)
        assert_int_equal(sign_in(fixture, typo, HERE, NULL),
                         HG_ACCESS_MALFORMED);

    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&issued);
}

static void test_access__judges_the_stay(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    const struct {
        const char *label;
        struct hg_wall at;
        enum hg_access_outcome want;
    } ROWS[] = {
        { "before", { NOW_MS - 1, true }, HG_ACCESS_OUTSIDE_STAY },
        { "first moment", { NOW_MS, true }, HG_ACCESS_SIGNED_IN },
        { "last moment",
          { NOW_MS + 3 * DAY_MS - 1, true },
          HG_ACCESS_SIGNED_IN },
        { "after", { NOW_MS + 3 * DAY_MS, true }, HG_ACCESS_OUTSIDE_STAY },
        { "no trust", { NOW_MS, false }, HG_ACCESS_CLOCK_UNTRUSTED },
    };
    char token[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(sign_in(fixture, issued.code, HERE, token),
                     HG_ACCESS_SIGNED_IN);
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        fixture->tick.wall = ROWS[i].at;
        HG_CHECK_EQ(ROWS[i].label, sign_in(fixture, issued.code, HERE, NULL),
                    ROWS[i].want);
        HG_CHECK_EQ(ROWS[i].label, sign_in_token(fixture, token), ROWS[i].want);
    }
    hg_access_result_release(&issued);
}

static void test_access__staff_needs_no_clock(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = staff(fixture, HG_ROLE_CARETAKER);
    struct hg_access_result issued = issue_now(fixture, &issue);

    fixture->tick.wall.is_trusted = false;

    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&issued);
}

/* -- slow-down -------------------------------------------------------------*/

static void test_access__slows_down_after_5_wrong_codes(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char wrong[HG_CODE_TEXT_BYTES];
    uint64_t retry_after_ms = 0;

    make_wrong(issued.code, wrong);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(sign_in(fixture, wrong, HERE, NULL), HG_ACCESS_WRONG);

    /* right codes too, from here or from elsewhere */
    assert_int_equal(begin(fixture, issued.code, HERE, &retry_after_ms),
                     HG_ACCESS_SLOW_DOWN);
    assert_int_equal(retry_after_ms, 1000);
    assert_int_equal(begin(fixture, issued.code, THERE, &retry_after_ms),
                     HG_ACCESS_SLOW_DOWN);
    pass_ms(fixture, 999);
    assert_int_equal(begin(fixture, issued.code, HERE, &retry_after_ms),
                     HG_ACCESS_SLOW_DOWN);
    assert_int_equal(retry_after_ms, 1);
    pass_ms(fixture, 1);
    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&issued);
}

static void test_access__the_admin_socket_is_never_slowed(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char wrong[HG_CODE_TEXT_BYTES];
    struct hg_access_sign_in ask = { 1, wrong, NULL, true };
    uint64_t retry_after_ms = 77;

    make_wrong(issued.code, wrong);
    for (size_t i = 0; i < 8; i++) {
        struct hg_access_result result;

        assert_int_equal(hg_access_begin_sign_in(fixture->access, &ask,
                                                 fixture->tick,
                                                 &retry_after_ms),
                         HG_ACCESS_QUEUED);
        result = next(fixture);
        assert_int_equal(result.outcome, HG_ACCESS_WRONG);
        hg_access_result_release(&result);
    }

    assert_int_equal(retry_after_ms, 77);
    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&issued);
}

static void test_access__a_success_does_not_clear_the_address(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result mine = issue_guest(fixture);
    struct hg_access_result victim = issue_guest(fixture);
    char wrong[HG_CODE_TEXT_BYTES];

    make_wrong(victim.code, wrong);
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(sign_in(fixture, wrong, HERE, NULL), HG_ACCESS_WRONG);
    assert_int_equal(sign_in(fixture, mine.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    /* the victim's own sign-in clears the victim's key */
    assert_int_equal(sign_in(fixture, victim.code, THERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    assert_int_equal(sign_in(fixture, wrong, HERE, NULL), HG_ACCESS_WRONG);

    assert_int_equal(sign_in(fixture, mine.code, HERE, NULL),
                     HG_ACCESS_SLOW_DOWN);
    assert_int_equal(sign_in(fixture, victim.code, THERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&mine);
    hg_access_result_release(&victim);
}

/* job.md, step 10: the code of an earlier stay, tried again and again. */
static void test_access__an_old_code_is_slowed_down(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);

    pass_ms(fixture, 7 * (uint64_t)DAY_MS);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                         HG_ACCESS_OUTSIDE_STAY);

    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SLOW_DOWN);
    hg_access_result_release(&issued);
}

static void test_access__coming_early_is_not_slowed_down(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);

    fixture->tick.wall.ms = NOW_MS - 1;
    for (size_t i = 0; i < 7; i++)
        assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                         HG_ACCESS_OUTSIDE_STAY);
    fixture->tick.wall.ms = NOW_MS;

    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&issued);
}

static void test_access__a_burst_gets_no_more_tries(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char wrong[HG_CODE_TEXT_BYTES];
    uint64_t retry_after_ms = 0;

    make_wrong(issued.code, wrong);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(begin(fixture, wrong, HERE, &retry_after_ms),
                         HG_ACCESS_QUEUED);

    assert_int_equal(begin(fixture, wrong, HERE, &retry_after_ms),
                     HG_ACCESS_SLOW_DOWN);
    assert_int_equal(begin(fixture, wrong, THERE, &retry_after_ms),
                     HG_ACCESS_SLOW_DOWN);
    assert_int_equal(retry_after_ms, HG_ACCESS_BUSY_MS);
    for (size_t i = 0; i < 5; i++) {
        struct hg_access_result result = next(fixture);

        assert_int_equal(result.outcome, HG_ACCESS_WRONG);
        hg_access_result_release(&result);
    }
    hg_access_result_release(&issued);
}

/* Guessing over many ids from one place is a burst too. */
static void test_access__a_burst_over_ids_gets_no_more_tries(void **state)
{
    struct fixture *fixture = *state;
    char stranger[HG_CODE_TEXT_BYTES];
    uint64_t retry_after_ms = 0;

    for (uint32_t i = 0; i < 5; i++) {
        make_stranger(i, stranger);
        assert_int_equal(begin(fixture, stranger, HERE, &retry_after_ms),
                         HG_ACCESS_QUEUED);
    }

    make_stranger(5, stranger);
    assert_int_equal(begin(fixture, stranger, HERE, &retry_after_ms),
                     HG_ACCESS_SLOW_DOWN);
    assert_int_equal(begin(fixture, stranger, THERE, &retry_after_ms),
                     HG_ACCESS_QUEUED);
}

/* A flood of sign-ins leaves room for those who hand out codes. */
static void test_access__a_full_queue_says_slow_down(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = guest(fixture, HERON, 1);
    uint64_t retry_after_ms = 0;
    char address[32];
    char text[HG_CODE_TEXT_BYTES];
    uint32_t queued = 0;

    for (uint32_t i = 0; i < 2 * HG_HASHER_JOBS; i++) {
        (void)snprintf(address, sizeof(address), "198.51.100.%u", i);
        make_stranger(i, text);
        if (begin(fixture, text, address, &retry_after_ms) == HG_ACCESS_QUEUED)
            queued++;
    }
    assert_int_equal(queued, HG_HASHER_JOBS - HG_ACCESS_RESERVED);
    assert_int_equal(retry_after_ms, HG_ACCESS_BUSY_MS);
    for (uint32_t i = 0; i < HG_ACCESS_RESERVED; i++)
        assert_int_equal(hg_access_begin_issue(fixture->access, &issue,
                                               fixture->tick, &fixture->why),
                         0);
    assert_int_equal(hg_access_begin_issue(fixture->access, &issue,
                                           fixture->tick, &fixture->why),
                     HG_ERR_BUSY);

    for (uint32_t i = 0; i < HG_HASHER_JOBS; i++) {
        struct hg_access_result result = next(fixture);

        assert_int_equal(result.outcome,
                         i < queued ? HG_ACCESS_WRONG : HG_ACCESS_ISSUED);
        hg_access_result_release(&result);
    }
}

/* -- by token --------------------------------------------------------------*/

static void test_access__a_session_ends_with_the_program(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char token[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(sign_in(fixture, issued.code, HERE, token),
                     HG_ACCESS_SIGNED_IN);
    hg_access_free(fixture->access);
    assert_int_equal(open_access(fixture), 0);

    assert_int_equal(sign_in_token(fixture, token), HG_ACCESS_WRONG);
    assert_int_equal(sign_in(fixture, issued.code, HERE, NULL),
                     HG_ACCESS_SIGNED_IN);
    hg_access_result_release(&issued);
}

static void test_access__a_session_lives_12_hours(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    char token[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(sign_in(fixture, issued.code, HERE, token),
                     HG_ACCESS_SIGNED_IN);
    pass_ms(fixture, 12 * (uint64_t)HOUR_MS - 1);
    assert_int_equal(sign_in_token(fixture, token), HG_ACCESS_SIGNED_IN);
    pass_ms(fixture, 1);
    assert_int_equal(sign_in_token(fixture, token), HG_ACCESS_WRONG);
    hg_access_result_release(&issued);
}

static void test_access__an_integrators_token_lives_long(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue issue = staff(fixture, HG_ROLE_INTEGRATOR);
    struct hg_access_result issued = issue_now(fixture, &issue);
    char wrong[HG_TOKEN_TEXT_BYTES];

    assert_int_equal(issued.outcome, HG_ACCESS_ISSUED);
    assert_int_equal(strncmp(issued.token, "hgi_", 4), 0);
    hg_access_free(fixture->access);
    assert_int_equal(open_access(fixture), 0);
    pass_ms(fixture, 900 * (uint64_t)DAY_MS);

    assert_int_equal(sign_in_token(fixture, issued.token), HG_ACCESS_SIGNED_IN);
    memcpy(wrong, issued.token, sizeof(wrong));
    wrong[20] = wrong[20] == '7' ? '8' : '7';
    assert_int_equal(sign_in_token(fixture, wrong), HG_ACCESS_WRONG);
    assert_int_equal(hg_access_revoke(fixture->access, issued.actor.id,
                                      fixture->tick, &fixture->why),
                     0);
    assert_int_equal(sign_in_token(fixture, issued.token), HG_ACCESS_WRONG);
    hg_access_result_release(&issued);
}

static void test_access__no_token_is_no_access(void **state)
{
    static const char *const TOKEN[] = {
        "",
        "hgs_",
        "hgi_00000_",
        "hgs_00000_0000000000000000000000000000000000000000000000000000000000"
        "000000",
        "hgi_00000_0000000000000000000000000000000000000000000000000000000000"
        "000000",
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(TOKEN); i++)
        HG_CHECK_EQ(TOKEN[i], sign_in_token(fixture, TOKEN[i]),
                    HG_ACCESS_WRONG);
}

/* -- what the gate is told -------------------------------------------------*/

static void test_access__tells_the_gate_who_asks(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    struct hg_asker asker;
    struct hg_asker untouched;

    assert_int_equal(
        hg_access_asker(fixture->access, issued.actor.id, "heron", &asker), 0);
    assert_int_equal(asker.actor.role, HG_ROLE_GUEST);
    assert_string_equal(asker.actor.id, issued.actor.id);
    assert_int_equal(asker.request, 0);
    assert_true(asker.is_allowed);
    assert_true(asker.has_stay);
    assert_int_equal(asker.stay_from_ms, NOW_MS);
    assert_int_equal(asker.stay_until_ms, NOW_MS + 3 * DAY_MS);
    assert_int_equal(
        hg_access_asker(fixture->access, issued.actor.id, "otter", &asker), 0);
    assert_false(asker.is_allowed);
    assert_int_equal(hg_access_revoke(fixture->access, issued.actor.id,
                                      fixture->tick, &fixture->why),
                     0);
    assert_int_equal(
        hg_access_asker(fixture->access, issued.actor.id, "heron", &asker), 0);
    assert_false(asker.is_allowed);

    memset(&asker, 0x5a, sizeof(asker));
    memset(&untouched, 0x5a, sizeof(untouched));
    assert_int_equal(
        hg_access_asker(fixture->access, "g-zzzzz", "heron", &asker),
        HG_ERR_NOT_FOUND);
    assert_memory_equal(&asker, &untouched, sizeof(asker));
    hg_access_result_release(&issued);
}

static bool count_one(void *arg, const struct hg_credential *credential)
{
    size_t *count = arg;

    assert_int_equal(credential->role, HG_ROLE_GUEST);
    ++*count;
    return true;
}

static size_t count_expired(struct fixture *fixture)
{
    size_t count = 0;

    hg_access_expired(fixture->access, fixture->tick, count_one, &count);
    return count;
}

static void test_access__tells_each_stay_that_ends_once(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_issue longer = guest(fixture, OTTER, 1);
    struct hg_access_issue manager = staff(fixture, HG_ROLE_MANAGER);
    struct hg_access_result issued[3];

    longer.until_ms += DAY_MS;
    assert_int_equal(count_expired(fixture), 0);
    issued[0] = issue_guest(fixture);
    issued[1] = issue_now(fixture, &longer);
    issued[2] = issue_now(fixture, &manager);

    pass_ms(fixture, 3 * (uint64_t)DAY_MS - 1);
    assert_int_equal(count_expired(fixture), 0);
    pass_ms(fixture, 1);
    fixture->tick.wall.is_trusted = false;
    assert_int_equal(count_expired(fixture), 0);
    fixture->tick.wall.is_trusted = true;
    assert_int_equal(count_expired(fixture), 1);
    assert_int_equal(count_expired(fixture), 0);
    pass_ms(fixture, (uint64_t)DAY_MS);
    assert_int_equal(count_expired(fixture), 1);
    assert_int_equal(count_expired(fixture), 0);

    /* the clock is set back and comes there again */
    fixture->tick.wall.ms -= DAY_MS + 1;
    assert_int_equal(count_expired(fixture), 0);
    pass_ms(fixture, 2 * (uint64_t)DAY_MS);
    assert_int_equal(count_expired(fixture), 2);

    /* a new start tells all that are over */
    hg_access_free(fixture->access);
    assert_int_equal(open_access(fixture), 0);
    assert_int_equal(count_expired(fixture), 2);
    for (size_t i = 0; i < HG_COUNT(issued); i++)
        hg_access_result_release(&issued[i]);
}

static void test_access__counts_what_happened(void **state)
{
    struct fixture *fixture = *state;
    struct hg_access_result issued = issue_guest(fixture);
    struct hg_access_counts counts;
    char wrong[HG_CODE_TEXT_BYTES];

    make_wrong(issued.code, wrong);
    (void)sign_in(fixture, issued.code, HERE, NULL);
    (void)sign_in(fixture, wrong, HERE, NULL);
    (void)sign_in(fixture, "what?", HERE, NULL);
    hg_access_count(fixture->access, fixture->tick, &counts);

    assert_int_equal(counts.signed_in, 1);
    assert_int_equal(counts.wrong, 1);
    assert_int_equal(counts.malformed, 1);
    assert_int_equal(counts.sessions, 1);
    assert_int_equal(counts.live, 1);
    assert_int_equal(counts.ended, 0);
    hg_access_result_release(&issued);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH(test_access__a_right_code_signs_in),
        WITH(test_access__a_wrong_code_names_only_its_claim),
        WITH(test_access__an_unknown_id_is_hashed_all_the_same),
        WITH(test_access__a_typing_mistake_is_no_try),
        WITH(test_access__judges_the_stay),
        WITH(test_access__staff_needs_no_clock),
        WITH(test_access__slows_down_after_5_wrong_codes),
        WITH(test_access__the_admin_socket_is_never_slowed),
        WITH(test_access__a_success_does_not_clear_the_address),
        WITH(test_access__an_old_code_is_slowed_down),
        WITH(test_access__coming_early_is_not_slowed_down),
        WITH(test_access__a_burst_gets_no_more_tries),
        WITH(test_access__a_burst_over_ids_gets_no_more_tries),
        WITH(test_access__a_full_queue_says_slow_down),
        WITH(test_access__a_session_ends_with_the_program),
        WITH(test_access__a_session_lives_12_hours),
        WITH(test_access__an_integrators_token_lives_long),
        WITH(test_access__no_token_is_no_access),
        WITH(test_access__tells_the_gate_who_asks),
        WITH(test_access__tells_each_stay_that_ends_once),
        WITH(test_access__counts_what_happened),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
