#ifndef HG_SERVICE_CLOCK_H
#define HG_SERVICE_CLOCK_H

/*
 * The only reader of clocks in the service. Read once at each wake-up; the
 * pair goes down by value. Whether wall time can be relied on is decided by
 * hg_clock_judge(), which is pure; the reader only fetches its inputs.
 */
#include "base/err.h"
#include "heatgate/tick.h"
#include <stdbool.h>

/* how far wall time may move against boot time before it counts as a step */
#define HG_CLOCK_STEP_MS 2000 /* contract 6 */
#define HG_BOOT_ID_BYTES 37   /* of the host's boot id, with NUL */

enum hg_clock_mode {
    HG_CLOCK_SYNCHRONISED = 0, /* the kernel must call itself synchronised */
    HG_CLOCK_TRUSTED           /* taken as right: quickstart, tests */
};

/* why wall time is not trusted */
enum hg_clock_doubt {
    HG_CLOCK_DOUBT_NONE = 0,
    HG_CLOCK_DOUBT_BUILD,   /* before the date of this program */
    HG_CLOCK_DOUBT_JOURNAL, /* before the newest journal record */
    HG_CLOCK_DOUBT_KERNEL,  /* the kernel says: not synchronised */
    HG_CLOCK_DOUBT_SILENT   /* the kernel could not be asked */
};

enum hg_clock_kernel { /* what adjtimex says */
                       HG_CLOCK_KERNEL_SILENT = 0,
                       HG_CLOCK_KERNEL_UNSYNCHRONISED,
                       HG_CLOCK_KERNEL_SYNCHRONISED
};

struct hg_clock_inputs {
    enum hg_clock_mode mode;
    enum hg_clock_kernel kernel;
    struct hg_mono mono;
    int64_t wall_ms;
    int64_t build_ms;  /* wall; date of the program */
    int64_t newest_ms; /* wall; newest journal record, 0: none */
    int64_t base_ms;   /* wall - boot time that was last accepted */
};

struct hg_clock_verdict {
    bool is_trusted;
    bool has_stepped; /* more than HG_CLOCK_STEP_MS off the base */
    enum hg_clock_doubt doubt;
    int64_t base_ms; /* the base from now on */
};

/*
 * Can wall time be relied on? Pure and total. Conditions are judged in the
 * order of enum hg_clock_doubt and the first one is the doubt.
 *
 * verdict  overwritten. has_stepped is told once for each step: the base
 *          moves along with it. A step that the kernel does not vouch for
 *          is never trusted, because setting the clock makes the kernel
 *          call itself unsynchronised (adjtimex(2)) until somebody has
 *          synchronised it again. In mode HG_CLOCK_TRUSTED a step is told
 *          and trusted.
 */
void hg_clock_judge(const struct hg_clock_inputs *inputs,
                    struct hg_clock_verdict *verdict);

/* A short text for a person: what is wrong and what to do; never NULL. */
const char *hg_clock_doubt_text(enum hg_clock_doubt doubt);

/* One reader's memory. Plain data; the service holds one. */
struct hg_clock {
    enum hg_clock_mode mode;
    bool has_base;
    bool was_trusted;
    int64_t base_ms;
    int64_t newest_ms;
    enum hg_clock_kernel kernel; /* its last answer … */
    struct hg_mono asked_at;     /* … was given then */
};

struct hg_clock_reading {
    struct hg_tick tick;
    /* send HG_EVENT_CLOCK_STEPPED to every room when either is set */
    bool has_stepped;
    bool has_trust_changed; /* never at the first reading */
    enum hg_clock_doubt doubt;
};

/*
 * Start a reader.
 *
 * newest_ms  wall time of the newest journal record that was written while
 *            the clock was trusted; 0 for none
 */
void hg_clock_init(struct hg_clock *clock, enum hg_clock_mode mode,
                   int64_t newest_ms);

/* A record of this trusted wall time was written: no time before it counts. */
void hg_clock_note_record(struct hg_clock *clock, int64_t wall_ms);

/*
 * Read both clocks, once. The kernel is asked whether the wall clock is
 * synchronised at most once a second, and at once when the clock stepped.
 *
 * HG_ERR_SYSTEM: the system has no such clock.
 */
HG_MUST_CHECK int hg_clock_read(struct hg_clock *clock,
                                struct hg_clock_reading *ret_reading);

/*
 * The host's boot id, which changes at every boot of the kernel.
 * HG_ERR_SYSTEM: cannot be read; HG_ERR_CORRUPT: not a boot id.
 */
HG_MUST_CHECK int hg_clock_boot_id(char ret_id[HG_BOOT_ID_BYTES]);

/* The date of this program, wall milliseconds. */
int64_t hg_clock_build_ms(void);

#endif
