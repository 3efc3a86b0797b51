#ifndef FUZZ_H
#define FUZZ_H

/*
 * What every fuzzer needs: the entry point of libFuzzer (llvm.org,
 * LibFuzzer), a check that ends the run, and input as text with nothing
 * behind it, so that AddressSanitizer sees one byte too many.
 */
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define FUZZ_MUST(condition)                                                   \
    do {                                                                       \
        if (!(condition)) {                                                    \
            fprintf(stderr, "%s:%d: this must hold: %s\n", __FILE__, __LINE__, \
                    #condition);                                               \
            abort();                                                           \
        }                                                                      \
    } while (0)

/* A copy with a NUL behind it; free() it. */
static inline char *fuzz_text(const uint8_t *data, size_t size)
{
    char *text = malloc(size + 1);

    if (text == NULL)
        abort();
    if (size > 0)
        memcpy(text, data, size);
    text[size] = '\0';
    return text;
}

#endif
