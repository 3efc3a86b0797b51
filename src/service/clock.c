/*
 * Owns reading the clocks and judging the wall clock. Nobody else in the
 * service asks the system for a time.
 */
#include "service/clock.h"
#include "base/sat.h"
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

/*
 * The date of the source, which no right clock can be before. A build may
 * give its own (wall milliseconds, from SOURCE_DATE_EPOCH for example).
 */
#ifndef HG_SOURCE_DATE_MS
#define HG_SOURCE_DATE_MS INT64_C(1793491200000) /* 2026-11-01T00:00:00Z */
#endif

#define ASK_EVERY_MS 1000

#define BOOT_ID_FILE "/proc/sys/kernel/random/boot_id"

int64_t hg_clock_build_ms(void)
{
    return HG_SOURCE_DATE_MS;
}

static bool is_off_base(const struct hg_clock_inputs *inputs, int64_t offset)
{
    int64_t moved = hg_sat_sub_i64(offset, inputs->base_ms);

    return moved > HG_CLOCK_STEP_MS || moved < -HG_CLOCK_STEP_MS;
}

static enum hg_clock_doubt doubt_of(const struct hg_clock_inputs *inputs)
{
    if (inputs->wall_ms < inputs->build_ms)
        return HG_CLOCK_DOUBT_BUILD;
    if (inputs->wall_ms < inputs->newest_ms)
        return HG_CLOCK_DOUBT_JOURNAL;
    if (inputs->mode == HG_CLOCK_TRUSTED)
        return HG_CLOCK_DOUBT_NONE;
    if (inputs->kernel == HG_CLOCK_KERNEL_SYNCHRONISED)
        return HG_CLOCK_DOUBT_NONE;
    if (inputs->kernel == HG_CLOCK_KERNEL_UNSYNCHRONISED)
        return HG_CLOCK_DOUBT_KERNEL;
    return HG_CLOCK_DOUBT_SILENT;
}

void hg_clock_judge(const struct hg_clock_inputs *inputs,
                    struct hg_clock_verdict *verdict)
{
    int64_t mono_ms =
        inputs->mono.ms > INT64_MAX ? INT64_MAX : (int64_t)inputs->mono.ms;
    int64_t offset = hg_sat_sub_i64(inputs->wall_ms, mono_ms);

    memset(verdict, 0, sizeof(*verdict));
    verdict->has_stepped = is_off_base(inputs, offset);
    /* small corrections are not followed, so that many of them add up */
    verdict->base_ms = verdict->has_stepped ? offset : inputs->base_ms;
    verdict->doubt = doubt_of(inputs);
    verdict->is_trusted = verdict->doubt == HG_CLOCK_DOUBT_NONE;
}

const char *hg_clock_doubt_text(enum hg_clock_doubt doubt)
{
    switch (doubt) {
    case HG_CLOCK_DOUBT_NONE:
        return "The wall clock is trusted.";
    case HG_CLOCK_DOUBT_BUILD:
        return "The wall clock shows a time before this program was made; "
               "set the clock.";
    case HG_CLOCK_DOUBT_JOURNAL:
        return "The wall clock shows a time before the newest journal "
               "record; set the clock, or wait until it has caught up.";
    case HG_CLOCK_DOUBT_KERNEL:
        return "The kernel does not call the wall clock synchronised; start "
               "a time service such as systemd-timesyncd or chrony.";
    case HG_CLOCK_DOUBT_SILENT:
        return "The kernel does not let this program ask whether the wall "
               "clock is synchronised; allow the system calls adjtimex and "
               "clock_adjtime (in the unit: no ProtectClock=yes).";
    }
    return "The wall clock is not trusted.";
}

/* -- the reader -----------------------------------------------------------*/

void hg_clock_init(struct hg_clock *clock, enum hg_clock_mode mode,
                   int64_t newest_ms)
{
    memset(clock, 0, sizeof(*clock));
    clock->mode = mode;
    clock->newest_ms = newest_ms;
}

void hg_clock_note_record(struct hg_clock *clock, int64_t wall_ms)
{
    if (wall_ms > clock->newest_ms)
        clock->newest_ms = wall_ms;
}

static enum hg_clock_kernel ask_kernel(void)
{
    struct timex state;
    int answer;

    memset(&state, 0, sizeof(state)); /* modes 0: only ask */
    answer = adjtimex(&state);
    if (answer < 0)
        return HG_CLOCK_KERNEL_SILENT;
    if (answer == TIME_ERROR || (state.status & STA_UNSYNC) != 0)
        return HG_CLOCK_KERNEL_UNSYNCHRONISED;
    return HG_CLOCK_KERNEL_SYNCHRONISED;
}

/* A call of the system for every message would be most of a clock's cost. */
static void refresh_kernel(struct hg_clock *clock,
                           const struct hg_clock_inputs *inputs)
{
    bool is_old = inputs->mono.ms < clock->asked_at.ms ||
                  inputs->mono.ms - clock->asked_at.ms >= ASK_EVERY_MS;
    int64_t offset = inputs->wall_ms - (int64_t)inputs->mono.ms;

    if (clock->has_base && !is_old && !is_off_base(inputs, offset))
        return;
    clock->kernel = ask_kernel();
    clock->asked_at = inputs->mono;
}

static int64_t to_ms(const struct timespec *time)
{
    return (int64_t)time->tv_sec * 1000 + time->tv_nsec / 1000000;
}

int hg_clock_read(struct hg_clock *clock, struct hg_clock_reading *ret_reading)
{
    struct timespec boot, wall;
    struct hg_clock_inputs inputs = { .mode = clock->mode };
    struct hg_clock_verdict verdict;

    if (clock_gettime(CLOCK_BOOTTIME, &boot) < 0 ||
        clock_gettime(CLOCK_REALTIME, &wall) < 0)
        return HG_ERR_SYSTEM;
    inputs.mono.ms = (uint64_t)to_ms(&boot);
    inputs.wall_ms = to_ms(&wall);
    inputs.build_ms = hg_clock_build_ms();
    inputs.newest_ms = clock->newest_ms;
    inputs.base_ms =
        clock->has_base ? clock->base_ms : inputs.wall_ms - to_ms(&boot);
    refresh_kernel(clock, &inputs);
    inputs.kernel = clock->kernel;
    hg_clock_judge(&inputs, &verdict);

    ret_reading->tick.mono = inputs.mono;
    ret_reading->tick.wall.ms = inputs.wall_ms;
    ret_reading->tick.wall.is_trusted = verdict.is_trusted;
    ret_reading->has_stepped = verdict.has_stepped;
    ret_reading->has_trust_changed =
        clock->has_base && verdict.is_trusted != clock->was_trusted;
    ret_reading->doubt = verdict.doubt;
    clock->has_base = true;
    clock->base_ms = verdict.base_ms;
    clock->was_trusted = verdict.is_trusted;
    return 0;
}

static bool is_boot_id(const char *text, size_t len)
{
    return len == HG_BOOT_ID_BYTES - 1 &&
           strspn(text, "0123456789abcdef-") >= len;
}

int hg_clock_boot_id(char ret_id[HG_BOOT_ID_BYTES])
{
    char text[64] = { 0 };
    ssize_t got;
    size_t len;
    int fd = open(BOOT_ID_FILE, O_RDONLY | O_CLOEXEC);

    if (fd < 0)
        return HG_ERR_SYSTEM;
    got = read(fd, text, sizeof(text) - 1);
    (void)close(fd); /* opened for reading only */
    if (got < 0)
        return HG_ERR_SYSTEM;
    len = strcspn(text, "\n");
    if (!is_boot_id(text, len))
        return HG_ERR_CORRUPT;
    text[len] = '\0';
    memcpy(ret_id, text, HG_BOOT_ID_BYTES);
    return 0;
}
