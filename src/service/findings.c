/* Findings of rooms and of the gateway, as others see them. */
#include "service/findings.h"
#include "base/sat.h"
#include "base/text.h"
#include "service/service.h"
#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/x509.h>
#include <stdio.h>
#include <string.h>
#include <sys/statvfs.h>
#include <time.h>

#define DISK_EVERY_MS 60000
#define CERT_EVERY_MS (UINT64_C(60) * 60000)
#define DAY_MS        INT64_C(86400000)

/* What 10000 rooms cost must stay small. */
_Static_assert(sizeof(struct hg_findings) <= 1024, "a room's findings grow");

static const char *level_text(enum hg_level level)
{
    return level == HG_LEVEL_ALARM ? "alarm" : "warning";
}

/* -- rooms -----------------------------------------------------------------*/

static void say(struct hg_service *service, struct hg_room *room,
                enum hg_finding finding, bool is_over)
{
    const struct hg_finding_words *words = &hg_finding_words[finding];
    char text[2 * HG_DIA_TEXT_BYTES + 64];
    struct hg_notice notice;
    struct hg_buf buf;

    if (words->is_gates)
        return;
    hg_buf_init(&buf, text, sizeof(text));
    if (is_over) {
        hg_buf_addf(&buf, "No longer so: %s", words->text);
    } else {
        hg_diagnosis_tell(&room->findings.diagnosis, finding, &buf);
        hg_buf_addf(&buf, " %s", words->remedy);
    }
    notice.level = is_over ? HG_LEVEL_INFO : words->level;
    notice.code = words->code;
    notice.text = text;
    hg_show_say(service, room, &notice);
}

static void say_all(struct hg_service *service, struct hg_room *room,
                    uint32_t set, bool is_over)
{
    for (int i = 0; i < HG_FINDING_COUNT; i++)
        if (set & HG_FINDING_BIT(i))
            say(service, room, (enum hg_finding)i, is_over);
}

static void look(struct hg_service *service, struct hg_room *room,
                 bool is_reading)
{
    struct hg_findings *findings = &room->findings;
    uint32_t before = findings->diagnosis.on;
    struct hg_diagnosis_sight sight = { .at = service->now,
                                        .policy = &room->config->policy,
                                        .gate = &room->gate,
                                        .is_reading = is_reading };
    uint32_t gone, come;

    hg_diagnosis_see(&findings->diagnosis, &sight);
    if (findings->diagnosis.on != before) {
        findings->changed_ms = service->now.mono.ms;
        room->is_changed = true;
    }
    come = findings->diagnosis.on & ~findings->told;
    findings->told |= come;
    say_all(service, room, come, false);
    gone = findings->told & ~findings->diagnosis.on;
    if (gone == 0 || hg_sat_sub_u64(service->now.mono.ms,
                                    findings->changed_ms) < HG_FINDINGS_GONE_MS)
        return;
    findings->told &= ~gone;
    say_all(service, room, gone, true);
}

void hg_findings_feed(struct hg_service *service, struct hg_room *room)
{
    look(service, room, true);
}

static json_t *one_json(const char *code, const char *level, int64_t since_ms,
                        const char *text, const char *remedy)
{
    return json_pack("{s:s, s:s, s:o, s:s, s:s}", "code", code, "level", level,
                     "since", hg_json_wall(since_ms), "text", text, "remedy",
                     remedy);
}

json_t *hg_findings_json(const struct hg_findings *findings)
{
    const struct hg_diagnosis *diagnosis = &findings->diagnosis;
    json_t *list = json_array();

    for (int i = 0; list != NULL && i < HG_FINDING_COUNT; i++) {
        const struct hg_finding_words *words = &hg_finding_words[i];
        char text[HG_DIA_TEXT_BYTES];
        struct hg_buf buf;

        if (!(diagnosis->on & HG_FINDING_BIT(i)))
            continue;
        hg_buf_init(&buf, text, sizeof(text));
        hg_diagnosis_tell(diagnosis, (enum hg_finding)i, &buf);
        if (json_array_append_new(list, one_json(words->code,
                                                 level_text(words->level),
                                                 diagnosis->mark[i].since_ms,
                                                 text, words->remedy)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

/* -- the gateway -----------------------------------------------------------*/

struct wide_words {
    const char *code, *remedy;
};
static const struct wide_words wide_words[HG_WIDE_COUNT] = {
    [HG_WIDE_CLOCK] = { "clock-untrusted",
                        "Let the clock synchronise, or set it." },
    [HG_WIDE_DISK] = { "disk-near-full",
                       "Free space: when the journal cannot be written, "
                       "nothing may heat." },
    [HG_WIDE_CERT_LISTEN] = { "certificate-expiring",
                              "Renew it, then systemctl reload heatgate: "
                              "heat goes on." },
    [HG_WIDE_CERT_BROKER] = { "certificate-expiring",
                              "Renew it, then systemctl reload heatgate: "
                              "heat goes on." },
    [HG_WIDE_CERT_CA] = { "certificate-expiring",
                          "Get the broker's new authority, then systemctl "
                          "reload heatgate: heat goes on." },
    [HG_WIDE_CONFIG_REFUSED] = { "configuration-refused",
                                 "What was in force stays so. Mend the file "
                                 "(heatgated --config FILE --check), then "
                                 "systemctl reload heatgate." },
    [HG_WIDE_CONFIG_CHANGED] = { "configuration-changed",
                                 "Check it (heatgated --config FILE --check), "
                                 "then systemctl reload heatgate." },
    [HG_WIDE_CONFIG_RESTART] = { "restart-needed",
                                 "Restart the service while no room is "
                                 "heated." },
};

json_t *hg_findings_wide_json(const struct hg_findings_wide *wide)
{
    json_t *list = json_array();

    for (int i = 0; list != NULL && i < HG_WIDE_COUNT; i++) {
        if (!wide->of[i].is_on)
            continue;
        if (json_array_append_new(list, one_json(wide_words[i].code, "warning",
                                                 wide->of[i].since_ms,
                                                 wide->of[i].text,
                                                 wide_words[i].remedy)) != 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

void hg_findings_set_wide(struct hg_service *service,
                          enum hg_wide_finding finding, const char *text)
{
    struct hg_findings_wide *wide = &service->wide;
    char told[sizeof(wide->of[finding].text) + 160];
    struct hg_notice notice = { HG_LEVEL_WARNING, wide_words[finding].code,
                                told };

    if (wide->of[finding].is_on == (text != NULL)) {
        if (text != NULL && finding >= HG_WIDE_CONFIG_REFUSED)
            snprintf(wide->of[finding].text, sizeof(wide->of[finding].text),
                     "%s", text); /* another file, another problem */
        return;
    }
    wide->of[finding].is_on = text != NULL;
    if (text != NULL) {
        wide->of[finding].since_ms = service->now.wall.ms;
        snprintf(wide->of[finding].text, sizeof(wide->of[finding].text), "%s",
                 text);
        snprintf(told, sizeof(told), "%s %s", text, wide_words[finding].remedy);
    } else {
        notice.level = HG_LEVEL_INFO;
        snprintf(told, sizeof(told), "No longer so: %s",
                 wide->of[finding].text);
    }
    if (finding < HG_WIDE_CONFIG_REFUSED)
        hg_show_say_all(service, &notice);
    else /* for who edits the file, not for guests of rooms */
        hg_log_line(&service->log, text != NULL ? HG_LOG_WARNING : HG_LOG_INFO,
                    "%s: %s", notice.code, told);
}

bool hg_findings_is_low(uint64_t free_bytes, uint64_t total_bytes)
{
    return free_bytes < HG_FINDINGS_DISK_BYTES ||
           free_bytes / HG_FINDINGS_DISK_PERCENT < total_bytes / 100;
}

static void look_at_disk(struct hg_service *service)
{
    const char *dir = service->config->state_dir;
    char text[HG_WIDE_TEXT_BYTES];
    uint64_t free_bytes, total_bytes;
    struct statvfs fs;

    if (statvfs(dir, &fs) != 0)
        return; /* the journal itself will say more */
    free_bytes = (uint64_t)fs.f_bavail * fs.f_frsize;
    total_bytes = (uint64_t)fs.f_blocks * fs.f_frsize;
    snprintf(text, sizeof(text), "%llu of %llu MiB are free at %.400s.",
             (unsigned long long)(free_bytes >> 20),
             (unsigned long long)(total_bytes >> 20), dir);
    hg_findings_set_wide(service, HG_WIDE_DISK,
                         hg_findings_is_low(free_bytes, total_bytes) ? text
                                                                     : NULL);
}

int hg_findings_cert_end(const char *path, bool is_single, int64_t *ret_end_ms)
{
    FILE *file = fopen(path, "re");
    X509 *cert, *next = NULL;
    int err = HG_ERR_INPUT;
    struct tm end;

    if (file == NULL)
        return HG_ERR_SYSTEM;
    cert = PEM_read_X509(file, NULL, NULL, NULL);
    if (cert != NULL && is_single)
        next = PEM_read_X509(file, NULL, NULL, NULL);
    if (cert != NULL && next == NULL &&
        ASN1_TIME_to_tm(X509_get0_notAfter(cert), &end) == 1) {
        *ret_end_ms = (int64_t)timegm(&end) * 1000;
        err = 0;
    }
    X509_free(cert);
    X509_free(next);
    ERR_clear_error(); /* the end of the file is one */
    (void)fclose(file);
    return err;
}

static void look_at_cert(struct hg_service *service,
                         enum hg_wide_finding finding, const char *path)
{
    int64_t now_ms = service->now.wall.ms;
    char text[HG_WIDE_TEXT_BYTES];
    char at[HG_WALL_TEXT_BYTES];
    int64_t end_ms;

    if (path == NULL ||
        hg_findings_cert_end(path, finding == HG_WIDE_CERT_CA, &end_ms) < 0)
        return; /* what cannot be loaded is told where it is loaded */
    hg_text_from_wall(end_ms, at);
    snprintf(text, sizeof(text), "The certificate in %.400s %s at %s.", path,
             end_ms <= now_ms ? "ended" : "ends", at);
    hg_findings_set_wide(
        service, finding,
        hg_sat_sub_i64(end_ms, now_ms) < HG_FINDINGS_CERT_DAYS * DAY_MS ? text
                                                                        : NULL);
}

static void look_wide(struct hg_service *service)
{
    const struct hg_config *config = service->config;
    struct hg_findings_wide *wide = &service->wide;
    struct hg_mono now = service->now.mono;
    bool is_first = !wide->has_looked;

    wide->has_looked = true;
    hg_findings_set_wide(service, HG_WIDE_CLOCK,
                         service->now.wall.is_trusted
                             ? NULL
                             : hg_clock_doubt_text(service->doubt));
    if (is_first || hg_mono_since(now, wide->disk_at) >= DISK_EVERY_MS) {
        wide->disk_at = now;
        look_at_disk(service);
    }
    if (is_first || hg_mono_since(now, wide->certs_at) >= CERT_EVERY_MS) {
        wide->certs_at = now;
        look_at_cert(service, HG_WIDE_CERT_LISTEN,
                     config->listen.tls.cert_file);
        look_at_cert(service, HG_WIDE_CERT_BROKER,
                     config->broker.tls.cert_file);
        look_at_cert(service, HG_WIDE_CERT_CA, config->broker.tls.ca_file);
    }
}

void hg_findings_tick(struct hg_service *service)
{
    for (size_t i = 0; i < service->room_count; i++) {
        struct hg_room *room = &service->room[i];

        if (room->is_gone)
            continue;
        look(service, room, false);
        if (room->is_changed)
            hg_show_room(service, room);
    }
    look_wide(service);
    hg_reload_look(service);
}
