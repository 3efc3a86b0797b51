/* doctor: what is well, what wants attention, what is broken, and a remedy. */
#include "base/buf.h"
#include "base/text.h"
#include "base/why.h"
#include "cli/http_get.h"
#include "cli/out.h"
#include "cli/records.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include "heatgate/version.h"
#include <errno.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#define TEXT_BYTES    512
#define SLOW_MS       250
#define HTTP_MS       5000
#define DISK_FAIL_MIB 20
#define DISK_WARN_MIB 200

enum level { LEVEL_OK = 0, LEVEL_WARN, LEVEL_FAIL };

struct doctor {
    struct hg_cli *cli;
    json_t *checks;
    bool has_failed;
};

static const char *const level_text[] = { "ok", "warn", "fail" };

/* -- telling ---------------------------------------------------------------*/

static void put(const struct hg_cli *cli, enum level level, const char *what,
                const char *text)
{
    static const enum hg_paint paint[] = { HG_PAINT_GOOD, HG_PAINT_WARN,
                                           HG_PAINT_BAD };
    char line[TEXT_BYTES + 64];

    snprintf(line, sizeof(line), "%s: %s", what, text);
    printf("%s%-4s%s ", hg_cli_paint(cli->has_colour, paint[level]),
           level_text[level], hg_cli_paint(cli->has_colour, HG_PAINT_NONE));
    hg_cli_put_wrapped(stdout, 5, 5, line);
}

/* One line; remedy "" when nothing is to be done. */
static void find(struct doctor *doctor, enum level level, const char *what,
                 const char *remedy, const char *format, ...)
    __attribute__((format(printf, 5, 6)));

static void find(struct doctor *doctor, enum level level, const char *what,
                 const char *remedy, const char *format, ...)
{
    char text[TEXT_BYTES];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof(text), format, args);
    va_end(args);
    doctor->has_failed = doctor->has_failed || level == LEVEL_FAIL;
    json_array_append_new(doctor->checks,
                          json_pack("{s:s, s:s, s:s, s:s}", "level",
                                    level_text[level], "what", what, "text",
                                    text, "remedy", remedy));
    if (doctor->cli->is_json)
        return;
    put(doctor->cli, level, what, text);
    if (remedy[0] != '\0') {
        printf("     -> ");
        hg_cli_put_wrapped(stdout, 8, 8, remedy);
    }
}

/* -- the service -----------------------------------------------------------*/

static int look_at_socket(struct doctor *doctor)
{
    struct hg_cli *cli = doctor->cli;
    char text[HG_API_CLIENT_WHY_BYTES];
    struct hg_buf why;
    int err;

    hg_buf_init(&why, text, sizeof(text));
    err =
        hg_api_client_open(cli->socket, HG_CLI_TIMEOUT_MS, &why, &cli->client);
    if (err == 0) {
        find(doctor, LEVEL_OK, "service", "", "it answers at %s", cli->socket);
        return 0;
    }
    find(doctor, LEVEL_FAIL, "service", "", "%s", text);
    return err == HG_ERR_DENIED ? HG_CLI_REFUSED : HG_CLI_NO_SERVICE;
}

/* Value of a metric without labels, or -1. */
static long metric(const char *metrics, const char *name)
{
    const char *line = metrics;
    size_t len = strlen(name);

    while (line != NULL && *line != '\0') {
        if (strncmp(line, name, len) == 0 && line[len] == ' ')
            return strtol(line + len + 1, NULL, 10);
        line = strchr(line, '\n');
        line = line == NULL ? NULL : line + 1;
    }
    return -1;
}

static void look_at_health(struct doctor *doctor)
{
    char *body = NULL;
    int status = 0;
    int err = hg_cli_http_get(doctor->cli->socket, "/healthz", HTTP_MS, &status,
                              &body);

    if (err < 0)
        find(doctor, LEVEL_WARN, "health",
             "Look at its log (journalctl -u heatgated).",
             "/healthz gives no answer: %s", hg_err_text(err));
    else if (status == 200)
        find(doctor, LEVEL_OK, "health", "", "the service calls itself well");
    else
        find(doctor, LEVEL_FAIL, "health",
             "See the lines below; look at its log (journalctl -u heatgated).",
             "the service calls itself unwell: %.*s",
             (int)strcspn(body, "\r\n"), body);
    free(body);
}

/* A gauge that is 1 when all is well, else a reason why nothing may heat. */
struct gauge {
    const char *name, *what, *well;
    enum hg_why why;
};

static void look_at_gauge(struct doctor *doctor, const char *metrics,
                          const struct gauge *gauge)
{
    long value = metric(metrics, gauge->name);

    if (value == 1)
        find(doctor, LEVEL_OK, gauge->what, "", "%s", gauge->well);
    else if (value == 0)
        find(doctor, LEVEL_FAIL, gauge->what, hg_why_remedy(gauge->why),
             "%s: %s", hg_why_code(gauge->why), hg_why_text(gauge->why));
    else
        find(doctor, LEVEL_WARN, gauge->what,
             "Use a heatgate of the same version as the service.",
             "the service does not tell (%s)", gauge->name);
}

static void look_at_metrics(struct doctor *doctor)
{
    static const struct gauge gauges[] = {
        { "heatgate_broker_up", "broker", "connected", HG_WHY_BROKER_DOWN },
        { "heatgate_journal_ok", "journal", "it can be written",
          HG_WHY_JOURNAL_UNAVAILABLE },
        { "heatgate_clock_trusted", "clock", "it is relied on",
          HG_WHY_CLOCK_UNTRUSTED },
    };
    char *body = NULL;
    int status = 0;
    int err = hg_cli_http_get(doctor->cli->socket, "/metrics", HTTP_MS, &status,
                              &body);

    if (err < 0 || status != 200) {
        find(doctor, LEVEL_WARN, "metrics",
             "Look at its log (journalctl -u heatgated).",
             "/metrics cannot be read, so broker, journal and clock were not "
             "looked at: %s",
             err < 0 ? hg_err_text(err) : "another status than 200");
    } else {
        for (size_t i = 0; i < HG_COUNT(gauges); i++)
            look_at_gauge(doctor, body, &gauges[i]);
    }
    free(body);
}

static void look_at_start(struct doctor *doctor, const json_t *start)
{
    const json_t *started = json_object_get(start, "started");
    const json_t *waived = json_object_get(start, "waived");
    const char *version = hg_cli_text(started, "version");
    char since[HG_CLI_WHEN_BYTES];

    hg_cli_when_text(hg_cli_text(started, "at"), hg_cli_now_ms(), since);
    if (version[0] == '\0')
        find(doctor, LEVEL_WARN, "version",
             "Prove the journal: heatgate journal verify.",
             "no record of a start is in the journal");
    else if (strcmp(version, HG_VERSION) == 0)
        find(doctor, LEVEL_OK, "version", "", "heatgated %s, running since %s",
             version, since);
    else
        find(doctor, LEVEL_WARN, "version",
             "Restart the service after an update (systemctl restart "
             "heatgated).",
             "heatgated is %s, this command %s", version, HG_VERSION);
    for (size_t i = 0; i < json_array_size(waived); i++) {
        const char *room = json_string_value(json_array_get(waived, i));

        find(doctor, LEVEL_WARN, room == NULL ? "room" : room,
             "Have an electrician commission it, then remove "
             "\"commissioning\" from the configuration.",
             "commissioning is waived: nobody has proved on site that the "
             "door switch cuts the heat");
    }
}

/* -- rooms -----------------------------------------------------------------*/

/* Reasons that mean something is wrong, not only that nobody looked in. */
static enum level level_of(const char *code)
{
    static const char *const usual[] = {
        "check-missing", "check-void", "check-expired",
        "door-open",     "resting",    "already-heating",
    };

    for (size_t i = 0; i < HG_COUNT(usual); i++)
        if (strcmp(usual[i], code) == 0)
            return LEVEL_OK;
    return strcmp(code, "proof-overdue") == 0 ||
                   strcmp(code, "not-commissioned") == 0 ||
                   strcmp(code, "locked-out") == 0
               ? LEVEL_WARN
               : LEVEL_FAIL;
}

static void look_at_reasons(struct doctor *doctor, const char *room,
                            const json_t *codes)
{
    for (size_t i = 0; i < json_array_size(codes); i++) {
        const char *code = json_string_value(json_array_get(codes, i));
        enum hg_why why = hg_why_find(code == NULL ? "" : code);
        enum level level = level_of(code == NULL ? "" : code);

        if (level != LEVEL_OK)
            find(doctor, level, room, hg_why_remedy(why), "%s: %s",
                 code == NULL ? "" : code, hg_why_text(why));
    }
}

/* What the service found by watching: {code, level, since, text, remedy}. */
static void look_at_findings(struct doctor *doctor, const char *what,
                             const json_t *findings)
{
    const json_t *one;
    size_t i;

    json_array_foreach(findings, i, one)
    {
        bool is_alarm = strcmp(hg_cli_text(one, "level"), "alarm") == 0;
        char since[HG_CLI_WHEN_BYTES];

        hg_cli_when_text(hg_cli_text(one, "since"), hg_cli_now_ms(), since);
        find(doctor, is_alarm ? LEVEL_FAIL : LEVEL_WARN, what,
             hg_cli_text(one, "remedy"), "%s since %s: %s",
             hg_cli_text(one, "code"), since, hg_cli_text(one, "text"));
    }
}

static void look_at_room(struct doctor *doctor, const json_t *state)
{
    const char *room = hg_cli_text(state, "room");
    const char *door = hg_cli_text(state, "door");
    char seen[HG_CLI_WHEN_BYTES];

    hg_cli_when_text(hg_cli_text(state, "seen_at"), hg_cli_now_ms(), seen);
    if (json_is_true(json_object_get(state, "fresh")))
        find(doctor, LEVEL_OK, room, "", "%s, fresh readings, door %s",
             hg_cli_text(state, "phase"), door[0] == '\0' ? "unknown" : door);
    else
        find(doctor, LEVEL_FAIL, room,
             "Check the controller's power and network, and that its topics "
             "carry this room's name.",
             "%s, no fresh reading; the last came at %s",
             hg_cli_text(state, "phase"), seen);
    look_at_reasons(doctor, room, json_object_get(state, "reasons"));
    look_at_findings(doctor, room, json_object_get(state, "findings"));
}

static int look_at_rooms(struct doctor *doctor)
{
    struct hg_cli *cli = doctor->cli;
    uint64_t begin_ms = hg_cli_mono_ms();
    uint64_t took_ms;
    struct hg_api_answer answer;
    const json_t *state;
    size_t i;
    int err = hg_api_client_call(cli->client, "room.list", NULL, &answer);

    if (err < 0) {
        find(doctor, LEVEL_FAIL, "admin call",
             "Look at its log (journalctl -u heatgated).", "%s",
             hg_err_text(err));
        return HG_CLI_NO_SERVICE;
    }
    took_ms = hg_cli_mono_ms() - begin_ms;
    find(doctor, took_ms > SLOW_MS ? LEVEL_WARN : LEVEL_OK, "admin call",
         took_ms > SLOW_MS ? "See what else the machine is busy with." : "",
         "answered in %" PRIu64 " ms", took_ms);
    json_array_foreach(json_object_get(answer.result, "rooms"), i, state)
    {
        look_at_room(doctor, state);
    }
    look_at_findings(doctor, "gateway",
                     json_object_get(answer.result, "findings"));
    hg_api_answer_release(&answer);
    return 0;
}

/* -- the disk --------------------------------------------------------------*/

static void look_at_disk(struct doctor *doctor, const char *dir)
{
    static const char remedy[] =
        "Free space: when the journal cannot be written, nothing may heat.";
    struct statvfs fs;
    uint64_t free_mib;
    enum level level = LEVEL_OK;

    if (statvfs(dir, &fs) != 0) {
        find(doctor, LEVEL_WARN, "disk",
             "Name the service's state_dir with --state-dir.",
             "%s cannot be looked at: %s", dir, strerror(errno));
        return;
    }
    free_mib = (uint64_t)fs.f_bavail * fs.f_frsize >> 20;
    if (free_mib < DISK_FAIL_MIB)
        level = LEVEL_FAIL;
    else if (free_mib < DISK_WARN_MIB)
        level = LEVEL_WARN;
    find(doctor, level, "disk", level == LEVEL_OK ? "" : remedy,
         "%" PRIu64 " MiB are free at %s", free_mib, dir);
    if (fs.f_files > 0 && fs.f_favail < 100)
        find(doctor, LEVEL_FAIL, "disk", remedy,
             "no file can be made any more at %s", dir);
}

static int look_at_service(struct doctor *doctor)
{
    json_t *start = NULL;
    int status = look_at_socket(doctor);

    if (status == 0)
        status = look_at_rooms(doctor);
    if (status != 0)
        return status;
    look_at_health(doctor);
    look_at_metrics(doctor);
    status = hg_cli_records_start(doctor->cli, &start);
    if (status != 0)
        return status;
    look_at_start(doctor, start);
    json_decref(start);
    return 0;
}

int hg_cli_doctor(struct hg_cli *cli, const struct hg_cli_args *args)
{
    struct doctor doctor = { .cli = cli };
    const char *dir = args->value[HG_OPT_STATE_DIR];
    int status;

    if (hg_cli_has(args, HG_OPT_BINDING))
        return hg_cli_doctor_binding(cli, args);
    if (hg_cli_has(args, HG_OPT_SECONDS))
        return hg_cli_usage(cli, "--seconds goes with --binding ROOM");
    doctor.checks = json_array();
    status = look_at_service(&doctor);
    look_at_disk(&doctor, dir == NULL ? HG_CLI_STATE_DIR : dir);
    if (status == 0 && doctor.has_failed)
        status = HG_CLI_REFUSED;
    if (cli->is_json)
        (void)hg_cli_give(cli, json_pack("{s:b, s:O}", "ok", status == 0,
                                         "checks", doctor.checks));
    else
        printf("%s\n", status == 0 ? "Nothing failed."
                                   : "Something failed; see the lines above.");
    json_decref(doctor.checks);
    return status;
}
