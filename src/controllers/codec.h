#ifndef HG_CONTROLLERS_CODEC_H
#define HG_CONTROLLERS_CODEC_H

/*
 * All payloads on the controllers' side of the broker: telemetry, permit,
 * local event, online, gateway. Decoders read at most HG_CODEC_BYTES_MAX
 * bytes nested at most HG_CODEC_DEPTH_MAX deep, refuse repeated members, NUL
 * and invalid UTF-8, take no clock and never log. They say what is wrong
 * where into `why`, a buffer that the caller has initialised.
 */
#include "controllers/permit_codec.h"
#include "controllers/telemetry.h"

#define HG_CODEC_BYTES_MAX 4096
#define HG_CODEC_DEPTH_MAX 16
#define HG_CODEC_WHY_BYTES 160 /* long enough for every text of a decoder */
#define HG_FAULT_BYTES     65  /* of a controller's fault code; with NUL */
#define HG_EPOCH_LIMIT     (HG_SERIAL_LIMIT >> HG_EPOCH_SHIFT)

/* a local event: what a person or the controller did on site */
struct hg_local_heard {
    char boot[HG_BOOT_BYTES]; /* zero-padded */
    uint64_t seq;
    enum hg_local what;
    char code[HG_FAULT_BYTES]; /* of a fault, else empty; zero-padded */
};

/*
 * Decode a local event. HG_ERR_INPUT with why filled: malformed, or an event
 * that is not in the contract, or a fault without its code; the output is
 * untouched.
 */
HG_MUST_CHECK int hg_codec_decode_local(const void *payload, size_t len,
                                        struct hg_buf *why,
                                        struct hg_local_heard *ret_heard);

/* Decode {"v":1,"online":true}. HG_ERR_INPUT as above. */
HG_MUST_CHECK int hg_codec_decode_online(const void *payload, size_t len,
                                         struct hg_buf *why,
                                         bool *ret_is_online);

struct hg_gateway_heard {
    uint64_t epoch; /* below HG_EPOCH_LIMIT */
    bool is_online;
};

/* Decode a gateway's birth or will. HG_ERR_INPUT as above. */
HG_MUST_CHECK int hg_codec_decode_gateway(const void *payload, size_t len,
                                          struct hg_buf *why,
                                          struct hg_gateway_heard *ret_heard);

/*
 * Append {"v":1,"online":…,"epoch":…,"version":"…"} to buf. HG_ERR_RANGE: an
 * epoch of HG_EPOCH_LIMIT or more; HG_ERR_FULL: buf is too small (128 bytes
 * are enough).
 */
HG_MUST_CHECK int hg_codec_encode_gateway(uint64_t epoch, bool is_online,
                                          struct hg_buf *buf);

#endif
