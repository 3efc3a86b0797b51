/*
 * Look-up of the reasons, generated from the one list in reasons.h, so that
 * code, text and remedy cannot come apart.
 */
#include "base/why.h"
#include <string.h>

/* a set of reasons is 64 bits wide, and bit 0 stays clear */
_Static_assert(HG_WHY_COUNT <= 64, "hg_why_set cannot hold every reason");

static const struct {
    const char *code;
    const char *text;
    const char *remedy;
} WHY[HG_WHY_COUNT] = { [HG_WHY_NONE] = { "none", "", "" },
#define WHY_ROW(name, code, text, remedy)                                      \
    [HG_WHY_##name] = { code, text, remedy },
                        HG_WHY_LIST(WHY_ROW)
#undef WHY_ROW
};

static size_t row_of(enum hg_why why)
{
    /* through an unsigned type: a wild value may be negative */
    unsigned int row = (unsigned int)why;

    return row < HG_WHY_COUNT ? row : (size_t)HG_WHY_NONE;
}

const char *hg_why_code(enum hg_why why)
{
    return WHY[row_of(why)].code;
}

const char *hg_why_text(enum hg_why why)
{
    return WHY[row_of(why)].text;
}

const char *hg_why_remedy(enum hg_why why)
{
    return WHY[row_of(why)].remedy;
}

enum hg_why hg_why_find(const char *code)
{
    for (unsigned int i = HG_WHY_NONE + 1; i < HG_WHY_COUNT; i++) {
        if (strcmp(code, WHY[i].code) == 0)
            return (enum hg_why)i;
    }
    return HG_WHY_NONE;
}

enum hg_why hg_why_first(hg_why_set set)
{
    for (unsigned int i = HG_WHY_NONE + 1; i < HG_WHY_COUNT; i++) {
        if ((set & HG_WHY_BIT(i)) != 0)
            return (enum hg_why)i;
    }
    return HG_WHY_NONE;
}
