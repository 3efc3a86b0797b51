#ifndef HG_CONTROLLERS_BINDING_H
#define HG_CONTROLLERS_BINDING_H

/*
 * The binding of a foreign, switch-type controller: which topic and JSON
 * Pointer holds which signal, in which unit or words, and which payloads
 * switch it. Pure: messages and times come in as values, readings go out.
 *
 * What a foreign message can prove is little: it has no boot, no number, no
 * send time. So each signal has an age of its own, counted from its last live
 * (not retained) message on this connection, and only together, each young
 * enough, do air, door and heater make a reading.
 */
#include "base/buf.h"
#include "base/err.h"
#include "controllers/pointer.h"
#include "heatgate/gate.h"

#define HG_BINDING_TOPIC_BYTES   257 /* with NUL */
#define HG_BINDING_WORD_BYTES    65  /* of a mapped value; with NUL */
#define HG_BINDING_PAYLOAD_BYTES 257 /* of a command; with NUL */
#define HG_BINDING_RAW_BYTES     65  /* kept of a value to show; with NUL */
#define HG_BINDING_TIMER_MAX_MIN 1080
#define HG_BINDING_TARGET_MARK   "{target}"

enum hg_signal {
    HG_SIGNAL_AIR = 0, /* the first three make a reading */
    HG_SIGNAL_DOOR,
    HG_SIGNAL_HEATER,
    HG_SIGNAL_POWER,
    HG_SIGNAL_ENERGY,
    HG_SIGNAL_MODULE_TEMPERATURE,
    HG_SIGNAL_MODULE_HUMIDITY,
    HG_SIGNAL_UPTIME,
    HG_SIGNAL_ONLINE,
    HG_SIGNAL_PANEL, /* the button that is pressed after looking in */
    HG_SIGNAL_LOCAL, /* heat started at the controller itself */
    HG_SIGNAL_COUNT
};

#define HG_SIGNAL_BIT(signal) (1u << (unsigned)(signal))
#define HG_SIGNALS_NEEDED                                                      \
    (HG_SIGNAL_BIT(HG_SIGNAL_AIR) | HG_SIGNAL_BIT(HG_SIGNAL_DOOR) |            \
     HG_SIGNAL_BIT(HG_SIGNAL_HEATER))
#define HG_SIGNAL_WORDS 2

/* Index of a signal's words; -1 stands for "none of them". */
enum hg_signal_word {
    HG_WORD_FIRST = 0, /* open, on, online, pressed */
    HG_WORD_SECOND     /* closed, off, offline */
};

enum hg_unit {
    HG_UNIT_NONE = 0,
    HG_UNIT_C,
    HG_UNIT_F,
    HG_UNIT_K,
    HG_UNIT_W,
    HG_UNIT_KW,
    HG_UNIT_WH,
    HG_UNIT_KWH,
    HG_UNIT_MWH,
    HG_UNIT_J,
    HG_UNIT_MJ,
    HG_UNIT_PERCENT,
    HG_UNIT_MS,
    HG_UNIT_S,
    HG_UNIT_MIN,
    HG_UNIT_COUNT
};

struct hg_binding_signal {
    bool is_set;
    char topic[HG_BINDING_TOPIC_BYTES];
    char pointer[HG_POINTER_BYTES];
    enum hg_unit unit; /* of a number */
    /* of a signal with words: the value that means each, as text */
    char word[HG_SIGNAL_WORDS][HG_BINDING_WORD_BYTES];
};

struct hg_binding_command {
    char topic[HG_BINDING_TOPIC_BYTES];
    char on[HG_BINDING_PAYLOAD_BYTES];
    char off[HG_BINDING_PAYLOAD_BYTES];
    uint8_t qos;
};

struct hg_binding_setpoint { /* optional: then the controller regulates */
    bool is_set;
    char topic[HG_BINDING_TOPIC_BYTES];
    char payload[HG_BINDING_PAYLOAD_BYTES]; /* holds HG_BINDING_TARGET_MARK */
    enum hg_unit unit;
};

struct hg_binding {
    uint32_t timer_limit_min; /* of the controller's own hardware timer */
    struct hg_binding_command command;
    struct hg_binding_setpoint setpoint;
    struct hg_binding_signal signal[HG_SIGNAL_COUNT];
};

/* -- what can be configured ---------------------------------------------- */

/* "air", "door" …; "" beyond the list */
const char *hg_signal_name(enum hg_signal signal);
/* HG_SIGNAL_COUNT: there is none of that name. */
enum hg_signal hg_signal_find(const char *name);
/* Name of one of its words ("open"); NULL: it has no such word. */
const char *hg_signal_word(enum hg_signal signal, unsigned word);
bool hg_signal_has_words(enum hg_signal signal);

/* "F", "kWh" …; "" for none */
const char *hg_unit_name(enum hg_unit unit);
/* The unit of that name that a signal can have; HG_UNIT_NONE: none. */
enum hg_unit hg_unit_find(enum hg_signal signal, const char *name);
/* Append the units of a signal: "C", "F", "K". */
void hg_unit_list(enum hg_signal signal, struct hg_buf *out);
/*
 * A number in this unit as milli-degrees Celsius, W, Wh, % or ms; not
 * rounded, not limited. Infinite when it overflows.
 */
double hg_unit_convert(enum hg_unit unit, double value);

/* May a message be published on it: no wildcard, no "$", 1 to 256 bytes? */
bool hg_binding_is_topic(const char *topic);

/*
 * The text by which a value of a map is compared: a text is itself, true and
 * false are words, numbers are written shortest. Returns false for null,
 * objects, arrays, and what is empty or too long.
 */
bool hg_binding_value_text(const json_t *value,
                           char ret_text[HG_BINDING_WORD_BYTES]);

/*
 * The payload that sets a target. HG_ERR_RANGE: it does not fit cap.
 */
HG_MUST_CHECK int hg_binding_setpoint_text(const struct hg_binding *binding,
                                           int32_t target_mc,
                                           struct hg_buf *out);

/* -- messages in, readings out --------------------------------------------- */

/* X(NAME, "word", "what it means", "what to do") */
#define HG_READ_LIST(X)                                                        \
    X(NOTHING, "no-message", "no message has come on this topic",              \
      "Check the topic, that the device is on, and that it publishes by "      \
      "itself; a device that only reports changes needs a heartbeat.")         \
    X(RETAINED, "retained-only",                                               \
      "only a retained message has come, and that proves nothing",             \
      "Have the device publish without the retain flag, or wait for its next " \
      "message.")                                                              \
    X(BAD_PAYLOAD, "bad-payload",                                              \
      "the message is neither JSON nor plain text",                            \
      "Look at what the device publishes on this topic.")                      \
    X(NO_POINTER, "pointer-not-found",                                         \
      "the message holds nothing where the pointer leads",                     \
      "Compare the pointer with a message of the device (RFC 6901).")          \
    X(WRONG_TYPE, "wrong-type", "the value is no number",                      \
      "Let the pointer lead to a number, or to a text that is one.")           \
    X(NOT_IN_MAP, "not-in-map", "the value is none of those in the map",       \
      "Write the values that the device sends into \"values\".")               \
    X(FAULT, "sensor-fault", "the value is null: the sensor is in fault",      \
      "Check the sensor and its cable.")                                       \
    X(OK, "ok", "read", "")

enum hg_read_state {
#define HG_READ_ENUM(name, code, text, remedy) HG_READ_##name,
    HG_READ_LIST(HG_READ_ENUM)
#undef HG_READ_ENUM
        HG_READ_STATES
};

const char *hg_read_code(enum hg_read_state state);
const char *hg_read_text(enum hg_read_state state);
const char *hg_read_remedy(enum hg_read_state state);

struct hg_binding_read {
    enum hg_read_state state; /* of the newest message on its topic */
    bool has_message;
    struct hg_mono heard_at; /* … and when that came */
    bool has_value;          /* a live one on this connection … */
    struct hg_mono at;       /* … which came then */
    bool is_fault;           /* it was null */
    double number;           /* converted; of signals with a unit */
    int word;                /* enum hg_signal_word or -1; of the others */
    char raw[HG_BINDING_RAW_BYTES]; /* JSON of the newest, ASCII, cut */
};

struct hg_binding_reads {
    struct hg_binding_read signal[HG_SIGNAL_COUNT];
};

struct hg_binding_message {
    const char *topic;
    const void *payload; /* may be NULL when len is 0 */
    size_t len;
    bool is_retained;
};

struct hg_binding_news { /* what a message brought, bits of HG_SIGNAL_BIT() */
    uint32_t here;       /* signals that this topic carries */
    uint32_t read;       /* … of which a live value was taken */
    uint32_t bad;        /* … that could not be read */
    bool is_restart;     /* uptime ran back, or online again after offline */
};

/* A new connection: nothing is known. */
void hg_binding_reset(struct hg_binding_reads *reads);

/*
 * Take in one message.
 *
 * binding  as configured; borrowed
 * reads    changed for the signals that the topic carries
 * now      receipt, boot time
 * news     overwritten
 *
 * A retained message is kept for people to see; only "online" is believed
 * from one, since that is how presence is told. A pointer that leads nowhere
 * leaves the value as old as it is (a device may send parts). A door whose
 * value is not in the map is unknown at once; other unreadable values leave
 * the last one to grow old.
 */
void hg_binding_apply(const struct hg_binding *binding,
                      struct hg_binding_reads *reads,
                      const struct hg_binding_message *message,
                      struct hg_mono now, struct hg_binding_news *news);

/*
 * Needed signals without a live value younger than stale_ms, and "online"
 * when it is mapped and does not say so. 0: a reading can be made.
 */
uint32_t hg_binding_missing(const struct hg_binding *binding,
                            const struct hg_binding_reads *reads,
                            struct hg_mono now, uint32_t stale_ms);

/*
 * The reading that the signals make; boot and seq are the caller's. Not to be
 * called while something is missing. uptime_ms is the controller's where it
 * is mapped, carried on to now; else now itself, so that nothing reads late.
 */
void hg_binding_fill(const struct hg_binding *binding,
                     const struct hg_binding_reads *reads, struct hg_mono now,
                     uint32_t stale_ms, struct hg_reading *reading);

#endif
