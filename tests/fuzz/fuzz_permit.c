/*
 * Permits of other senders from raw bytes; and our own, made of the same
 * bytes taken as a struct: what can be encoded reads back, and what cannot is
 * outside its range.
 */
#include "fuzz.h"
#include "controllers/codec.h"

static void check_decode(const uint8_t *data, size_t size)
{
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_permit_heard heard;
    struct hg_buf why;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_permit_decode(data, size, &why, &heard) == 0)
        FUZZ_MUST(heard.serial < HG_NUMBER_LIMIT && why.len == 0);
    else
        FUZZ_MUST(why.len > 0 && !why.is_cut);
}

static bool is_encodable(const struct hg_permit *p)
{
    size_t len = strnlen(p->heat_id, sizeof(p->heat_id));

    if (p->serial == 0 || p->serial >= HG_SERIAL_LIMIT)
        return false;
    if (!p->is_heat)
        return true;
    for (size_t i = 0; i < len; i++) {
        char c = p->heat_id[i];

        if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'z') ||
              (c >= 'A' && c <= 'Z') || (c != '\0' && strchr("-_.:", c))))
            return false;
    }
    return len > 0 && len < sizeof(p->heat_id) && p->ttl_ms > 0 &&
           p->ttl_ms <= 120000 && p->target_mc >= 0 &&
           p->target_mc <= HG_TARGET_TOP_MC;
}

static void check_encode(const struct hg_permit *permit)
{
    char storage[HG_PERMIT_BYTES], why_storage[HG_CODEC_WHY_BYTES];
    struct hg_permit_heard heard;
    struct hg_buf buf, why;

    hg_buf_init(&buf, storage, sizeof(storage));
    hg_buf_init(&why, why_storage, sizeof(why_storage));
    if (hg_permit_encode(permit, &buf) < 0) {
        FUZZ_MUST(!is_encodable(permit));
        return;
    }
    FUZZ_MUST(is_encodable(permit) && !buf.is_cut);
    FUZZ_MUST(hg_permit_decode(storage, buf.len, &why, &heard) == 0);
    FUZZ_MUST(heard.serial == permit->serial &&
              heard.is_heat == permit->is_heat);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct hg_permit permit;
    uint8_t bytes[64] = { 0 };

    check_decode(data, size);
    memcpy(bytes, data, size < sizeof(bytes) ? size : sizeof(bytes));
    memset(&permit, 0, sizeof(permit));
    permit.is_heat = bytes[0] % 2 == 1;
    memcpy(&permit.serial, bytes + 1, 8);
    permit.serial >>= bytes[9] % 24;
    memcpy(&permit.ttl_ms, bytes + 10, 3);
    memcpy(&permit.target_mc, bytes + 13, 3);
    permit.target_mc -= bytes[16];
    permit.why = (enum hg_why)bytes[17];
    memcpy(permit.heat_id, bytes + 18, sizeof(permit.heat_id));
    check_encode(&permit);
    return 0;
}
