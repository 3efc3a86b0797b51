#ifndef HG_CLI_COMMISSION_TALK_H
#define HG_CLI_COMMISSION_TALK_H

/*
 * How the commissioning verb talks: to a person at a terminal, or to a
 * script that has its answers in a file and confirms deeds line by line.
 */
#include "cli/cli.h"

#define HG_CLI_ANSWER_BYTES 512
#define HG_COM_NAME_BYTES   120 /* of a name, as the service takes it */

struct hg_com_talk {
    struct hg_cli *cli;
    const char *room;
    json_t *answers; /* NULL: a person is asked */
    FILE *out;       /* where words go; not stdout with --json */
    json_t *state;   /* newest answer of commission.state */
};

/*
 * Read --answers if it is given. 0, or an exit status after the failure was
 * told: no file, no JSON, or neither a file nor a terminal.
 */
HG_MUST_CHECK int hg_com_talk_begin(struct hg_com_talk *talk,
                                    const char *answers_path);
void hg_com_talk_end(struct hg_com_talk *talk);

/* A paragraph, broken into lines. */
void hg_com_say(const struct hg_com_talk *talk, const char *text);
/* A line with an indent, for what was seen. */
void hg_com_sayf(const struct hg_com_talk *talk, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* A line that is typed; false: the input has ended or Ctrl-C was pressed. */
bool hg_com_read(const struct hg_com_talk *talk, const char *question,
                 char answer[HG_CLI_ANSWER_BYTES]);
/* The same for a name: asked again until it is one the service takes. */
bool hg_com_read_name(const struct hg_com_talk *talk, const char *question,
                      char answer[HG_CLI_ANSWER_BYTES]);
/*
 * Have a deed done and confirmed. A person reads text and presses Enter; a
 * script reads "do: WORD" and answers a line.
 */
bool hg_com_deed(const struct hg_com_talk *talk, const char *word,
                 const char *text);
/* Yes or no. With answers: "agree" is true. */
bool hg_com_agrees(const struct hg_com_talk *talk, const char *question);

/* The record under way, or NULL; a step of it; its state's word. */
const json_t *hg_com_current(const struct hg_com_talk *talk);
const json_t *hg_com_step_of(const struct hg_com_talk *talk, const char *step);

/* Calls whose answer is the new state. 0, or an exit status (told). */
HG_MUST_CHECK int hg_com_ask(struct hg_com_talk *talk, const char *method,
                             json_t *params_taken);
HG_MUST_CHECK int hg_com_do(struct hg_com_talk *talk, const char *step,
                            json_t *data_taken);

/* Told when the person leaves: the record is kept. Exit status 1. */
int hg_com_leave(const struct hg_com_talk *talk);

#endif
