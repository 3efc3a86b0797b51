#ifndef HG_CONTROLLERS_TELEMETRY_H
#define HG_CONTROLLERS_TELEMETRY_H

/*
 * A controller's telemetry message, from bytes to struct hg_reading
 * (contract 1 and 7). Types are strict, unknown members are ignored.
 */
#include "base/buf.h"
#include "base/err.h"
#include "heatgate/gate.h"

/*
 * Decode one telemetry payload.
 *
 * payload      the bytes, at most HG_CODEC_BYTES_MAX; borrowed
 * is_retained  the MQTT retain flag; copied into the reading
 * why          cleared by the caller; gets what is wrong and where, for
 *              example "air_c: a number or null is wanted"; stays empty when
 *              the reading is whole
 *
 * Returns 0 with a whole reading; or 0 with is_whole false, only boot, seq
 * and door set, and why filled: "v", "boot", "seq" are right and the door is
 * open, but another member is bad (an open door is believed).
 * HG_ERR_INPUT: anything else; ret_reading is untouched.
 *
 * Temperatures and other measurements are rounded to the nearest unit; those
 * beyond the range of their type become the end of it, so that the gate sees
 * them as implausible. A whole number may be written with a zero fraction.
 */
HG_MUST_CHECK int hg_telemetry_decode(const void *payload, size_t len,
                                      bool is_retained, struct hg_buf *why,
                                      struct hg_reading *ret_reading);

#endif
