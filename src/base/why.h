#ifndef HG_BASE_WHY_H
#define HG_BASE_WHY_H

#include "heatgate/reasons.h"

/*
 * The stable code ("door-open"), the text and the remedy of a reason. A value
 * outside the list gives "none" and empty strings; never NULL.
 */
const char *hg_why_code(enum hg_why why);
const char *hg_why_text(enum hg_why why);
const char *hg_why_remedy(enum hg_why why);

/* The reason of a code, or HG_WHY_NONE for a code that is not in the list. */
enum hg_why hg_why_find(const char *code);

/* The lowest reason of a set, HG_WHY_NONE for the empty set. */
enum hg_why hg_why_first(hg_why_set set);

#endif
