#ifndef HG_CONTROLLERS_PERMIT_CODEC_H
#define HG_CONTROLLERS_PERMIT_CODEC_H

/*
 * The permit and the revoke (contract 1): written for our rooms, read when
 * another sender puts one on our topic.
 */
#include "base/buf.h"
#include "base/err.h"
#include "heatgate/gate.h"

/* more than the longest permit or revoke; with NUL */
#define HG_PERMIT_BYTES 256

struct hg_permit {
    bool is_heat;      /* false: a revoke, only serial and why count */
    uint64_t serial;   /* 1 … HG_SERIAL_LIMIT - 1 */
    uint64_t ttl_ms;   /* 1 … 120000 */
    int32_t target_mc; /* 0 … HG_TARGET_TOP_MC */
    enum hg_why why;   /* of a revoke; HG_WHY_NONE leaves "reason" out */
    char heat_id[HG_ID_BYTES]; /* letters, digits, '-', '_', '.', ':' */
};

struct hg_permit_heard {
    uint64_t serial; /* below HG_NUMBER_LIMIT */
    bool is_heat;
};

/*
 * Append the payload to buf: no heap. The target is written shortest: 80,
 * 80.5. HG_ERR_RANGE: a value outside its range; HG_ERR_FULL: buf is too
 * small (HG_PERMIT_BYTES is enough). On failure the contents of buf are not
 * to be used.
 */
HG_MUST_CHECK int hg_permit_encode(const struct hg_permit *permit,
                                   struct hg_buf *buf);

/*
 * What a permit message of another sender says. "v" must be 1, "serial" an
 * integer below 2^53, "heat" a boolean; the rest is ignored. HG_ERR_INPUT
 * with why filled: not such a message; the output is untouched.
 */
HG_MUST_CHECK int hg_permit_decode(const void *payload, size_t len,
                                   struct hg_buf *why,
                                   struct hg_permit_heard *ret_heard);

#endif
