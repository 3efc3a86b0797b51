/*
 * Two documents, one a line: the patch between them makes the second out of
 * the first, and no patch is needed between two that mean the same.
 */
#include "fuzz.h"
#include "api/patch.h"

/* Numbers are compared exactly; NaN and infinity cannot be read. */
static json_t *read_document(const char *text)
{
    return json_loads(text, JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, NULL);
}

static void check(json_t *from, json_t *to)
{
    json_t *patch = NULL, *result = NULL, *again = NULL;

    FUZZ_MUST(hg_patch_equal(from, from) && hg_patch_equal(to, to));
    FUZZ_MUST(hg_patch_equal(from, to) == hg_patch_equal(to, from));
    if (json_is_object(from) && json_is_object(to)) {
        FUZZ_MUST(hg_patch_diff(from, to, &patch) == 0);
        FUZZ_MUST((json_object_size(patch) == 0) == hg_patch_equal(from, to));
        FUZZ_MUST(hg_patch_apply(json_deep_copy(from), patch, &result) == 0);
        FUZZ_MUST(hg_patch_equal(result, to));
        FUZZ_MUST(hg_patch_diff(result, to, &again) == 0);
        FUZZ_MUST(json_object_size(again) == 0);
        json_decref(again);
        json_decref(patch);
        json_decref(result);
    }
    /* any document as a patch of any other (RFC 7396, section 2) */
    result = NULL;
    FUZZ_MUST(hg_patch_apply(json_deep_copy(from), to, &result) == 0);
    if (!json_is_object(to))
        FUZZ_MUST(json_equal(result, to));
    json_decref(result);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size);
    char *second = strchr(text, '\n');
    json_t *from, *to;

    if (second != NULL) {
        *second++ = '\0';
        from = read_document(text);
        to = read_document(second);
        if (from != NULL && to != NULL)
            check(from, to);
        json_decref(from);
        json_decref(to);
    }
    free(text);
    return 0;
}
