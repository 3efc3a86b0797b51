/*
 * The binding: units, maps, ages, what is believed from which message. Units:
 * exact by definition (F and K from the SI brochure, 2019, and NIST SP 811;
 * 1 Wh is 3600 J).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/binding.h"
#include <stdio.h>

#define STALE_MS 15000u

static void bind(struct hg_binding *b, enum hg_signal id, const char *topic,
                 const char *pointer)
{
    struct hg_binding_signal *signal = &b->signal[id];

    signal->is_set = true;
    assert_int_equal(hg_text_copy(signal->topic, sizeof(signal->topic), topic),
                     0);
    assert_int_equal(
        hg_text_copy(signal->pointer, sizeof(signal->pointer), pointer), 0);
}

static void map(struct hg_binding *b, enum hg_signal id, const char *first,
                const char *second)
{
    (void)snprintf(b->signal[id].word[0], HG_BINDING_WORD_BYTES, "%s", first);
    (void)snprintf(b->signal[id].word[1], HG_BINDING_WORD_BYTES, "%s", second);
}

static struct hg_binding make(void)
{
    struct hg_binding b;

    memset(&b, 0, sizeof(b));
    bind(&b, HG_SIGNAL_AIR, "t", "/t");
    b.signal[HG_SIGNAL_AIR].unit = HG_UNIT_C;
    bind(&b, HG_SIGNAL_DOOR, "d", "");
    map(&b, HG_SIGNAL_DOOR, "OPEN", "SHUT");
    bind(&b, HG_SIGNAL_HEATER, "r", "/on");
    map(&b, HG_SIGNAL_HEATER, "true", "false");
    return b;
}

static struct hg_binding_news hear(const struct hg_binding *b,
                                   struct hg_binding_reads *reads,
                                   const char *topic, const char *payload,
                                   uint64_t at_ms)
{
    struct hg_binding_message message = { topic, payload, strlen(payload),
                                          false };
    struct hg_binding_news news;
    struct hg_mono now = { at_ms };

    hg_binding_apply(b, reads, &message, now, &news);
    return news;
}

static void hear_all(const struct hg_binding *b, struct hg_binding_reads *reads,
                     uint64_t at_ms)
{
    (void)hear(b, reads, "t", "{\"t\":64.25}", at_ms);
    (void)hear(b, reads, "d", "SHUT", at_ms);
    (void)hear(b, reads, "r", "{\"on\":true}", at_ms);
}

static uint32_t missing(const struct hg_binding *b,
                        const struct hg_binding_reads *reads, uint64_t at_ms)
{
    struct hg_mono now = { at_ms };

    return hg_binding_missing(b, reads, now, STALE_MS);
}

static void test_binding__converts_units(void **state)
{
    static const struct {
        enum hg_signal signal;
        const char *unit;
        double from, want;
    } row[] = {
        { HG_SIGNAL_AIR, "C", 80, 80000 },
        { HG_SIGNAL_AIR, "F", 212, 100000 },
        { HG_SIGNAL_AIR, "F", -40, -40000 },
        { HG_SIGNAL_AIR, "K", 273.15, 0 },
        { HG_SIGNAL_POWER, "W", 5980, 5980 },
        { HG_SIGNAL_POWER, "kW", 5.98, 5980 },
        { HG_SIGNAL_ENERGY, "kWh", 1.5, 1500 },
        { HG_SIGNAL_ENERGY, "MWh", 0.002, 2000 },
        { HG_SIGNAL_ENERGY, "J", 3600, 1 },
        { HG_SIGNAL_ENERGY, "MJ", 3.6, 1000 },
        { HG_SIGNAL_MODULE_HUMIDITY, "%", 42, 42 },
        { HG_SIGNAL_UPTIME, "s", 3, 3000 },
        { HG_SIGNAL_UPTIME, "min", 2, 120000 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        enum hg_unit unit = hg_unit_find(row[i].signal, row[i].unit);

        HG_CHECK_TRUE(row[i].unit, unit != HG_UNIT_NONE);
        HG_CHECK_NEAR(row[i].unit, hg_unit_convert(unit, row[i].from),
                      row[i].want, 1e-6);
    }
    assert_int_equal(hg_unit_find(HG_SIGNAL_AIR, "kW"), HG_UNIT_NONE);
    assert_int_equal(hg_unit_find(HG_SIGNAL_AIR, "c"), HG_UNIT_NONE);
}

static void test_binding__makes_a_reading(void **state)
{
    struct hg_binding b = make();
    struct hg_binding_reads reads;
    struct hg_reading reading;
    struct hg_mono now = { 1000 };

    (void)state;
    hg_binding_reset(&reads);
    assert_int_equal(missing(&b, &reads, 1000), HG_SIGNALS_NEEDED);
    hear_all(&b, &reads, 1000);
    assert_int_equal(missing(&b, &reads, 1000), 0);
    hg_binding_fill(&b, &reads, now, STALE_MS, &reading);
    assert_true(reading.is_whole && reading.has_air && !reading.is_retained);
    assert_int_equal(reading.air_mc, 64250);
    assert_int_equal(reading.door, HG_DOOR_CLOSED);
    assert_int_equal(reading.heater, HG_HEATER_ON);
    assert_int_equal(reading.uptime_ms, 1000);
    assert_false(reading.has_power || reading.has_door_count);
}

/* each needed signal has an age of its own: below, at, above */
static void test_binding__each_signal_grows_old_alone(void **state)
{
    static const struct {
        const char *topic, *payload;
        enum hg_signal id;
    } row[] = {
        { "t", "{\"t\":64}", HG_SIGNAL_AIR },
        { "d", "SHUT", HG_SIGNAL_DOOR },
        { "r", "{\"on\":false}", HG_SIGNAL_HEATER },
    };
    struct hg_binding b = make();

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_binding_reads reads;

        hg_binding_reset(&reads);
        hear_all(&b, &reads, 1000);
        for (size_t j = 0; j < HG_COUNT(row); j++)
            if (j != i)
                (void)hear(&b, &reads, row[j].topic, row[j].payload, 10000);
        HG_CHECK_EQ(row[i].topic, missing(&b, &reads, 1000 + STALE_MS - 1), 0);
        HG_CHECK_EQ(row[i].topic, missing(&b, &reads, 1000 + STALE_MS),
                    HG_SIGNAL_BIT(row[i].id));
        (void)hear(&b, &reads, row[i].topic, row[i].payload, 1000 + STALE_MS);
        HG_CHECK_EQ(row[i].topic, missing(&b, &reads, 1000 + STALE_MS + 1), 0);
    }
}

static void test_binding__retained_messages_prove_nothing(void **state)
{
    struct hg_binding b = make();
    struct hg_binding_message shut = { "d", "SHUT", 4, true };
    struct hg_binding_news news;
    struct hg_binding_reads reads;
    struct hg_mono now = { 5 };

    (void)state;
    hg_binding_reset(&reads);
    hg_binding_apply(&b, &reads, &shut, now, &news);
    assert_int_equal(news.here, HG_SIGNAL_BIT(HG_SIGNAL_DOOR));
    assert_int_equal(news.read, 0);
    assert_int_equal(reads.signal[HG_SIGNAL_DOOR].state, HG_READ_RETAINED);
    assert_string_equal(reads.signal[HG_SIGNAL_DOOR].raw, "\"SHUT\"");
    assert_int_equal(missing(&b, &reads, 5), HG_SIGNALS_NEEDED);
    /* nor does one make an old value young */
    hear_all(&b, &reads, 10);
    now.ms = 10 + STALE_MS;
    hg_binding_apply(&b, &reads, &shut, now, &news);
    assert_int_equal(missing(&b, &reads, now.ms), HG_SIGNALS_NEEDED);
}

static void test_binding__unreadable_values_are_not_believed(void **state)
{
    static const struct {
        const char *label, *topic, *payload;
        enum hg_signal id;
        enum hg_read_state state;
        bool is_read, is_bad;
    } row[] = {
        { "null air", "t", "{\"t\":null}", HG_SIGNAL_AIR, HG_READ_FAULT, true,
          false },
        { "text", "t", "{\"t\":\"warm\"}", HG_SIGNAL_AIR, HG_READ_WRONG_TYPE,
          false, true },
        { "hex", "t", "{\"t\":\"0x40\"}", HG_SIGNAL_AIR, HG_READ_WRONG_TYPE,
          false, true },
        { "nan", "t", "{\"t\":\"nan\"}", HG_SIGNAL_AIR, HG_READ_WRONG_TYPE,
          false, true },
        { "too large", "t", "{\"t\":1e999}", HG_SIGNAL_AIR, HG_READ_WRONG_TYPE,
          false, true },
        { "number as text", "t", "{\"t\":\"64.5\"}", HG_SIGNAL_AIR, HG_READ_OK,
          true, false },
        { "broken", "t", "{\"t\":64", HG_SIGNAL_AIR, HG_READ_BAD_PAYLOAD, false,
          true },
        { "empty", "t", "", HG_SIGNAL_AIR, HG_READ_BAD_PAYLOAD, false, true },
        { "elsewhere", "t", "{\"x\":1}", HG_SIGNAL_AIR, HG_READ_NO_POINTER,
          false, false },
        { "other word", "d", "AJAR", HG_SIGNAL_DOOR, HG_READ_NOT_IN_MAP, true,
          true },
        { "null door", "d", "null", HG_SIGNAL_DOOR, HG_READ_FAULT, true,
          false },
        { "other state", "r", "{\"on\":\"maybe\"}", HG_SIGNAL_HEATER,
          HG_READ_NOT_IN_MAP, false, true },
        { "true as text", "r", "{\"on\":\"true\"}", HG_SIGNAL_HEATER,
          HG_READ_OK, true, false },
        { "blanks around", "d", " SHUT\r\n", HG_SIGNAL_DOOR, HG_READ_OK, true,
          false },
    };
    struct hg_binding b = make();

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_binding_reads reads;
        struct hg_binding_news news;
        uint32_t bit = HG_SIGNAL_BIT(row[i].id);

        hg_binding_reset(&reads);
        news = hear(&b, &reads, row[i].topic, row[i].payload, 7);
        HG_CHECK_EQ(row[i].label, reads.signal[row[i].id].state, row[i].state);
        HG_CHECK_EQ(row[i].label, news.read, row[i].is_read ? bit : 0);
        HG_CHECK_EQ(row[i].label, news.bad, row[i].is_bad ? bit : 0);
    }
}

static void test_binding__a_door_that_is_not_in_the_map_is_unknown(void **state)
{
    struct hg_binding b = make();
    struct hg_binding_reads reads;
    struct hg_reading reading;
    struct hg_mono now = { 1000 };

    (void)state;
    hg_binding_reset(&reads);
    hear_all(&b, &reads, 1000);
    (void)hear(&b, &reads, "d", "unavailable", 1000);
    hg_binding_fill(&b, &reads, now, STALE_MS, &reading);
    assert_int_equal(reading.door, HG_DOOR_UNKNOWN);
    /* a bad air leaves the last one, to grow old */
    (void)hear(&b, &reads, "t", "{\"t\":\"broken\"}", 9000);
    assert_int_equal(reads.signal[HG_SIGNAL_AIR].at.ms, 1000);
    /* but null is the sensor's own word for a fault */
    (void)hear(&b, &reads, "t", "{\"t\":null}", 9000);
    hg_binding_fill(&b, &reads, now, STALE_MS, &reading);
    assert_false(reading.has_air);
}

static void test_binding__uptime_tells_restarts_and_lateness(void **state)
{
    struct hg_binding b = make();
    struct hg_binding_reads reads;
    struct hg_reading reading;
    struct hg_mono now = { 9500 };

    (void)state;
    bind(&b, HG_SIGNAL_UPTIME, "t", "/up");
    b.signal[HG_SIGNAL_UPTIME].unit = HG_UNIT_S;
    hg_binding_reset(&reads);
    hear_all(&b, &reads, 9000);
    assert_false(hear(&b, &reads, "t", "{\"t\":1,\"up\":50}", 9000).is_restart);
    assert_false(hear(&b, &reads, "t", "{\"t\":1,\"up\":50}", 9000).is_restart);
    hg_binding_fill(&b, &reads, now, STALE_MS, &reading);
    assert_int_equal(reading.uptime_ms, 50500);
    assert_true(hear(&b, &reads, "t", "{\"t\":1,\"up\":49}", 9000).is_restart);
}

static void test_binding__presence_is_believed_from_a_retained_message(void **s)
{
    struct hg_binding b = make();
    struct hg_binding_message off = { "o", "gone", 4, true };
    struct hg_binding_message on = { "o", "here", 4, true };
    struct hg_binding_news news;
    struct hg_binding_reads reads;
    struct hg_mono now = { 100 };

    (void)s;
    bind(&b, HG_SIGNAL_ONLINE, "o", "");
    map(&b, HG_SIGNAL_ONLINE, "here", "gone");
    hg_binding_reset(&reads);
    hear_all(&b, &reads, 100);
    assert_int_equal(missing(&b, &reads, 100), HG_SIGNAL_BIT(HG_SIGNAL_ONLINE));
    hg_binding_apply(&b, &reads, &on, now, &news);
    assert_int_equal(missing(&b, &reads, 100), 0);
    hg_binding_apply(&b, &reads, &off, now, &news);
    assert_int_equal(missing(&b, &reads, 100), HG_SIGNAL_BIT(HG_SIGNAL_ONLINE));
    hg_binding_apply(&b, &reads, &on, now, &news);
    assert_true(news.is_restart);
}

static void test_binding__old_power_is_left_out(void **state)
{
    struct hg_binding b = make();
    struct hg_binding_reads reads;
    struct hg_reading reading;
    struct hg_mono now = { 1000 };

    (void)state;
    bind(&b, HG_SIGNAL_POWER, "p", "");
    b.signal[HG_SIGNAL_POWER].unit = HG_UNIT_KW;
    hg_binding_reset(&reads);
    hear_all(&b, &reads, 1000);
    (void)hear(&b, &reads, "p", "5.98", 1000);
    hg_binding_fill(&b, &reads, now, STALE_MS, &reading);
    assert_true(reading.has_power);
    assert_int_equal(reading.power_w, 5980);
    now.ms = 1000 + STALE_MS;
    hg_binding_fill(&b, &reads, now, STALE_MS, &reading);
    assert_false(reading.has_power);
}

static void test_binding__writes_a_target(void **state)
{
    static const struct {
        enum hg_unit unit;
        const char *payload, *want;
        int32_t target_mc;
    } row[] = {
        { HG_UNIT_C, "{target}", "80", 80000 },
        { HG_UNIT_C, "{\"sp\":{target}}", "{\"sp\":80.5}", 80500 },
        { HG_UNIT_F, "{target}", "176", 80000 },
        { HG_UNIT_K, "{target} K", "353.15 K", 80000 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_binding b = make();
        char text[HG_BINDING_PAYLOAD_BYTES];
        struct hg_buf buf;

        hg_buf_init(&buf, text, sizeof(text));
        b.setpoint.unit = row[i].unit;
        (void)snprintf(b.setpoint.payload, sizeof(b.setpoint.payload), "%s",
                       row[i].payload);
        HG_CHECK_EQ(row[i].want,
                    hg_binding_setpoint_text(&b, row[i].target_mc, &buf), 0);
        HG_CHECK_STR(row[i].want, text, row[i].want);
    }
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_binding__converts_units),
        cmocka_unit_test(test_binding__makes_a_reading),
        cmocka_unit_test(test_binding__each_signal_grows_old_alone),
        cmocka_unit_test(test_binding__retained_messages_prove_nothing),
        cmocka_unit_test(test_binding__unreadable_values_are_not_believed),
        cmocka_unit_test(
            test_binding__a_door_that_is_not_in_the_map_is_unknown),
        cmocka_unit_test(test_binding__uptime_tells_restarts_and_lateness),
        cmocka_unit_test(
            test_binding__presence_is_believed_from_a_retained_message),
        cmocka_unit_test(test_binding__old_power_is_left_out),
        cmocka_unit_test(test_binding__writes_a_target),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
