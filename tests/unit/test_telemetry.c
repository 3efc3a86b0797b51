/* Telemetry from bytes to a reading: every member, every limit, garbage. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "controllers/codec.h"
#include <stdio.h>
#include <string.h>

/* the example of the contract, section 1 */
static const char EXAMPLE[] =
    "{\"v\":1,\"boot\":\"5e1f\",\"seq\":1041,\"uptime_ms\":5203000,"
    "\"air_c\":64.2,\"door\":\"closed\",\"heater\":\"on\",\n"
    " \"permit\":117440518,\"door_count\":12,\"module_c\":31.5,"
    "\"module_rh\":42,\"power_w\":5980,\"energy_wh\":8123}";

#define MEMBERS 13
/* the members of a good message, door open; a row replaces one of them */
static const struct {
    const char *name;
    const char *value;
} GOOD[MEMBERS] = {
    { "v", "1" },
    { "boot", "\"b\"" },
    { "seq", "7" },
    { "uptime_ms", "9" },
    { "air_c", "60" },
    { "door", "\"open\"" },
    { "heater", "\"off\"" },
    { "permit", "3" },
    { "door_count", "4" },
    { "module_c", "20" },
    { "module_rh", "30" },
    { "power_w", "0" },
    { "energy_wh", "5" },
};

struct outcome {
    int err;
    struct hg_reading reading;
    char why[HG_CODEC_WHY_BYTES];
};

static struct outcome decode_at(enum hg_platinum element, const void *payload,
                                size_t len)
{
    struct hg_telemetry_origin origin = { false, element };
    struct outcome o;
    struct hg_buf why;

    memset(&o, 0x5a, sizeof(o));
    hg_buf_init(&why, o.why, sizeof(o.why));
    o.err = hg_telemetry_decode(payload, len, &origin, &why, &o.reading);
    assert_false(why.is_cut);
    return o;
}

static struct outcome decode(const void *payload, size_t len)
{
    return decode_at(HG_PLATINUM_NONE, payload, len);
}

static bool is_untouched(const struct hg_reading *reading)
{
    struct hg_reading sentinel;

    memset(&sentinel, 0x5a, sizeof(sentinel));
    return memcmp(reading, &sentinel, sizeof(sentinel)) == 0;
}

/*
 * Write the good message with one member changed: value NULL leaves it out.
 * door is what the door says unless that is the member.
 */
static size_t compose(char *out, size_t cap, const char *name,
                      const char *value, const char *door)
{
    struct hg_buf buf;
    bool is_first = true;

    hg_buf_init(&buf, out, cap);
    hg_buf_add(&buf, "{");
    for (size_t i = 0; i < MEMBERS; i++) {
        const char *text = GOOD[i].value;

        if (strcmp(GOOD[i].name, "door") == 0)
            text = door;
        if (strcmp(GOOD[i].name, name) == 0)
            text = value;
        if (text == NULL)
            continue;
        hg_buf_addf(&buf, "%s\"%s\":%s", is_first ? "" : ",", GOOD[i].name,
                    text);
        is_first = false;
    }
    hg_buf_add(&buf, "}");
    assert_false(buf.is_cut);
    return buf.len;
}

static void test_telemetry__reads_the_example_of_the_contract(void **state)
{
    struct outcome o = decode(EXAMPLE, sizeof(EXAMPLE) - 1);
    const struct hg_reading *r = &o.reading;

    (void)state;
    assert_int_equal(o.err, 0);
    assert_string_equal(o.why, "");
    assert_true(r->is_whole);
    assert_false(r->is_retained);
    assert_string_equal(r->boot, "5e1f");
    assert_int_equal(r->seq, 1041);
    assert_int_equal(r->uptime_ms, 5203000);
    assert_true(r->has_air);
    assert_int_equal(r->air_mc, 64200);
    assert_int_equal(r->door, HG_DOOR_CLOSED);
    assert_int_equal(r->heater, HG_HEATER_ON);
    assert_true(r->has_permit && r->permit == 117440518);
    assert_true(r->has_door_count && r->door_count == 12);
    assert_true(r->has_module_c && r->module_mc == 31500);
    assert_true(r->has_module_rh && r->module_rh == 42);
    assert_true(r->has_power && r->power_w == 5980);
    assert_true(r->has_energy && r->energy_wh == 8123);
}

static void test_telemetry__needs_only_the_required_members(void **state)
{
    static const char text[] =
        "{\"heater\":\"off\",\"air_c\":null,\"door\":null,\"uptime_ms\":0,"
        "\"seq\":0,\"boot\":\"x\",\"v\":1,\"extra\":[{\"v\":2}]}";
    struct outcome o = decode(text, sizeof(text) - 1);
    const struct hg_reading *r = &o.reading;

    (void)state;
    assert_int_equal(o.err, 0);
    assert_true(r->is_whole);
    assert_false(r->has_air || r->has_permit || r->has_door_count ||
                 r->has_module_c || r->has_module_rh || r->has_power ||
                 r->has_energy);
    assert_int_equal(r->door, HG_DOOR_UNKNOWN);
    assert_int_equal(r->heater, HG_HEATER_OFF);
}

static void test_telemetry__carries_the_retain_flag(void **state)
{
    struct hg_telemetry_origin origin = { true, HG_PLATINUM_NONE };
    struct hg_reading reading = { 0 };
    char text[HG_CODEC_WHY_BYTES];
    struct hg_buf why;

    (void)state;
    hg_buf_init(&why, text, sizeof(text));
    assert_int_equal(hg_telemetry_decode(EXAMPLE, sizeof(EXAMPLE) - 1, &origin,
                                         &why, &reading),
                     0);
    assert_true(reading.is_retained);
}

/* a row with bad set to NULL is one that must be taken */
struct row {
    const char *name;
    const char *value;
    const char *bad; /* the text beside the name, or NULL */
};

#define WHOLE   "a whole number from 0 to below 2^53 is wanted"
#define MISSING ", and it is missing"

static const struct row ROWS[] = {
    { "v", "1.0", NULL },
    { "v", "0", "the number 1 is wanted" },
    { "v", "2", "the number 1 is wanted" },
    { "v", "1.5", "the number 1 is wanted" },
    { "v", "true", "the number 1 is wanted" },
    { "v", "\"1\"", "the number 1 is wanted" },
    { "v", NULL, "the number 1 is wanted" MISSING },
    { "boot", "\"\"", "a text of 1 to 32 plain characters is wanted" },
    { "boot", "\"01234567890123456789012345678901\"", NULL },
    { "boot", "\"012345678901234567890123456789012\"",
      "a text of 1 to 32 plain characters is wanted" },
    { "boot", "\"a b\"", "a text of 1 to 32 plain characters is wanted" },
    { "boot", "\"a\\\"b\"", "a text of 1 to 32 plain characters is wanted" },
    { "boot", "\"a\\\\b\"", "a text of 1 to 32 plain characters is wanted" },
    { "boot", "\"\xc3\xa9\"", "a text of 1 to 32 plain characters is wanted" },
    { "boot", "5", "a text of 1 to 32 plain characters is wanted" },
    { "boot", "null", "a text of 1 to 32 plain characters is wanted" },
    { "boot", NULL, "a text of 1 to 32 plain characters is wanted" MISSING },
    { "seq", "0", NULL },
    { "seq", "1e3", NULL },
    { "seq", "9007199254740991", NULL },
    { "seq", "9007199254740992", WHOLE },
    { "seq", "9007199254740992.0", WHOLE },
    { "seq", "9223372036854775807", WHOLE },
    { "seq", "9223372036854775808", WHOLE },
    { "seq", "1e400", WHOLE },
    { "seq", "-1", WHOLE },
    { "seq", "1.5", WHOLE },
    { "seq", "\"1\"", WHOLE },
    { "seq", "null", WHOLE },
    { "seq", NULL, WHOLE MISSING },
    { "uptime_ms", "0", NULL },
    { "uptime_ms", "9007199254740991", NULL },
    { "uptime_ms", "9007199254740992", WHOLE },
    { "uptime_ms", "-1", WHOLE },
    { "uptime_ms", "false", WHOLE },
    { "uptime_ms", NULL, WHOLE MISSING },
    { "air_c", "null", NULL },
    { "air_c", "-40.5", NULL },
    { "air_c", "1e300", NULL },
    { "air_c", "1e999", "a number or null is wanted" },
    { "air_c", "123456789012345678901234567890", "a number or null is wanted" },
    { "air_c", "\"60\"", "a number or null is wanted" },
    { "air_c", "true", "a number or null is wanted" },
    { "air_c", "[60]", "a number or null is wanted" },
    { "air_c", NULL, "a number or null is wanted" MISSING },
    { "door", "\"closed\"", NULL },
    { "door", "null", NULL },
    { "door", "\"Open\"", "\"open\", \"closed\" or null is wanted" },
    { "door", "\"ajar\"", "\"open\", \"closed\" or null is wanted" },
    { "door", "true", "\"open\", \"closed\" or null is wanted" },
    { "door", NULL, "\"open\", \"closed\" or null is wanted" MISSING },
    { "heater", "\"on\"", NULL },
    { "heater", "null", "\"on\" or \"off\" is wanted" },
    { "heater", "\"ON\"", "\"on\" or \"off\" is wanted" },
    { "heater", "1", "\"on\" or \"off\" is wanted" },
    { "heater", NULL, "\"on\" or \"off\" is wanted" MISSING },
    { "permit", NULL, NULL },
    { "permit", "0", NULL },
    { "permit", "9007199254740991", NULL },
    { "permit", "9007199254740992", WHOLE },
    { "permit", "null", WHOLE },
    { "door_count", NULL, NULL },
    { "door_count", "-1", WHOLE },
    { "door_count", "\"4\"", WHOLE },
    { "module_c", NULL, NULL },
    { "module_c", "-5.25", NULL },
    { "module_c", "null", "a number is wanted" },
    { "module_rh", NULL, NULL },
    { "module_rh", "-0.4", NULL },
    { "module_rh", "-1", "a number from 0 on is wanted" },
    { "module_rh", "{}", "a number from 0 on is wanted" },
    { "power_w", NULL, NULL },
    { "power_w", "-0.4", NULL },
    { "power_w", "-0.5", "a number from 0 on is wanted" },
    { "power_w", "-5980", "a number from 0 on is wanted" },
    { "power_w", "null", "a number from 0 on is wanted" },
    { "energy_wh", NULL, NULL },
    { "energy_wh", "1e300", NULL },
    { "energy_wh", "\"\"", "a number from 0 on is wanted" },
};

static bool is_core(const char *name)
{
    return strcmp(name, "v") == 0 || strcmp(name, "boot") == 0 ||
           strcmp(name, "seq") == 0 || strcmp(name, "door") == 0;
}

static void test_telemetry__judges_each_member(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        char label[160];
        char text[1024];
        char why[HG_CODEC_WHY_BYTES] = "";
        size_t len = compose(text, sizeof(text), ROWS[i].name, ROWS[i].value,
                             "\"closed\"");
        struct outcome o = decode(text, len);

        (void)snprintf(label, sizeof(label), "%s %s", ROWS[i].name,
                       ROWS[i].value != NULL ? ROWS[i].value : "left out");
        if (ROWS[i].bad == NULL) {
            HG_CHECK_EQ(label, o.err, 0);
            HG_CHECK_TRUE(label, o.reading.is_whole);
        } else {
            (void)snprintf(why, sizeof(why), "%s: %s", ROWS[i].name,
                           ROWS[i].bad);
            HG_CHECK_EQ(label, o.err, HG_ERR_INPUT);
            HG_CHECK_TRUE(label, is_untouched(&o.reading));
        }
        HG_CHECK_STR(label, o.why, why);
    }
}

/* contract 7: an open door is believed although another member is bad */
static void test_telemetry__believes_an_open_door(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        char text[1024];
        const char *label = ROWS[i].name;
        size_t len = compose(text, sizeof(text), ROWS[i].name, ROWS[i].value,
                             "\"open\"");
        struct outcome o = decode(text, len);
        struct hg_reading want = { .seq = 7, .door = HG_DOOR_OPEN };

        if (ROWS[i].bad == NULL)
            continue;
        HG_CHECK_TRUE(label, o.why[0] != '\0');
        if (is_core(ROWS[i].name)) {
            HG_CHECK_EQ(label, o.err, HG_ERR_INPUT);
            HG_CHECK_TRUE(label, is_untouched(&o.reading));
            continue;
        }
        want.boot[0] = 'b';
        HG_CHECK_EQ(label, o.err, 0);
        HG_CHECK_BYTES(label, &o.reading, &want, sizeof(want));
    }
}

static void test_telemetry__rounds_and_bounds_measurements(void **state)
{
    static const struct {
        const char *label;
        const char *name;
        const char *value;
        int64_t want;
    } row[] = {
        { "half up", "air_c", "64.2005", 64201 },
        { "down", "air_c", "64.2004", 64200 },
        { "negative half", "air_c", "-0.0005", -1 },
        { "integer", "air_c", "150", 150000 },
        { "too hot for the type", "air_c", "1e300", INT32_MAX },
        { "too cold for the type", "air_c", "-1e300", INT32_MIN },
        { "module", "module_c", "49.9996", 50000 },
        { "humidity half up", "module_rh", "94.5", 95 },
        { "humidity down", "module_rh", "94.4", 94 },
        { "power", "power_w", "5980.6", 5981 },
        { "power noise", "power_w", "-0.4", 0 },
        { "power beyond the type", "power_w", "5e9", UINT32_MAX },
        { "energy", "energy_wh", "8123.5", 8124 },
        { "energy beyond 2^53", "energy_wh", "1e17", 9007199254740991 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char text[1024];
        size_t len =
            compose(text, sizeof(text), row[i].name, row[i].value, "null");
        struct outcome o = decode(text, len);
        const struct hg_reading *r = &o.reading;
        int64_t got = strcmp(row[i].name, "air_c") == 0       ? r->air_mc
                      : strcmp(row[i].name, "module_c") == 0  ? r->module_mc
                      : strcmp(row[i].name, "module_rh") == 0 ? r->module_rh
                      : strcmp(row[i].name, "power_w") == 0
                          ? r->power_w
                          : (int64_t)r->energy_wh;

        HG_CHECK_EQ(row[i].label, o.err, 0);
        HG_CHECK_EQ(row[i].label, got, row[i].want);
    }
}

#define NOT_READ "air_c: a number or null is wanted, and it is missing"
#define NO_ELEMENT                                                             \
    "air_ohm: the room's setting sensor_element is wanted to read it, and "    \
    "air_c is missing"

/* the good message with air as given; temperatures by IEC 60751 */
static const struct {
    const char *label;
    enum hg_platinum element;
    const char *air; /* members */
    bool has_air;
    int32_t mc, within_mc;
    const char *bad; /* NULL: whole */
} OHM_ROWS[] = {
    { "Pt100", HG_PLATINUM_PT100, "\"air_ohm\":138.51", true, 100000, 14,
      NULL },
    { "Pt100, cold", HG_PLATINUM_PT100, "\"air_ohm\":84.27", true, -40000, 14,
      NULL },
    { "Pt1000", HG_PLATINUM_PT1000, "\"air_ohm\":1385.1", true, 100000, 14,
      NULL },
    { "whole number", HG_PLATINUM_PT100, "\"air_ohm\":100", true, 0, 0, NULL },
    { "reported fault", HG_PLATINUM_PT100, "\"air_ohm\":null", false, 0, 0,
      NULL },
    { "short", HG_PLATINUM_PT100, "\"air_ohm\":0.2", true, -200000, 0, NULL },
    { "noise of a short", HG_PLATINUM_PT100, "\"air_ohm\":-0.01", true, -200000,
      0, NULL },
    { "break", HG_PLATINUM_PT100, "\"air_ohm\":1e300", true, 850000, 0, NULL },
    { "Pt1000 set as Pt100", HG_PLATINUM_PT100, "\"air_ohm\":1078", true,
      850000, 0, NULL },
    { "Pt100 set as Pt1000", HG_PLATINUM_PT1000, "\"air_ohm\":107.8", true,
      -200000, 0, NULL },
    { "only air_c", HG_PLATINUM_PT100, "\"air_c\":60", true, 60000, 0, NULL },
    { "both agree, air_c is warmer", HG_PLATINUM_PT100,
      "\"air_c\":102,\"air_ohm\":138.5055", true, 102000, 0, NULL },
    { "both agree, air_ohm is warmer", HG_PLATINUM_PT100,
      "\"air_ohm\":138.5055,\"air_c\":98.01", true, 100000, 3, NULL },
    { "they differ by more than 2 C", HG_PLATINUM_PT100,
      "\"air_c\":102.01,\"air_ohm\":138.5055", false, 0, 0, NULL },
    { "they differ the other way", HG_PLATINUM_PT100,
      "\"air_c\":97.98,\"air_ohm\":138.5055", false, 0, 0, NULL },
    { "air_c in fault", HG_PLATINUM_PT100, "\"air_c\":null,\"air_ohm\":138.51",
      false, 0, 0, NULL },
    { "air_ohm in fault", HG_PLATINUM_PT100, "\"air_c\":60,\"air_ohm\":null",
      false, 0, 0, NULL },
    { "far apart", HG_PLATINUM_PT100, "\"air_c\":-1e300,\"air_ohm\":1e300",
      false, 0, 0, NULL },
    { "a text", HG_PLATINUM_PT100, "\"air_ohm\":\"100\"", false, 0, 0,
      "air_ohm: a number or null is wanted" },
    { "a text beside air_c", HG_PLATINUM_PT100, "\"air_c\":60,\"air_ohm\":true",
      false, 0, 0, "air_ohm: a number or null is wanted" },
    { "out of a double", HG_PLATINUM_PT100, "\"air_ohm\":1e999", false, 0, 0,
      "air_ohm: a number or null is wanted" },
    { "air_c is a text", HG_PLATINUM_PT100,
      "\"air_c\":\"60\",\"air_ohm\":123.24", false, 0, 0,
      "air_c: a number or null is wanted" },
    { "no element, air_c is a text", HG_PLATINUM_NONE,
      "\"air_c\":\"60\",\"air_ohm\":123.24", false, 0, 0,
      "air_c: a number or null is wanted" },
    { "neither", HG_PLATINUM_PT100, "\"x\":1", false, 0, 0, NOT_READ },
    { "no element: ignored", HG_PLATINUM_NONE,
      "\"air_c\":60,\"air_ohm\":138.51", true, 60000, 0, NULL },
    { "no element: whatever it is", HG_PLATINUM_NONE,
      "\"air_c\":60,\"air_ohm\":[1e999]", true, 60000, 0, NULL },
    { "no element: in fault", HG_PLATINUM_NONE,
      "\"air_c\":null,\"air_ohm\":138.51", false, 0, 0, NULL },
    { "no element: nothing to read", HG_PLATINUM_NONE, "\"air_ohm\":138.51",
      false, 0, 0, NO_ELEMENT },
};

static struct outcome decode_air(enum hg_platinum element, const char *air,
                                 const char *door)
{
    char text[512];
    int len = snprintf(text, sizeof(text),
                       "{\"v\":1,\"boot\":\"b\",\"seq\":7,\"uptime_ms\":9,"
                       "\"door\":\"%s\",\"heater\":\"off\",%s}",
                       door, air);

    return decode_at(element, text, (size_t)len);
}

static void test_telemetry__reads_a_resistance_as_air(void **state)
{
    (void)state;
    for (size_t i = 0; i < HG_COUNT(OHM_ROWS); i++) {
        const char *label = OHM_ROWS[i].label;
        struct outcome o =
            decode_air(OHM_ROWS[i].element, OHM_ROWS[i].air, "closed");

        if (OHM_ROWS[i].bad != NULL) {
            HG_CHECK_EQ(label, o.err, HG_ERR_INPUT);
            HG_CHECK_STR(label, o.why, OHM_ROWS[i].bad);
            HG_CHECK_TRUE(label, is_untouched(&o.reading));
            o = decode_air(OHM_ROWS[i].element, OHM_ROWS[i].air, "open");
            HG_CHECK_EQ(label, o.err, 0);
            HG_CHECK_TRUE(label, o.reading.door == HG_DOOR_OPEN &&
                                     !o.reading.is_whole && !o.reading.has_air);
            continue;
        }
        HG_CHECK_EQ(label, o.err, 0);
        HG_CHECK_TRUE(label, o.reading.is_whole);
        HG_CHECK_EQ(label, o.reading.has_air, OHM_ROWS[i].has_air);
        HG_CHECK_NEAR(label, o.reading.air_mc, OHM_ROWS[i].mc,
                      OHM_ROWS[i].within_mc);
        HG_CHECK_STR(label, o.why, "");
    }
}

static void test_telemetry__refuses_what_is_no_message(void **state)
{
    static const struct {
        const char *label;
        const char *text;
        const char *why; /* how it begins */
    } row[] = {
        { "empty", "", "the message is empty" },
        { "array", "[1]", "a JSON object is wanted" },
        { "bare text", "open", "not valid JSON at byte" },
        { "trailing text", "{\"v\":1} x", "not valid JSON at byte" },
        { "two objects", "{\"v\":1}{\"v\":1}", "not valid JSON at byte" },
        { "repeated member",
          "{\"v\":1,\"boot\":\"b\",\"seq\":1,\"door\":\"closed\","
          "\"door\":\"open\"}",
          "not valid JSON at byte" },
        { "escaped NUL", "{\"v\":1,\"x\":\"\\u0000\"}",
          "not valid JSON at byte" },
        { "NUL in a name", "{\"v\\u0000\":1}", "not valid JSON at byte" },
        { "lone surrogate", "{\"x\":\"\\ud800\"}", "not valid JSON at byte" },
        { "invalid UTF-8", "{\"x\":\"\xff\"}", "not valid JSON at byte" },
        { "overlong UTF-8", "{\"x\":\"\xc0\xaf\"}", "not valid JSON at byte" },
        { "control character", "{\"x\":\"\x01\"}", "not valid JSON at byte" },
        { "NaN", "{\"air_c\":NaN}", "not valid JSON at byte" },
        { "leading zero", "{\"seq\":01}", "not valid JSON at byte" },
        { "nine numbers out of range",
          "{\"a\":[1e999,1e999,1e999,1e999,1e999,1e999,1e999,1e999,1e999]}",
          "not valid JSON at byte" },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct outcome o = decode(row[i].text, strlen(row[i].text));

        HG_CHECK_EQ(row[i].label, o.err, HG_ERR_INPUT);
        HG_CHECK_TRUE(row[i].label, is_untouched(&o.reading));
        HG_CHECK_EQ(row[i].label,
                    strncmp(o.why, row[i].why, strlen(row[i].why)), 0);
    }
}

static void test_telemetry__refuses_a_raw_nul(void **state)
{
    static const char text[] = "{\"v\":1,\0\"boot\":\"b\"}";
    struct outcome o = decode(text, sizeof(text) - 1);

    (void)state;
    assert_int_equal(o.err, HG_ERR_INPUT);
}

/* numbers out of range where nobody looks do not make a message bad */
static void test_telemetry__ignores_unknown_numbers_of_any_size(void **state)
{
    static const char text[] =
        "{\"v\":1,\"boot\":\"b\",\"seq\":1,\"uptime_ms\":2,\"air_c\":3,"
        "\"door\":\"closed\",\"heater\":\"on\",\"x\":[1e999,-1e999],"
        "\"y\":99999999999999999999}";
    struct outcome o = decode(text, sizeof(text) - 1);

    (void)state;
    assert_int_equal(o.err, 0);
    assert_true(o.reading.is_whole);
    assert_int_equal(o.reading.air_mc, 3000);
}

/* a message of len bytes: the example's start, then blanks, then its end */
static size_t pad_to(char *out, size_t len)
{
    size_t text = sizeof(EXAMPLE) - 1;

    memset(out, ' ', len);
    memcpy(out, EXAMPLE, text - 1);
    out[len - 1] = '}';
    return len;
}

static void test_telemetry__reads_up_to_4096_bytes(void **state)
{
    char text[HG_CODEC_BYTES_MAX + 1];
    struct outcome o;

    (void)state;
    o = decode(text, pad_to(text, HG_CODEC_BYTES_MAX - 1));
    assert_int_equal(o.err, 0);
    o = decode(text, pad_to(text, HG_CODEC_BYTES_MAX));
    assert_int_equal(o.err, 0);
    o = decode(text, pad_to(text, HG_CODEC_BYTES_MAX + 1));
    assert_int_equal(o.err, HG_ERR_INPUT);
    assert_true(is_untouched(&o.reading));
    assert_string_equal(o.why,
                        "the message has 4097 bytes; at most 4096 are read");
}

/* the good message with an unknown member nested to depth levels in all */
static size_t nest(char *out, size_t cap, size_t depth, const char *beside)
{
    struct hg_buf buf;

    hg_buf_init(&buf, out, cap);
    hg_buf_addf(&buf,
                "{\"v\":1,\"boot\":\"b\",\"seq\":1,\"uptime_ms\":2,"
                "\"air_c\":3,\"door\":\"closed\",\"heater\":\"on\",%s\"x\":",
                beside);
    for (size_t i = 1; i < depth; i++)
        hg_buf_add(&buf, "[");
    for (size_t i = 1; i < depth; i++)
        hg_buf_add(&buf, "]");
    hg_buf_add(&buf, depth > 1 ? "}" : "1}");
    assert_false(buf.is_cut);
    return buf.len;
}

static void test_telemetry__limits_nesting(void **state)
{
    static const struct {
        const char *label;
        size_t depth;
        const char *beside;
        int want;
    } row[] = {
        { "one below", 15, "", 0 },
        { "at the limit", 16, "", 0 },
        { "one above", 17, "", HG_ERR_INPUT },
        { "far above", 1000, "", HG_ERR_INPUT },
        { "brackets in a text do not count", 16,
          "\"y\":\"[[[[[[[[[[[[\\\"{{{{{{{{\",", 0 },
        { "many side by side do not count", 16,
          "\"y\":[[],[],[],{},{},[],[],[],[],[],[],[],[],[],[],[],[]],", 0 },
        { "nor do they hide what is deep", 17,
          "\"y\":[[],[],[],{},{},[],[],[],[],[],[],[],[],[],[],[],[]],",
          HG_ERR_INPUT },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        char text[HG_CODEC_BYTES_MAX];
        size_t len = nest(text, sizeof(text), row[i].depth, row[i].beside);
        struct outcome o = decode(text, len);

        HG_CHECK_EQ(row[i].label, o.err, row[i].want);
        if (row[i].want < 0)
            HG_CHECK_STR(row[i].label, o.why,
                         "the message is nested deeper than 16 levels");
    }
}

static void test_telemetry__refuses_every_prefix(void **state)
{
    (void)state;
    for (size_t len = 0; len < sizeof(EXAMPLE) - 1; len++) {
        char exact[sizeof(EXAMPLE)];
        struct outcome o;

        memcpy(exact, EXAMPLE, len);
        o = decode(exact, len);

        HG_CHECK_EQ("prefix", o.err, HG_ERR_INPUT);
        HG_CHECK_TRUE("prefix", is_untouched(&o.reading));
    }
}

/* Does the reading equal what the example says, but for one member? */
static int members_that_differ(const struct hg_reading *a,
                               const struct hg_reading *b)
{
    return (strcmp(a->boot, b->boot) != 0) + (a->seq != b->seq) +
           (a->uptime_ms != b->uptime_ms) +
           (a->has_air != b->has_air || a->air_mc != b->air_mc) +
           (a->door != b->door) + (a->heater != b->heater) +
           (a->has_permit != b->has_permit || a->permit != b->permit) +
           (a->has_door_count != b->has_door_count ||
            a->door_count != b->door_count) +
           (a->has_module_c != b->has_module_c ||
            a->module_mc != b->module_mc) +
           (a->has_module_rh != b->has_module_rh ||
            a->module_rh != b->module_rh) +
           (a->has_power != b->has_power || a->power_w != b->power_w) +
           (a->has_energy != b->has_energy || a->energy_wh != b->energy_wh);
}

/*
 * Change each byte to every other value. No check of ours can see a digit
 * become another digit; but a changed byte may touch its own member only,
 * may not turn the door round, and whatever is refused leaves no trace.
 */
static void test_telemetry__survives_every_changed_byte(void **state)
{
    struct outcome good = decode(EXAMPLE, sizeof(EXAMPLE) - 1);

    (void)state;
    for (size_t at = 0; at < sizeof(EXAMPLE) - 1; at++) {
        for (unsigned value = 0; value < 256; value++) {
            char text[sizeof(EXAMPLE)];
            struct outcome o;

            memcpy(text, EXAMPLE, sizeof(text));
            text[at] = (char)value;
            o = decode(text, sizeof(EXAMPLE) - 1);

            if (o.err < 0) {
                HG_CHECK_TRUE(text, is_untouched(&o.reading));
                continue;
            }
            HG_CHECK_TRUE(text, o.reading.is_whole);
            HG_CHECK_EQ(text, o.reading.door, HG_DOOR_CLOSED);
            HG_CHECK_TRUE(text,
                          members_that_differ(&o.reading, &good.reading) <= 1);
        }
    }
}

/* bytes from a fixed generator: xorshift64, Marsaglia 2003 */
static uint64_t next(uint64_t *seed)
{
    *seed ^= *seed << 13;
    *seed ^= *seed >> 7;
    *seed ^= *seed << 17;
    return *seed;
}

static void test_telemetry__survives_random_damage(void **state)
{
    uint64_t seed = UINT64_C(0x9e3779b97f4a7c15);

    (void)state;
    print_message("seed %#" PRIx64 "\n", seed);
    for (int run = 0; run < 20000; run++) {
        char text[sizeof(EXAMPLE)];
        size_t len = sizeof(EXAMPLE) - 1 - next(&seed) % 8;
        struct outcome o;

        memcpy(text, EXAMPLE, sizeof(text));
        for (int i = 0; i < 6; i++)
            text[next(&seed) % (sizeof(EXAMPLE) - 1)] =
                "{}[]\",:0eE-.\\ntu\0\xff"[next(&seed) % 18];
        o = decode(text, len);

        if (o.err < 0)
            HG_CHECK_TRUE("damaged", is_untouched(&o.reading));
        else
            HG_CHECK_TRUE("damaged", o.reading.boot[0] != '\0');
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_telemetry__reads_the_example_of_the_contract),
        cmocka_unit_test(test_telemetry__needs_only_the_required_members),
        cmocka_unit_test(test_telemetry__carries_the_retain_flag),
        cmocka_unit_test(test_telemetry__judges_each_member),
        cmocka_unit_test(test_telemetry__believes_an_open_door),
        cmocka_unit_test(test_telemetry__rounds_and_bounds_measurements),
        cmocka_unit_test(test_telemetry__reads_a_resistance_as_air),
        cmocka_unit_test(test_telemetry__refuses_what_is_no_message),
        cmocka_unit_test(test_telemetry__refuses_a_raw_nul),
        cmocka_unit_test(test_telemetry__ignores_unknown_numbers_of_any_size),
        cmocka_unit_test(test_telemetry__reads_up_to_4096_bytes),
        cmocka_unit_test(test_telemetry__limits_nesting),
        cmocka_unit_test(test_telemetry__refuses_every_prefix),
        cmocka_unit_test(test_telemetry__survives_every_changed_byte),
        cmocka_unit_test(test_telemetry__survives_random_damage),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
