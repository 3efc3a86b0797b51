#ifndef HG_SIM_CONTROL_H
#define HG_SIM_CONTROL_H

/*
 * The control protocol of the simulator: what one command line does to one
 * controller, and its one-line answer. No I/O.
 */
#include "base/buf.h"
#include "sim/controller.h"

#define HG_CONTROL_LINE_BYTES 256 /* longest command line, with NUL */

/* All commands, for --help. */
extern const char HG_CONTROL_HELP[];

/*
 * Carry out "verb words…" on a controller at now_ms and append the answer,
 * without newline: "ok", "ok …", a JSON object (state), or "error: …" which
 * says what was wrong and what would be right.
 *
 * line  at most HG_CONTROL_LINE_BYTES with its NUL; longer is an error
 */
void hg_control_apply(struct hg_simctl *ctl, const char *line, uint64_t now_ms,
                      struct hg_buf *answer);

#endif
