/*
 * Owns the table of settings. A range is changed here and in
 * config/contract/config.schema.json; tests/unit/test_config_table.c fails
 * when they differ.
 */
#include "service/config_table.h"
#include "base/text.h"
#include "base/url.h"
#include "service/config_text.h"
#include <stddef.h>
#include <string.h>

#define PATH_BYTES   480 /* a sentence about a path fits a problem */
#define SOCKET_BYTES 107 /* sockaddr_un.sun_path less its NUL: unix(7) */

#define GLOBAL(member) offsetof(struct hg_config, member)
#define ROOM(member)   offsetof(struct hg_room_draft, member)
#define POLICY(member) offsetof(struct hg_room_draft, room.policy.member)

#define SECTION(text) .pattern = (text), .kind = HG_SETTING_OBJECT
#define WHOLE(text, low, high, of)                                             \
    .pattern = (text), .kind = HG_SETTING_WHOLE, .min = (low), .max = (high),  \
    .unit = (of)
#define NUMBER(text, low, high, of)                                            \
    .pattern = (text), .kind = HG_SETTING_NUMBER, .min = (low), .max = (high), \
    .unit = (of)
#define CHOICE(text, list)                                                     \
    .pattern = (text), .kind = HG_SETTING_CHOICE, .words = (list)
#define TEXT(text, low, high)                                                  \
    .pattern = (text), .kind = HG_SETTING_TEXT, .min = (low), .max = (high)
#define FILE_PATH(text)                                                        \
    .pattern = (text), .kind = HG_SETTING_PATH, .min = 1, .max = PATH_BYTES
#define IN(how, where) .store = HG_STORE_##how, .offset = (where)
#define TIMES(how, where, factor)                                              \
    .store = HG_STORE_##how, .offset = (where), .scale = (factor)

#define MS_PER_S   1000.0
#define MS_PER_MIN 60000.0
#define MS_PER_DAY 86400000.0
#define MC_PER_C   1000.0

static const struct hg_setting table[HG_SET_COUNT] = {
    /* for editors; means nothing to the program */
    [HG_SET_SCHEMA] = { TEXT("/$schema", 0, 2000), .fallback = "\"\"" },

    [HG_SET_BROKER] = { SECTION("/broker"), .fallback = "{}" },
    [HG_SET_BROKER_HOST] = { TEXT("/broker/host", 1, 253),
                             .fallback = "\"127.0.0.1\"",
                             .accepts = hg_config_is_host,
                             .accepted = "a host name or an IP address",
                             IN(STRING, GLOBAL(broker.host)) },
    [HG_SET_BROKER_PORT] = { WHOLE("/broker/port", 1, 65535, NULL),
                             .fallback = "1883",
                             TIMES(U32, GLOBAL(broker.port), 1) },
    [HG_SET_BROKER_PROTOCOL] = { CHOICE("/broker/protocol", "5|3.1.1"),
                                 .fallback = "\"5\"",
                                 IN(ENUM, GLOBAL(broker.protocol)) },
    [HG_SET_BROKER_CLIENT_ID] = { TEXT("/broker/client_id", 1, 64),
                                  .fallback = "\"heatgate\"",
                                  IN(STRING, GLOBAL(broker.client_id)) },
    [HG_SET_BROKER_TOPIC_ROOT] = { TEXT("/broker/topic_root", 1, 128),
                                   .fallback = "\"heatgate/v1\"",
                                   .accepts = hg_config_is_topic_root,
                                   .accepted =
                                       "topic levels with a slash between "
                                       "them, no +, no #, no leading $",
                                   IN(STRING, GLOBAL(broker.topic_root)) },
    [HG_SET_BROKER_USERNAME] = { TEXT("/broker/username", 1, 256),
                                 .fallback = "null", .is_nullable = true,
                                 IN(STRING, GLOBAL(broker.username)) },
    [HG_SET_BROKER_PASSWORD_FILE] = { FILE_PATH("/broker/password_file"),
                                      .fallback = "null", .is_nullable = true,
                                      IN(STRING,
                                         GLOBAL(broker.password_file)) },
    [HG_SET_BROKER_TLS] = { SECTION("/broker/tls"), .fallback = "null",
                            .is_nullable = true,
                            IN(BOOL, GLOBAL(broker.tls.is_on)) },
    [HG_SET_BROKER_TLS_CA_FILE] = { FILE_PATH("/broker/tls/ca_file"),
                                    .is_required = true,
                                    IN(STRING, GLOBAL(broker.tls.ca_file)) },
    [HG_SET_BROKER_TLS_CERT_FILE] = { FILE_PATH("/broker/tls/cert_file"),
                                      .fallback = "null", .is_nullable = true,
                                      IN(STRING,
                                         GLOBAL(broker.tls.cert_file)) },
    [HG_SET_BROKER_TLS_KEY_FILE] = { FILE_PATH("/broker/tls/key_file"),
                                     .fallback = "null", .is_nullable = true,
                                     IN(STRING, GLOBAL(broker.tls.key_file)) },

    [HG_SET_LISTEN] = { SECTION("/listen"), .fallback = "{}" },
    [HG_SET_LISTEN_ADDRESS] = { TEXT("/listen/address", 1, 45),
                                .fallback = "\"127.0.0.1\"",
                                .accepts = hg_config_is_address,
                                .accepted = "an IPv4 or IPv6 address",
                                IN(STRING, GLOBAL(listen.address)) },
    [HG_SET_LISTEN_PORT] = { WHOLE("/listen/port", 1, 65535, NULL),
                             .fallback = "8443",
                             TIMES(U32, GLOBAL(listen.port), 1) },
    [HG_SET_LISTEN_TLS] = { SECTION("/listen/tls"), .fallback = "null",
                            .is_nullable = true,
                            IN(BOOL, GLOBAL(listen.tls.is_on)) },
    [HG_SET_LISTEN_TLS_CERT_FILE] = { FILE_PATH("/listen/tls/cert_file"),
                                      .is_required = true,
                                      IN(STRING,
                                         GLOBAL(listen.tls.cert_file)) },
    [HG_SET_LISTEN_TLS_KEY_FILE] = { FILE_PATH("/listen/tls/key_file"),
                                     .is_required = true,
                                     IN(STRING, GLOBAL(listen.tls.key_file)) },
    [HG_SET_LISTEN_ALLOW_CLEARTEXT] = { .pattern = "/listen/allow_cleartext",
                                        .kind = HG_SETTING_FLAG,
                                        .fallback = "false",
                                        IN(BOOL,
                                           GLOBAL(listen.allow_cleartext)) },

    [HG_SET_PAGE] = { .pattern = "/page",
                      .kind = HG_SETTING_FLAG,
                      .fallback = "true",
                      IN(BOOL, GLOBAL(has_page)) },
    [HG_SET_ADMIN_SOCKET] = { .pattern = "/admin_socket",
                              .kind = HG_SETTING_PATH,
                              .min = 1,
                              .max = SOCKET_BYTES,
                              .fallback = "\"/run/heatgate/admin.sock\"",
                              IN(STRING, GLOBAL(admin_socket)) },
    [HG_SET_STATE_DIR] = { FILE_PATH("/state_dir"),
                           .fallback = "\"/var/lib/heatgate\"",
                           IN(STRING, GLOBAL(state_dir)) },
    [HG_SET_PRICE_PER_KWH] = { NUMBER("/price_per_kwh", 0, 1000, NULL),
                               .fallback = "null", .is_nullable = true,
                               IN(DOUBLE, GLOBAL(price_per_kwh)) },
    [HG_SET_CURRENCY] = { TEXT("/currency", 3, 3), .fallback = "null",
                          .is_nullable = true, .accepts = hg_config_is_currency,
                          .accepted = "three capital letters such as EUR",
                          IN(STRING, GLOBAL(currency)) },
    [HG_SET_WALL_CLOCK] = { CHOICE("/wall_clock", "synchronised|trusted"),
                            .fallback = "\"synchronised\"",
                            IN(ENUM, GLOBAL(wall_clock)) },
    [HG_SET_TIMEZONE] = { TEXT("/timezone", 1, 64), .fallback = "null",
                          .is_nullable = true, .accepts = hg_config_is_timezone,
                          .accepted = "a name under /usr/share/zoneinfo such "
                                      "as Europe/Berlin (package tzdata)",
                          IN(STRING, GLOBAL(timezone)) },
    [HG_SET_CHECK_IN] = { TEXT("/check_in", 5, 5), .fallback = "\"15:00\"",
                          .accepts = hg_config_is_time_of_day,
                          .accepted = "a time of day from 00:00 to 23:59",
                          IN(STRING, GLOBAL(check_in)) },
    [HG_SET_CHECK_OUT] = { TEXT("/check_out", 5, 5), .fallback = "\"11:00\"",
                           .accepts = hg_config_is_time_of_day,
                           .accepted = "a time of day from 00:00 to 23:59",
                           IN(STRING, GLOBAL(check_out)) },
    [HG_SET_PUBLIC_URL] = { TEXT("/public_url", 9, HG_URL_BYTES_MAX),
                            .fallback = "null", .is_nullable = true,
                            .accepts = hg_url_is_public,
                            .accepted = "https://HOST[:PORT][/PATH] (http:// "
                                        "of this host alone)",
                            IN(STRING, GLOBAL(public_url)) },

    [HG_SET_ROOMS] = { SECTION("/rooms"), .min = 1, .max = HG_CONFIG_ROOMS_MAX,
                       .is_required = true, .is_map = true },
    [HG_SET_ROOM] = { SECTION("/rooms/*") },
    [HG_SET_LABEL] = { TEXT("/rooms/*/label", 1, HG_CONFIG_LABEL_BYTES - 1),
                       IN(CHARS, ROOM(room.label)) },
    [HG_SET_ROOM_CHECK_IN] = { TEXT("/rooms/*/check_in", 5, 5),
                               .fallback = "null", .is_nullable = true,
                               .accepts = hg_config_is_time_of_day,
                               .accepted = "a time of day from 00:00 to 23:59",
                               IN(CHARS, ROOM(room.check_in)) },
    [HG_SET_ROOM_CHECK_OUT] = { TEXT("/rooms/*/check_out", 5, 5),
                                .fallback = "null", .is_nullable = true,
                                .accepts = hg_config_is_time_of_day,
                                .accepted = "a time of day from 00:00 to 23:59",
                                IN(CHARS, ROOM(room.check_out)) },
    [HG_SET_USAGE_CLASS] = { CHOICE("/rooms/*/usage_class",
                                    "private|semi-public|public"),
                             .is_required = true,
                             /* the words stand in the enum's order */
                             IN(ENUM, POLICY(usage_class)) },
    [HG_SET_SESSION_CAP_MIN] = { WHOLE("/rooms/*/session_cap_min", 1, 1080,
                                       "min"),
                                 .is_by_class = true,
                                 TIMES(U64, POLICY(session_cap_ms),
                                       MS_PER_MIN) },
    [HG_SET_TARGET_MAX_C] = { NUMBER("/rooms/*/target_max_c", 30, 110, "C"),
                              .fallback = "90",
                              TIMES(I32, POLICY(target_max_mc), MC_PER_C) },
    [HG_SET_TARGET_MIN_C] = { NUMBER("/rooms/*/target_min_c", 30, 110, "C"),
                              .fallback = "40",
                              TIMES(I32, POLICY(target_min_mc), MC_PER_C) },
    [HG_SET_HEATER_KW] = { NUMBER("/rooms/*/heater_kw", 0.5, 60, "kW"),
                           .is_required = true,
                           IN(DOUBLE, ROOM(room.heater_kw)) },
    [HG_SET_VOLUME_M3] = { NUMBER("/rooms/*/volume_m3", 1, 300, "m3"),
                           .is_required = true,
                           IN(DOUBLE, ROOM(room.volume_m3)) },
    [HG_SET_STONES_KG] = { NUMBER("/rooms/*/stones_kg", 1, 1000, "kg"),
                           .fallback = "null", .is_nullable = true,
                           IN(DOUBLE, ROOM(room.stones_kg)) },
    [HG_SET_WOOD_MM] = { NUMBER("/rooms/*/wood_mm", 5, 500, "mm"),
                         .fallback = "null", .is_nullable = true,
                         IN(DOUBLE, ROOM(room.wood_mm)) },
    [HG_SET_LEASE_S] = { WHOLE("/rooms/*/lease_s", 5, 120, "s"),
                         .fallback = "30",
                         TIMES(U32, POLICY(lease_ms), MS_PER_S) },
    [HG_SET_STALE_AFTER_S] = { WHOLE("/rooms/*/stale_after_s", 3, 60, "s"),
                               .fallback = "15",
                               TIMES(U32, POLICY(stale_after_ms), MS_PER_S) },
    [HG_SET_LATE_AFTER_S] = { WHOLE("/rooms/*/late_after_s", 1, 30, "s"),
                              .fallback = "5",
                              TIMES(U32, POLICY(late_after_ms), MS_PER_S) },
    [HG_SET_CHECK_EVIDENCE] = { CHOICE("/rooms/*/check_evidence",
                                       "door-cycle|panel|place-code"),
                                .fallback = "\"door-cycle\"",
                                TIMES(ENUM, POLICY(evidence),
                                      HG_EVIDENCE_DOOR_CYCLE) },
    [HG_SET_PLACE_CODE_FILE] = { FILE_PATH("/rooms/*/place_code_file"),
                                 .fallback = "null", .is_nullable = true,
                                 IN(STRING, ROOM(place_code_file)) },
    [HG_SET_LOOK_IN_WINDOW_MIN] = { WHOLE("/rooms/*/look_in_window_min", 1, 60,
                                          "min"),
                                    .fallback = "10",
                                    TIMES(U64, POLICY(look_in_window_ms),
                                          MS_PER_MIN) },
    [HG_SET_CHECK_VALID_MIN] = { WHOLE("/rooms/*/check_valid_min", 5, 1440,
                                       "min"),
                                 .fallback = "720",
                                 TIMES(U64, POLICY(check_valid_ms),
                                       MS_PER_MIN) },
    [HG_SET_DOOR_WHILE_HEATING] = { CHOICE("/rooms/*/door_while_heating",
                                           "end|hold"),
                                    .fallback = "\"hold\"",
                                    TIMES(ENUM, POLICY(door_rule),
                                          HG_DOOR_RULE_END) },
    [HG_SET_DOOR_HOLD_MAX_S] = { WHOLE("/rooms/*/door_hold_max_s", 5, 300, "s"),
                                 .fallback = "120",
                                 TIMES(U32, POLICY(door_hold_max_ms),
                                       MS_PER_S) },
    [HG_SET_OVER_TEMP_C] = { NUMBER("/rooms/*/over_temp_c", 35, 125, "C"),
                             .fallback = "120",
                             TIMES(I32, POLICY(over_temp_mc), MC_PER_C) },
    [HG_SET_NO_RISE_C] = { NUMBER("/rooms/*/no_rise_c", 1, 20, "C"),
                           .fallback = "3",
                           TIMES(I32, POLICY(no_rise_mc), MC_PER_C) },
    [HG_SET_NO_RISE_MIN] = { WHOLE("/rooms/*/no_rise_min", 5, 60, "min"),
                             .fallback = "15",
                             TIMES(U64, POLICY(no_rise_ms), MS_PER_MIN) },
    [HG_SET_REST_AFTER_CAP_MIN] = { WHOLE("/rooms/*/rest_after_cap_min", 0,
                                          1440, "min"),
                                    .is_by_class = true,
                                    TIMES(U64, POLICY(rest_after_cap_ms),
                                          MS_PER_MIN) },
    [HG_SET_DOOR_PROOF_DAYS] = { WHOLE("/rooms/*/door_proof_days", 1, 366,
                                       "days"),
                                 .fallback = "180",
                                 TIMES(U64, POLICY(door_proof_ms),
                                       MS_PER_DAY) },
    [HG_SET_COMMISSIONING] = { .pattern = "/rooms/*/commissioning",
                               .kind = HG_SETTING_MIXED,
                               .words = "required",
                               .fallback = "\"required\"",
                               IN(BOOL, POLICY(is_commissioning_waived)) },
    [HG_SET_COMMISSIONING_WAIVED] = { TEXT("/rooms/*/commissioning/waived", 1,
                                           HG_CONFIG_WAIVER_BYTES - 1),
                                      .is_required = true,
                                      .accepts = hg_config_is_not_blank,
                                      .accepted = "the reason in words",
                                      IN(CHARS, ROOM(room.waiver)) },
    [HG_SET_SENSOR_ELEMENT] = { CHOICE("/rooms/*/sensor_element",
                                       "none|pt100|pt1000"),
                                .fallback = "\"none\"",
                                /* the words stand in the enum's order */
                                IN(ENUM, ROOM(room.element)) },
    [HG_SET_OUTPUTS] = { SECTION("/rooms/*/outputs"), .fallback = "{}" },
    [HG_SET_OUTPUTS_LIGHT] = { .pattern = "/rooms/*/outputs/light",
                               .kind = HG_SETTING_FLAG,
                               .fallback = "false",
                               IN(BOOL, ROOM(room.outputs.has_light)) },
    /* a room with it has a fan: config_room.c */
    [HG_SET_OUTPUTS_FAN_RUN_ON_MIN] = { WHOLE("/rooms/*/outputs/fan_run_on_min",
                                              0, 120, "min"),
                                        .fallback = "null", .is_nullable = true,
                                        TIMES(U64, ROOM(room.outputs.run_on_ms),
                                              MS_PER_MIN) },
    [HG_SET_CONTROLLER] = { SECTION("/rooms/*/controller"),
                            .fallback = "{\"kind\":\"lease\"}" },
    [HG_SET_CONTROLLER_KIND] = { CHOICE("/rooms/*/controller/kind",
                                        "lease|switch"),
                                 .is_required = true,
                                 TIMES(ENUM, ROOM(controller),
                                       HG_CONFIG_CONTROLLER_LEASE) },
    [HG_SET_CONTROLLER_KEY_FILE] = { FILE_PATH("/rooms/*/controller/key_file"),
                                     .fallback = "null", .is_nullable = true,
                                     IN(STRING, ROOM(key_file)) },
};

const struct hg_setting *hg_setting_get(enum hg_setting_id id)
{
    return &table[id];
}

const char *hg_setting_name(const struct hg_setting *setting)
{
    return strrchr(setting->pattern, '/') + 1;
}

bool hg_setting_is_in(const struct hg_setting *setting, const char *section)
{
    size_t len = strlen(section);

    return strncmp(setting->pattern, section, len) == 0 &&
           setting->pattern[len] == '/' &&
           strchr(setting->pattern + len + 1, '/') == NULL;
}

const struct hg_setting *hg_setting_find(const char *section, const char *key,
                                         enum hg_setting_id *ret_id)
{
    size_t len = strlen(section);

    if (strchr(key, '/') != NULL)
        return NULL; /* no name of a setting; it might look like a deeper one */
    for (unsigned id = 0; id < HG_SET_COUNT; id++) {
        const struct hg_setting *setting = &table[id];

        if (strncmp(setting->pattern, section, len) == 0 &&
            setting->pattern[len] == '/' &&
            strcmp(setting->pattern + len + 1, key) == 0) {
            *ret_id = (enum hg_setting_id)id;
            return setting;
        }
    }
    return NULL;
}

int hg_setting_word(const char *words, const char *word)
{
    size_t len = strlen(word);
    int place = 0;

    for (;;) {
        size_t span = strcspn(words, "|");

        if (span == len && memcmp(words, word, len) == 0)
            return place;
        if (words[span] == '\0')
            return -1;
        words += span + 1;
        place++;
    }
}

static void describe_words(const char *words, struct hg_buf *text)
{
    const char *between = "";

    for (;;) {
        size_t span = strcspn(words, "|");

        hg_buf_addf(text, "%s\"%.*s\"", between, (int)span, words);
        if (words[span] == '\0')
            return;
        words += span + 1;
        between = ", ";
    }
}

static void describe_object(const struct hg_setting *setting,
                            struct hg_buf *text)
{
    if (setting->is_map)
        hg_buf_addf(text, "an object with %.0f to %.0f members", setting->min,
                    setting->max);
    else
        hg_buf_add(text, "an object {…}");
}

void hg_setting_describe(const struct hg_setting *setting, struct hg_buf *text)
{
    switch (setting->kind) {
    case HG_SETTING_WHOLE:
    case HG_SETTING_NUMBER:
        hg_buf_addf(text, "%.10g to %.10g%s%s", setting->min, setting->max,
                    setting->unit == NULL ? "" : " ",
                    setting->unit == NULL ? "" : setting->unit);
        break;
    case HG_SETTING_CHOICE:
        describe_words(setting->words, text);
        break;
    case HG_SETTING_MIXED:
        describe_words(setting->words, text);
        hg_buf_add(text, ", {\"waived\": \"why\"}");
        break;
    case HG_SETTING_FLAG:
        hg_buf_add(text, "true, false");
        break;
    case HG_SETTING_TEXT:
        hg_buf_addf(text, "%.0f to %.0f bytes of text", setting->min,
                    setting->max);
        if (setting->accepted != NULL)
            hg_buf_addf(text, ": %s", setting->accepted);
        break;
    case HG_SETTING_PATH:
        hg_buf_addf(text, "a path of at most %.0f bytes", setting->max);
        break;
    case HG_SETTING_OBJECT:
        describe_object(setting, text);
        break;
    }
    if (setting->is_nullable)
        hg_buf_add(text, ", null");
}
