/*
 * A binding's messages: whatever comes, the reading that is made is within
 * its ranges, a retained message is never taken for a live value, and a value
 * is no younger than its message. The first line of the input is the pointer.
 */
#include "fuzz.h"
#include "base/text.h"
#include "controllers/binding.h"

#define STALE_MS 3000u

static void set_up(struct hg_binding *b, const char *pointer)
{
    memset(b, 0, sizeof(*b));
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++) {
        struct hg_binding_signal *signal = &b->signal[s];

        signal->is_set = true;
        (void)snprintf(signal->topic, sizeof(signal->topic), "t");
        (void)snprintf(signal->pointer, sizeof(signal->pointer), "%s", pointer);
        signal->unit = s == HG_SIGNAL_POWER    ? HG_UNIT_KW
                       : s == HG_SIGNAL_ENERGY ? HG_UNIT_MWH
                       : s == HG_SIGNAL_UPTIME ? HG_UNIT_S
                                               : HG_UNIT_F;
        (void)snprintf(signal->word[0], sizeof(signal->word[0]), "ON");
        (void)snprintf(signal->word[1], sizeof(signal->word[1]), "0");
    }
}

static void check_reading(const struct hg_binding *b,
                          const struct hg_binding_reads *reads,
                          struct hg_mono now)
{
    struct hg_reading r;

    hg_binding_fill(b, reads, now, STALE_MS, &r);
    FUZZ_MUST(r.is_whole && !r.is_retained && !r.has_permit);
    FUZZ_MUST(r.has_air || r.air_mc == 0);
    FUZZ_MUST(r.energy_wh < HG_NUMBER_LIMIT);
    FUZZ_MUST(r.uptime_ms < HG_NUMBER_LIMIT + now.ms);
    FUZZ_MUST(r.heater == HG_HEATER_ON || r.heater == HG_HEATER_OFF);
}

static void check_reads(const struct hg_binding_reads *reads,
                        const struct hg_binding_news *news, bool is_retained)
{
    for (unsigned s = 0; s < HG_SIGNAL_COUNT; s++) {
        const struct hg_binding_read *read = &reads->signal[s];

        FUZZ_MUST(read->state < HG_READ_STATES && read->has_message);
        FUZZ_MUST(strnlen(read->raw, sizeof(read->raw)) < sizeof(read->raw));
        FUZZ_MUST(read->word >= -1 && read->word < HG_SIGNAL_WORDS);
        if (is_retained && s != HG_SIGNAL_ONLINE)
            FUZZ_MUST(!read->has_value && (news->read & HG_SIGNAL_BIT(s)) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const uint8_t *end = size > 0 ? memchr(data, '\n', size) : NULL;
    size_t len = end == NULL ? size : (size_t)(end - data);
    char pointer[HG_POINTER_BYTES + 8] = "";
    struct hg_binding_message message = { .topic = "t" };
    struct hg_binding_reads reads;
    struct hg_binding_news news;
    struct hg_mono now = { 1000 };
    struct hg_binding b;

    if (len < sizeof(pointer))
        memcpy(pointer, data, len);
    if (!hg_pointer_is_valid(pointer))
        return 0;
    set_up(&b, pointer);
    message.payload = end == NULL ? NULL : end + 1;
    message.len = end == NULL ? 0 : size - len - 1;
    for (int i = 0; i < 2; i++) {
        message.is_retained = i == 0;
        hg_binding_reset(&reads);
        hg_binding_apply(&b, &reads, &message, now, &news);
        FUZZ_MUST(news.here == HG_SIGNAL_BIT(HG_SIGNAL_COUNT) - 1);
        FUZZ_MUST((news.read & ~news.here) == 0);
        check_reads(&reads, &news, message.is_retained);
        if (hg_binding_missing(&b, &reads, now, STALE_MS) == 0)
            check_reading(&b, &reads, now);
    }
    return 0;
}
