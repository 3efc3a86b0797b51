/*
 * JSON-RPC 2.0 without a transport: the examples of the specification's
 * section 7 (www.jsonrpc.org/specification), limits, and late answers.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "api/backend.h"
#include "api/rpc.h"
#include "check.h"
#include <stdio.h>
#include <stdlib.h>

#define LATE_MAX 64

/* The far end of the port: the methods of the specification's examples. */
struct desk {
    struct hg_rpc_port *port;
    json_t *sent;   /* array of messages */
    char last[512]; /* text of the newest, cut */
    size_t handled, done, completed;
    bool is_late, frees_when_done;
    struct hg_api_reply *late[LATE_MAX];
    size_t late_count;
};

static void answer(const struct hg_rpc_request *request)
{
    json_t *p = request->params;

    if (strcmp(request->method, "subtract") == 0 && json_is_array(p))
        hg_api_reply_result(
            request->reply,
            json_integer(json_integer_value(json_array_get(p, 0)) -
                         json_integer_value(json_array_get(p, 1))));
    else if (strcmp(request->method, "subtract") == 0)
        hg_api_reply_result(
            request->reply,
            json_integer(json_integer_value(json_object_get(p, "minuend")) -
                         json_integer_value(json_object_get(p, "subtrahend"))));
    else if (strcmp(request->method, "sum") == 0)
        hg_api_reply_result(request->reply, json_integer(7));
    else if (strcmp(request->method, "get_data") == 0)
        hg_api_reply_result(request->reply, json_pack("[s,i]", "hello", 5));
    else if (strcmp(request->method, "third") == 0)
        hg_api_reply_result(request->reply, json_real(64.2));
    else
        hg_api_reply_error(request->reply, HG_RPC_METHOD_NOT_FOUND,
                           "Method not found", NULL);
}

static void handle(void *ctx, const struct hg_rpc_request *request)
{
    struct desk *desk = ctx;

    desk->handled++;
    if (!desk->is_late) {
        answer(request);
        return;
    }
    hg_rpc_reply_mark(request->reply, 7);
    desk->late[desk->late_count++] = request->reply;
}

static void on_send(void *ctx, const char *text, size_t len)
{
    struct desk *desk = ctx;
    json_t *message = json_loadb(text, len, JSON_REJECT_DUPLICATES, NULL);

    assert_non_null(message);
    (void)snprintf(desk->last, sizeof(desk->last), "%.*s", (int)len, text);
    json_array_append_new(desk->sent, message);
}

static void on_completed(void *ctx, unsigned int mark)
{
    struct desk *desk = ctx;

    assert_int_equal(mark, 7);
    desk->completed++;
}

static void on_done(void *ctx)
{
    struct desk *desk = ctx;

    desk->done++;
    if (desk->frees_when_done) {
        hg_rpc_port_free(desk->port);
        desk->port = NULL;
    }
}

static void desk_init(struct desk *desk)
{
    struct hg_rpc_ops ops = { .ctx = desk,
                              .handle = handle,
                              .send = on_send,
                              .completed = on_completed,
                              .done = on_done };

    memset(desk, 0, sizeof(*desk));
    desk->sent = json_array();
    assert_int_equal(hg_rpc_port_new(&ops, &desk->port), 0);
}

static void desk_release(struct desk *desk)
{
    hg_rpc_port_free(desk->port);
    json_decref(desk->sent);
}

static void receive(struct desk *desk, const char *text)
{
    assert_int_equal(hg_rpc_port_receive(desk->port, text, strlen(text)), 0);
}

static json_int_t error_code(const json_t *message)
{
    return json_integer_value(
        json_object_get(json_object_get(message, "error"), "code"));
}

/* Errors are compared by code: their words are ours. */
static void drop_words(json_t *message)
{
    json_t *error = json_object_get(message, "error");
    size_t i;
    json_t *item;

    if (json_is_array(message)) {
        json_array_foreach(message, i, item) drop_words(item);
    }
    if (error != NULL) {
        assert_true(json_is_string(json_object_get(error, "message")));
        json_object_del(error, "message");
    }
}

#define ERR(code, id)                                                          \
    "{\"jsonrpc\":\"2.0\",\"error\":{\"code\":" code "},\"id\":" id "}"

/* The specification, section 7, in its order. */
static const struct {
    const char *label, *in, *out; /* out NULL: no answer */
} example[] = {
    { "positional",
      "{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": [42, 23], "
      "\"id\": 1}",
      "{\"jsonrpc\": \"2.0\", \"result\": 19, \"id\": 1}" },
    { "positional, other order",
      "{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": [23, 42], "
      "\"id\": 2}",
      "{\"jsonrpc\": \"2.0\", \"result\": -19, \"id\": 2}" },
    { "named",
      "{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": "
      "{\"subtrahend\": 23, \"minuend\": 42}, \"id\": 3}",
      "{\"jsonrpc\": \"2.0\", \"result\": 19, \"id\": 3}" },
    { "named, other order",
      "{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": "
      "{\"minuend\": 42, \"subtrahend\": 23}, \"id\": 4}",
      "{\"jsonrpc\": \"2.0\", \"result\": 19, \"id\": 4}" },
    { "notification",
      "{\"jsonrpc\": \"2.0\", \"method\": \"update\", \"params\": "
      "[1,2,3,4,5]}",
      NULL },
    { "notification without params",
      "{\"jsonrpc\": \"2.0\", \"method\": \"foobar\"}", NULL },
    { "no such method",
      "{\"jsonrpc\": \"2.0\", \"method\": \"foobar\", \"id\": \"1\"}",
      ERR("-32601", "\"1\"") },
    { "invalid JSON",
      "{\"jsonrpc\": \"2.0\", \"method\": \"foobar, \"params\": \"bar\", "
      "\"baz]",
      ERR("-32700", "null") },
    { "invalid request",
      "{\"jsonrpc\": \"2.0\", \"method\": 1, \"params\": \"bar\"}",
      ERR("-32600", "null") },
    { "batch, invalid JSON",
      "[{\"jsonrpc\": \"2.0\", \"method\": \"sum\", \"params\": [1,2,4], "
      "\"id\": \"1\"},{\"jsonrpc\": \"2.0\", \"method\"]",
      ERR("-32700", "null") },
    { "empty batch", "[]", ERR("-32600", "null") },
    { "batch, invalid but not empty", "[1]", "[" ERR("-32600", "null") "]" },
    { "invalid batch", "[1,2,3]",
      "[" ERR("-32600", "null") "," ERR("-32600", "null") "," ERR("-32600",
                                                                  "null") "]" },
    { "batch",
      "[{\"jsonrpc\": \"2.0\", \"method\": \"sum\", \"params\": [1,2,4], "
      "\"id\": \"1\"},"
      "{\"jsonrpc\": \"2.0\", \"method\": \"notify_hello\", \"params\": [7]},"
      "{\"jsonrpc\": \"2.0\", \"method\": \"subtract\", \"params\": [42,23], "
      "\"id\": \"2\"},"
      "{\"foo\": \"boo\"},"
      "{\"jsonrpc\": \"2.0\", \"method\": \"foo.get\", \"params\": {\"name\": "
      "\"myself\"}, \"id\": \"5\"},"
      "{\"jsonrpc\": \"2.0\", \"method\": \"get_data\", \"id\": \"9\"}]",
      "[{\"jsonrpc\": \"2.0\", \"result\": 7, \"id\": \"1\"},"
      "{\"jsonrpc\": \"2.0\", \"result\": 19, \"id\": \"2\"}," ERR(
          "-32600",
          "null") "," ERR("-32601",
                          "\"5\"") ","
                                   "{\"jsonrpc\": \"2.0\", \"result\": "
                                   "[\"hello\", 5], \"id\": \"9\"}]" },
    { "batch of notifications",
      "[{\"jsonrpc\": \"2.0\", \"method\": \"notify_sum\", \"params\": "
      "[1,2,4]},{\"jsonrpc\": \"2.0\", \"method\": \"notify_hello\", "
      "\"params\": [7]}]",
      NULL },
};

static void test_rpc__answers_the_examples_of_the_specification(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof(example) / sizeof(example[0]); i++) {
        struct desk desk;
        json_t *want;

        desk_init(&desk);
        receive(&desk, example[i].in);

        HG_CHECK_EQ(example[i].label, json_array_size(desk.sent),
                    example[i].out != NULL);
        HG_CHECK_EQ(example[i].label, desk.done, 1);
        if (example[i].out != NULL) {
            want = json_loads(example[i].out, 0, NULL);
            drop_words(json_array_get(desk.sent, 0));
            HG_CHECK_TRUE(example[i].label,
                          json_equal(json_array_get(desk.sent, 0), want));
            json_decref(want);
        }
        desk_release(&desk);
    }
}

static void test_rpc__refuses_what_is_no_request(void **state)
{
    static const struct {
        const char *label, *in;
        int code;
    } row[] = {
        { "nothing", "", -32700 },
        { "blank", "  ", -32700 },
        { "a number", "1", -32600 },
        { "a text", "\"x\"", -32600 },
        { "null", "null", -32600 },
        { "two documents", "{} {}", -32700 },
        { "no version", "{\"method\":\"sum\",\"id\":1}", -32600 },
        { "version 1", "{\"jsonrpc\":\"1.0\",\"method\":\"sum\",\"id\":1}",
          -32600 },
        { "version as number", "{\"jsonrpc\":2.0,\"method\":\"sum\",\"id\":1}",
          -32600 },
        { "no method", "{\"jsonrpc\":\"2.0\",\"id\":1}", -32600 },
        { "params null",
          "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"params\":null,\"id\":1}",
          -32600 },
        { "id true", "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":true}",
          -32600 },
        { "id array", "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":[1]}",
          -32600 },
        { "id object", "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":{}}",
          -32600 },
        { "member twice",
          "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"method\":\"x\",\"id\":1}",
          -32600 },
        { "member twice, deep",
          "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"params\":{\"a\":{\"b\":1,"
          "\"b\":2}},\"id\":1}",
          -32600 },
        { "bad UTF-8", "{\"jsonrpc\":\"2.0\",\"method\":\"\xc3\x28\",\"id\":1}",
          -32700 },
        { "NUL escaped",
          "{\"jsonrpc\":\"2.0\",\"method\":\"a\\u0000\",\"id\":1}", -32700 },
        { "number too large",
          "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":1e999}", -32600 },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct desk desk;

        desk_init(&desk);
        receive(&desk, row[i].in);

        HG_CHECK_EQ(row[i].label, json_array_size(desk.sent), 1);
        HG_CHECK_EQ(row[i].label, error_code(json_array_get(desk.sent, 0)),
                    row[i].code);
        HG_CHECK_EQ(row[i].label, desk.handled, 0);
        desk_release(&desk);
    }
}

static void test_rpc__takes_ids_of_the_three_kinds(void **state)
{
    static const char *const id[] = {
        "0", "-7", "1.5", "\"\"", "null", "\"a\"", "9007199254740993"
    };

    (void)state;
    for (size_t i = 0; i < sizeof(id) / sizeof(id[0]); i++) {
        struct desk desk;
        char in[200];
        json_t *want = json_loads(id[i], JSON_DECODE_ANY, NULL);
        const json_t *got;

        desk_init(&desk);
        (void)snprintf(in, sizeof(in),
                       "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":%s}",
                       id[i]);
        receive(&desk, in);

        got = json_object_get(json_array_get(desk.sent, 0), "id");
        HG_CHECK_TRUE(id[i], json_equal(got, want));
        json_decref(want);
        desk_release(&desk);
    }
}

/* a batch of count notifications but the last, which wants an answer */
static char *batch_of(size_t count)
{
    static const char one[] = "{\"jsonrpc\":\"2.0\",\"method\":\"sum\"}";
    char *text = calloc(1, (count + 2) * 64);

    strcat(text, "[");
    for (size_t i = 0; i + 1 < count; i++)
        strcat(strcat(text, one), ",");
    strcat(text, "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":1}]");
    return text;
}

static char *nested(size_t depth)
{
    char *text = calloc(1, 100 + 2 * depth);

    strcat(text, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"sum\","
                 "\"params\":");
    memset(text + strlen(text), '[', depth - 1);
    memset(text + strlen(text), ']', depth - 1);
    strcat(text, "}");
    return text;
}

/* an id of so many bytes; braces and escapes inside texts are no nesting */
static char *with_id(size_t bytes)
{
    char *text = calloc(1, 200 + bytes);

    strcat(text, "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":\"");
    memset(text + strlen(text), '{', bytes);
    strcat(text, "\"}");
    return text;
}

static void test_rpc__stops_at_its_limits(void **state)
{
    struct {
        const char *label;
        char *in;
        bool is_fine;
    } row[] = {
        { "batch of 19", batch_of(19), true },
        { "batch of 20", batch_of(20), true },
        { "batch of 21", batch_of(21), false },
        { "31 levels", nested(31), true },
        { "32 levels", nested(32), true },
        { "33 levels", nested(33), false },
        { "20000 levels", nested(20000), false },
        { "id of 255 bytes", with_id(255), true },
        { "id of 256 bytes", with_id(256), true },
        { "id of 257 bytes", with_id(257), false },
    };

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        struct desk desk;

        desk_init(&desk);
        receive(&desk, row[i].in);

        HG_CHECK_EQ(row[i].label, json_array_size(desk.sent), 1);
        HG_CHECK_EQ(row[i].label, desk.handled > 0, row[i].is_fine);
        HG_CHECK_EQ(row[i].label, error_code(json_array_get(desk.sent, 0)),
                    row[i].is_fine ? 0 : -32600);
        free(row[i].in);
        desk_release(&desk);
    }
}

static void test_rpc__prints_numbers_as_they_were_meant(void **state)
{
    struct desk desk;

    (void)state;
    desk_init(&desk);
    receive(&desk, "{\"jsonrpc\":\"2.0\",\"method\":\"third\",\"id\":1}");
    assert_non_null(strstr(desk.last, "\"result\":64.2,"));
    desk_release(&desk);
}

/* -- late answers ----------------------------------------------------------*/

static void test_rpc__sends_a_batch_when_the_last_answer_is_in(void **state)
{
    struct desk desk;

    (void)state;
    desk_init(&desk);
    desk.is_late = true;
    receive(&desk, "[{\"jsonrpc\":\"2.0\",\"method\":\"a\",\"id\":1},"
                   "{\"jsonrpc\":\"2.0\",\"method\":\"b\"},"
                   "{\"jsonrpc\":\"2.0\",\"method\":\"c\",\"id\":3}]");
    assert_int_equal(desk.late_count, 3);
    assert_int_equal(hg_rpc_port_open_count(desk.port), 3);
    assert_true(hg_rpc_port_has_open_batch(desk.port));
    assert_true(hg_rpc_reply_is_notification(desk.late[1]));

    hg_api_reply_result(desk.late[2], json_true());
    hg_api_reply_result(desk.late[1], json_true());
    assert_int_equal(json_array_size(desk.sent), 0);
    assert_int_equal(desk.done, 0);
    hg_api_reply_error(desk.late[0], 1001, "refused", json_pack("[]"));

    assert_int_equal(json_array_size(desk.sent), 1);
    assert_int_equal(json_array_size(json_array_get(desk.sent, 0)), 2);
    assert_int_equal(desk.done, 1);
    assert_int_equal(desk.completed, 3);
    assert_int_equal(hg_rpc_port_open_count(desk.port), 0);
    assert_false(hg_rpc_port_has_open_batch(desk.port));
    desk_release(&desk);
}

static void test_rpc__keeps_messages_apart(void **state)
{
    struct desk desk;

    (void)state;
    desk_init(&desk);
    desk.is_late = true;
    receive(&desk, "{\"jsonrpc\":\"2.0\",\"method\":\"a\",\"id\":1}");
    receive(&desk, "{\"jsonrpc\":\"2.0\",\"method\":\"a\",\"id\":2}");

    hg_api_reply_result(desk.late[1], json_integer(22));
    hg_api_reply_cancel(desk.late[0]);

    assert_int_equal(json_array_size(desk.sent), 1);
    assert_int_equal(
        json_integer_value(json_object_get(json_array_get(desk.sent, 0), "id")),
        2);
    assert_int_equal(desk.done, 2);
    desk_release(&desk);
}

static void test_rpc__lets_answers_come_after_the_connection(void **state)
{
    struct desk desk;

    (void)state;
    desk_init(&desk);
    desk.is_late = true;
    receive(&desk, "[{\"jsonrpc\":\"2.0\",\"method\":\"a\",\"id\":1},"
                   "{\"jsonrpc\":\"2.0\",\"method\":\"b\",\"id\":2}]");
    receive(&desk, "{\"jsonrpc\":\"2.0\",\"method\":\"c\",\"id\":3}");
    hg_api_reply_result(desk.late[0], json_true());

    hg_rpc_port_free(desk.port);
    desk.port = NULL;

    assert_null(hg_rpc_reply_ctx(desk.late[1]));
    hg_api_reply_result(desk.late[1], json_true());
    hg_api_reply_error(desk.late[2], 1006, "gone", json_object());
    assert_int_equal(json_array_size(desk.sent), 0);
    assert_int_equal(desk.done, 0);
    desk_release(&desk);
}

static void test_rpc__may_be_freed_when_a_message_is_done(void **state)
{
    struct desk desk;

    (void)state;
    desk_init(&desk);
    desk.frees_when_done = true;
    receive(&desk, "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":1}");
    assert_null(desk.port);
    assert_int_equal(json_array_size(desk.sent), 1);
    desk_release(&desk);

    desk_init(&desk);
    desk.frees_when_done = true;
    desk.is_late = true;
    receive(&desk, "{\"jsonrpc\":\"2.0\",\"method\":\"sum\",\"id\":1}");
    assert_non_null(desk.port);
    hg_api_reply_result(desk.late[0], json_true());
    assert_null(desk.port);
    desk_release(&desk);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_rpc__answers_the_examples_of_the_specification),
        cmocka_unit_test(test_rpc__refuses_what_is_no_request),
        cmocka_unit_test(test_rpc__takes_ids_of_the_three_kinds),
        cmocka_unit_test(test_rpc__stops_at_its_limits),
        cmocka_unit_test(test_rpc__prints_numbers_as_they_were_meant),
        cmocka_unit_test(test_rpc__sends_a_batch_when_the_last_answer_is_in),
        cmocka_unit_test(test_rpc__keeps_messages_apart),
        cmocka_unit_test(test_rpc__lets_answers_come_after_the_connection),
        cmocka_unit_test(test_rpc__may_be_freed_when_a_message_is_done),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
