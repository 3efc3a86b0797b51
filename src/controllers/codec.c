/*
 * The small messages beside telemetry and permits: local events, the
 * controller's presence, a gateway's birth and will.
 */
#include "controllers/codec.h"
#include "base/text.h"
#include "controllers/json_in.h"
#include "heatgate/version.h"
#include <inttypes.h>
#include <string.h>

static const struct {
    const char *name;
    enum hg_local what;
} LOCALS[] = {
    { "room-check", HG_LOCAL_ROOM_CHECK },
    { "local-start", HG_LOCAL_START },
    { "local-stop", HG_LOCAL_STOP },
    { "fault", HG_LOCAL_FAULT },
};

static enum hg_local find_local(const json_t *value)
{
    const char *name = json_string_value(value);

    for (size_t i = 0; name != NULL && i < HG_COUNT(LOCALS); i++) {
        if (strcmp(name, LOCALS[i].name) == 0)
            return LOCALS[i].what;
    }
    return HG_LOCAL_NONE;
}

/* NULL, or what is wrong */
static const char *read_local(const json_t *object,
                              struct hg_local_heard *heard)
{
    const json_t *code = json_object_get(object, "code");

    if (!hg_json_in_plain(json_object_get(object, "boot"), heard->boot,
                          sizeof(heard->boot)))
        return "boot: a text of 1 to 32 plain characters is wanted";
    if (!hg_json_in_u64(json_object_get(object, "seq"), HG_NUMBER_LIMIT,
                        &heard->seq))
        return "seq: a whole number from 0 to below 2^53 is wanted";
    heard->what = find_local(json_object_get(object, "event"));
    if (heard->what == HG_LOCAL_NONE)
        return "event: \"room-check\", \"local-start\", \"local-stop\" or "
               "\"fault\" is wanted";
    if (heard->what == HG_LOCAL_FAULT &&
        !hg_json_in_plain(code, heard->code, sizeof(heard->code)))
        return "code: a text of 1 to 64 plain characters is wanted with a "
               "fault";
    return NULL;
}

int hg_codec_decode_local(const void *payload, size_t len, struct hg_buf *why,
                          struct hg_local_heard *ret_heard)
{
    struct hg_local_heard heard;
    json_t *object = NULL;
    const char *wrong;
    int err;

    err = hg_json_in_object(payload, len, why, &object);
    if (err < 0)
        return err;

    memset(&heard, 0, sizeof(heard));
    err = HG_ERR_INPUT;
    if (!hg_json_in_is_v1(object, why))
        goto out;
    wrong = read_local(object, &heard);
    if (wrong != NULL) {
        hg_buf_add(why, wrong);
        goto out;
    }
    *ret_heard = heard;
    err = 0;
out:
    json_decref(object);
    return err;
}

/* "v" and "online" of an opened message */
static int read_online(const json_t *object, struct hg_buf *why,
                       bool *ret_is_online)
{
    const json_t *online = json_object_get(object, "online");

    if (!hg_json_in_is_v1(object, why))
        return HG_ERR_INPUT;
    if (!json_is_boolean(online)) {
        hg_buf_add(why, "online: true or false is wanted");
        return HG_ERR_INPUT;
    }
    *ret_is_online = json_is_true(online);
    return 0;
}

int hg_codec_decode_online(const void *payload, size_t len, struct hg_buf *why,
                           bool *ret_is_online)
{
    json_t *object = NULL;
    int err;

    err = hg_json_in_object(payload, len, why, &object);
    if (err < 0)
        return err;
    err = read_online(object, why, ret_is_online);
    json_decref(object);
    return err;
}

int hg_codec_decode_gateway(const void *payload, size_t len, struct hg_buf *why,
                            struct hg_gateway_heard *ret_heard)
{
    struct hg_gateway_heard heard = { 0 };
    json_t *object = NULL;
    int err;

    err = hg_json_in_object(payload, len, why, &object);
    if (err < 0)
        return err;
    err = read_online(object, why, &heard.is_online);
    if (err < 0)
        goto out;
    if (!hg_json_in_u64(json_object_get(object, "epoch"), HG_EPOCH_LIMIT,
                        &heard.epoch)) {
        hg_buf_add(why, "epoch: a whole number from 0 to below 2^28 is "
                        "wanted");
        err = HG_ERR_INPUT;
        goto out;
    }
    *ret_heard = heard;
out:
    json_decref(object);
    return err;
}

int hg_codec_encode_gateway(uint64_t epoch, bool is_online, struct hg_buf *buf)
{
    if (epoch >= HG_EPOCH_LIMIT)
        return HG_ERR_RANGE;
    hg_buf_addf(buf, "{\"v\":%d,\"online\":%s,\"epoch\":%" PRIu64,
                HG_CONTRACT_V, is_online ? "true" : "false", epoch);
    hg_buf_addf(buf, ",\"version\":\"%s\"}", HG_VERSION);
    return buf->is_cut ? HG_ERR_FULL : 0;
}
