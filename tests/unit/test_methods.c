/*
 * The table of methods against the contract's section 2, the checks of
 * parameters, and the order of a desk's checks.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "api/desk.h"
#include "api/methods.h"
#include "api_fake.h"
#include "check.h"

/* Who may call what, from the contract's table and its section 6. Columns:
 * guest, caretaker, integrator, manager, owner. */
static const struct {
    const char *method;
    const char *may; /* "GCIMO", '-' where not */
    bool is_admin_only;
} contract[] = {
    { "hello", "GCIMO", false },
    { "room.list", "GCIMO", false },
    { "room.state", "GCIMO", false },
    { "room.watch", "GCIMO", false },
    { "room.unwatch", "GCIMO", false },
    { "check.open", "GC-MO", false },
    { "check.sign", "GC-MO", false },
    { "heat.preview", "G-IMO", false },
    { "heat.start", "G-IMO", false },
    { "heat.change", "G-IMO", false },
    { "heat.stop", "GCIMO", false },
    { "heat.plan", "G-IMO", false },
    { "heat.unplan", "G-IMO", false },
    { "output.set", "G-IMO", false },
    { "guest.issue", "---MO", false },
    { "guest.rotate", "---MO", false },
    { "guest.revoke", "---MO", false },
    { "guest.list", "---MO", false },
    { "staff.issue", "----O", false },
    { "staff.revoke", "----O", false },
    { "staff.list", "----O", false },
    { "lockout.set", "---MO", false },
    { "lockout.clear", "---MO", false },
    { "binding.read", "---MO", false },
    { "commission.begin", "----O", true },
    { "commission.step", "----O", true },
    { "commission.state", "----O", true },
    { "commission.finish", "----O", true },
    { "commission.abandon", "----O", true },
    { "journal.read", "---MO", false },
    { "journal.head", "---MO", false },
    { "report.energy", "---MO", false },
    { "report.heat", "G-IMO", false },
};

static void test_methods__are_for_the_roles_of_the_contract(void **state)
{
    (void)state;
    assert_int_equal(sizeof(contract) / sizeof(contract[0]),
                     HG_METHOD_COUNT - 1);
    for (size_t i = 0; i < sizeof(contract) / sizeof(contract[0]); i++) {
        const struct hg_method_row *row = hg_method_find(contract[i].method);

        assert_non_null(row);
        HG_CHECK_EQ(contract[i].method, row->method, i + 1);
        HG_CHECK_TRUE(contract[i].method, hg_method_row(row->method) == row);
        HG_CHECK_EQ(contract[i].method, row->is_admin_only,
                    contract[i].is_admin_only);
        for (int role = HG_ROLE_GUEST; role <= HG_ROLE_OWNER; role++)
            HG_CHECK_EQ(contract[i].method,
                        hg_method_is_for(row, (enum hg_role)role),
                        contract[i].may[role - 1] != '-');
        HG_CHECK_EQ(contract[i].method, hg_method_is_for(row, HG_ROLE_NONE),
                    i == 0);
        HG_CHECK_EQ(contract[i].method,
                    hg_method_is_for(row, HG_ROLE_CONTROLLER), i == 0);
    }
    assert_null(hg_method_find("room"));
    assert_null(hg_method_find(""));
    assert_null(hg_method_row(HG_METHOD_NONE));
    assert_null(hg_method_row(HG_METHOD_COUNT));
}

#define H "\"room\":\"heron\""

static const struct {
    const char *label, *method, *params, *fault; /* fault NULL: fine */
} param_row[] = {
    { "code", "hello", "{\"code\":\"A\"}", NULL },
    { "token", "hello", "{\"token\":\"A\"}", NULL },
    { "neither", "hello", "{}", "params" },
    { "both", "hello", "{\"code\":\"A\",\"token\":\"B\"}", "params" },
    { "null is absent", "hello", "{\"code\":\"A\",\"token\":null}", NULL },
    { "code empty", "hello", "{\"code\":\"\"}", "code" },
    { "code a number", "hello", "{\"code\":7}", "code" },
    { "no room", "room.state", "{}", "room" },
    { "room null", "room.state", "{\"room\":null}", "room" },
    { "room a number", "room.state", "{\"room\":1}", "room" },
    { "room malformed", "room.state", "{\"room\":\"../x\"}", "room" },
    { "others ignored", "room.state", "{" H ",\"x\":[1]}", NULL },
    { "start", "heat.start", "{" H ",\"target_c\":80.5,\"duration_min\":90}",
      NULL },
    { "whole as real", "heat.start",
      "{" H ",\"target_c\":80,\"duration_min\":90.0}", NULL },
    { "start without target", "heat.start", "{" H ",\"duration_min\":90}",
      "target_c" },
    { "target a text", "heat.start",
      "{" H ",\"target_c\":\"80\",\"duration_min\":90}", "target_c" },
    { "target absurd", "heat.start",
      "{" H ",\"target_c\":1001,\"duration_min\":90}", "target_c" },
    { "target for the gate", "heat.start",
      "{" H ",\"target_c\":1000,\"duration_min\":90}", NULL },
    { "duration 0", "heat.start", "{" H ",\"target_c\":80,\"duration_min\":0}",
      "duration_min" },
    { "duration 1", "heat.start", "{" H ",\"target_c\":80,\"duration_min\":1}",
      NULL },
    { "duration a year and a day", "heat.start",
      "{" H ",\"target_c\":80,\"duration_min\":527040}", NULL },
    { "duration above", "heat.start",
      "{" H ",\"target_c\":80,\"duration_min\":527041}", "duration_min" },
    { "duration broken", "heat.start",
      "{" H ",\"target_c\":80,\"duration_min\":1.5}", "duration_min" },
    { "duration huge", "heat.start",
      "{" H ",\"target_c\":80,\"duration_min\":1e300}", "duration_min" },
    { "change nothing", "heat.change", "{" H "}", "params" },
    { "change target", "heat.change", "{" H ",\"target_c\":70}", NULL },
    { "change both", "heat.change",
      "{" H ",\"target_c\":70,\"duration_min\":9}", NULL },
    { "stop", "heat.stop", "{" H "}", NULL },
    { "plan", "heat.plan",
      "{" H ",\"target_c\":80,\"duration_min\":90,\"ready_at\":"
      "\"2026-01-09T18:00:00+01:00\"}",
      NULL },
    { "time without offset", "heat.plan",
      "{" H ",\"target_c\":80,\"duration_min\":90,\"ready_at\":"
      "\"2026-01-09T18:00:00\"}",
      "ready_at" },
    { "sign", "check.sign", "{\"check\":\"c-1\",\"agreed\":[\"a\",\"b\"]}",
      NULL },
    { "sign without agreed", "check.sign", "{\"check\":\"c-1\"}", "agreed" },
    { "agreed a text", "check.sign", "{\"check\":\"c\",\"agreed\":\"a\"}",
      "agreed" },
    { "agreed of numbers", "check.sign", "{\"check\":\"c\",\"agreed\":[1]}",
      "agreed" },
    { "rooms", "guest.issue",
      "{\"rooms\":[\"heron\"],\"from\":\"2026-01-09T15:00:00Z\",\"until\":"
      "\"2026-01-10T11:00:00Z\",\"label\":\"Smith\"}",
      NULL },
    { "rooms empty", "guest.issue",
      "{\"rooms\":[],\"from\":\"2026-01-09T15:00:00Z\",\"until\":"
      "\"2026-01-10T11:00:00Z\"}",
      "rooms" },
    { "rooms a text", "guest.rotate", "{\"rooms\":\"heron\"}", "rooms" },
    { "all rooms", "staff.issue", "{\"role\":\"manager\",\"rooms\":\"*\"}",
      NULL },
    { "some rooms", "staff.issue",
      "{\"role\":\"caretaker\",\"rooms\":[\"heron\",\"otter\"]}", NULL },
    { "no rooms", "staff.issue", "{\"role\":\"caretaker\"}", "rooms" },
    { "role owner", "staff.issue", "{\"role\":\"owner\",\"rooms\":\"*\"}",
      "role" },
    { "note", "lockout.clear",
      "{" H ",\"lockout\":\"no-rise\",\"note\":\"mended\"}", NULL },
    { "note blank", "lockout.clear",
      "{" H ",\"lockout\":\"no-rise\",\"note\":\"  \"}", "note" },
    { "note missing", "lockout.set", "{" H "}", "note" },
    { "note with controls", "lockout.set", "{" H ",\"note\":\"a\\nb\"}",
      "note" },
    { "limit 0", "journal.read", "{\"limit\":0}", "limit" },
    { "limit 1000", "journal.read", "{\"limit\":1000,\"after\":0}", NULL },
    { "limit 1001", "journal.read", "{\"limit\":1001}", "limit" },
    { "light on", "output.set", "{" H ",\"output\":\"light\",\"on\":true}",
      NULL },
    { "no such output", "output.set",
      "{" H ",\"output\":\"heater\",\"on\":true}", "output" },
    { "on is 1", "output.set", "{" H ",\"output\":\"fan\",\"on\":1}", "on" },
    { "on is missing", "output.set", "{" H ",\"output\":\"fan\"}", "on" },
    { "data an array", "commission.step", "{" H ",\"step\":\"x\",\"data\":[]}",
      "data" },
};

static void test_methods__name_the_parameter_that_is_wrong(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(param_row) / sizeof(param_row[0]); i++) {
        json_t *params = json_loads(param_row[i].params, 0, NULL);
        struct hg_param_fault fault = { .param = NULL };
        bool is_fine = hg_method_check_params(
            hg_method_find(param_row[i].method), params, false, &fault);

        HG_CHECK_EQ(param_row[i].label, is_fine, param_row[i].fault == NULL);
        HG_CHECK_STR(param_row[i].label, fault.param, param_row[i].fault);
        HG_CHECK_EQ(param_row[i].label, fault.wanted[0] != '\0',
                    param_row[i].fault != NULL);
        if (is_fine && json_object_get(params, "duration_min") != NULL)
            HG_CHECK_TRUE(param_row[i].label, json_is_integer(json_object_get(
                                                  params, "duration_min")));
        json_decref(params);
    }
}

static void test_methods__need_no_code_on_the_admin_socket(void **state)
{
    json_t *params = json_object();
    struct hg_param_fault fault;

    (void)state;
    assert_true(hg_method_check_params(hg_method_row(HG_METHOD_HELLO), params,
                                       true, &fault));
    json_decref(params);
}

/* -- the order of a desk's checks ------------------------------------------*/

struct scene {
    struct fake fake;
    struct hg_api_rooms *rooms;
    struct hg_api_desk *desk;
    json_t *sent; /* the last message, or NULL */
};

static void on_send(void *ctx, const char *text, size_t len)
{
    struct scene *scene = ctx;

    json_decref(scene->sent);
    scene->sent = json_loadb(text, len, 0, NULL);
}

static void scene_init(struct scene *scene, enum hg_role role, bool is_admin)
{
    struct hg_api_desk_setup setup = { .ops = { .ctx = scene,
                                                .send = on_send } };
    struct hg_actor actor = { .role = role, .id = "x-1" };

    memset(scene, 0, sizeof(*scene));
    fake_init(&scene->fake);
    assert_int_equal(hg_api_rooms_new(&scene->fake.backend, &scene->rooms), 0);
    setup.backend = &scene->fake.backend;
    setup.rooms = scene->rooms;
    setup.caller.is_admin = is_admin;
    if (role != HG_ROLE_NONE)
        hg_api_caller_sign_in(&setup.caller, &actor, "x");
    assert_int_equal(hg_api_desk_new(&setup, &scene->desk), 0);
}

static void scene_release(struct scene *scene)
{
    hg_api_desk_free(scene->desk);
    hg_api_rooms_free(scene->rooms);
    json_decref(scene->sent);
}

/* Call; the code of the error, 0 for a result, 1 for no answer yet. */
static json_int_t call(struct scene *scene, const char *method,
                       const char *params)
{
    char text[512];
    const json_t *error;

    json_decref(scene->sent);
    scene->sent = NULL;
    (void)snprintf(text, sizeof(text),
                   "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"%s\","
                   "\"params\":%s}",
                   method, params);
    assert_int_equal(hg_api_desk_receive(scene->desk, text, strlen(text)), 0);
    if (scene->sent == NULL)
        return 1;
    error = json_object_get(scene->sent, "error");
    return error == NULL ? 0
                         : json_integer_value(json_object_get(error, "code"));
}

static const struct {
    const char *label;
    enum hg_role role;
    const char *method, *params;
    int code;
    bool reaches_backend;
} order[] = {
    { "not signed in", HG_ROLE_NONE, "room.list", "{}", 1002, false },
    { "not signed in, no such method", HG_ROLE_NONE, "x", "{}", 1002, false },
    { "not signed in, bad params", HG_ROLE_NONE, "heat.stop", "{}", 1002,
      false },
    { "hello, bad params", HG_ROLE_NONE, "hello", "{}", -32602, false },
    { "hello, wrong code", HG_ROLE_NONE, "hello", "{\"code\":\"x\"}", 1002,
      true },
    { "hello", HG_ROLE_NONE, "hello", "{\"code\":\"guest\"}", 0, true },
    { "no such method", HG_ROLE_OWNER, "x", "{}", -32601, false },
    { "not implemented", HG_ROLE_OWNER, "report.energy", "{}", -32601, false },
    { "role before fields", HG_ROLE_GUEST, "guest.issue", "{}", 1003, false },
    { "role before rooms", HG_ROLE_CARETAKER, "heat.start",
      "{\"room\":\"nowhere\"}", 1003, false },
    { "fields before rooms", HG_ROLE_GUEST, "heat.start",
      "{\"room\":\"otter\"}", -32602, false },
    { "params by position", HG_ROLE_GUEST, "heat.stop", "[\"heron\"]", -32602,
      false },
    { "another's room", HG_ROLE_GUEST, "heat.stop", "{\"room\":\"otter\"}",
      1004, false },
    { "no room", HG_ROLE_GUEST, "heat.stop", "{\"room\":\"wren\"}", 1004,
      false },
    { "one's own room", HG_ROLE_GUEST, "heat.stop", "{\"room\":\"heron\"}", 0,
      true },
    { "caretaker stops", HG_ROLE_CARETAKER, "heat.stop", "{\"room\":\"heron\"}",
      0, true },
    { "integrator checks", HG_ROLE_INTEGRATOR, "check.open",
      "{\"room\":\"heron\"}", 1003, false },
    { "rooms, one unknown", HG_ROLE_MANAGER, "guest.issue",
      "{\"rooms\":[\"heron\",\"wren\"],\"from\":\"2026-01-09T15:00:00Z\","
      "\"until\":\"2026-01-10T11:00:00Z\"}",
      1004, false },
    { "only on the admin socket", HG_ROLE_OWNER, "commission.begin",
      "{\"room\":\"heron\"}", 1003, false },
    { "a state", HG_ROLE_GUEST, "room.state", "{\"room\":\"heron\"}", 0,
      false },
    { "no watching here", HG_ROLE_GUEST, "room.watch", "{\"room\":\"heron\"}",
      -32601, false },
    { "hello twice", HG_ROLE_GUEST, "hello", "{\"code\":\"owner\"}", 1003,
      false },
};

static void test_desk__checks_in_the_order_of_the_contract(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(order) / sizeof(order[0]); i++) {
        struct scene scene;

        scene_init(&scene, order[i].role, false);
        HG_CHECK_EQ(order[i].label,
                    call(&scene, order[i].method, order[i].params),
                    order[i].code);
        HG_CHECK_EQ(order[i].label, scene.fake.calls, order[i].reaches_backend);
        scene_release(&scene);
    }
}

/* What an outsider sees must not tell another's room from none. */
static void test_desk__hides_rooms_of_others(void **state)
{
    struct scene scene;
    char *other;
    char *none;

    (void)state;
    scene_init(&scene, HG_ROLE_GUEST, false);
    assert_int_equal(call(&scene, "room.state", "{\"room\":\"otter\"}"), 1004);
    other = json_dumps(scene.sent, JSON_SORT_KEYS);
    assert_int_equal(call(&scene, "room.state", "{\"room\":\"ettor\"}"), 1004);
    none = json_dumps(scene.sent, JSON_SORT_KEYS);
    for (char *at; (at = strstr(none, "ettor")) != NULL;)
        memcpy(at, "otter", 5);
    assert_string_equal(other, none);
    assert_int_equal(call(&scene, "room.list", "{}"), 0);
    assert_int_equal(json_array_size(json_object_get(
                         json_object_get(scene.sent, "result"), "rooms")),
                     1);
    free(other);
    free(none);
    scene_release(&scene);
}

static void test_desk__signs_in_once_and_late(void **state)
{
    struct scene scene;
    struct hg_actor actor = { .role = HG_ROLE_GUEST, .id = "g-1" };
    struct hg_api_caller *caller;

    (void)state;
    scene_init(&scene, HG_ROLE_NONE, false);
    scene.fake.hello_late = true;
    assert_int_equal(call(&scene, "hello", "{\"code\":\"guest\"}"), 1);
    assert_true(hg_api_desk_is_signing_in(scene.desk));
    assert_int_equal(call(&scene, "hello", "{\"code\":\"owner\"}"), 1003);
    assert_int_equal(call(&scene, "room.list", "{}"), 1002);

    caller = hg_api_reply_caller(scene.fake.late[0]);
    hg_api_caller_sign_in(caller, &actor, "guest:g-1");
    hg_api_reply_result(scene.fake.late[0], json_object());

    assert_false(hg_api_desk_is_signing_in(scene.desk));
    assert_int_equal(call(&scene, "room.list", "{}"), 0);
    actor.role = HG_ROLE_OWNER; /* whoever is in stays who it is */
    hg_api_caller_sign_in(caller, &actor, "owner");
    assert_int_equal(caller->actor.role, HG_ROLE_GUEST);
    assert_string_equal(caller->who, "guest:g-1");
    scene_release(&scene);
}

static void test_desk__slows_everything_down_but_stop(void **state)
{
    struct scene scene;

    (void)state;
    scene_init(&scene, HG_ROLE_OWNER, false);
    scene.fake.is_late = true;
    for (int i = 0; i < HG_API_CALLS_MAX; i++)
        assert_int_equal(call(&scene, "journal.head", "{}"), 1);
    assert_int_equal(call(&scene, "journal.head", "{}"), 1005);
    assert_int_equal(call(&scene, "heat.stop", "{\"room\":\"heron\"}"), 1);
    assert_int_equal(scene.fake.last, HG_METHOD_HEAT_STOP);
    for (size_t i = 0; i < scene.fake.late_count; i++)
        hg_api_reply_cancel(scene.fake.late[i]);
    scene.fake.is_late = false;
    assert_int_equal(call(&scene, "journal.head", "{}"), 0);
    scene_release(&scene);
}

static void test_desk__lets_an_owner_commission_on_site(void **state)
{
    struct scene scene;

    (void)state;
    scene_init(&scene, HG_ROLE_OWNER, true);
    assert_int_equal(call(&scene, "commission.begin", "{\"room\":\"heron\"}"),
                     0);
    assert_int_equal(call(&scene, "hello", "{}"), 0);
    scene_release(&scene);
}

/* -- members beside params, as MQTT uses them ------------------------------*/

static void on_admit(void *ctx, struct hg_api_caller *caller,
                     const json_t *request)
{
    const char *token = json_string_value(json_object_get(request, "token"));
    struct hg_actor actor = { .role = HG_ROLE_INTEGRATOR, .id = "i-1" };

    (void)ctx;
    if (token != NULL && strcmp(token, "right") == 0)
        hg_api_caller_sign_in(caller, &actor, "integrator:i-1");
}

static void test_desk__admits_by_a_token_beside_params(void **state)
{
    static const struct {
        const char *token;
        int code;
    } row[] = { { "right", 0 }, { "wrong", 1002 } };

    (void)state;
    for (size_t i = 0; i < 2; i++) {
        struct scene scene;
        struct hg_api_desk_setup setup;
        char text[200];

        scene_init(&scene, HG_ROLE_NONE, false);
        hg_api_desk_free(scene.desk);
        memset(&setup, 0, sizeof(setup));
        setup.backend = &scene.fake.backend;
        setup.rooms = scene.rooms;
        setup.ops.ctx = &scene;
        setup.ops.send = on_send;
        setup.ops.admit = on_admit;
        assert_int_equal(hg_api_desk_new(&setup, &scene.desk), 0);
        (void)snprintf(text, sizeof(text),
                       "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"room.list\","
                       "\"token\":\"%s\"}",
                       row[i].token);
        assert_int_equal(hg_api_desk_receive(scene.desk, text, strlen(text)),
                         0);
        HG_CHECK_EQ(row[i].token,
                    json_integer_value(json_object_get(
                        json_object_get(scene.sent, "error"), "code")),
                    row[i].code);
        scene_release(&scene);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_methods__are_for_the_roles_of_the_contract),
        cmocka_unit_test(test_methods__name_the_parameter_that_is_wrong),
        cmocka_unit_test(test_methods__need_no_code_on_the_admin_socket),
        cmocka_unit_test(test_desk__checks_in_the_order_of_the_contract),
        cmocka_unit_test(test_desk__hides_rooms_of_others),
        cmocka_unit_test(test_desk__signs_in_once_and_late),
        cmocka_unit_test(test_desk__slows_everything_down_but_stop),
        cmocka_unit_test(test_desk__lets_an_owner_commission_on_site),
        cmocka_unit_test(test_desk__admits_by_a_token_beside_params),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
