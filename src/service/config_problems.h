#ifndef HG_SERVICE_CONFIG_PROBLEMS_H
#define HG_SERVICE_CONFIG_PROBLEMS_H

/*
 * The list of everything that is wrong with a configuration. Bounded: past
 * HG_PROBLEMS_MAX further ones are only counted. Nobody in here prints; the
 * caller prints problem[i].text, one a line.
 */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_PROBLEMS_MAX  10000
#define HG_PROBLEM_BYTES 1024

struct hg_problem {
    uint32_t line;   /* 1 is the first; 0: the file as a whole */
    uint32_t column; /* of a syntax error; else 0 */
    char *text;      /* "FILE:LINE: /pointer: VALUE is …; allowed are …" */
};

struct hg_problems {
    struct hg_problem *problem; /* owned */
    size_t count;
    size_t cap;
    size_t left_out; /* found, but not listed: limit or no memory */
};

/* Start empty. */
void hg_problems_init(struct hg_problems *problems);
/* Free what the list holds and start empty again. */
void hg_problems_release(struct hg_problems *problems);
/* Add one; text is copied, and cut at HG_PROBLEM_BYTES - 1. */
void hg_problems_add(struct hg_problems *problems, uint32_t line,
                     uint32_t column, const char *text);
/* Sort by line, for a person who reads from top to bottom. */
void hg_problems_sort(struct hg_problems *problems);

#endif
