#ifndef HG_SERVICE_CONFIG_TABLE_H
#define HG_SERVICE_CONFIG_TABLE_H

/*
 * The one table of settings: where each stands in the file, how it is read,
 * its range, its unit and its default. The reader, the error texts and the
 * tests against config/contract/config.schema.json all use it.
 */
#include "base/buf.h"
#include "service/config.h"

enum hg_setting_kind {
    HG_SETTING_OBJECT = 1, /* a section; min … max members for a map */
    HG_SETTING_WHOLE,      /* a whole number, min … max */
    HG_SETTING_NUMBER,     /* a number, min … max */
    HG_SETTING_CHOICE,     /* one of words */
    HG_SETTING_FLAG,       /* true or false */
    HG_SETTING_TEXT,       /* min … max bytes of UTF-8, accepts() it */
    HG_SETTING_PATH,       /* made absolute; min … max bytes */
    HG_SETTING_MIXED       /* a word or an object: commissioning */
};

enum hg_setting_store { /* how and where the value is kept */
                        HG_STORE_NOT = 0,
                        HG_STORE_U32,    /* value * scale */
                        HG_STORE_U64,    /* value * scale */
                        HG_STORE_I32,    /* value * scale */
                        HG_STORE_DOUBLE, /* value */
                        HG_STORE_ENUM,   /* scale + place in words */
                        HG_STORE_BOOL,
                        HG_STORE_CHARS, /* into an array of max + 1 bytes */
                        HG_STORE_STRING /* on the heap */
};

/* in the order of the table */
enum hg_setting_id {
    HG_SET_SCHEMA = 0,
    HG_SET_BROKER,
    HG_SET_BROKER_HOST,
    HG_SET_BROKER_PORT,
    HG_SET_BROKER_PROTOCOL,
    HG_SET_BROKER_CLIENT_ID,
    HG_SET_BROKER_TOPIC_ROOT,
    HG_SET_BROKER_USERNAME,
    HG_SET_BROKER_PASSWORD_FILE,
    HG_SET_BROKER_TLS,
    HG_SET_BROKER_TLS_CA_FILE,
    HG_SET_BROKER_TLS_CERT_FILE,
    HG_SET_BROKER_TLS_KEY_FILE,
    HG_SET_LISTEN,
    HG_SET_LISTEN_ADDRESS,
    HG_SET_LISTEN_PORT,
    HG_SET_LISTEN_TLS,
    HG_SET_LISTEN_TLS_CERT_FILE,
    HG_SET_LISTEN_TLS_KEY_FILE,
    HG_SET_LISTEN_ALLOW_CLEARTEXT,
    HG_SET_PAGE,
    HG_SET_ADMIN_SOCKET,
    HG_SET_STATE_DIR,
    HG_SET_PRICE_PER_KWH,
    HG_SET_CURRENCY,
    HG_SET_WALL_CLOCK,
    HG_SET_TIMEZONE,
    HG_SET_CHECK_IN,
    HG_SET_CHECK_OUT,
    HG_SET_PUBLIC_URL,
    HG_SET_ROOMS,
    HG_SET_ROOM,
    HG_SET_ROOM_FIRST, /* from here on: members of a room */
    HG_SET_LABEL = HG_SET_ROOM_FIRST,
    HG_SET_ROOM_CHECK_IN,
    HG_SET_ROOM_CHECK_OUT,
    HG_SET_USAGE_CLASS,
    HG_SET_SESSION_CAP_MIN,
    HG_SET_TARGET_MAX_C,
    HG_SET_TARGET_MIN_C,
    HG_SET_HEATER_KW,
    HG_SET_VOLUME_M3,
    HG_SET_STONES_KG,
    HG_SET_WOOD_MM,
    HG_SET_LEASE_S,
    HG_SET_STALE_AFTER_S,
    HG_SET_LATE_AFTER_S,
    HG_SET_CHECK_EVIDENCE,
    HG_SET_PLACE_CODE_FILE,
    HG_SET_LOOK_IN_WINDOW_MIN,
    HG_SET_CHECK_VALID_MIN,
    HG_SET_DOOR_WHILE_HEATING,
    HG_SET_DOOR_HOLD_MAX_S,
    HG_SET_OVER_TEMP_C,
    HG_SET_NO_RISE_C,
    HG_SET_NO_RISE_MIN,
    HG_SET_REST_AFTER_CAP_MIN,
    HG_SET_DOOR_PROOF_DAYS,
    HG_SET_COMMISSIONING,
    HG_SET_COMMISSIONING_WAIVED,
    HG_SET_SENSOR_ELEMENT,
    HG_SET_OUTPUTS,
    HG_SET_OUTPUTS_LIGHT,
    HG_SET_OUTPUTS_FAN_RUN_ON_MIN,
    HG_SET_CONTROLLER,
    HG_SET_CONTROLLER_KIND,
    HG_SET_CONTROLLER_KEY_FILE,
    HG_SET_COUNT
};

enum hg_config_controller {
    HG_CONFIG_CONTROLLER_LEASE = 0,
    HG_CONFIG_CONTROLLER_SWITCH
};

/* A room while it is read: what the checks need beyond the result. */
struct hg_room_draft {
    struct hg_config_room room;
    enum hg_config_controller controller;
    char *key_file;        /* owned, or NULL */
    char *place_code_file; /* owned, or NULL */
};

struct hg_setting {
    const char *pattern; /* JSON Pointer; "*" stands for any room */
    enum hg_setting_kind kind;
    double min, max;
    const char *unit;     /* of a number, or NULL */
    const char *words;    /* CHOICE, MIXED: "a|b|c" */
    const char *fallback; /* JSON text of the default; NULL: see below */
    bool is_required;     /* must be given */
    bool is_by_class;     /* the default depends on usage_class */
    bool is_nullable;     /* null is the same as absent */
    bool is_map;          /* OBJECT: members are named by the owner */
    /* TEXT: a further test, with the words that say what it accepts */
    bool (*accepts)(const char *text);
    const char *accepted;
    enum hg_setting_store store;
    size_t offset; /* in struct hg_config, or in struct hg_room_draft */
    double scale;
};

/* The row of a setting; id < HG_SET_COUNT. */
const struct hg_setting *hg_setting_get(enum hg_setting_id id);

/*
 * The row whose pattern is section, a slash and key; NULL for none. The key
 * is as in the file, not escaped.
 */
const struct hg_setting *hg_setting_find(const char *section, const char *key,
                                         enum hg_setting_id *ret_id);

/* The name of a setting: what follows the last slash of its pattern. */
const char *hg_setting_name(const struct hg_setting *setting);

/* Is the row a member of that section (one level below it)? */
bool hg_setting_is_in(const struct hg_setting *setting, const char *section);

/* Append what is allowed: "5 to 120 s", "\"hold\", \"end\"" … */
void hg_setting_describe(const struct hg_setting *setting, struct hg_buf *text);

/* Place of a word in "a|b|c", -1 when it is not in it. */
int hg_setting_word(const char *words, const char *word);

#endif
