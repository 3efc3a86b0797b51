/*
 * Owns the bounded list of configuration problems. Never prints; makes text
 * safe to print (no control characters from the file reach a terminal).
 */
#include "service/config_problems.h"
#include <stdlib.h>
#include <string.h>

void hg_problems_init(struct hg_problems *problems)
{
    memset(problems, 0, sizeof(*problems));
}

void hg_problems_release(struct hg_problems *problems)
{
    for (size_t i = 0; i < problems->count; i++)
        free(problems->problem[i].text);
    free(problems->problem);
    hg_problems_init(problems);
}

static char *copy_printable(const char *text)
{
    size_t len = strnlen(text, HG_PROBLEM_BYTES - 1);
    char *copy = malloc(len + 1);

    if (copy == NULL)
        return NULL;
    for (size_t i = 0; i < len; i++) {
        unsigned char byte = (unsigned char)text[i];

        copy[i] = byte < 0x20 || byte == 0x7f ? '?' : text[i];
    }
    copy[len] = '\0';
    return copy;
}

static bool has_room(struct hg_problems *problems)
{
    size_t cap = problems->cap == 0 ? 16 : problems->cap * 2;
    struct hg_problem *grown;

    if (problems->count == HG_PROBLEMS_MAX)
        return false;
    if (problems->count < problems->cap)
        return true;
    grown = realloc(problems->problem, cap * sizeof(*grown));
    if (grown == NULL)
        return false;
    problems->problem = grown;
    problems->cap = cap;
    return true;
}

void hg_problems_add(struct hg_problems *problems, uint32_t line,
                     uint32_t column, const char *text)
{
    char *copy = NULL;

    if (has_room(problems))
        copy = copy_printable(text);
    if (copy == NULL) {
        problems->left_out++;
        return;
    }
    problems->problem[problems->count++] = (struct hg_problem) {
        .line = line,
        .column = column,
        .text = copy,
    };
}

static int by_line(const void *a, const void *b)
{
    const struct hg_problem *left = a;
    const struct hg_problem *right = b;

    if (left->line != right->line)
        return left->line < right->line ? -1 : 1;
    return strcmp(left->text, right->text);
}

void hg_problems_sort(struct hg_problems *problems)
{
    if (problems->count > 1)
        qsort(problems->problem, problems->count, sizeof(*problems->problem),
              by_line);
}
