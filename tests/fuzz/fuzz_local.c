/*
 * Local events, births and wills, and the gateway's own message, all from
 * one input; what was understood is written again and must read the same.
 */
#include "fuzz.h"
#include "controllers/codec.h"
#include <inttypes.h>

static const char *const WORDS[] = {
    [HG_LOCAL_ROOM_CHECK] = "room-check",
    [HG_LOCAL_START] = "local-start",
    [HG_LOCAL_STOP] = "local-stop",
    [HG_LOCAL_FAULT] = "fault",
};

static void check_local(const struct hg_local_heard *heard)
{
    char storage[512], why_storage[HG_CODEC_WHY_BYTES];
    struct hg_local_heard again;
    struct hg_buf buf, why;
    size_t what = (size_t)heard->what;

    FUZZ_MUST(heard->seq < HG_NUMBER_LIMIT);
    FUZZ_MUST(heard->boot[0] != '\0');
    FUZZ_MUST(what < sizeof(WORDS) / sizeof(WORDS[0]) && WORDS[what] != NULL);
    FUZZ_MUST((heard->what == HG_LOCAL_FAULT) == (heard->code[0] != '\0'));

    hg_buf_init(&buf, storage, sizeof(storage));
    hg_buf_init(&why, why_storage, sizeof(why_storage));
    hg_buf_addf(&buf,
                "{\"event\":\"%s\",\"seq\":%" PRIu64 ",\"boot\":\"%s\","
                "\"v\":1",
                WORDS[what], heard->seq, heard->boot);
    if (heard->code[0] != '\0')
        hg_buf_addf(&buf, ",\"code\":\"%s\"", heard->code);
    hg_buf_add(&buf, "}");
    FUZZ_MUST(!buf.is_cut);
    FUZZ_MUST(hg_codec_decode_local(storage, buf.len, &why, &again) == 0);
    FUZZ_MUST(memcmp(heard, &again, sizeof(again)) == 0);
}

static void check_gateway(const struct hg_gateway_heard *heard)
{
    char storage[128], why_storage[HG_CODEC_WHY_BYTES];
    struct hg_gateway_heard again;
    struct hg_buf buf, why;

    FUZZ_MUST(heard->epoch < HG_EPOCH_LIMIT);
    hg_buf_init(&buf, storage, sizeof(storage));
    hg_buf_init(&why, why_storage, sizeof(why_storage));
    FUZZ_MUST(hg_codec_encode_gateway(heard->epoch, heard->is_online, &buf) ==
              0);
    FUZZ_MUST(hg_codec_decode_gateway(storage, buf.len, &why, &again) == 0);
    FUZZ_MUST(again.epoch == heard->epoch &&
              again.is_online == heard->is_online);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct hg_local_heard local;
    struct hg_gateway_heard gateway;
    char storage[HG_CODEC_WHY_BYTES];
    struct hg_buf why;
    bool is_online;

    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_codec_decode_local(data, size, &why, &local) == 0)
        check_local(&local);
    else
        FUZZ_MUST(why.len > 0 && !why.is_cut);
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_codec_decode_online(data, size, &why, &is_online) != 0)
        FUZZ_MUST(why.len > 0 && !why.is_cut);
    hg_buf_init(&why, storage, sizeof(storage));
    if (hg_codec_decode_gateway(data, size, &why, &gateway) == 0)
        check_gateway(&gateway);
    else
        FUZZ_MUST(why.len > 0 && !why.is_cut);
    return 0;
}
