#ifndef HG_CONTROLLERS_TELEMETRY_H
#define HG_CONTROLLERS_TELEMETRY_H

/*
 * A controller's telemetry message, from bytes to struct hg_reading
 * (contract 1 and 7). Types are strict, unknown members are ignored.
 */
#include "base/buf.h"
#include "base/err.h"
#include "base/platinum.h"
#include "heatgate/gate.h"

/* air_c and air_ohm of one message may differ by so much: own choice */
#define HG_TELEMETRY_AGREE_MC 2000

/* What is known of a message besides its bytes. */
struct hg_telemetry_origin {
    bool is_retained;         /* the MQTT retain flag; copied */
    enum hg_platinum element; /* what "air_ohm" is measured at, or NONE */
};

/*
 * Decode one telemetry payload.
 *
 * payload  the bytes, at most HG_CODEC_BYTES_MAX; borrowed
 * origin   see above; borrowed
 * why      cleared by the caller; gets what is wrong and where, for example
 *          "air_c: a number or null is wanted"; stays empty when the reading
 *          is whole
 *
 * Returns 0 with a whole reading; or 0 with is_whole false, only boot, seq
 * and door set, and why filled: "v", "boot", "seq" are right and the door is
 * open, but another member is bad (an open door is believed).
 * HG_ERR_INPUT: anything else; ret_reading is untouched.
 *
 * Temperatures and other measurements are rounded to the nearest unit; those
 * beyond the range of their type become the end of it, so that the gate sees
 * them as implausible. A whole number may be written with a zero fraction.
 *
 * With an element "air_ohm" may stand for "air_c". A resistance that the
 * element cannot have (a short, a break, another element) reads as the end
 * of its range, -200 C or 850 C, which the gate sees as implausible. Where
 * both are there, each has to be a reading, they have to agree within
 * HG_TELEMETRY_AGREE_MC, and the warmer one counts; else there is no reading.
 * Without an element "air_ohm" is ignored, as every unknown member.
 */
HG_MUST_CHECK int
hg_telemetry_decode(const void *payload, size_t len,
                    const struct hg_telemetry_origin *origin,
                    struct hg_buf *why, struct hg_reading *ret_reading);

#endif
