/*
 * Permits are printed by hand into a bounded buffer: the fewest steps
 * between a decision to withdraw and the bytes that say so.
 */
#include "controllers/permit_codec.h"
#include "base/why.h"
#include "controllers/json_in.h"
#include "heatgate/version.h"
#include <inttypes.h>
#include <string.h>

#define TTL_MAX_MS 120000 /* the longest lease, contract 5 */

static bool is_heat_id(const char id[HG_ID_BYTES])
{
    size_t len = strnlen(id, HG_ID_BYTES);

    if (len == 0 || len == HG_ID_BYTES)
        return false;
    return strspn(id, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
                      "0123456789-_.:") == len;
}

/* milli-degrees as the shortest decimal: 80000 is 80, 80500 is 80.5 */
static void add_degrees(struct hg_buf *buf, int32_t mc)
{
    int32_t part = mc % 1000;

    hg_buf_addf(buf, "%" PRId32, mc / 1000);
    if (part == 0)
        return;
    if (part % 100 == 0)
        hg_buf_addf(buf, ".%" PRId32, part / 100);
    else if (part % 10 == 0)
        hg_buf_addf(buf, ".%02" PRId32, part / 10);
    else
        hg_buf_addf(buf, ".%03" PRId32, part);
}

static int encode_heat(const struct hg_permit *permit, struct hg_buf *buf)
{
    if (permit->ttl_ms == 0 || permit->ttl_ms > TTL_MAX_MS ||
        permit->target_mc < 0 || permit->target_mc > HG_TARGET_TOP_MC ||
        !is_heat_id(permit->heat_id))
        return HG_ERR_RANGE;
    hg_buf_addf(buf, "{\"v\":%d,\"serial\":%" PRIu64 ",\"heat\":true",
                HG_CONTRACT_V, permit->serial);
    hg_buf_add(buf, ",\"target_c\":");
    add_degrees(buf, permit->target_mc);
    hg_buf_addf(buf, ",\"ttl_ms\":%" PRIu64 ",\"heat_id\":\"%s\"}",
                permit->ttl_ms, permit->heat_id);
    return 0;
}

int hg_permit_encode(const struct hg_permit *permit, struct hg_buf *buf)
{
    if (permit->serial == 0 || permit->serial >= HG_SERIAL_LIMIT)
        return HG_ERR_RANGE;
    if (permit->is_heat) {
        int err = encode_heat(permit, buf);

        if (err < 0)
            return err;
    } else {
        hg_buf_addf(buf, "{\"v\":%d,\"serial\":%" PRIu64 ",\"heat\":false",
                    HG_CONTRACT_V, permit->serial);
        if (permit->why != HG_WHY_NONE)
            hg_buf_addf(buf, ",\"reason\":\"%s\"", hg_why_code(permit->why));
        hg_buf_add(buf, "}");
    }
    return buf->is_cut ? HG_ERR_FULL : 0;
}

int hg_permit_decode(const void *payload, size_t len, struct hg_buf *why,
                     struct hg_permit_heard *ret_heard)
{
    struct hg_permit_heard heard = { 0 };
    json_t *object = NULL;
    const json_t *heat;
    int err;

    err = hg_json_in_object(payload, len, why, &object);
    if (err < 0)
        return err;

    err = HG_ERR_INPUT;
    if (!hg_json_in_is_v1(object, why))
        goto out;
    if (!hg_json_in_u64(json_object_get(object, "serial"), HG_NUMBER_LIMIT,
                        &heard.serial)) {
        hg_buf_add(why, "serial: a whole number from 0 to below 2^53 is "
                        "wanted");
        goto out;
    }
    heat = json_object_get(object, "heat");
    if (!json_is_boolean(heat)) {
        hg_buf_add(why, "heat: true or false is wanted");
        goto out;
    }
    heard.is_heat = json_is_true(heat);
    *ret_heard = heard;
    err = 0;
out:
    json_decref(object);
    return err;
}
