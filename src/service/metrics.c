/*
 * Numbers for monitoring. Source of the form: OpenMetrics 1.0
 * (github.com/prometheus/OpenMetrics, specification/OpenMetrics.md): HELP and
 * TYPE before the samples, counters end in _total, "# EOF" at the end.
 */
#include "service/metrics.h"
#include "access/access.h"
#include "api/server.h"
#include "controllers/link.h"
#include "service/service.h"
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

static void counter(FILE *out, const char *name, const char *help,
                    uint64_t value)
{
    fprintf(out, "# TYPE %s counter\n# HELP %s %s\n%s_total %" PRIu64 "\n",
            name, name, help, name, value);
}

static void gauge(FILE *out, const char *name, const char *help, uint64_t value)
{
    fprintf(out, "# TYPE %s gauge\n# HELP %s %s\n%s %" PRIu64 "\n", name, name,
            help, name, value);
}

static void of_service(FILE *out, const struct hg_service *service)
{
    const struct hg_service_counts *counts = &service->counts;

    gauge(out, "heatgate_broker_up", "Is there a connection to the broker?",
          service->link != NULL && hg_link_is_up(service->link));
    gauge(out, "heatgate_journal_ok", "Can the journal be written?",
          service->is_journal_ok);
    gauge(out, "heatgate_clock_trusted", "Is the wall clock relied on?",
          service->now.wall.is_trusted);
    counter(out, "heatgate_messages", "Messages from the broker",
            counts->messages);
    counter(out, "heatgate_messages_malformed", "Of these: malformed",
            counts->malformed);
    counter(out, "heatgate_messages_bad_mac", "Of these: not authentic",
            counts->bad_mac);
    counter(out, "heatgate_messages_unknown_room", "Of these: of no room here",
            counts->unknown_room);
    counter(out, "heatgate_permits", "Permits lent", counts->permits);
    counter(out, "heatgate_revokes", "Permits taken back", counts->revokes);
    counter(out, "heatgate_publish_failures", "Messages that could not be sent",
            counts->publish_failures);
    counter(out, "heatgate_records", "Journal records", counts->records);
    counter(out, "heatgate_notices", "Notices", counts->notices);
}

static void of_api(FILE *out, const struct hg_service *service)
{
    struct hg_api_counts counts;

    hg_api_server_count(service->api, &counts);
    gauge(out, "heatgate_connections", "Connections by TCP",
          counts.connections);
    gauge(out, "heatgate_watches", "Rooms being watched", counts.watches);
    counter(out, "heatgate_rpc_messages", "Messages from people and programs",
            counts.messages_in);
    counter(out, "heatgate_patches", "Changes sent to watchers",
            counts.patches_out);
    counter(out, "heatgate_closed_slow", "Connections closed for being slow",
            counts.closed_slow);
}

static void of_access(FILE *out, const struct hg_service *service)
{
    struct hg_access_counts counts;

    hg_access_count(service->access, service->now, &counts);
    gauge(out, "heatgate_credentials_live", "Live codes", counts.live);
    gauge(out, "heatgate_sessions", "Live session tokens", counts.sessions);
    counter(out, "heatgate_sign_ins", "Successful sign-ins", counts.signed_in);
    counter(out, "heatgate_sign_ins_wrong", "Wrong codes", counts.wrong);
    counter(out, "heatgate_sign_ins_slowed", "Sign-ins told to wait",
            counts.slowed);
}

/* One family at a time: a family's samples stand together. */
static void of_rooms(FILE *out, const struct hg_service *service)
{
    fprintf(out, "# TYPE heatgate_room_air_celsius gauge\n"
                 "# UNIT heatgate_room_air_celsius celsius\n"
                 "# HELP heatgate_room_air_celsius Air of the hot room\n");
    for (size_t i = 0; i < service->by_name_count; i++) {
        const struct hg_room *room = service->by_name[i];

        if (room->gate.stream.is_fresh && room->gate.stream.reading.has_air)
            fprintf(out, "heatgate_room_air_celsius{room=\"%s\"} %.1f\n",
                    room->config->name,
                    (double)room->gate.stream.reading.air_mc / 1000.0);
    }
    fprintf(out, "# TYPE heatgate_room_heating gauge\n"
                 "# HELP heatgate_room_heating Is a permit live?\n");
    for (size_t i = 0; i < service->by_name_count; i++)
        fprintf(out, "heatgate_room_heating{room=\"%s\"} %d\n",
                service->by_name[i]->config->name,
                service->by_name[i]->gate.permit.is_live ? 1 : 0);
    fprintf(out, "# TYPE heatgate_room_locked gauge\n"
                 "# HELP heatgate_room_locked Is the room locked?\n");
    for (size_t i = 0; i < service->by_name_count; i++)
        fprintf(out, "heatgate_room_locked{room=\"%s\"} %d\n",
                service->by_name[i]->config->name,
                service->by_name[i]->gate.lockouts != 0 ? 1 : 0);
}

char *hg_metrics_text(struct hg_service *service)
{
    char *text = NULL;
    size_t len = 0;
    FILE *out = open_memstream(&text, &len);
    bool is_broken;

    if (out == NULL)
        return NULL;
    hg_service_wake(service);
    of_service(out, service);
    of_api(out, service);
    of_access(out, service);
    of_rooms(out, service);
    fprintf(out, "# EOF\n");
    is_broken = ferror(out) != 0;
    if (fclose(out) != 0 || is_broken) {
        free(text);
        return NULL;
    }
    return text;
}
