#ifndef HG_CLI_ROOM_TEXT_H
#define HG_CLI_ROOM_TEXT_H

/* A room's state (contract 3.2) in a line for people. */
#include "base/buf.h"
#include <jansson.h>
#include <stdint.h>

/*
 * What the room is doing or why it may not: "to 80 C until 19:22, ready
 * 17:52", "may start", "check-missing, door-open".
 */
void hg_cli_room_doing(const json_t *state, int64_t now_ms,
                       struct hg_buf *text);

/* The line of a watch: bar, air, target, door, time to ready. */
void hg_cli_room_line(const json_t *state, int64_t now_ms, struct hg_buf *text);

#endif
