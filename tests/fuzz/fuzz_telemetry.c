/*
 * Telemetry: what is called whole is within its ranges, what is not whole is
 * an open door and nothing else, and a whole reading written out again reads
 * back as the same one. A resistance beside "air_c" may only take the reading
 * away or make it warmer, and not by much.
 */
#include "fuzz.h"
#include "base/text.h"
#include "controllers/codec.h"
#include <inttypes.h>

static void add_member(struct hg_buf *buf, const char *name, uint64_t value)
{
    hg_buf_addf(buf, ",\"%s\":%" PRIu64, name, value);
}

static void add_degrees(struct hg_buf *buf, const char *name, int32_t mc)
{
    hg_buf_addf(buf, ",\"%s\":%.3f", name, mc / 1000.0);
}

static const char *door_word(enum hg_door door)
{
    return door == HG_DOOR_OPEN     ? "\"open\""
           : door == HG_DOOR_CLOSED ? "\"closed\""
                                    : "null";
}

/* boot holds only characters that need no escape: the decoder says so */
static void write_reading(const struct hg_reading *r, struct hg_buf *buf)
{
    hg_buf_addf(buf, "{\"v\":1,\"boot\":\"%s\"", r->boot);
    add_member(buf, "seq", r->seq);
    add_member(buf, "uptime_ms", r->uptime_ms);
    hg_buf_addf(buf, ",\"door\":%s", door_word(r->door));
    hg_buf_addf(buf, ",\"heater\":\"%s\"",
                r->heater == HG_HEATER_ON ? "on" : "off");
    if (r->has_air)
        add_degrees(buf, "air_c", r->air_mc);
    else
        hg_buf_add(buf, ",\"air_c\":null");
    if (r->has_permit)
        add_member(buf, "permit", r->permit);
    if (r->has_door_count)
        add_member(buf, "door_count", r->door_count);
    if (r->has_module_c)
        add_degrees(buf, "module_c", r->module_mc);
    if (r->has_module_rh)
        add_member(buf, "module_rh", r->module_rh);
    if (r->has_power)
        add_member(buf, "power_w", r->power_w);
    if (r->has_energy)
        add_member(buf, "energy_wh", r->energy_wh);
    hg_buf_add(buf, "}");
}

static void check_boot(const struct hg_reading *r)
{
    size_t len = strnlen(r->boot, HG_BOOT_BYTES);

    FUZZ_MUST(len > 0 && len < HG_BOOT_BYTES);
    for (size_t i = 0; i < HG_BOOT_BYTES; i++) {
        char c = r->boot[i];

        if (i < len)
            FUZZ_MUST(c > ' ' && c < 0x7f && c != '"' && c != '\\');
        else
            FUZZ_MUST(c == '\0');
    }
}

static void check_whole(const struct hg_reading *r)
{
    struct hg_telemetry_origin origin = { r->is_retained, HG_PLATINUM_NONE };
    char storage[1024], why_storage[HG_CODEC_WHY_BYTES];
    struct hg_reading again;
    struct hg_buf buf, why;

    FUZZ_MUST(r->heater == HG_HEATER_ON || r->heater == HG_HEATER_OFF);
    FUZZ_MUST(r->uptime_ms < HG_NUMBER_LIMIT);
    FUZZ_MUST(r->permit < HG_NUMBER_LIMIT);
    FUZZ_MUST(r->door_count < HG_NUMBER_LIMIT);
    FUZZ_MUST(r->energy_wh < HG_NUMBER_LIMIT);
    FUZZ_MUST(r->has_air || r->air_mc == 0);
    FUZZ_MUST(r->has_permit || r->permit == 0);
    FUZZ_MUST(r->has_door_count || r->door_count == 0);
    FUZZ_MUST(r->has_power || r->power_w == 0);

    hg_buf_init(&buf, storage, sizeof(storage));
    hg_buf_init(&why, why_storage, sizeof(why_storage));
    write_reading(r, &buf);
    FUZZ_MUST(!buf.is_cut);
    FUZZ_MUST(hg_telemetry_decode(storage, buf.len, &origin, &why, &again) ==
              0);
    FUZZ_MUST(why.len == 0);
    FUZZ_MUST(memcmp(r, &again, sizeof(again)) == 0);
}

/* Not whole: nothing but an open door of a known message is told. */
static void check_door(const struct hg_reading *r)
{
    struct hg_reading only;

    memset(&only, 0, sizeof(only));
    memcpy(only.boot, r->boot, sizeof(only.boot));
    only.seq = r->seq;
    only.door = HG_DOOR_OPEN;
    only.is_retained = r->is_retained;
    FUZZ_MUST(memcmp(r, &only, sizeof(only)) == 0);
}

/* The same message in a room without an element: air_ohm means nothing. */
static void check_plain(const uint8_t *data, size_t size,
                        const struct hg_reading *r)
{
    struct hg_telemetry_origin origin = { false, HG_PLATINUM_NONE };
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_reading plain;
    struct hg_buf why;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_telemetry_decode(data, size, &origin, &why, &plain) < 0 ||
        !plain.is_whole || !r->has_air)
        return;
    FUZZ_MUST(plain.has_air && plain.air_mc <= r->air_mc);
    FUZZ_MUST(r->air_mc - (int64_t)plain.air_mc <= HG_TELEMETRY_AGREE_MC);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct hg_reading reading, untouched;
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_telemetry_origin origin = {
        .is_retained = size > 0 && data[size - 1] % 2 == 0,
        .element = (enum hg_platinum)(size % 3),
    };
    struct hg_buf why;
    int err;

    memset(&reading, 0xa5, sizeof(reading));
    untouched = reading;
    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_telemetry_decode(data, size, &origin, &why, &reading);
    FUZZ_MUST(!why.is_cut);
    if (err < 0) {
        FUZZ_MUST(err == HG_ERR_INPUT && why.len > 0);
        FUZZ_MUST(memcmp(&reading, &untouched, sizeof(reading)) == 0);
        return 0;
    }
    FUZZ_MUST(size <= HG_CODEC_BYTES_MAX);
    FUZZ_MUST(reading.is_retained == origin.is_retained);
    FUZZ_MUST(reading.seq < HG_NUMBER_LIMIT);
    FUZZ_MUST((why.len == 0) == reading.is_whole);
    check_boot(&reading);
    if (!reading.is_whole) {
        check_door(&reading);
        return 0;
    }
    check_whole(&reading);
    check_plain(data, size, &reading);
    return 0;
}
