#ifndef HG_TESTS_CHECK_H
#define HG_TESTS_CHECK_H

/*
 * Checks for table tests: a failure prints the label of its row beside both
 * values, and the test goes on to fail at that line. Include after cmocka.h.
 */
#include <inttypes.h>
#include <math.h>
#include <string.h>

/* integers of any kind, compared and printed as signed 64 bits */
#define HG_CHECK_EQ(label, got, want)                                          \
    hg_check_i64((label), #got, (int64_t)(got), (int64_t)(want), __FILE__,     \
                 __LINE__)

/* unsigned integers: sets of reasons, serials, ids; printed in hex too */
#define HG_CHECK_EQ_U64(label, got, want)                                      \
    hg_check_u64((label), #got, (uint64_t)(got), (uint64_t)(want), __FILE__,   \
                 __LINE__)

#define HG_CHECK_TRUE(label, got)                                              \
    hg_check_i64((label), #got, (got) ? 1 : 0, 1, __FILE__, __LINE__)

#define HG_CHECK_FALSE(label, got)                                             \
    hg_check_i64((label), #got, (got) ? 1 : 0, 0, __FILE__, __LINE__)

/* NUL-terminated strings; NULL equals NULL only */
#define HG_CHECK_STR(label, got, want)                                         \
    hg_check_str((label), #got, (got), (want), __FILE__, __LINE__)

#define HG_CHECK_BYTES(label, got, want, len)                                  \
    hg_check_bytes((label), #got, (got), (want), (len), __FILE__, __LINE__)

/* doubles at most tolerance apart; a NaN is never near anything */
#define HG_CHECK_NEAR(label, got, want, tolerance)                             \
    hg_check_near((label), #got, (double)(got), (double)(want),                \
                  (double)(tolerance), __FILE__, __LINE__)

static inline void hg_check_i64(const char *label, const char *what,
                                int64_t got, int64_t want, const char *file,
                                int line)
{
    if (got == want)
        return;
    print_error("[%s] %s: got %" PRId64 ", want %" PRId64 "\n", label, what,
                got, want);
    _fail(file, line);
}

static inline void hg_check_u64(const char *label, const char *what,
                                uint64_t got, uint64_t want, const char *file,
                                int line)
{
    if (got == want)
        return;
    print_error("[%s] %s: got %" PRIu64 " (0x%" PRIx64 "), want %" PRIu64
                " (0x%" PRIx64 ")\n",
                label, what, got, got, want, want);
    _fail(file, line);
}

static inline void hg_check_str(const char *label, const char *what,
                                const char *got, const char *want,
                                const char *file, int line)
{
    if (got == want || (got != NULL && want != NULL && strcmp(got, want) == 0))
        return;
    print_error("[%s] %s: got \"%s\", want \"%s\"\n", label, what,
                got != NULL ? got : "(null)", want != NULL ? want : "(null)");
    _fail(file, line);
}

static inline void hg_check_bytes(const char *label, const char *what,
                                  const void *got, const void *want, size_t len,
                                  const char *file, int line)
{
    const unsigned char *left = got;
    const unsigned char *right = want;

    for (size_t i = 0; i < len; i++) {
        if (left[i] == right[i])
            continue;
        print_error("[%s] %s: byte %zu: got 0x%02x, want 0x%02x\n", label, what,
                    i, (unsigned int)left[i], (unsigned int)right[i]);
        _fail(file, line);
    }
}

static inline void hg_check_near(const char *label, const char *what,
                                 double got, double want, double tolerance,
                                 const char *file, int line)
{
    if (fabs(got - want) <= tolerance)
        return;
    print_error("[%s] %s: got %.6g, want %.6g +- %.3g\n", label, what, got,
                want, tolerance);
    _fail(file, line);
}

/* How often part stands in text. */
static inline size_t hg_count_text(const char *text, const char *part)
{
    size_t count = 0;

    for (; (text = strstr(text, part)) != NULL; text++)
        count++;
    return count;
}

#endif
