/*
 * JSON-RPC 2.0: what a message is, and the book of requests that still wait
 * for their answer. It knows no method and no transport.
 */
#include "api/rpc.h"
#include "api/backend.h"
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

/* 64.2 shall not go out as 64.200000000000003 */
#define DUMP_FLAGS (JSON_COMPACT | JSON_REAL_PRECISION(12) | JSON_ENCODE_ANY)

/* One message that came in, until its last request is answered. */
struct message {
    struct hg_rpc_port *port;
    struct message *prev, *next;
    size_t pending;  /* requests not completed, and one for receive() */
    json_t *answers; /* of a batch; NULL: a single request */
};

struct hg_api_reply {
    struct message *message; /* NULL: the connection is gone */
    struct hg_api_reply *prev, *next;
    json_t *id; /* NULL: a notification */
    unsigned int mark;
};

struct hg_rpc_port {
    struct hg_rpc_ops ops;
    struct hg_api_reply *replies;
    struct message *messages;
    size_t open_count;
    size_t open_batches;
};

int hg_rpc_port_new(const struct hg_rpc_ops *ops, struct hg_rpc_port **ret_port)
{
    struct hg_rpc_port *port = calloc(1, sizeof(*port));

    if (port == NULL)
        return HG_ERR_MEMORY;
    port->ops = *ops;
    *ret_port = port;
    return 0;
}

static void message_unlink(struct message *message)
{
    if (message->prev != NULL)
        message->prev->next = message->next;
    else
        message->port->messages = message->next;
    if (message->next != NULL)
        message->next->prev = message->prev;
    if (message->answers != NULL)
        message->port->open_batches--;
}

static void message_free(struct message *message)
{
    json_decref(message->answers);
    free(message);
}

void hg_rpc_port_free(struct hg_rpc_port *port)
{
    if (port == NULL)
        return;
    for (struct hg_api_reply *r = port->replies; r != NULL; r = r->next)
        r->message = NULL; /* whoever holds it frees it on completion */
    while (port->messages != NULL) {
        struct message *message = port->messages;

        message_unlink(message);
        message_free(message);
    }
    free(port);
}

size_t hg_rpc_port_open_count(const struct hg_rpc_port *port)
{
    return port->open_count;
}

bool hg_rpc_port_has_open_batch(const struct hg_rpc_port *port)
{
    return port->open_batches > 0;
}

static int send_json(struct hg_rpc_port *port, const json_t *value)
{
    char *text = json_dumps(value, DUMP_FLAGS);

    if (text == NULL)
        return HG_ERR_MEMORY;
    port->ops.send(port->ops.ctx, text, strlen(text));
    free(text);
    return 0;
}

/* {"jsonrpc":"2.0", key: value, "id": id}; takes value over. */
static json_t *answer_of(const char *key, json_t *value_taken, json_t *id)
{
    json_t *answer = json_object();

    if (value_taken == NULL || answer == NULL ||
        json_object_set_new(answer, "jsonrpc", json_string("2.0")) != 0 ||
        json_object_set(answer, key, value_taken) != 0 ||
        json_object_set(answer, "id", id) != 0) {
        json_decref(answer);
        answer = NULL;
    }
    json_decref(value_taken);
    return answer;
}

static json_t *error_of(int code, const char *message, json_t *data_taken)
{
    json_t *error = json_object();

    if (error == NULL ||
        json_object_set_new(error, "code", json_integer(code)) != 0 ||
        json_object_set_new(error, "message", json_string(message)) != 0 ||
        (data_taken != NULL &&
         json_object_set(error, "data", data_taken) != 0)) {
        json_decref(error);
        error = NULL;
    }
    json_decref(data_taken);
    return error;
}

/* Put an answer where it belongs; NULL means that memory ran out. */
static int message_add(struct message *message, json_t *answer_taken)
{
    int err = 0;

    if (answer_taken == NULL)
        return HG_ERR_MEMORY;
    if (message->answers == NULL)
        err = send_json(message->port, answer_taken);
    else if (json_array_append(message->answers, answer_taken) != 0)
        err = HG_ERR_MEMORY;
    json_decref(answer_taken);
    return err;
}

/* One request less to wait for; the last one sends the batch. */
static int message_drop(struct message *message)
{
    struct hg_rpc_port *port = message->port;
    int err = 0;

    if (--message->pending > 0)
        return 0;
    message_unlink(message);
    if (message->answers != NULL && json_array_size(message->answers) > 0)
        err = send_json(port, message->answers);
    message_free(message);
    if (port->ops.done != NULL)
        port->ops.done(port->ops.ctx); /* the port may be gone now */
    return err;
}

/* -- replies ---------------------------------------------------------------*/

static struct hg_api_reply *reply_new(struct message *message, json_t *id)
{
    struct hg_rpc_port *port = message->port;
    struct hg_api_reply *reply = calloc(1, sizeof(*reply));

    if (reply == NULL)
        return NULL;
    reply->message = message;
    reply->id = json_incref(id); /* NULL is fine */
    reply->next = port->replies;
    if (port->replies != NULL)
        port->replies->prev = reply;
    port->replies = reply;
    port->open_count++;
    message->pending++;
    return reply;
}

static void reply_unlink(struct hg_api_reply *reply)
{
    struct hg_rpc_port *port = reply->message->port;

    if (reply->prev != NULL)
        reply->prev->next = reply->next;
    else
        port->replies = reply->next;
    if (reply->next != NULL)
        reply->next->prev = reply->prev;
    port->open_count--;
}

/*
 * Complete a reply with "result" or "error", or with nothing (key NULL). An
 * answer that memory cannot hold is lost; the caller's timeout tells.
 */
static void complete(struct hg_api_reply *reply, const char *key,
                     json_t *value_taken)
{
    struct message *message = reply->message;
    struct hg_rpc_port *port;
    json_t *answer = NULL;

    if (message == NULL) {
        json_decref(value_taken);
        goto out;
    }
    port = message->port;
    reply_unlink(reply);
    if (reply->mark != 0 && port->ops.completed != NULL)
        port->ops.completed(port->ops.ctx, reply->mark);
    if (key != NULL && reply->id != NULL) {
        answer = answer_of(key, value_taken, reply->id);
        (void)message_add(message, answer);
    } else {
        json_decref(value_taken);
    }
    (void)message_drop(message);
out:
    json_decref(reply->id);
    free(reply);
}

void hg_api_reply_result(struct hg_api_reply *reply, json_t *result_taken)
{
    if (result_taken == NULL) {
        hg_api_reply_error(reply, HG_RPC_INTERNAL_ERROR,
                           "The gateway has no memory for the answer. Try "
                           "again later.",
                           NULL);
        return;
    }
    complete(reply, "result", result_taken);
}

void hg_api_reply_error(struct hg_api_reply *reply, int code,
                        const char *message, json_t *data_taken)
{
    complete(reply, "error", error_of(code, message, data_taken));
}

void hg_api_reply_cancel(struct hg_api_reply *reply)
{
    complete(reply, NULL, NULL);
}

void hg_rpc_reply_mark(struct hg_api_reply *reply, unsigned int mark)
{
    reply->mark = mark;
}

bool hg_rpc_reply_is_notification(const struct hg_api_reply *reply)
{
    return reply->id == NULL;
}

void *hg_rpc_reply_ctx(const struct hg_api_reply *reply)
{
    return reply->message == NULL ? NULL : reply->message->port->ops.ctx;
}

/* -- what comes in ---------------------------------------------------------*/

/* Levels of nesting, before the parser recurses into them. */
static bool is_too_deep(const char *text, size_t len)
{
    size_t depth = 0;
    bool in_string = false;

    for (size_t i = 0; i < len; i++) {
        char c = text[i];

        if (in_string) {
            if (c == '\\')
                i++;
            else if (c == '"')
                in_string = false;
        } else if (c == '"') {
            in_string = true;
        } else if (c == '[' || c == '{') {
            if (++depth > HG_RPC_DEPTH_MAX)
                return true;
        } else if ((c == ']' || c == '}') && depth > 0) {
            depth--;
        }
    }
    return false;
}

/* May this be an id? */
static bool is_id(const json_t *id)
{
    return json_is_null(id) || json_is_number(id) ||
           (json_is_string(id) && json_string_length(id) <= HG_RPC_ID_BYTES);
}

static int add_error(struct message *message, json_t *id, int code,
                     const char *text)
{
    json_t *error = error_of(code, text, NULL);

    return message_add(
        message, answer_of("error", error, id != NULL ? id : json_null()));
}

/* What is wrong with a request object, or NULL. */
static const char *request_fault(const json_t *request)
{
    const json_t *version = json_object_get(request, "jsonrpc");
    const json_t *params = json_object_get(request, "params");
    const json_t *id = json_object_get(request, "id");

    if (!json_is_object(request))
        return "Invalid Request: a request is an object.";
    if (!json_is_string(version) ||
        strcmp(json_string_value(version), "2.0") != 0)
        return "Invalid Request: \"jsonrpc\" must be \"2.0\".";
    if (!json_is_string(json_object_get(request, "method")))
        return "Invalid Request: \"method\" must be a string.";
    if (params != NULL && !json_is_object(params) && !json_is_array(params))
        return "Invalid Request: \"params\" must be an object or an array.";
    if (id != NULL && !is_id(id))
        return "Invalid Request: \"id\" must be a number, null, or a string "
               "of at most 256 bytes.";
    return NULL;
}

static int take_request(struct message *message, json_t *request)
{
    struct hg_rpc_port *port = message->port;
    json_t *id = json_object_get(request, "id");
    const char *fault = request_fault(request);
    struct hg_rpc_request out;

    if (fault != NULL)
        return add_error(message, id != NULL && is_id(id) ? id : NULL,
                         HG_RPC_INVALID_REQUEST, fault);
    out.method = json_string_value(json_object_get(request, "method"));
    out.params = json_object_get(request, "params");
    out.whole = request;
    out.reply = reply_new(message, id);
    if (out.reply == NULL)
        return HG_ERR_MEMORY;
    port->ops.handle(port->ops.ctx, &out);
    return 0;
}

static int take_batch(struct message *message, json_t *batch)
{
    size_t count = json_array_size(batch);
    int err = 0;

    if (count == 0 || count > HG_RPC_BATCH_MAX)
        return add_error(message, NULL, HG_RPC_INVALID_REQUEST,
                         "Invalid Request: a batch holds 1 to 20 requests.");
    message->answers = json_array();
    if (message->answers == NULL)
        return HG_ERR_MEMORY;
    message->port->open_batches++;
    /* In their order: a stop before its start would leave the heat on. */
    for (size_t i = 0; i < count && err == 0; i++)
        err = take_request(message, json_array_get(batch, i));
    return err;
}

/* The message as JSON, or NULL with the answer to give instead. */
static json_t *parse(const char *text, size_t len, int *ret_code,
                     const char **ret_fault)
{
    json_error_t error;
    json_t *root;

    *ret_code = HG_RPC_INVALID_REQUEST;
    if (len > HG_RPC_MESSAGE_BYTES) {
        *ret_fault = "Invalid Request: a message holds at most 64 KiB.";
        return NULL;
    }
    if (is_too_deep(text, len)) {
        *ret_fault = "Invalid Request: nested more than 32 levels deep.";
        return NULL;
    }
    root =
        json_loadb(text, len, JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, &error);
    if (root != NULL)
        return root;
    switch (json_error_code(&error)) {
    case json_error_duplicate_key:
        *ret_fault = "Invalid Request: a member is given twice.";
        break;
    case json_error_numeric_overflow:
        *ret_fault = "Invalid Request: a number is too large.";
        break;
    default:
        *ret_code = HG_RPC_PARSE_ERROR;
        *ret_fault = "Parse error: this is not JSON (RFC 8259) in UTF-8.";
    }
    return NULL;
}

int hg_rpc_port_receive(struct hg_rpc_port *port, const char *text, size_t len)
{
    struct message *message = calloc(1, sizeof(*message));
    const char *fault = NULL;
    json_t *root;
    int code = 0;
    int err;
    int sent;

    if (message == NULL)
        return HG_ERR_MEMORY;
    message->port = port;
    message->pending = 1;
    message->next = port->messages;
    if (port->messages != NULL)
        port->messages->prev = message;
    port->messages = message;

    root = parse(text, len, &code, &fault);
    if (root == NULL)
        err = add_error(message, NULL, code, fault);
    else if (json_is_array(root))
        err = take_batch(message, root);
    else
        err = take_request(message, root);
    json_decref(root);
    sent = message_drop(message);
    return err < 0 ? err : sent;
}

char *hg_rpc_notification(const char *method, const json_t *params,
                          size_t headroom, size_t *ret_len)
{
    json_t *note = json_object();
    char *text = NULL;
    size_t len;

    if (note == NULL ||
        json_object_set_new(note, "jsonrpc", json_string("2.0")) != 0 ||
        json_object_set_new(note, "method", json_string(method)) != 0 ||
        json_object_set_new(note, "params", json_deep_copy(params)) != 0)
        goto out;
    len = json_dumpb(note, NULL, 0, DUMP_FLAGS);
    if (len == 0)
        goto out;
    text = malloc(headroom + len);
    if (text == NULL)
        goto out;
    if (json_dumpb(note, text + headroom, len, DUMP_FLAGS) != len) {
        free(text);
        text = NULL;
        goto out;
    }
    *ret_len = len;
out:
    json_decref(note);
    return text;
}
