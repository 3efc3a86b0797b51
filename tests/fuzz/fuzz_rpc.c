/*
 * JSON-RPC from raw bytes: whatever comes in, each answer is a response of
 * JSON-RPC 2.0 (specification, section 5), every request is answered once,
 * and nothing stays open. Parameters pass through the table of methods; what
 * it lets through, it lets through unchanged the second time.
 *
 * The last byte of the input says how many answers come late and whether the
 * connection goes away before they do.
 */
#include "fuzz.h"
#include "api/backend.h"
#include "api/methods.h"
#include "api/rpc.h"

#define LATE_MAX 64

struct desk {
    struct hg_api_reply *late[LATE_MAX];
    size_t late_count, late_wanted;
    size_t handled, wanted_answers, answers, done;
};

static void check_params(const struct hg_method_row *row, json_t *params)
{
    struct hg_param_fault fault;
    json_t *before;

    memset(&fault, 0, sizeof(fault));
    if (!hg_method_check_params(row, params, false, &fault)) {
        FUZZ_MUST(fault.param != NULL && fault.param[0] != '\0');
        FUZZ_MUST(memchr(fault.wanted, '\0', sizeof(fault.wanted)) != NULL);
        FUZZ_MUST(fault.wanted[0] != '\0');
        return;
    }
    before = json_deep_copy(params);
    FUZZ_MUST(hg_method_check_params(row, params, false, &fault));
    FUZZ_MUST(json_equal(before, params));
    json_decref(before);
}

static void handle(void *ctx, const struct hg_rpc_request *request)
{
    const struct hg_method_row *row = hg_method_find(request->method);
    struct desk *desk = ctx;

    desk->handled++;
    FUZZ_MUST(request->method != NULL && json_is_object(request->whole));
    FUZZ_MUST(request->params == NULL || json_is_object(request->params) ||
              json_is_array(request->params));
    if (!hg_rpc_reply_is_notification(request->reply))
        desk->wanted_answers++;
    if (row != NULL && json_is_object(request->params))
        check_params(row, request->params);
    if (desk->late_count < desk->late_wanted && desk->late_count < LATE_MAX)
        desk->late[desk->late_count++] = request->reply;
    else if (row != NULL)
        hg_api_reply_result(request->reply,
                            json_pack("{s:s}", "is", row->name));
    else
        hg_api_reply_error(request->reply, HG_RPC_METHOD_NOT_FOUND, "none",
                           NULL);
}

/* A response object: exactly one of result and error, and an id. */
static void check_response(const json_t *response)
{
    const json_t *error = json_object_get(response, "error");
    const json_t *id = json_object_get(response, "id");
    const char *version =
        json_string_value(json_object_get(response, "jsonrpc"));

    FUZZ_MUST(json_is_object(response));
    FUZZ_MUST(version != NULL && strcmp(version, "2.0") == 0);
    FUZZ_MUST((error == NULL) == (json_object_get(response, "result") != NULL));
    FUZZ_MUST(json_is_string(id) || json_is_number(id) || json_is_null(id));
    if (error != NULL) {
        FUZZ_MUST(json_is_integer(json_object_get(error, "code")));
        FUZZ_MUST(json_is_string(json_object_get(error, "message")));
    }
}

static void on_send(void *ctx, const char *text, size_t len)
{
    json_t *message =
        json_loadb(text, len, JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, NULL);
    struct desk *desk = ctx;
    json_t *response;
    size_t i;

    FUZZ_MUST(message != NULL);
    if (json_is_array(message)) {
        FUZZ_MUST(json_array_size(message) > 0 &&
                  json_array_size(message) <= HG_RPC_BATCH_MAX);
        json_array_foreach(message, i, response)
        {
            check_response(response);
        }
        desk->answers += json_array_size(message);
    } else {
        check_response(message);
        desk->answers++;
    }
    json_decref(message);
}

static void on_done(void *ctx)
{
    struct desk *desk = ctx;

    desk->done++;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct desk desk;
    struct hg_rpc_ops ops = { &desk, handle, on_send, NULL, on_done };
    struct hg_rpc_port *port = NULL;
    uint8_t how = size > 0 ? data[size - 1] : 0;

    memset(&desk, 0, sizeof(desk));
    desk.late_wanted = how % 4;
    FUZZ_MUST(hg_rpc_port_new(&ops, &port) == 0);
    FUZZ_MUST(hg_rpc_port_receive(port, (const char *)data, size) == 0);
    FUZZ_MUST(desk.handled <= HG_RPC_BATCH_MAX);
    FUZZ_MUST(hg_rpc_port_open_count(port) == desk.late_count);
    if (how % 8 >= 4) { /* gone: whoever answers now talks to nobody */
        hg_rpc_port_free(port);
        port = NULL;
    }
    for (size_t i = 0; i < desk.late_count; i++)
        hg_api_reply_result(desk.late[i], json_integer((json_int_t)i));
    if (port != NULL) {
        FUZZ_MUST(hg_rpc_port_open_count(port) == 0);
        FUZZ_MUST(!hg_rpc_port_has_open_batch(port));
        FUZZ_MUST(desk.answers >= desk.wanted_answers);
    }
    hg_rpc_port_free(port);
    return 0;
}
