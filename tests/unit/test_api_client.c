/*
 * The blocking client against a real server in a child process: what it says
 * when there is nobody, who is refused, and calls and notifications.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "api/client.h"
#include "api_peer.h"
#include <grp.h>
#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>

#define TIMEOUT_MS 10000

struct host { /* a server in a child process */
    char dir[64];
    char path[80];
    pid_t child;
};

/* heat.stop changes heron; guest.list is never answered; staff.list stops
 * the server; everything else as the fake does. */
static void child_call(void *ctx, const struct hg_api_call *call)
{
    struct fake *fake = ctx;
    struct scene *scene = (void *)((char *)fake - offsetof(struct scene, fake));

    if (call->method == HG_METHOD_GUEST_LIST) {
        fake->late[fake->late_count++ % FAKE_LATE_MAX] = call->reply;
        return;
    }
    if (call->method == HG_METHOD_LOCKOUT_SET) {
        hg_api_reply_error(call->reply, HG_RPC_REFUSED, "refused",
                           json_pack("{s:[]}", "reasons"));
        return;
    }
    fake_call(ctx, call);
    if (call->method == HG_METHOD_HEAT_STOP) {
        fake->rev[0]++;
        hg_api_room_changed(scene->server, 0);
    }
    if (call->method == HG_METHOD_STAFF_LIST)
        hg_api_server_close_all(scene->server);
}

static void child_run(const struct host *host, int ready)
{
    struct scene scene;
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;
    char byte = 1;

    scene_init(&scene, (struct hg_api_limits) { .connections = 0 });
    scene.fake.backend.call = child_call;
    scene.fake.padding = 20000;
    (void)rmdir(scene.dir); /* the parent has made one */
    hg_buf_init(&why, text, sizeof(text));
    if (hg_api_server_listen_admin(scene.server, host->path, &why) < 0 ||
        write(ready, &byte, 1) != 1)
        _exit(1);
    for (;;)
        lws_service(scene.context, 0);
}

static void host_start(struct host *host)
{
    int ready[2];
    char byte = 0;

    (void)snprintf(host->dir, sizeof(host->dir), "/tmp/hg-api-XXXXXX");
    assert_non_null(mkdtemp(host->dir));
    (void)snprintf(host->path, sizeof(host->path), "%s/admin.sock", host->dir);
    assert_int_equal(pipe(ready), 0);
    host->child = fork();
    if (host->child == 0)
        child_run(host, ready[1]);
    assert_true(host->child > 0);
    (void)close(ready[1]);
    assert_int_equal(read(ready[0], &byte, 1), 1);
    (void)close(ready[0]);
}

static void host_stop(struct host *host)
{
    int status;

    assert_int_equal(kill(host->child, SIGKILL), 0);
    assert_int_equal(waitpid(host->child, &status, 0), host->child);
    (void)unlink(host->path);
    assert_int_equal(rmdir(host->dir), 0);
}

static struct hg_api_client *client_of(const struct host *host,
                                       uint32_t timeout_ms)
{
    struct hg_api_client *client = NULL;
    char text[HG_API_CLIENT_WHY_BYTES];
    struct hg_buf why;

    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_client_open(host->path, timeout_ms, &why, &client),
                     0);
    assert_non_null(client);
    return client;
}

/* -- nobody there ----------------------------------------------------------*/

/* A socket file whose service is gone. */
static void leave_dead_socket(const char *path)
{
    struct sockaddr_un un = { .sun_family = AF_UNIX };
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);

    memcpy(un.sun_path, path, strlen(path));
    assert_int_equal(bind(fd, (const struct sockaddr *)&un, sizeof(un)), 0);
    (void)close(fd);
}

static void leave_file(const char *path)
{
    FILE *file = fopen(path, "we");

    assert_non_null(file);
    assert_int_equal(fclose(file), 0);
}

static void test_api_client__says_that_there_is_no_service(void **state)
{
    static const struct {
        const char *label;
        void (*leave)(const char *path);
        const char *says;
    } row[] = {
        { "nothing", NULL, "there is no service" },
        { "a dead socket", leave_dead_socket, "no service answers" },
        { "a file", leave_file, "no service answers" },
    };
    char dir[] = "/tmp/hg-api-XXXXXX";
    char path[100];

    (void)state;
    assert_non_null(mkdtemp(dir));
    (void)snprintf(path, sizeof(path), "%s/admin.sock", dir);
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct hg_api_client *const none = NULL;
        struct hg_api_client *client = none;
        char text[HG_API_CLIENT_WHY_BYTES];
        struct hg_buf why;

        if (row[i].leave != NULL)
            row[i].leave(path);
        hg_buf_init(&why, text, sizeof(text));
        HG_CHECK_EQ(row[i].label,
                    hg_api_client_open(path, TIMEOUT_MS, &why, &client),
                    HG_ERR_NOT_FOUND);
        HG_CHECK_TRUE(row[i].label, strstr(text, row[i].says) != NULL);
        HG_CHECK_TRUE(row[i].label, strstr(text, path) != NULL);
        HG_CHECK_TRUE(row[i].label, client == none);
        (void)unlink(path);
    }
    assert_int_equal(rmdir(dir), 0);
}

static void test_api_client__refuses_a_path_that_is_too_long(void **state)
{
    struct hg_api_client *client = NULL;
    char path[109];
    char text[HG_API_CLIENT_WHY_BYTES];
    struct hg_buf why;

    (void)state;
    memset(path, 'x', sizeof(path));
    path[108] = '\0';
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_api_client_open(path, TIMEOUT_MS, &why, &client),
                     HG_ERR_RANGE);
    path[107] = '\0';
    assert_int_equal(hg_api_client_open(path, TIMEOUT_MS, &why, &client),
                     HG_ERR_NOT_FOUND);
    assert_null(client);
}

/* In a child, as nobody: the error that opening gives, as exit status. */
static void open_as_nobody(const struct host *host)
{
    struct hg_api_client *client = NULL;
    char text[HG_API_CLIENT_WHY_BYTES];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, text, sizeof(text));
    if (setgroups(0, NULL) != 0 || setgid(65534) != 0 || setuid(65534) != 0)
        _exit(100);
    err = hg_api_client_open(host->path, TIMEOUT_MS, &why, &client);
    _exit(strstr(text, "root or in the group") == NULL ? 101 : -err);
}

static void test_api_client__tells_strangers_why_they_may_not(void **state)
{
    static const struct {
        const char *label;
        mode_t mode; /* of the socket */
    } row[] = { { "the file keeps them out", 0660 },
                { "the service keeps them out", 0666 } };
    struct host host;

    (void)state;
    if (geteuid() != 0)
        skip(); /* nobody else can become somebody else */
    host_start(&host);
    assert_int_equal(chmod(host.dir, 0755), 0);
    for (size_t i = 0; i < 2; i++) {
        pid_t child;
        int status = -1;

        assert_int_equal(chmod(host.path, row[i].mode), 0);
        child = fork();
        if (child == 0)
            open_as_nobody(&host);
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFEXITED(status));
        HG_CHECK_EQ(row[i].label, WEXITSTATUS(status), -HG_ERR_DENIED);
    }
    host_stop(&host);
}

/* -- calls -----------------------------------------------------------------*/

static void test_api_client__calls_and_gets_answers(void **state)
{
    struct host host;
    struct hg_api_client *client;
    struct hg_api_answer answer;

    (void)state;
    host_start(&host);
    client = client_of(&host, TIMEOUT_MS);
    for (int i = 0; i < 3; i++) { /* 40 KB each: in several pieces */
        assert_int_equal(hg_api_client_call(client, "room.list", NULL, &answer),
                         0);
        assert_null(answer.error);
        assert_int_equal(
            json_array_size(json_object_get(answer.result, "rooms")), 2);
        hg_api_answer_release(&answer);
    }
    assert_int_equal(hg_api_client_call(client, "lockout.set",
                                        json_pack("{s:s,s:s}", "room", "heron",
                                                  "note", "mended"),
                                        &answer),
                     0);
    assert_null(answer.result);
    assert_int_equal(json_integer_value(json_object_get(answer.error, "code")),
                     1001);
    hg_api_answer_release(&answer);
    hg_api_client_free(client);
    host_stop(&host);
}

static void test_api_client__keeps_notifications(void **state)
{
    struct host host;
    struct hg_api_client *client;
    struct hg_api_answer answer;
    json_t *notification = NULL;

    (void)state;
    host_start(&host);
    client = client_of(&host, TIMEOUT_MS);
    assert_int_equal(hg_api_client_call(client, "room.watch",
                                        json_pack("{s:s}", "room", "heron"),
                                        &answer),
                     0);
    hg_api_answer_release(&answer);
    assert_int_equal(hg_api_client_next(client, 1, &notification), HG_ERR_BUSY);
    assert_null(notification);
    for (json_int_t rev = 1; rev <= 2; rev++) {
        assert_int_equal(hg_api_client_call(client, "heat.stop",
                                            json_pack("{s:s}", "room", "heron"),
                                            &answer),
                         0);
        hg_api_answer_release(&answer);
        assert_int_equal(hg_api_client_next(client, TIMEOUT_MS, &notification),
                         0);
        assert_string_equal(
            json_string_value(json_object_get(notification, "method")),
            "room.patch");
        assert_int_equal(json_integer_value(json_object_get(
                             json_object_get(notification, "params"), "rev")),
                         rev);
        json_decref(notification);
    }
    hg_api_client_free(client);
    host_stop(&host);
}

static void test_api_client__does_not_wait_for_ever(void **state)
{
    struct host host;
    struct hg_api_client *client;
    struct hg_api_answer answer = { NULL, NULL };

    (void)state;
    host_start(&host);
    client = client_of(&host, 200);
    assert_int_equal(hg_api_client_call(client, "guest.list", NULL, &answer),
                     HG_ERR_BUSY);
    assert_null(answer.result);
    assert_null(answer.error);
    /* a late answer is not taken for that to the next call */
    assert_int_equal(hg_api_client_call(client, "room.list", NULL, &answer), 0);
    hg_api_answer_release(&answer);
    hg_api_client_free(client);
    host_stop(&host);
}

static void test_api_client__notices_when_the_service_stops(void **state)
{
    struct host host;
    struct hg_api_client *client;
    struct hg_api_answer answer;
    json_t *notification = NULL;

    (void)state;
    host_start(&host);
    client = client_of(&host, TIMEOUT_MS);
    assert_int_equal(hg_api_client_call(client, "staff.list", NULL, &answer),
                     0); /* answered before the door is shut */
    hg_api_answer_release(&answer);
    assert_int_equal(hg_api_client_next(client, TIMEOUT_MS, &notification),
                     HG_ERR_CLOSED);
    assert_string_equal(hg_api_client_closed(client),
                        "the gateway is stopping");
    assert_int_equal(
        hg_api_client_call(client, "room.list", json_object(), &answer),
        HG_ERR_CLOSED);
    hg_api_client_free(client);
    host_stop(&host);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_api_client__says_that_there_is_no_service),
        cmocka_unit_test(test_api_client__refuses_a_path_that_is_too_long),
        cmocka_unit_test(test_api_client__tells_strangers_why_they_may_not),
        cmocka_unit_test(test_api_client__calls_and_gets_answers),
        cmocka_unit_test(test_api_client__keeps_notifications),
        cmocka_unit_test(test_api_client__does_not_wait_for_ever),
        cmocka_unit_test(test_api_client__notices_when_the_service_stops),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
