/*
 * Every verb against a fake service in a child process that answers what it
 * was asked: words and options become exactly these calls. And what is wrong
 * use never gets as far as a call.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "api/client.h"
#include "api_peer.h"
#include "base/text.h"
#include "cli/cli.h"
#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>

#define WORDS_MAX    24
#define OUTPUT_BYTES 8192

static struct {
    char dir[64];
    char path[80];
    pid_t child;
} host;

/* -- the fake service ------------------------------------------------------*/

static json_t *start_records(void)
{
    return json_pack("{s:[{s:i, s:s, s:s, s:s}], s:i, s:b}", "records", "n", 1,
                     "kind", "gateway-started", "version", "9.9.9", "timezone",
                     "Europe/Berlin", "next", 1, "more", 0);
}

static void child_call(void *ctx, const struct hg_api_call *call)
{
    switch ((int)call->method) {
    case HG_METHOD_JOURNAL_HEAD:
        hg_api_reply_result(call->reply, json_pack("{s:i}", "n", 1));
        break;
    case HG_METHOD_JOURNAL_READ:
        hg_api_reply_result(call->reply, start_records());
        break;
    case HG_METHOD_LOCKOUT_SET:
        hg_api_reply_error(call->reply, HG_RPC_REFUSED, "refused",
                           json_pack("{s:[{s:s, s:s, s:s}]}", "reasons", "code",
                                     "not-allowed", "text", "It is not.",
                                     "remedy", "Ask."));
        break;
    default:
        fake_call(ctx, call);
        break;
    }
}

static void child_run(int ready)
{
    struct scene scene;
    char text[HG_API_WHY_BYTES];
    struct hg_buf why;
    char byte = 1;

    scene_init(&scene, (struct hg_api_limits) { .connections = 0 });
    scene.fake.backend.call = child_call;
    (void)rmdir(scene.dir); /* the parent has made one */
    hg_buf_init(&why, text, sizeof(text));
    if (hg_api_server_listen_admin(scene.server, host.path, &why) < 0 ||
        write(ready, &byte, 1) != 1)
        _exit(1);
    for (;;)
        lws_service(scene.context, 0);
}

static int host_start(void **state)
{
    int ready[2];
    char byte = 0;

    (void)state;
    (void)unsetenv("TZ");
    (void)snprintf(host.dir, sizeof(host.dir), "/tmp/hg-cli-XXXXXX");
    assert_non_null(mkdtemp(host.dir));
    (void)snprintf(host.path, sizeof(host.path), "%s/admin.sock", host.dir);
    assert_int_equal(pipe(ready), 0);
    host.child = fork();
    if (host.child == 0)
        child_run(ready[1]);
    assert_true(host.child > 0);
    (void)close(ready[1]);
    assert_int_equal(read(ready[0], &byte, 1), 1);
    (void)close(ready[0]);
    return 0;
}

static int host_stop(void **state)
{
    int status;

    (void)state;
    assert_int_equal(kill(host.child, SIGKILL), 0);
    assert_int_equal(waitpid(host.child, &status, 0), host.child);
    (void)unlink(host.path);
    return rmdir(host.dir);
}

/* -- running the command ---------------------------------------------------*/

struct ran {
    int status;
    char out[OUTPUT_BYTES]; /* stdout and stderr */
};

static void run_in_child(char **argv, int argc, int out)
{
    int null = open("/dev/null", O_RDONLY | O_CLOEXEC);

    if (null < 0 || dup2(null, STDIN_FILENO) < 0 ||
        dup2(out, STDOUT_FILENO) < 0 || dup2(out, STDERR_FILENO) < 0)
        _exit(99);
    (void)setenv("HEATGATE_SOCKET", host.path, 1);
    _exit(hg_cli_main(argc, argv));
}

/* Words are separated by blanks; '_' stands for one inside a word. */
static struct ran run(const char *line)
{
    char words[512];
    char *argv[WORDS_MAX + 1] = { (char[]) { "heatgate" } };
    struct ran ran = { .status = -1 };
    char *rest = words;
    size_t len = 0;
    int argc = 1;
    int fds[2];
    pid_t child;
    ssize_t got;

    (void)snprintf(words, sizeof(words), "%s", line);
    for (char *word; argc < WORDS_MAX && (word = strsep(&rest, " ")) != NULL;)
        if (*word != '\0')
            argv[argc++] = word;
    for (int i = 1; i < argc; i++)
        for (char *c = argv[i]; *c != '\0'; c++)
            *c = *c == '_' ? ' ' : *c;
    assert_int_equal(pipe(fds), 0);
    child = fork();
    if (child == 0)
        run_in_child(argv, argc, fds[1]);
    (void)close(fds[1]);
    while ((got = read(fds[0], ran.out + len, OUTPUT_BYTES - 1 - len)) > 0)
        len += (size_t)got;
    (void)close(fds[0]);
    assert_int_equal(waitpid(child, &ran.status, 0), child);
    ran.status = WIFEXITED(ran.status) ? WEXITSTATUS(ran.status) : -1;
    return ran;
}

static json_t *document(const char *label, const char *text)
{
    json_t *json = json_loads(text, 0, NULL);

    if (json == NULL)
        print_error("[%s] not one JSON document: %s\n", label, text);
    assert_non_null(json);
    return json;
}

/* -- tests -----------------------------------------------------------------*/

static void test_cli_verbs__make_exactly_these_calls(void **state)
{
    static const struct {
        const char *line, *did, *params;
    } row[] = {
        { "--json heat heron --target 80 --for 1h30m", "heat.start",
          "{'room':'heron','target_c':80.0,'duration_min':90}" },
        { "heat heron --json --for 90 --target 72.5C", "heat.start",
          "{'room':'heron','target_c':72.5,'duration_min':90}" },
        { "heat --for 3h --target 80 --json heron --ready-by "
          "2026-12-04T17:30:00+01:00",
          "heat.plan",
          "{'room':'heron','target_c':80.0,'duration_min':180,"
          "'ready_at':'2026-12-04T16:30:00Z'}" },
        { "heat heron --preview --json", "heat.preview", "{'room':'heron'}" },
        { "heat heron --change --for 2h --json", "heat.change",
          "{'room':'heron','duration_min':120}" },
        { "heat heron --unplan --json", "heat.unplan", "{'room':'heron'}" },
        { "stop heron --json", "heat.stop", "{'room':'heron'}" },
        { "guest issue --json --room heron --room otter --label a_b --stay "
          "2026-12-04T15:00/2026-12-07T11:00",
          "guest.issue",
          "{'rooms':['heron','otter'],'from':'2026-12-04T14:00:00Z',"
          "'until':'2026-12-07T10:00:00Z','label':'a b'}" },
        { "guest rotate --json --room heron --from 2026-12-04T15:00Z --until "
          "2026-07-04T15:00-05:00 --from 2026-07-04T15:00Z",
          NULL, NULL },
        { "guest rotate --json --room heron --from 2026-07-04T15:00Z --until "
          "2026-07-04T15:00-05:00",
          "guest.rotate",
          "{'rooms':['heron'],'from':'2026-07-04T15:00:00Z',"
          "'until':'2026-07-04T20:00:00Z'}" },
        { "guest revoke g-1 --json", "guest.revoke", "{'id':'g-1'}" },
        { "guest list --room heron --json", "guest.list", "{'room':'heron'}" },
        { "guest list --json", "guest.list", "{}" },
        { "staff issue --role manager --all-rooms --json", "staff.issue",
          "{'role':'manager','rooms':'*'}" },
        { "staff issue --role caretaker --room heron --json", "staff.issue",
          "{'role':'caretaker','rooms':['heron']}" },
        { "staff revoke s-1 --json", "staff.revoke", "{'id':'s-1'}" },
        { "staff list --json", "staff.list", "{}" },
        { "output heron light on --json", "output.set",
          "{'room':'heron','output':'light','on':true}" },
        { "output heron fan off --json", "output.set",
          "{'room':'heron','output':'fan','on':false}" },
        { "output heron heater on --json", NULL, NULL },
        { "output heron light bright --json", NULL, NULL },
        { "lockout clear heron no-rise --note new_fuse --json", "lockout.clear",
          "{'room':'heron','lockout':'no-rise','note':'new fuse'}" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct ran ran = run(row[i].line);
        json_t *answer = document(row[i].line, ran.out);
        char text[256] = "null";
        json_t *want;

        if (row[i].did != NULL)
            (void)snprintf(text, sizeof(text), "%s", row[i].params);
        for (char *c = text; *c != '\0'; c++)
            *c = *c == '\'' ? '"' : *c;
        want = json_loads(text, JSON_DECODE_ANY, NULL);
        assert_non_null(want);
        HG_CHECK_EQ(row[i].line, ran.status,
                    row[i].did == NULL ? HG_CLI_USAGE : HG_CLI_DONE);
        HG_CHECK_STR(row[i].line,
                     json_string_value(json_object_get(answer, "did")),
                     row[i].did);
        if (row[i].did != NULL)
            HG_CHECK_TRUE(row[i].line,
                          json_equal(json_object_get(answer, "params"), want));
        json_decref(want);
        json_decref(answer);
    }
}

static void test_cli_verbs__tell_reasons_one_a_line(void **state)
{
    struct ran ran = run("lockout set heron --note x");

    (void)state;
    assert_int_equal(ran.status, HG_CLI_REFUSED);
    assert_string_equal(ran.out, "heatgate lockout set: refused for 1 reason:\n"
                                 "  not-allowed: It is not. Ask.\n");
}

static void test_cli_verbs__list_rooms_and_watch(void **state)
{
    struct ran ran = run("rooms --json");
    json_t *answer = document("rooms", ran.out);

    (void)state;
    assert_int_equal(ran.status, HG_CLI_DONE);
    assert_int_equal(json_array_size(json_object_get(answer, "rooms")),
                     FAKE_ROOMS);
    json_decref(answer);
    ran = run("watch otter --once --json");
    answer = document("watch", ran.out);
    assert_int_equal(ran.status, HG_CLI_DONE);
    assert_string_equal(hg_cli_text(answer, "room"), "otter");
    json_decref(answer);
    ran = run("watch hut --once");
    assert_int_equal(ran.status, HG_CLI_REFUSED);
}

static void test_cli_verbs__stop_all_stops_each(void **state)
{
    struct ran ran = run("stop --all --json");
    json_t *answer = document("stop", ran.out);

    (void)state;
    assert_int_equal(ran.status, HG_CLI_DONE);
    assert_int_equal(json_array_size(json_object_get(answer, "stopped")),
                     FAKE_ROOMS);
    json_decref(answer);
}

static void test_cli_verbs__doctor_warns_of_another_version(void **state)
{
    struct ran ran = run("doctor --state-dir /");

    (void)state;
    assert_non_null(strstr(ran.out, "warn version: heatgated is 9.9.9"));
    assert_non_null(strstr(ran.out, "service calls itself well"));
}

static void test_cli_verbs__refuse_wrong_use(void **state)
{
    static const char *const line[] = {
        "",
        "hut",
        "guest",
        "guest hut",
        "rooms heron",
        "rooms --target 80",
        "watch",
        "watch heron otter",
        "heat heron --target",
        "heat heron --target nan --for 1h",
        "heat heron --target 80x --for 1h",
        "heat heron --target 80 --for 1h --for 2h",
        "heat heron --target 80 --for 30s",
        "heat heron --target 80 --for 1h --ready-by 9:30",
        "heat heron --target 80 --for 1h --change --preview",
        "heat heron --unplan --target 80",
        "heat heron --change --ready-by 09:30",
        "check heron",
        "check heron --agree-all --wait soon",
        "stop",
        "stop heron --all",
        "guest issue --stay 2026-12-04T15:00/2026-12-07T11:00",
        "guest issue --room heron",
        "guest issue --room heron --stay 2026-12-04T15:00",
        "guest issue --room heron --stay a/b",
        "guest issue --room heron --stay 2026-03-29T02:30/2026-12-07T11:00",
        "guest issue --room heron --stay 2026-12-07T15:00/2026-12-04T11:00",
        "guest issue --room heron --until 2026-12-04T15:00Z --stay a/b",
        "guest revoke",
        "staff issue --role king --all-rooms",
        "staff issue --role manager",
        "staff issue --role manager --all-rooms --room heron",
        "lockout set heron",
        "lockout set heron --note _",
        "journal show --limit x",
        "journal show --room heron --room otter",
        "journal verify a b",
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(line); i++) {
        char with_json[512];
        struct ran ran = run(line[i]);
        json_t *answer;

        HG_CHECK_EQ(line[i], ran.status, HG_CLI_USAGE);
        HG_CHECK_TRUE(line[i], strncmp(ran.out, "heatgate", 8) == 0);
        HG_CHECK_TRUE(line[i], strstr(ran.out, "\nSee: heatgate ") != NULL);
        (void)snprintf(with_json, sizeof(with_json), "--json %s", line[i]);
        ran = run(with_json);
        answer = document(line[i], ran.out);
        HG_CHECK_EQ(line[i], ran.status, HG_CLI_USAGE);
        HG_CHECK_TRUE(line[i], json_object_get(answer, "error") != NULL);
        json_decref(answer);
    }
}

static void test_cli_verbs__all_have_help_in_80_columns(void **state)
{
    (void)state;
    for (const struct hg_cli_verb *v = hg_cli_verbs; v->name != NULL; v++) {
        char line[64];
        char *text, *rest;
        struct ran ran;

        (void)snprintf(line, sizeof(line), "help %s", v->name);
        ran = run(line);
        HG_CHECK_EQ(v->name, ran.status, HG_CLI_DONE);
        HG_CHECK_TRUE(v->name, strstr(ran.out, v->usage) != NULL);
        rest = ran.out;
        while ((text = strsep(&rest, "\n")) != NULL)
            HG_CHECK_TRUE(v->name, strlen(text) <= 80);
        (void)snprintf(line, sizeof(line), "%s --help", v->name);
        HG_CHECK_EQ(v->name, run(line).status, HG_CLI_DONE);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cli_verbs__make_exactly_these_calls),
        cmocka_unit_test(test_cli_verbs__tell_reasons_one_a_line),
        cmocka_unit_test(test_cli_verbs__list_rooms_and_watch),
        cmocka_unit_test(test_cli_verbs__stop_all_stops_each),
        cmocka_unit_test(test_cli_verbs__doctor_warns_of_another_version),
        cmocka_unit_test(test_cli_verbs__refuse_wrong_use),
        cmocka_unit_test(test_cli_verbs__all_have_help_in_80_columns),
    };

    return cmocka_run_group_tests(tests, host_start, host_stop);
}
