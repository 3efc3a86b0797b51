/*
 * Commands are a table: verb, handler, usage. A handler sees the words behind
 * the verb and answers once.
 */
#include "sim/control.h"
#include "base/text.h"
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WORDS_MAX    6
#define LATE_MAX_MS  600000.0
#define OFFSET_MAX_C 200.0
#define FOR_MAX_MS   UINT64_C(86400000)
#define SPEED_MAX    3600.0

struct command {
    struct hg_simctl *ctl;
    uint64_t now_ms;
    size_t words;
    char *word[WORDS_MAX]; /* behind the verb */
    struct hg_buf *answer;
};

struct verb {
    const char *name;
    void (*run)(struct command *command);
    const char *usage;
};

/* -- words ------------------------------------------------------------------*/

static bool is_word(const struct command *c, size_t at, const char *text)
{
    return at < c->words && strcmp(c->word[at], text) == 0;
}

static void ok(struct command *c)
{
    hg_buf_add(c->answer, "ok");
}

static void fail(struct command *c, const char *why)
{
    hg_buf_addf(c->answer, "error: %s", why);
}

/* a whole number or decimal fraction within low .. high */
static bool get_number(const struct command *c, size_t at, double low,
                       double high, double *value)
{
    char *end = NULL;
    double number;

    if (at >= c->words)
        return false;
    errno = 0;
    number = strtod(c->word[at], &end);
    if (errno || end == c->word[at] || *end != '\0' || !isfinite(number) ||
        number < low || number > high)
        return false;
    *value = number;
    return true;
}

/* "3s", "2m" as hg_text_to_duration(), and "500ms" */
static bool get_duration(const char *text, uint64_t *ret_ms)
{
    char digits[16];
    size_t len = strlen(text);
    uint64_t ms;

    if (len > 2 && len < sizeof(digits) && strcmp(text + len - 2, "ms") == 0) {
        memcpy(digits, text, len - 2);
        digits[len - 2] = '\0';
        return hg_text_to_u64(digits, 1, FOR_MAX_MS, ret_ms) == HG_OK;
    }
    if (hg_text_to_duration(text, &ms) < 0 || ms > FOR_MAX_MS)
        return false;
    *ret_ms = ms;
    return true;
}

/* -- verbs ------------------------------------------------------------------*/

static void run_door(struct command *c)
{
    uint64_t for_ms = 0;
    bool is_open = is_word(c, 0, "open");

    if (!is_open && !is_word(c, 0, "close")) {
        fail(c, "say door open, door close or door open for 3s");
        return;
    }
    if (c->words > 1 && (!is_open || c->words != 3 || !is_word(c, 1, "for") ||
                         !get_duration(c->word[2], &for_ms))) {
        fail(c, "only an opening takes \"for\" and a time such as 3s, 500ms "
                "or 2m, 24 h at most");
        return;
    }
    hg_simctl_move_door(c->ctl, is_open, for_ms, c->now_ms);
    ok(c);
}

static void run_button(struct command *c)
{
    if (c->words != 1 || !is_word(c, 0, "room-check")) {
        fail(c, "the panel has one button: room-check");
        return;
    }
    hg_simctl_press_check(c->ctl);
    ok(c);
}

static void run_local(struct command *c)
{
    bool is_on = is_word(c, 0, "start");

    if (c->words != 1 || (!is_on && !is_word(c, 0, "stop"))) {
        fail(c, "say local start or local stop");
        return;
    }
    hg_simctl_set_local(c->ctl, is_on, c->now_ms);
    ok(c);
}

static void add_fault(struct command *c, unsigned index)
{
    uint32_t fault = UINT32_C(1) << index;
    double value = 0;
    size_t wanted = 1;

    if (fault == HG_SIMCTL_SENSOR_OFFSET || fault == HG_SIMCTL_LATE)
        wanted = 2;
    if (c->words != wanted ||
        (fault == HG_SIMCTL_SENSOR_OFFSET &&
         !get_number(c, 1, -OFFSET_MAX_C, OFFSET_MAX_C, &value)) ||
        (fault == HG_SIMCTL_LATE &&
         !get_number(c, 1, 0, LATE_MAX_MS, &value))) {
        fail(c, "sensor-offset takes degrees from -200 to 200, late takes "
                "milliseconds up to 600000, the other faults take nothing");
        return;
    }
    hg_simctl_set_fault(c->ctl, fault, value, c->now_ms);
    ok(c);
}

static void run_fault(struct command *c)
{
    if (c->words == 1 && is_word(c, 0, "none")) {
        hg_simctl_set_fault(c->ctl, 0, 0, c->now_ms);
        ok(c);
        return;
    }
    if (c->words == 1 && is_word(c, 0, "reboot")) {
        hg_simctl_reboot(c->ctl, c->now_ms);
        ok(c);
        return;
    }
    for (unsigned i = 0; c->words && i < HG_SIMCTL_FAULTS; i++) {
        if (is_word(c, 0, hg_simctl_fault_word(i))) {
            add_fault(c, i);
            return;
        }
    }
    hg_buf_add(c->answer, "error: no such fault; there are none reboot");
    for (unsigned i = 0; i < HG_SIMCTL_FAULTS; i++)
        hg_buf_addf(c->answer, " %s", hg_simctl_fault_word(i));
}

static void run_state(struct command *c)
{
    if (c->words != 0) {
        fail(c, "state takes no words");
        return;
    }
    hg_simctl_step(c->ctl, c->now_ms);
    if (hg_simctl_describe(c->ctl, c->answer) < 0)
        fail(c, "no room for the answer; ask for one room at a time");
}

static void run_set(struct command *c)
{
    double air_c;

    if (c->words != 2 || !is_word(c, 0, "air") ||
        !get_number(c, 1, -40, 200, &air_c)) {
        fail(c, "say set air and degrees from -40 to 200");
        return;
    }
    hg_simctl_step(c->ctl, c->now_ms);
    hg_physics_set_air(&c->ctl->setup.spec, air_c, &c->ctl->room);
    hg_simctl_step(c->ctl, c->now_ms);
    hg_simctl_nudge(c->ctl);
    ok(c);
}

static void run_pour(struct command *c)
{
    double litres;
    int err;

    if (c->words != 1 || !get_number(c, 0, 0.01, 2, &litres)) {
        fail(c, "say pour and litres from 0.01 to 2");
        return;
    }
    hg_simctl_step(c->ctl, c->now_ms);
    err = hg_physics_pour(litres, &c->ctl->room);
    if (err < 0)
        fail(c, "the stones are below 120 C; heat them first");
    else
        ok(c);
}

static void run_reset(struct command *c)
{
    if (c->words != 1 || !is_word(c, 0, "high-limit"))
        fail(c, "say reset high-limit");
    else if (hg_simctl_reset_limit(c->ctl, c->now_ms) < 0)
        fail(c, "the air is within 20 C of the high limit; let it cool");
    else
        ok(c);
}

static void run_link(struct command *c)
{
    bool is_up = is_word(c, 0, "up");

    if (c->words != 1 || (!is_up && !is_word(c, 0, "down"))) {
        fail(c, "say link up or link down");
        return;
    }
    c->ctl->is_link_wanted = is_up;
    ok(c);
}

static void run_speed(struct command *c)
{
    double speed;

    if (c->words != 1 || !get_number(c, 0, 0.01, SPEED_MAX, &speed)) {
        fail(c, "say speed and a number from 0.01 to 3600");
        return;
    }
    hg_simctl_step(c->ctl, c->now_ms);
    c->ctl->setup.speed = speed;
    ok(c);
}

static const struct verb VERBS[] = {
    { "door", run_door, "door open|close, door open for 3s" },
    { "button", run_button, "button room-check" },
    { "local", run_local, "local start|stop" },
    { "fault", run_fault, "fault NAME [VALUE]|reboot|none" },
    { "state", run_state, "state" },
    { "set", run_set, "set air C" },
    { "pour", run_pour, "pour LITRES" },
    { "reset", run_reset, "reset high-limit" },
    { "link", run_link, "link up|down" },
    { "speed", run_speed, "speed N" },
};

const char HG_CONTROL_HELP[] =
    "Commands, one a line, answered by one line (ok, error: ..., or JSON):\n"
    "  ROOM door open|close         the door stays so\n"
    "  ROOM door open for 3s        and closes by itself (real time)\n"
    "  ROOM button room-check       the panel's button after looking in\n"
    "  ROOM local start|stop        heat from the panel, without a permit\n"
    "  ROOM fault NAME [VALUE]      add a fault:\n"
    "      sensor-gone sensor-frozen sensor-offset C sensor-near-door\n"
    "      welded elements-dead silent replay duplicate late MS\n"
    "      ignore-permit deaf no-counter module-hot module-damp\n"
    "      power-lost door-gone door-chatter bad-mac door-swapped\n"
    "      no-meter no-power; of a relay: door-silent retained\n"
    "  ROOM fault reboot            new boot mark, seq 0; the link stays up\n"
    "  ROOM fault none              take all faults away\n"
    "  ROOM state                   the truth, as one line of JSON\n"
    "  ROOM set air C               air, lining and sensor at once\n"
    "  ROOM pour LITRES             water on the stones\n"
    "  ROOM reset high-limit        by hand, once the air is 20 C below\n"
    "  ROOM link up|down            drop the connection without a goodbye\n"
    "  ROOM speed N                 physics seconds per real second\n"
    "  all ...                      the same for every room\n"
    "  rooms                        their names\n"
    "  quit                         leave with a goodbye\n";

static bool split(char *text, struct command *c, char **verb)
{
    char *rest = NULL;
    char *word;

    *verb = strtok_r(text, " \t\r", &rest);
    while ((word = strtok_r(NULL, " \t\r", &rest))) {
        if (c->words >= WORDS_MAX)
            return false;
        c->word[c->words++] = word;
    }
    return *verb != NULL;
}

void hg_control_apply(struct hg_simctl *ctl, const char *line, uint64_t now_ms,
                      struct hg_buf *answer)
{
    struct command command = { .ctl = ctl, .now_ms = now_ms, .answer = answer };
    char text[HG_CONTROL_LINE_BYTES];
    char *verb = NULL;

    if (hg_text_copy(text, sizeof(text), line) < 0 ||
        !split(text, &command, &verb)) {
        fail(&command, "no command after the room, or too many words");
        return;
    }
    for (size_t i = 0; i < HG_COUNT(VERBS); i++) {
        if (strcmp(verb, VERBS[i].name) == 0) {
            VERBS[i].run(&command);
            return;
        }
    }
    hg_buf_add(answer, "error: no such command; there are");
    for (size_t i = 0; i < HG_COUNT(VERBS); i++)
        hg_buf_addf(answer, "%s %s", i ? ";" : "", VERBS[i].usage);
}
