#ifndef HG_SERVICE_CONFIG_H
#define HG_SERVICE_CONFIG_H

/*
 * The configuration of heatgated: one JSON file, read at the start and at a
 * reload, checked as a whole. Every setting, its range and its
 * default is one row of the table in config_table.c. There is no "bad value,
 * ignoring": one problem and there is no configuration.
 */
#include "base/err.h"
#include "base/platinum.h"
#include "heatgate/gate.h"
#include "service/clock.h"
#include "service/config_problems.h"
#include "service/outputs.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_CONFIG_ROOM_BYTES       33 /* of a room name, with NUL */
#define HG_CONFIG_ROOMS_MAX        10000
#define HG_CONFIG_SWITCHES_MAX     100 /* rooms with a switch controller */
#define HG_CONFIG_LABEL_BYTES      81  /* with NUL */
#define HG_CONFIG_KEY_BYTES        32  /* of a room's message key */
#define HG_CONFIG_PLACE_CODE_BYTES 33  /* with NUL */
#define HG_CONFIG_WAIVER_BYTES     201 /* with NUL */
#define HG_CONFIG_TIME_BYTES       6   /* "15:00" */
#define HG_CONFIG_FILE_BYTES_MAX   (16u << 20)

enum hg_config_protocol { HG_CONFIG_MQTT_5 = 0, HG_CONFIG_MQTT_3_1_1 };

/* Paths are absolute (or as given when even that fails) and were readable. */
struct hg_config_tls {
    bool is_on;
    char *ca_file;   /* broker only; never NULL there when is_on */
    char *cert_file; /* listen: never NULL when is_on; broker: may be NULL */
    char *key_file;  /* NULL exactly when cert_file is */
};

struct hg_config_broker {
    char *host; /* name or address; resolving it may block */
    uint32_t port;
    enum hg_config_protocol protocol;
    char *client_id;
    char *topic_root;    /* no wildcard, no slash at its ends */
    char *username;      /* or NULL */
    char *password_file; /* or NULL */
    char *password;      /* its first line, or NULL; wiped by free */
    struct hg_config_tls tls;
};

struct hg_config_listen {
    char *address; /* IPv4 or IPv6 literal */
    uint32_t port;
    struct hg_config_tls tls;
    bool allow_cleartext;
    bool is_loopback; /* address is 127.0.0.0/8 or ::1 */
};

struct hg_binding;

struct hg_config_room {
    char name[HG_CONFIG_ROOM_BYTES];
    char label[HG_CONFIG_LABEL_BYTES];   /* the name when none is given */
    char check_in[HG_CONFIG_TIME_BYTES]; /* "": the service's */
    char check_out[HG_CONFIG_TIME_BYTES];
    struct hg_policy policy; /* passed hg_policy_check() */
    double heater_kw;
    double volume_m3;
    double stones_kg;         /* 0: not told */
    double wood_mm;           /* of walls and ceiling; 0: not told */
    enum hg_platinum element; /* of the air sensor, for "air_ohm" */
    struct hg_outputs_setting outputs;
    bool has_key; /* messages of this room carry a mac */
    uint8_t key[HG_CONFIG_KEY_BYTES];
    /* canonical: hg_config_place_code(); empty unless evidence asks for it */
    char place_code[HG_CONFIG_PLACE_CODE_BYTES];
    /* of a switch controller, owned by the configuration; NULL: lease */
    struct hg_binding *binding;
    /* why commissioning is waived; empty unless policy says so */
    char waiver[HG_CONFIG_WAIVER_BYTES];
};

struct hg_config {
    char *path; /* of the file, as given */
    struct hg_config_broker broker;
    struct hg_config_listen listen;
    bool has_page; /* serve the page for phones */
    char *admin_socket;
    char *state_dir;
    bool has_price;
    double price_per_kwh;
    char *currency; /* ISO 4217 code, or NULL */
    enum hg_clock_mode wall_clock;
    char *timezone;              /* IANA name that this host knows, or NULL */
    char *check_in, *check_out;  /* "15:00": of nights in calendars */
    char *public_url;            /* where guests reach it, or NULL */
    size_t room_count;           /* 1 … HG_CONFIG_ROOMS_MAX */
    struct hg_config_room *room; /* sorted by name */
};

/*
 * Read and check a configuration file and the files that it names.
 *
 * path      of the file; relative paths in it start at its directory
 * ret_config  the configuration; the caller frees it with hg_config_free()
 * problems  initialised; every problem found is added, sorted by line
 *
 * HG_ERR_INPUT   at least one problem was added
 * HG_ERR_MEMORY  no memory
 */
HG_MUST_CHECK int hg_config_load(const char *path, struct hg_problems *problems,
                                 struct hg_config **ret_config);

/* The same from text of len bytes (no NUL needed) that was read from path. */
HG_MUST_CHECK int hg_config_from_text(const char *path, const char *text,
                                      size_t len, struct hg_problems *problems,
                                      struct hg_config **ret_config);

/* Wipe its secrets and free it; NULL is fine. */
void hg_config_free(struct hg_config *config);

/* A copy on the heap, or NULL: no memory; free it with … */
struct hg_config_room *hg_config_room_copy(const struct hg_config_room *room);
/* … this, which wipes its secrets; NULL is fine. */
void hg_config_room_free(struct hg_config_room *room);

/* The room of that name, borrowed, or NULL. */
const struct hg_config_room *hg_config_find(const struct hg_config *config,
                                            const char *name);

/*
 * Canonical form of a place code as typed or posted: ASCII letters in upper
 * case and digits; dashes and blanks removed. At least 6 and at most 32.
 * Compare two of them with hg_secret_equal() over the whole array.
 *
 * ret_code  zero-padded
 *
 * HG_ERR_INPUT: another character, too short or too long
 */
HG_MUST_CHECK int
hg_config_place_code(const char *typed,
                     char ret_code[HG_CONFIG_PLACE_CODE_BYTES]);

#endif
