/* How the commissioning verb talks; see commission_talk.h. */
#include "cli/commission_talk.h"
#include "base/buf.h"
#include "base/text.h"
#include "cli/out.h"
#include "cli/watching.h"
#include <stdarg.h>
#include <string.h>

#define LINE_BYTES 256

int hg_com_talk_begin(struct hg_com_talk *talk, const char *answers_path)
{
    struct hg_cli *cli = talk->cli;
    json_error_t error;

    talk->out = cli->is_json ? stderr : stdout;
    if (answers_path == NULL) {
        if (cli->is_in_terminal)
            return 0;
        return hg_cli_usage(cli, "there is no terminal to ask a person at. "
                                 "--answers FILE gives the answers to a "
                                 "script");
    }
    talk->answers =
        json_load_file(answers_path, JSON_REJECT_DUPLICATES, &error);
    if (json_is_object(talk->answers))
        return 0;
    return hg_cli_usage(cli, "--answers %s: %s", answers_path,
                        talk->answers == NULL ? error.text
                                              : "an object is wanted");
}

void hg_com_talk_end(struct hg_com_talk *talk)
{
    json_decref(talk->answers);
    json_decref(talk->state);
}

void hg_com_say(const struct hg_com_talk *talk, const char *text)
{
    hg_cli_put_wrapped(talk->out, 0, 0, text);
    fflush(talk->out);
}

void hg_com_sayf(const struct hg_com_talk *talk, const char *format, ...)
{
    char line[LINE_BYTES];
    va_list args;

    va_start(args, format);
    vsnprintf(line, sizeof(line), format, args);
    va_end(args);
    fputs("  ", talk->out);
    hg_cli_put_wrapped(talk->out, 2, 4, line);
    fflush(talk->out);
}

bool hg_com_read(const struct hg_com_talk *talk, const char *question,
                 char answer[HG_CLI_ANSWER_BYTES])
{
    size_t len;

    fputs(question, talk->out);
    fflush(talk->out);
    if (fgets(answer, HG_CLI_ANSWER_BYTES, stdin) == NULL ||
        hg_cli_is_interrupted())
        return false;
    len = strcspn(answer, "\n");
    if (answer[len] == '\0' && len == HG_CLI_ANSWER_BYTES - 1)
        return false; /* too long for any answer */
    answer[len] = '\0';
    return true;
}

bool hg_com_read_name(const struct hg_com_talk *talk, const char *question,
                      char answer[HG_CLI_ANSWER_BYTES])
{
    while (hg_com_read(talk, question, answer)) {
        size_t len = strlen(answer);

        if (answer[strspn(answer, " ")] != '\0' && len <= HG_COM_NAME_BYTES &&
            hg_text_is_plain_utf8(answer, len))
            return true;
        hg_com_sayf(talk,
                    "a text of 1 to %d bytes without control "
                    "characters is wanted",
                    HG_COM_NAME_BYTES);
    }
    return false;
}

bool hg_com_deed(const struct hg_com_talk *talk, const char *word,
                 const char *text)
{
    char answer[HG_CLI_ANSWER_BYTES];

    if (talk->answers != NULL) {
        fprintf(talk->out, "do: %s\n", word);
        return hg_com_read(talk, "", answer);
    }
    hg_com_say(talk, text);
    return hg_com_read(talk, "  Press Enter when it is so. ", answer);
}

bool hg_com_agrees(const struct hg_com_talk *talk, const char *question)
{
    char answer[HG_CLI_ANSWER_BYTES];

    if (talk->answers != NULL)
        return json_is_true(json_object_get(talk->answers, "agree"));
    hg_com_say(talk, question);
    while (hg_com_read(talk, "  Is it so? [y/n] ", answer)) {
        if (strcasecmp(answer, "y") == 0 || strcasecmp(answer, "yes") == 0)
            return true;
        if (strcasecmp(answer, "n") == 0 || strcasecmp(answer, "no") == 0)
            break;
    }
    return false;
}

const json_t *hg_com_current(const struct hg_com_talk *talk)
{
    const json_t *current = json_object_get(talk->state, "current");

    return json_is_object(current) ? current : NULL;
}

const json_t *hg_com_step_of(const struct hg_com_talk *talk, const char *step)
{
    const json_t *steps = json_object_get(hg_com_current(talk), "steps");

    for (size_t i = 0; i < json_array_size(steps); i++) {
        const json_t *one = json_array_get(steps, i);

        if (strcmp(hg_cli_text(one, "step"), step) == 0)
            return one;
    }
    return NULL;
}

int hg_com_ask(struct hg_com_talk *talk, const char *method,
               json_t *params_taken)
{
    json_t *state;
    int status = hg_cli_call(talk->cli, method, params_taken, &state);

    if (status != 0)
        return status;
    json_decref(talk->state);
    talk->state = state;
    return 0;
}

int hg_com_do(struct hg_com_talk *talk, const char *step, json_t *data_taken)
{
    return hg_com_ask(talk, "commission.step",
                      json_pack("{s:s, s:s, s:o}", "room", talk->room, "step",
                                step, "data", data_taken));
}

int hg_com_leave(const struct hg_com_talk *talk)
{
    return hg_cli_fail(talk->cli, HG_CLI_REFUSED, HG_CLI_CODE_REFUSED,
                       "left before the end; what was done is kept. Go on "
                       "with: heatgate commission %s",
                       talk->room);
}
