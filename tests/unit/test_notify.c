/*
 * The protocol of sd_notify(3) against a socket that listens.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/notify.h"
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

/* a datagram socket bound to "/path" or "@name" */
static int listen_at(const char *address)
{
    struct sockaddr_un own = { .sun_family = AF_UNIX };
    size_t len = strlen(address);
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

    assert_true(fd >= 0);
    memcpy(own.sun_path, address, len);
    if (address[0] == '@')
        own.sun_path[0] = '\0';
    assert_int_equal(
        bind(fd, (const struct sockaddr *)&own,
             (socklen_t)(offsetof(struct sockaddr_un, sun_path) + len)),
        0);
    return fd;
}

static void expect(int fd, const char *want)
{
    char got[1024];
    ssize_t len = recv(fd, got, sizeof(got) - 1, 0);

    assert_true(len >= 0);
    got[len] = '\0';
    assert_string_equal(got, want);
}

static void speak_at(const char *address)
{
    struct hg_notify notify;
    int fd = listen_at(address);

    assert_int_equal(hg_notify_open(address, &notify), 0);
    assert_int_equal(hg_notify_ready(&notify), 0);
    assert_int_equal(hg_notify_watchdog(&notify), 0);
    assert_int_equal(hg_notify_status(&notify, "2 rooms,\nREADY=0 \x7f"), 0);
    assert_int_equal(hg_notify_stopping(&notify), 0);

    expect(fd, "READY=1");
    expect(fd, "WATCHDOG=1");
    expect(fd, "STATUS=2 rooms, READY=0  ");
    expect(fd, "STOPPING=1");
    hg_notify_close(&notify);
    hg_notify_close(&notify); /* twice is fine */
    assert_int_equal(close(fd), 0);
}

static void test_notify__speaks_to_a_path_and_an_abstract_socket(void **state)
{
    char dir[] = "/tmp/hg-notify-XXXXXX";
    char address[64];

    (void)state;
    assert_non_null(mkdtemp(dir));
    (void)snprintf(address, sizeof(address), "%s/notify", dir);
    speak_at(address);
    assert_int_equal(unlink(address), 0);
    assert_int_equal(rmdir(dir), 0);
    (void)snprintf(address, sizeof(address), "@hg-notify-%ld", (long)getpid());
    speak_at(address);
}

static void test_notify__does_nothing_without_a_manager(void **state)
{
    static const char *const none[] = { NULL, "" };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(none); i++) {
        struct hg_notify notify = { .fd = 7777 };

        assert_int_equal(hg_notify_open(none[i], &notify), 0);
        assert_int_equal(notify.fd, -1);
        assert_int_equal(hg_notify_ready(&notify), 0);
        assert_int_equal(hg_notify_status(&notify, "x"), 0);
        hg_notify_close(&notify);
    }
}

static void test_notify__refuses_what_is_no_address(void **state)
{
    char longest[sizeof(((struct sockaddr_un *)0)->sun_path) + 1];
    struct hg_notify notify;

    (void)state;
    memset(longest, 'a', sizeof(longest));
    longest[0] = '/';
    longest[sizeof(longest) - 1] = '\0';
    assert_int_equal(hg_notify_open("notify", &notify), HG_ERR_INPUT);
    assert_int_equal(hg_notify_open("/", &notify), HG_ERR_INPUT);
    assert_int_equal(hg_notify_open("@", &notify), HG_ERR_INPUT);
    assert_int_equal(hg_notify_open(longest, &notify), HG_ERR_INPUT);
    assert_int_equal(hg_notify_open("/nonexistent/hg", &notify), HG_ERR_SYSTEM);
    assert_int_equal(hg_notify_ready(&notify), 0);
}

static void test_notify__tells_when_the_manager_is_gone(void **state)
{
    char address[64];
    struct hg_notify notify;
    int fd;

    (void)state;
    (void)snprintf(address, sizeof(address), "@hg-gone-%ld", (long)getpid());
    fd = listen_at(address);
    assert_int_equal(hg_notify_open(address, &notify), 0);
    assert_int_equal(close(fd), 0);

    assert_int_equal(hg_notify_watchdog(&notify), HG_ERR_SYSTEM);
    hg_notify_close(&notify);
}

static void test_notify__cuts_a_long_status_between_characters(void **state)
{
    char text[HG_NOTIFY_STATUS_BYTES + 8];
    char want[sizeof("STATUS=") + HG_NOTIFY_STATUS_BYTES];
    char address[64];
    struct hg_notify notify;
    int fd;

    (void)state;
    memset(text, 'a', sizeof(text));
    /* two bytes of one character on both sides of the cut */
    text[HG_NOTIFY_STATUS_BYTES - 1] = '\xc3';
    text[HG_NOTIFY_STATUS_BYTES] = '\xa9';
    text[sizeof(text) - 1] = '\0';
    (void)snprintf(want, sizeof(want), "STATUS=%.*s",
                   HG_NOTIFY_STATUS_BYTES - 1, text);
    (void)snprintf(address, sizeof(address), "@hg-long-%ld", (long)getpid());
    fd = listen_at(address);
    assert_int_equal(hg_notify_open(address, &notify), 0);
    assert_int_equal(hg_notify_status(&notify, text), 0);
    expect(fd, want);
    hg_notify_close(&notify);
    assert_int_equal(close(fd), 0);
}

static void test_notify__reads_the_watchdog(void **state)
{
    static const struct {
        const char *label, *usec, *pid;
        int err;
        uint64_t ms;
    } row[] = {
        { "none", NULL, NULL, 0, 0 },
        { "none for us", NULL, "42", 0, 0 },
        { "half of 30 s", "30000000", NULL, 0, 15000 },
        { "ours", "30000000", "42", 0, 15000 },
        { "another's", "30000000", "43", 0, 0 },
        { "zero", "0", "42", 0, 0 },
        { "tiny", "10", "42", 0, 1 },
        { "2 ms", "2000", NULL, 0, 1 },
        { "4 ms", "4000", NULL, 0, 2 },
        { "no number", "x", NULL, HG_ERR_INPUT, 99 },
        { "empty", "", NULL, HG_ERR_INPUT, 99 },
        { "negative", "-1", NULL, HG_ERR_INPUT, 99 },
        { "no process", "30000000", "4x", HG_ERR_INPUT, 99 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        uint64_t ms = 99;

        HG_CHECK_EQ(row[i].label,
                    hg_notify_watchdog_ms(row[i].usec, row[i].pid, 42, &ms),
                    row[i].err);
        HG_CHECK_EQ(row[i].label, ms, row[i].ms);
    }
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_notify__speaks_to_a_path_and_an_abstract_socket),
        cmocka_unit_test(test_notify__does_nothing_without_a_manager),
        cmocka_unit_test(test_notify__refuses_what_is_no_address),
        cmocka_unit_test(test_notify__tells_when_the_manager_is_gone),
        cmocka_unit_test(test_notify__cuts_a_long_status_between_characters),
        cmocka_unit_test(test_notify__reads_the_watchdog),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
