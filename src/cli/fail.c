/* How a failure is told: one JSON document, or sentences on stderr. */
#include "base/buf.h"
#include "cli/cli.h"
#include "cli/out.h"
#include <stdarg.h>
#include <string.h>

#define MESSAGE_BYTES 1024

const char *hg_cli_text(const json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));

    return text == NULL ? "" : text;
}

void hg_cli_wipe(json_t *text)
{
    const char *lent = json_string_value(text);
    void *bytes;

    if (lent == NULL)
        return;
    memcpy(&bytes, &lent, sizeof(bytes)); /* jansson lends it as const */
    explicit_bzero(bytes, json_string_length(text));
}

int hg_cli_give(const struct hg_cli *cli, json_t *result_taken)
{
    int status = HG_CLI_DONE;

    (void)cli;
    if (result_taken == NULL ||
        json_dumpf(result_taken, stdout, JSON_COMPACT | JSON_ENCODE_ANY) != 0)
        status = HG_CLI_REFUSED;
    fputc('\n', stdout);
    json_decref(result_taken);
    return status;
}

/* A line on stderr: one line in a log, broken for a person. */
static void say(const struct hg_cli *cli, size_t indent, const char *text)
{
    fprintf(stderr, "%*s", (int)indent, "");
    if (cli->is_err_terminal) {
        hg_cli_put_wrapped(stderr, indent, indent + 2, text);
    } else {
        hg_cli_put(stderr, text);
        fputc('\n', stderr);
    }
}

static int tell(const struct hg_cli *cli, int status, int code,
                const char *message)
{
    char line[MESSAGE_BYTES + 64];

    if (cli->is_json) {
        json_t *error = json_pack("{s:{s:i, s:s}}", "error", "code", code,
                                  "message", message);

        (void)hg_cli_give(cli, error);
        return status;
    }
    snprintf(line, sizeof(line), "heatgate%s%s: %s",
             cli->verb[0] == '\0' ? "" : " ", cli->verb, message);
    say(cli, 0, line);
    return status;
}

int hg_cli_fail(const struct hg_cli *cli, int status, int code,
                const char *format, ...)
{
    char message[MESSAGE_BYTES];
    va_list args;

    va_start(args, format);
    vsnprintf(message, sizeof(message), format, args);
    va_end(args);
    return tell(cli, status, code, message);
}

int hg_cli_usage(const struct hg_cli *cli, const char *format, ...)
{
    char message[MESSAGE_BYTES];
    va_list args;

    va_start(args, format);
    vsnprintf(message, sizeof(message), format, args);
    va_end(args);
    tell(cli, HG_CLI_USAGE, HG_CLI_CODE_USAGE, message);
    if (!cli->is_json && cli->verb[0] != '\0')
        fprintf(stderr, "See: heatgate help %s\n", cli->verb);
    else if (!cli->is_json)
        fprintf(stderr, "See: heatgate --help\n");
    return HG_CLI_USAGE;
}

void hg_cli_put_reasons(const struct hg_cli *cli, FILE *out,
                        const json_t *reasons)
{
    bool is_wrapped =
        out == stderr ? cli->is_err_terminal : cli->is_out_terminal;
    const json_t *reason;
    size_t i;

    json_array_foreach(reasons, i, reason)
    {
        char line[MESSAGE_BYTES];

        snprintf(line, sizeof(line), "%s: %s %s", hg_cli_text(reason, "code"),
                 hg_cli_text(reason, "text"), hg_cli_text(reason, "remedy"));
        fputs("  ", out);
        if (is_wrapped) {
            hg_cli_put_wrapped(out, 2, 4, line);
        } else {
            hg_cli_put(out, line);
            fputc('\n', out);
        }
    }
}

int hg_cli_fail_answer(const struct hg_cli *cli, const json_t *error)
{
    json_int_t code = json_integer_value(json_object_get(error, "code"));
    const json_t *data = json_object_get(error, "data");
    const json_t *reasons = json_object_get(data, "reasons");
    size_t count = json_array_size(reasons);
    int status = code == HG_CLI_CODE_USAGE ? HG_CLI_USAGE : HG_CLI_REFUSED;

    if (cli->is_json) {
        (void)hg_cli_give(cli, json_pack("{s:O}", "error", error));
        return status;
    }
    if (count == 0)
        return tell(cli, status, (int)code, hg_cli_text(error, "message"));
    fprintf(stderr, "heatgate %s: refused for %zu reason%s:\n", cli->verb,
            count, count == 1 ? "" : "s");
    hg_cli_put_reasons(cli, stderr, reasons);
    if (hg_cli_text(data, "hint")[0] != '\0')
        say(cli, 2, hg_cli_text(data, "hint"));
    return status;
}
