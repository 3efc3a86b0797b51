#ifndef HG_SERVICE_FINDINGS_H
#define HG_SERVICE_FINDINGS_H

/*
 * Findings in the running service: those of each room (diagnosis.h), told in
 * its state and in notices, and those of the gateway itself: clock,
 * certificates, disk. All of it is for people; the gate hears nothing of it.
 */
#include "base/err.h"
#include "service/diagnosis.h"
#include <jansson.h>

struct hg_room;
struct hg_service;

/* common practice: time enough to renew by hand */
#define HG_FINDINGS_CERT_DAYS 30
/* the disk is nearly full below either of them: own choice */
#define HG_FINDINGS_DISK_PERCENT 5
#define HG_FINDINGS_DISK_BYTES   (UINT64_C(200) << 20)
/* a finding is told to be over when none changed for so long: no flood */
#define HG_FINDINGS_GONE_MS 60000

struct hg_findings { /* of one room */
    struct hg_diagnosis diagnosis;
    uint32_t told; /* bits: a notice was given */
    uint64_t changed_ms;
};

enum hg_wide_finding { /* of the gateway */
                       HG_WIDE_CLOCK = 0,
                       HG_WIDE_DISK,
                       HG_WIDE_CERT_LISTEN,
                       HG_WIDE_CERT_BROKER,
                       HG_WIDE_CERT_CA,
                       HG_WIDE_CONFIG_REFUSED,
                       HG_WIDE_CONFIG_CHANGED,
                       HG_WIDE_CONFIG_RESTART,
                       HG_WIDE_COUNT
};

#define HG_WIDE_TEXT_BYTES 640

struct hg_findings_wide {
    bool has_looked;
    struct hg_mono disk_at, certs_at; /* last looked at */
    struct {
        bool is_on;
        int64_t since_ms; /* wall */
        char text[HG_WIDE_TEXT_BYTES];
    } of[HG_WIDE_COUNT];
};

/* A fresh reading was taken by the gate. */
void hg_findings_feed(struct hg_service *service, struct hg_room *room);
/* Once a second: what time brings, and the gateway's own. */
void hg_findings_tick(struct hg_service *service);

/*
 * One of the gateway's own. text NULL: it is not so (any more). Each change
 * is told in every room; of the configuration, in the log alone.
 */
void hg_findings_set_wide(struct hg_service *service,
                          enum hg_wide_finding finding, const char *text);

/* [{code, level, since, text, remedy}]. NULL: no memory. */
json_t *hg_findings_json(const struct hg_findings *findings);
json_t *hg_findings_wide_json(const struct hg_findings_wide *wide);

/* Is so much of a disk too little? Pure. */
bool hg_findings_is_low(uint64_t free_bytes, uint64_t total_bytes);

/*
 * When the first certificate of a PEM file ends, wall milliseconds.
 *
 * is_single  refuse a file that holds more than one: of a bundle of roots
 *            some end all the time
 *
 * HG_ERR_SYSTEM: cannot be read; HG_ERR_INPUT: no certificate, or several
 */
HG_MUST_CHECK int hg_findings_cert_end(const char *path, bool is_single,
                                       int64_t *ret_end_ms);

#endif
