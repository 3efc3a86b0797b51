/*
 * Numbers, durations, times, hex, names. Times that read are printed and read
 * again; the command's own times are read beside them.
 */
#include "fuzz.h"
#include "base/text.h"
#include "cli/when.h"
#include <inttypes.h>
#include <strings.h>

#define YEAR_9999_MS INT64_C(253402300799999)

static void check_wall(const char *text)
{
    char printed[HG_WALL_MS_TEXT_BYTES];
    int64_t ms, again;

    if (hg_text_to_wall(text, &ms) != 0)
        return;
    hg_text_from_wall_ms(ms, printed);
    FUZZ_MUST(strlen(printed) == sizeof(printed) - 1);
    FUZZ_MUST(hg_text_to_wall(printed, &again) == 0);
    if (ms < 0)
        FUZZ_MUST(again == 0);
    else if (ms > YEAR_9999_MS)
        FUZZ_MUST(again == YEAR_9999_MS);
    else
        FUZZ_MUST(again == ms);
    hg_text_from_wall(ms, printed);
    FUZZ_MUST(hg_text_to_wall(printed, &again) == 0 && again % 1000 == 0);
}

static void check_numbers(const char *text)
{
    uint64_t value = 42, again, ms;
    char printed[32];
    int err = hg_text_to_u64(text, 7, UINT64_MAX - 7, &value);

    FUZZ_MUST(err == 0 || value == 42);
    if (err == 0) {
        FUZZ_MUST(value >= 7 && value <= UINT64_MAX - 7);
        (void)snprintf(printed, sizeof(printed), "%" PRIu64, value);
        FUZZ_MUST(hg_text_to_u64(printed, value, value, &again) == 0);
        FUZZ_MUST(strspn(text, "0123456789") == strlen(text));
    }
    if (hg_text_to_duration(text, &ms) == 0) {
        FUZZ_MUST(ms >= 1000 && ms <= UINT64_C(366) * 86400000);
        (void)snprintf(printed, sizeof(printed), "%" PRIu64 "s", ms / 1000);
        FUZZ_MUST(hg_text_to_duration(printed, &again) == 0 && again == ms);
    }
}

static void check_hex(const char *text)
{
    uint8_t bytes[16];
    char printed[33];

    memset(bytes, 0xa5, sizeof(bytes));
    for (size_t len = 0; len <= sizeof(bytes); len++) {
        if (hg_hex_to_bytes(text, bytes, len) != 0)
            continue;
        hg_hex_from_bytes(bytes, len, printed);
        FUZZ_MUST(strcasecmp(printed, text) == 0);
    }
}

static void check_command_times(const char *text)
{
    static const int64_t NOW_MS = INT64_C(1796000000000);
    char out[HG_CLI_WHEN_BYTES];
    bool is_local;
    int64_t ms;

    if (hg_cli_time(text, NOW_MS, &ms) == 0 &&
        strlen(text) == 5) /* HH:MM: within a day and an hour of now */
        FUZZ_MUST(ms > NOW_MS - 60000 && ms < NOW_MS + 25 * 3600000);
    if (hg_cli_date_time(text, &is_local, &ms) == 0) {
        hg_cli_when(ms, NOW_MS, out);
        FUZZ_MUST(strlen(out) > 0);
        hg_cli_when_full(ms, out);
        FUZZ_MUST(strlen(out) > 0);
        hg_cli_span(ms - NOW_MS, out);
        FUZZ_MUST(strlen(out) > 0);
    }
    hg_cli_when_text(text, NOW_MS, out);
}

int LLVMFuzzerInitialize(int *argc, char ***argv);

int LLVMFuzzerInitialize(int *argc, char ***argv)
{
    (void)argc;
    (void)argv;
    return setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3", 1);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size);
    char copy[24];

    check_wall(text);
    check_numbers(text);
    check_hex(text);
    check_command_times(text);
    if (hg_text_is_room(text))
        FUZZ_MUST(strlen(text) <= 32 &&
                  hg_text_is_plain_utf8(text, strlen(text)));
    (void)hg_text_is_plain_utf8((const char *)data, size);
    memset(copy, 'x', sizeof(copy));
    if (hg_text_copy(copy, 16, text) == 0)
        FUZZ_MUST(strcmp(copy, text) == 0 && copy[16] == 'x');
    else
        FUZZ_MUST(strlen(text) >= 16 && copy[0] == 'x');
    free(text);
    return 0;
}
