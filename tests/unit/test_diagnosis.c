/* Findings at their limits: below, at, above; and what takes them away. */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "gate_room.h"
#include "service/diagnosis.h"
#include "service/findings.h"
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <openssl/x509.h>
#include <stdlib.h>
#include <unistd.h>

struct desk { /* a gate's state made by hand */
    struct hg_policy policy;
    struct hg_gate_state gate;
    struct hg_diagnosis dia;
    struct hg_tick now;
};

static struct desk new_desk(void)
{
    struct desk desk;
    struct hg_reading *reading = &desk.gate.stream.reading;

    memset(&desk, 0, sizeof(desk));
    desk.policy = room_policy();
    desk.now.mono.ms = 5000000;
    desk.now.wall.ms = 1800000000000;
    desk.gate.stream.has_reading = true;
    snprintf(reading->boot, sizeof(reading->boot), "b00t");
    reading->is_whole = true;
    reading->has_air = true;
    reading->air_mc = 20000;
    reading->door = HG_DOOR_CLOSED;
    reading->heater = HG_HEATER_OFF;
    return desk;
}

/* The next reading, ms later. */
static void see(struct desk *desk, uint64_t ms)
{
    struct hg_diagnosis_sight sight = { .policy = &desk->policy,
                                        .gate = &desk->gate,
                                        .is_reading = true };

    desk->now.mono.ms += ms;
    desk->now.wall.ms += (int64_t)ms;
    desk->gate.stream.reading.seq++;
    desk->gate.stream.counts.fresh++;
    sight.at = desk->now;
    hg_diagnosis_see(&desk->dia, &sight);
}

static bool is_on(const struct desk *desk, enum hg_finding finding)
{
    return (desk->dia.on & HG_FINDING_BIT(finding)) != 0;
}

static void test_diagnosis__names_a_module_at_its_limits(void **state)
{
    static const struct {
        const char *label;
        int32_t mc;
        uint32_t rh;
        bool is_near, is_past;
    } row[] = {
        { "well", 31000, 42, false, false },
        { "below near", 44999, 89, false, false },
        { "at near, warm", 45000, 42, true, false },
        { "at near, damp", 31000, 90, true, false },
        { "below the limits", 49999, 94, true, false },
        { "at the limit, hot", 50000, 42, false, true },
        { "at the limit, wet", 31000, 95, false, true },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct desk desk = new_desk();

        desk.gate.stream.reading.has_module_c = true;
        desk.gate.stream.reading.has_module_rh = true;
        desk.gate.stream.reading.module_mc = row[i].mc;
        desk.gate.stream.reading.module_rh = row[i].rh;
        see(&desk, 2000);
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_MODULE_NEAR_LIMIT),
                    row[i].is_near);
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_MODULE_CLIMATE),
                    row[i].is_past);
        desk.gate.stream.reading.module_mc = 42999;
        desk.gate.stream.reading.module_rh = 84;
        see(&desk, 2000);
        HG_CHECK_EQ_U64(row[i].label, desk.dia.on, 0);
    }
}

static void test_diagnosis__wants_power_from_a_heater_that_is_on(void **state)
{
    static const struct {
        const char *label;
        uint32_t power_w; /* of 6000: 300 counts as drawn */
        int readings;     /* two seconds apart, the first begins */
        bool is_found;
    } row[] = {
        { "below the time", 0, 30, false },
        { "at the time", 0, 31, true },
        { "just too little", 299, 31, true },
        { "just enough", 300, 31, false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct desk desk = new_desk();

        desk.gate.stream.reading.heater = HG_HEATER_ON;
        desk.gate.stream.reading.has_power = true;
        desk.gate.stream.reading.power_w = row[i].power_w;
        for (int k = 0; k < row[i].readings; k++)
            see(&desk, 2000);
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_HEATER_NO_POWER),
                    row[i].is_found);
        desk.gate.stream.reading.power_w = 5900;
        see(&desk, 2000);
        HG_CHECK_FALSE(row[i].label, is_on(&desk, HG_FINDING_HEATER_NO_POWER));
    }
}

static void
test_diagnosis__waits_the_no_rise_time_for_a_silent_one(void **state)
{
    static const struct {
        const char *label;
        int32_t air_mc; /* target 80 C: judged below 70 C */
        bool is_live, is_once_on;
        int readings;
        bool is_found;
    } row[] = {
        { "below the time", 20000, true, false, 450, false },
        { "at the time", 20000, true, false, 451, true },
        { "near the target", 70000, true, false, 900, false },
        { "below that", 69999, true, false, 451, true },
        { "no permit", 20000, false, false, 900, false },
        { "it was on once", 20000, true, true, 451, false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct desk desk = new_desk();

        desk.gate.session.is_active = true;
        desk.gate.session.target_mc = 80000;
        desk.gate.permit.is_live = row[i].is_live;
        desk.gate.stream.reading.air_mc = row[i].air_mc;
        for (int k = 0; k < row[i].readings; k++) {
            desk.gate.stream.reading.heater =
                row[i].is_once_on && k == 200 ? HG_HEATER_ON : HG_HEATER_OFF;
            see(&desk, 2000);
        }
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_HEATER_SILENT),
                    row[i].is_found);
    }
}

static void test_diagnosis__counts_openings_in_a_minute(void **state)
{
    static const struct {
        const char *label;
        int opens;
        uint64_t every_ms;
        bool is_found;
    } row[] = {
        { "five", 5, 10000, false },
        { "six", 6, 10000, true },
        { "six, but slowly", 6, 14000, false },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct desk desk = new_desk();

        desk.gate.stream.reading.has_door_count = true;
        see(&desk, 2000);
        for (int k = 0; k < row[i].opens; k++) {
            desk.gate.stream.reading.door_count++;
            see(&desk, row[i].every_ms);
        }
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_DOOR_CHATTER),
                    row[i].is_found);
        for (int k = 0; k < 70; k++)
            see(&desk, 10000);
        HG_CHECK_FALSE(row[i].label, is_on(&desk, HG_FINDING_DOOR_CHATTER));
    }
}

static void test_diagnosis__counts_what_is_lost_and_what_is_late(void **state)
{
    static const struct {
        const char *label;
        uint64_t lost_of_100, late_of_100;
        bool is_lossy, is_late;
    } row[] = {
        { "none", 0, 0, false, false },    { "five lost", 5, 0, false, false },
        { "six lost", 6, 0, true, false }, { "five late", 0, 5, false, false },
        { "six late", 0, 6, false, true },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct desk desk = new_desk();
        uint64_t fresh = 100 - row[i].lost_of_100 - row[i].late_of_100;

        see(&desk, 2000);
        desk.now.mono.ms += 60000 - desk.now.mono.ms % 60000;
        for (uint64_t k = 1; k <= fresh; k++) {
            if (k == fresh) {
                desk.gate.stream.reading.seq +=
                    row[i].lost_of_100 + row[i].late_of_100;
                desk.gate.stream.counts.late += row[i].late_of_100;
            }
            see(&desk, 2000);
        }
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_LOSSY_LINK),
                    row[i].is_lossy);
        HG_CHECK_EQ(row[i].label, is_on(&desk, HG_FINDING_LATE_MESSAGES),
                    row[i].is_late);
        for (int k = 0; k < 330; k++)
            see(&desk, 2000);
        HG_CHECK_EQ_U64(row[i].label, desk.dia.on, 0);
    }
}

static void test_diagnosis__counts_no_event_as_lost(void **state)
{
    struct desk desk = new_desk();

    (void)state;
    see(&desk, 2000);
    for (int k = 0; k < 200; k++) {
        if (k % 5 == 0)
            desk.gate.stream.boot[0].event_seq = ++desk.gate.stream.reading.seq;
        see(&desk, 2000);
    }
    HG_CHECK_EQ_U64("local events use numbers too", desk.dia.on, 0);
}

static void test_diagnosis__tells_every_finding_with_its_numbers(void **state)
{
    (void)state;
    for (int i = 0; i < HG_FINDING_COUNT; i++) {
        const struct hg_finding_words *words = &hg_finding_words[i];
        struct hg_diagnosis dia;
        char text[HG_DIA_TEXT_BYTES];
        struct hg_buf buf;

        memset(&dia, 0, sizeof(dia));
        dia.on = HG_FINDING_BIT(i);
        dia.mark[i].a = 123456789;
        dia.mark[i].b = 123456789;
        hg_buf_init(&buf, text, sizeof(text));
        hg_diagnosis_tell(&dia, (enum hg_finding)i, &buf);
        HG_CHECK_FALSE(words->code, buf.is_cut);
        HG_CHECK_TRUE(words->code,
                      strncmp(text, words->text, strlen(words->text)) == 0);
        HG_CHECK_TRUE(words->code, strstr(text, " Seen: ") != NULL);
        HG_CHECK_TRUE(words->code, strlen(words->remedy) > 20);
        for (int k = 0; k < i; k++)
            HG_CHECK_TRUE(words->code,
                          strcmp(words->code, hg_finding_words[k].code) != 0);
    }
}

static void test_findings__know_when_a_disk_is_nearly_full(void **state)
{
    const uint64_t mib = UINT64_C(1) << 20;

    (void)state;
    HG_CHECK_TRUE("below 200 MiB", hg_findings_is_low(200 * mib - 1, 1000));
    HG_CHECK_FALSE("at 200 MiB", hg_findings_is_low(200 * mib, 4000 * mib));
    HG_CHECK_TRUE("below 5 %", hg_findings_is_low(4999 * mib, 100000 * mib));
    HG_CHECK_FALSE("at 5 %", hg_findings_is_low(5000 * mib, 100000 * mib));
    HG_CHECK_FALSE("no overflow",
                   hg_findings_is_low(UINT64_MAX / 2, UINT64_MAX));
}

/* A certificate that ends in so many seconds, twice if wanted. */
static void write_cert(const char *path, long end_s, int times)
{
    EVP_PKEY *key = EVP_PKEY_Q_keygen(NULL, NULL, "EC", "P-256");
    X509 *cert = X509_new();
    FILE *file = fopen(path, "we");

    assert_non_null(key);
    assert_non_null(cert);
    assert_non_null(file);
    assert_non_null(X509_gmtime_adj(X509_getm_notBefore(cert), 0));
    assert_non_null(ASN1_TIME_set(X509_getm_notAfter(cert), end_s));
    assert_int_equal(X509_set_pubkey(cert, key), 1);
    assert_true(X509_sign(cert, key, EVP_sha256()) > 0);
    for (int i = 0; i < times; i++)
        assert_int_equal(PEM_write_X509(file, cert), 1);
    assert_int_equal(fclose(file), 0);
    X509_free(cert);
    EVP_PKEY_free(key);
}

static void test_findings__read_the_end_of_a_certificate(void **state)
{
    char path[] = "/tmp/hg-cert-XXXXXX";
    int fd = mkstemp(path);
    int64_t end_ms = 42;

    (void)state;
    assert_true(fd >= 0);
    assert_int_equal(close(fd), 0);
    HG_CHECK_EQ("empty", hg_findings_cert_end(path, false, &end_ms),
                HG_ERR_INPUT);
    HG_CHECK_EQ("untouched", end_ms, 42);
    write_cert(path, 1900000000, 2);
    HG_CHECK_EQ("several", hg_findings_cert_end(path, true, &end_ms),
                HG_ERR_INPUT);
    HG_CHECK_EQ("untouched", end_ms, 42);
    HG_CHECK_EQ("the first", hg_findings_cert_end(path, false, &end_ms), 0);
    HG_CHECK_EQ("its end", end_ms, 1900000000000);
    write_cert(path, 1800000001, 1);
    HG_CHECK_EQ("single", hg_findings_cert_end(path, true, &end_ms), 0);
    HG_CHECK_EQ("its end", end_ms, 1800000001000);
    assert_int_equal(unlink(path), 0);
    HG_CHECK_EQ("gone", hg_findings_cert_end(path, true, &end_ms),
                HG_ERR_SYSTEM);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_diagnosis__names_a_module_at_its_limits),
        cmocka_unit_test(test_diagnosis__wants_power_from_a_heater_that_is_on),
        cmocka_unit_test(
            test_diagnosis__waits_the_no_rise_time_for_a_silent_one),
        cmocka_unit_test(test_diagnosis__counts_openings_in_a_minute),
        cmocka_unit_test(test_diagnosis__counts_what_is_lost_and_what_is_late),
        cmocka_unit_test(test_diagnosis__counts_no_event_as_lost),
        cmocka_unit_test(test_diagnosis__tells_every_finding_with_its_numbers),
        cmocka_unit_test(test_findings__know_when_a_disk_is_nearly_full),
        cmocka_unit_test(test_findings__read_the_end_of_a_certificate),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
