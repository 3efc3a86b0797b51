/*
 * The hasher. Vectors: RFC 7914 section 12, the second and the third, through
 * the function that the helper runs. Waiting is for the wake-up, never by
 * sleeping.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "access/hasher.h"
#include "base/text.h"
#include <pthread.h>
#include <semaphore.h>
#include <signal.h>
#include <string.h>
#include <time.h>

struct fixture {
    struct hg_hasher *hasher;
    sem_t ready;
};

static void wake(void *wake_arg)
{
    struct fixture *fixture = wake_arg;

    (void)sem_post(&fixture->ready);
}

static int setup(void **state)
{
    static struct fixture fixture;

    if (sem_init(&fixture.ready, 0, 0) < 0)
        return -1;
    *state = &fixture;
    return hg_hasher_new(wake, &fixture, &fixture.hasher);
}

static int teardown(void **state)
{
    struct fixture *fixture = *state;

    hg_hasher_free(fixture->hasher);
    return sem_destroy(&fixture->ready);
}

/* The next result; half a minute without one fails the test. */
static struct hg_hasher_result next(struct fixture *fixture)
{
    struct hg_hasher_result result = { 0 };
    struct timespec limit;

    assert_int_equal(clock_gettime(CLOCK_REALTIME, &limit), 0);
    limit.tv_sec += 30;
    assert_int_equal(sem_timedwait(&fixture->ready, &limit), 0);
    assert_true(hg_hasher_poll(fixture->hasher, &result));
    return result;
}

static void test_hasher__agrees_with_rfc_7914(void **state)
{
    static const struct {
        const char *secret;
        const char *salt;
        struct hg_hasher_cost cost;
        const char *want;
    } ROWS[] = {
        { "password",
          "NaCl",
          { 1024, 8, 16 },
          "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
          "2eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640" },
        { "pleaseletmein",
          "SodiumChloride",
          { 16384, 8, 1 },
          "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
          "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct hg_hasher_input input = { ROWS[i].secret, strlen(ROWS[i].secret),
                                         ROWS[i].salt, strlen(ROWS[i].salt) };
        uint8_t key[64];
        char hex[129];

        assert_int_equal(
            hg_hasher_scrypt(&ROWS[i].cost, &input, key, sizeof(key)), 0);
        hg_hex_from_bytes(key, sizeof(key), hex);
        assert_string_equal(hex, ROWS[i].want);
    }
}

static void test_hasher__costs_what_the_contract_says(void **state)
{
    struct hg_hasher_cost cost = hg_hasher_cost();

    (void)state;
    assert_int_equal(cost.n, 32768);
    assert_int_equal(cost.r, 8);
    assert_int_equal(cost.p, 1);
}

static void test_hasher__refuses_a_cost_it_cannot_bear(void **state)
{
    struct hg_hasher_cost no_power = { 1000, 8, 1 };
    struct hg_hasher_cost too_much = { UINT64_C(1) << 20, 8, 1 };
    struct hg_hasher_input input = { "a", 1, "b", 1 };
    uint8_t key[4] = { 1, 2, 3, 4 };
    const uint8_t untouched[4] = { 1, 2, 3, 4 };

    (void)state;
    assert_int_equal(hg_hasher_scrypt(&no_power, &input, key, sizeof(key)),
                     HG_ERR_CRYPTO);
    assert_int_equal(hg_hasher_scrypt(&too_much, &input, key, sizeof(key)),
                     HG_ERR_CRYPTO);
    assert_memory_equal(key, untouched, sizeof(key));
}

static void test_hasher__derives_what_a_direct_call_does(void **state)
{
    struct fixture *fixture = *state;
    static const uint8_t SALT[HG_HASHER_SALT_BYTES] = "0123456789abcde";
    struct hg_hasher_cost cost = hg_hasher_cost();
    struct hg_hasher_input input = { "AYWAHEPPJW7", 11, SALT, sizeof(SALT) };
    uint8_t want[HG_HASHER_KEY_BYTES];
    struct hg_hasher_result result;

    assert_int_equal(hg_hasher_submit(fixture->hasher, 9, "AYWAHEPPJW7", SALT),
                     0);
    result = next(fixture);

    assert_int_equal(hg_hasher_scrypt(&cost, &input, want, sizeof(want)), 0);
    assert_int_equal(result.ticket, 9);
    assert_int_equal(result.err, 0);
    assert_memory_equal(result.key, want, sizeof(want));
}

static void test_hasher__keeps_the_order_and_the_bound(void **state)
{
    struct fixture *fixture = *state;
    static const uint8_t SALT[HG_HASHER_SALT_BYTES] = { 1 };
    uint64_t given = 0;

    while (given < HG_HASHER_JOBS)
        assert_int_equal(hg_hasher_submit(fixture->hasher, ++given, "A", SALT),
                         0);

    /* a result that nobody has taken still holds its place */
    assert_int_equal(hg_hasher_submit(fixture->hasher, 99, "A", SALT),
                     HG_ERR_BUSY);
    assert_int_equal(next(fixture).ticket, 1);
    assert_int_equal(hg_hasher_submit(fixture->hasher, ++given, "A", SALT), 0);
    for (uint64_t ticket = 2; ticket <= given; ticket++)
        assert_int_equal(next(fixture).ticket, ticket);
}

static void test_hasher__gives_nothing_when_nothing_is_done(void **state)
{
    struct fixture *fixture = *state;
    struct hg_hasher_result result = { .ticket = 77 };

    assert_false(hg_hasher_poll(fixture->hasher, &result));
    assert_int_equal(result.ticket, 77);
}

static void test_hasher__refuses_a_secret_too_long(void **state)
{
    struct fixture *fixture = *state;
    static const uint8_t SALT[HG_HASHER_SALT_BYTES] = { 1 };
    char secret[HG_HASHER_SECRET_BYTES + 1] = { 0 };

    memset(secret, 'A', HG_HASHER_SECRET_BYTES);
    assert_int_equal(hg_hasher_submit(fixture->hasher, 1, secret, SALT),
                     HG_ERR_RANGE);
    secret[HG_HASHER_SECRET_BYTES - 1] = '\0';
    assert_int_equal(hg_hasher_submit(fixture->hasher, 2, secret, SALT), 0);
    assert_int_equal(next(fixture).ticket, 2);
}

static void test_hasher__leaves_with_work_waiting(void **state)
{
    struct hg_hasher *hasher = NULL;
    static const uint8_t SALT[HG_HASHER_SALT_BYTES] = { 1 };

    (void)state;
    assert_int_equal(hg_hasher_new(NULL, NULL, &hasher), 0);
    for (uint64_t i = 0; i < HG_HASHER_JOBS; i++)
        assert_int_equal(hg_hasher_submit(hasher, i, "A", SALT), 0);

    hg_hasher_free(hasher); /* returns after one job at most */
    hg_hasher_free(NULL);
}

static void test_hasher__keeps_the_signals_of_the_loop(void **state)
{
    sigset_t before;
    sigset_t after;
    struct hg_hasher *hasher = NULL;

    (void)state;
    assert_int_equal(pthread_sigmask(SIG_SETMASK, NULL, &before), 0);
    assert_int_equal(hg_hasher_new(NULL, NULL, &hasher), 0);
    assert_int_equal(pthread_sigmask(SIG_SETMASK, NULL, &after), 0);
    hg_hasher_free(hasher);

    for (int number = 1; number < 32; number++)
        assert_int_equal(sigismember(&before, number),
                         sigismember(&after, number));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_hasher__agrees_with_rfc_7914),
        cmocka_unit_test(test_hasher__costs_what_the_contract_says),
        cmocka_unit_test(test_hasher__refuses_a_cost_it_cannot_bear),
        cmocka_unit_test_setup_teardown(
            test_hasher__derives_what_a_direct_call_does, setup, teardown),
        cmocka_unit_test_setup_teardown(
            test_hasher__keeps_the_order_and_the_bound, setup, teardown),
        cmocka_unit_test_setup_teardown(
            test_hasher__gives_nothing_when_nothing_is_done, setup, teardown),
        cmocka_unit_test_setup_teardown(test_hasher__refuses_a_secret_too_long,
                                        setup, teardown),
        cmocka_unit_test(test_hasher__leaves_with_work_waiting),
        cmocka_unit_test(test_hasher__keeps_the_signals_of_the_loop),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
