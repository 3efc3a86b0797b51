/* Own publications that come back from the broker. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "controllers/echo.h"
#include <stdio.h>
#include <string.h>

#define TOPIC "heatgate/v1/heron/permit"

static struct hg_echo *new_echo(void)
{
    struct hg_echo *echo = NULL;

    assert_int_equal(hg_echo_new(&echo), 0);
    return echo;
}

static void add(struct hg_echo *echo, unsigned number)
{
    char text[32];
    int len = snprintf(text, sizeof(text), "%u", number);

    assert_int_equal(hg_echo_add(echo, TOPIC, text, (size_t)len), 0);
}

static bool take(struct hg_echo *echo, unsigned number)
{
    char text[32];
    int len = snprintf(text, sizeof(text), "%u", number);

    return hg_echo_take(echo, TOPIC, text, (size_t)len);
}

static void test_link_echo__is_taken_once(void **state)
{
    struct hg_echo *echo = new_echo();

    (void)state;
    assert_false(take(echo, 1));
    add(echo, 1);
    add(echo, 2);
    add(echo, 1);
    assert_true(take(echo, 1));
    assert_true(take(echo, 1));
    assert_false(take(echo, 1));
    assert_true(take(echo, 2));
    assert_false(take(echo, 2));
    assert_int_equal(hg_echo_count(echo), 0);
    hg_echo_free(echo);
    hg_echo_free(NULL);
}

static void test_link_echo__needs_topic_and_payload(void **state)
{
    struct hg_echo *echo = new_echo();

    (void)state;
    assert_int_equal(hg_echo_add(echo, "ab", "cd", 2), 0);
    assert_false(hg_echo_take(echo, "abc", "d", 1));
    assert_false(hg_echo_take(echo, "a", "bcd", 3));
    assert_false(hg_echo_take(echo, "ab", "cd", 1));
    assert_false(hg_echo_take(echo, "cd", "ab", 2));
    assert_true(hg_echo_take(echo, "ab", "cd", 2));
    assert_int_equal(hg_echo_add(echo, "ab", NULL, 0), 0);
    assert_true(hg_echo_take(echo, "ab", NULL, 0));
    hg_echo_free(echo);
}

static void test_link_echo__comes_in_any_order(void **state)
{
    struct hg_echo *echo = new_echo();

    (void)state;
    for (unsigned i = 0; i < 1000; i++)
        add(echo, i);
    for (unsigned i = 1000; i-- > 0;)
        assert_true(take(echo, i));
    for (unsigned i = 0; i < 1000; i++)
        assert_false(take(echo, i));
    hg_echo_free(echo);
}

static void test_link_echo__loses_the_oldest_at_its_limit(void **state)
{
    struct hg_echo *echo = new_echo();

    (void)state;
    for (unsigned i = 0; i < HG_ECHO_MAX + 1; i++)
        add(echo, i);
    assert_int_equal(hg_echo_count(echo), HG_ECHO_MAX);
    assert_false(take(echo, 0));
    assert_true(take(echo, 1));
    assert_true(take(echo, HG_ECHO_MAX));
    hg_echo_free(echo);
}

static void test_link_echo__forgets_all(void **state)
{
    struct hg_echo *echo = new_echo();

    (void)state;
    add(echo, 1);
    hg_echo_clear(echo);
    assert_false(take(echo, 1));
    add(echo, 2);
    assert_true(take(echo, 2));
    hg_echo_free(echo);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_link_echo__is_taken_once),
        cmocka_unit_test(test_link_echo__needs_topic_and_payload),
        cmocka_unit_test(test_link_echo__comes_in_any_order),
        cmocka_unit_test(test_link_echo__loses_the_oldest_at_its_limit),
        cmocka_unit_test(test_link_echo__forgets_all),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
