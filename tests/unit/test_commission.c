/*
 * The guided record as a pure state machine: every wiring fault is a script of
 * readings, and has to come out under its own name.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/err.h"
#include "base/text.h"
#include "check.h"
#include "service/commission.h"
#include "service/commission_room.h"
#include <string.h>

#define DAY_MS (INT64_C(24) * 3600000)
#define WALL   INT64_C(1800000000000)

struct site {
    struct hg_commission com;
    struct hg_policy policy;
    struct hg_reading reading;
    struct hg_com_sight sight;
};

static struct site begin(bool is_proof)
{
    static const struct hg_actor OWNER = { HG_ROLE_OWNER, "uid=0" };
    struct site site;

    memset(&site, 0, sizeof(site));
    hg_com_begin(&site.com, is_proof, &OWNER, "local:anna", WALL);
    site.policy.heater_w = 6000;
    site.policy.no_rise_ms = 600000;
    memcpy(site.reading.boot, "5e1f", 4);
    site.reading.has_air = true;
    site.reading.air_mc = 20000;
    site.reading.door = HG_DOOR_CLOSED;
    site.reading.heater = HG_HEATER_OFF;
    site.reading.uptime_ms = 100000;
    site.sight.at.mono.ms = 1000000;
    site.sight.at.wall.ms = WALL;
    site.sight.at.wall.is_trusted = true;
    site.sight.is_fresh = true;
    return site;
}

/* The struct is copied about: point its sight at its own parts. */
static const struct hg_com_sight *look(struct site *site)
{
    site->sight.policy = &site->policy;
    site->sight.reading = &site->reading;
    return &site->sight;
}

static void pass(struct site *site, uint64_t ms)
{
    site->sight.at.mono.ms += ms;
    site->sight.at.wall.ms += (int64_t)ms;
    site->reading.uptime_ms += ms;
}

static bool read_now(struct site *site)
{
    return hg_com_see(&site->com, look(site), true);
}

/* Pretend that these steps were done. */
static void done_up_to(struct site *site, enum hg_com_step last)
{
    for (int i = HG_COM_STEP_NONE + 1; i <= (int)last; i++)
        site->com.step[i].mark = HG_COM_PASSED;
}

/* -- words ------------------------------------------------------------------*/

static void test_commission__every_fault_and_step_has_words(void **unused)
{
    (void)unused;
    for (int i = HG_COM_OK + 1; i < HG_COM_FAULTS; i++) {
        struct hg_com_words words = hg_com_fault_words((enum hg_com_fault)i);

        HG_CHECK_TRUE(words.code, strlen(words.text) > 10);
        HG_CHECK_TRUE(words.code, strlen(words.remedy) > 10);
        HG_CHECK_EQ(words.code, hg_com_fault_find(words.code), i);
    }
    for (int i = HG_COM_STEP_NONE + 1; i < HG_COM_STEPS; i++) {
        const char *id = hg_com_step_id((enum hg_com_step)i);

        HG_CHECK_EQ(id, hg_com_step_find(id), i);
        HG_CHECK_TRUE(id, strlen(hg_com_step_text((enum hg_com_step)i)) > 10);
    }
    HG_CHECK_EQ("no fault", hg_com_fault_find("nothing"), HG_COM_OK);
    HG_CHECK_EQ("no step", hg_com_step_find(""), HG_COM_STEP_NONE);
    HG_CHECK_STR("outside", hg_com_step_id(HG_COM_STEPS), "");
    HG_CHECK_STR("outside", hg_com_fault_words(HG_COM_FAULTS).code, "");
    assert_null(hg_com_statement(HG_COM_STATEMENTS));
}

/* -- the door ---------------------------------------------------------------*/

struct door_row {
    const char *label;
    enum hg_door read[3];
    enum hg_com_fault want;
};

static const struct door_row DOORS[] = {
    { "right", { HG_DOOR_CLOSED, HG_DOOR_OPEN, HG_DOOR_CLOSED }, HG_COM_OK },
    { "swapped",
      { HG_DOOR_OPEN, HG_DOOR_CLOSED, HG_DOOR_OPEN },
      HG_COM_DOOR_SWAPPED },
    { "bridged",
      { HG_DOOR_CLOSED, HG_DOOR_CLOSED, HG_DOOR_CLOSED },
      HG_COM_DOOR_BRIDGED },
    { "broken",
      { HG_DOOR_OPEN, HG_DOOR_OPEN, HG_DOOR_OPEN },
      HG_COM_DOOR_BROKEN },
    { "null once",
      { HG_DOOR_CLOSED, HG_DOOR_UNKNOWN, HG_DOOR_CLOSED },
      HG_COM_DOOR_UNKNOWN },
    { "flickers",
      { HG_DOOR_CLOSED, HG_DOOR_OPEN, HG_DOOR_OPEN },
      HG_COM_DOOR_UNSTEADY },
};

static void test_commission__names_what_the_door_reads(void **unused)
{
    static const enum hg_door SAY[] = { HG_DOOR_CLOSED, HG_DOOR_OPEN,
                                        HG_DOOR_CLOSED };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(DOORS); i++) {
        const struct door_row *row = &DOORS[i];
        struct site site = begin(false);

        for (size_t j = 0; j < HG_COUNT(SAY); j++) {
            HG_CHECK_EQ(row->label,
                        hg_com_say_door(&site.com, look(&site), SAY[j]),
                        HG_COM_OK);
            site.reading.door = row->read[j];
            pass(&site, HG_COM_GIVE_UP_MS);
            read_now(&site);
        }
        HG_CHECK_EQ(row->label, site.com.step[HG_COM_STEP_DOOR].fault,
                    row->want);
        HG_CHECK_EQ(row->label, site.com.step[HG_COM_STEP_DOOR].mark,
                    row->want == HG_COM_OK ? HG_COM_PASSED : HG_COM_FAILED);
    }
}

static void test_commission__judges_doors_by_later_readings(void **unused)
{
    struct site site = begin(false);

    (void)unused;
    hg_com_say_door(&site.com, look(&site), HG_DOOR_CLOSED);
    read_now(&site); /* was on its way already */
    pass(&site, HG_COM_SETTLE_MS - 1);
    read_now(&site);
    HG_CHECK_EQ("too early", site.com.watch.phase, HG_COM_PHASE_DOOR);
    pass(&site, 1);
    hg_com_see(&site.com, look(&site), false);
    HG_CHECK_EQ("no reading", site.com.watch.phase, HG_COM_PHASE_DOOR);
    read_now(&site);
    HG_CHECK_EQ("settled", site.com.watch.phase, HG_COM_PHASE_NONE);
    hg_com_say_door(&site.com, look(&site), HG_DOOR_OPEN);
    pass(&site, HG_COM_GIVE_UP_MS - 1);
    read_now(&site);
    HG_CHECK_EQ("not given up", site.com.watch.phase, HG_COM_PHASE_DOOR);
    pass(&site, 1);
    read_now(&site);
    HG_CHECK_EQ("given up", site.com.watch.phase, HG_COM_PHASE_NONE);
    HG_CHECK_EQ("says so", site.com.read[1], HG_DOOR_CLOSED);
    /* out of turn: begins anew */
    hg_com_say_door(&site.com, look(&site), HG_DOOR_OPEN);
    HG_CHECK_EQ("out of turn", site.com.step[HG_COM_STEP_DOOR].fault,
                HG_COM_DOOR_UNSTEADY);
    site.sight.is_fresh = false;
    HG_CHECK_EQ("stale",
                hg_com_say_door(&site.com, look(&site), HG_DOOR_CLOSED),
                HG_COM_NO_DATA);
}

/* -- what is measured at once -----------------------------------------------*/

static void test_commission__compares_the_thermometer(void **unused)
{
    static const struct {
        const char *label;
        int32_t thermometer_mc;
        enum hg_com_fault want;
    } ROWS[] = {
        { "below", 17000, HG_COM_OK },
        { "far below", 16999, HG_COM_SENSOR_OFF },
        { "same", 20000, HG_COM_OK },
        { "above", 23000, HG_COM_OK },
        { "far above", 23001, HG_COM_SENSOR_OFF },
    };
    struct site site = begin(false);

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        HG_CHECK_EQ(
            ROWS[i].label,
            hg_com_measure(&site.com, look(&site), ROWS[i].thermometer_mc),
            ROWS[i].want);
        HG_CHECK_EQ(ROWS[i].label, site.com.value[HG_COM_VALUE_AIR], 20000);
    }
    site.reading.has_air = false;
    HG_CHECK_EQ("null", hg_com_measure(&site.com, look(&site), 20000),
                HG_COM_SENSOR_GONE);
    HG_CHECK_FALSE("no old value", site.com.has_value[HG_COM_VALUE_AIR]);
    site.sight.is_fresh = false;
    HG_CHECK_EQ("stale", hg_com_measure(&site.com, look(&site), 20000),
                HG_COM_NO_DATA);
}

static void test_commission__holds_the_module_to_its_limits(void **unused)
{
    static const struct {
        const char *label;
        int32_t mc;
        uint32_t rh;
        enum hg_com_fault want;
    } ROWS[] = {
        { "below", 49999, 94, HG_COM_OK },
        { "at 50 C", 50000, 94, HG_COM_MODULE_CLIMATE },
        { "at 95 %", 49999, 95, HG_COM_MODULE_CLIMATE },
    };
    struct site site;

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        site = begin(false);
        site.reading.has_module_c = site.reading.has_module_rh = true;
        site.reading.module_mc = ROWS[i].mc;
        site.reading.module_rh = ROWS[i].rh;
        /* seen while another step was done: counts as well */
        read_now(&site);
        site.reading.module_mc = 20000;
        site.reading.module_rh = 40;
        HG_CHECK_EQ(ROWS[i].label, hg_com_module(&site.com, look(&site)),
                    ROWS[i].want);
        HG_CHECK_EQ(ROWS[i].label, hg_com_module(&site.com, look(&site)),
                    HG_COM_OK); /* moved: measured anew */
    }
    site = begin(false);
    HG_CHECK_EQ("not reported", hg_com_module(&site.com, look(&site)),
                HG_COM_OK);
    HG_CHECK_FALSE("no value", site.com.has_value[HG_COM_VALUE_MODULE_MC]);
}

static void test_commission__wants_every_statement_and_a_photo(void **unused)
{
    struct hg_com_photo photo = { .label = "block 1", .bytes = 9 };
    struct site site = begin(false);

    (void)unused;
    for (size_t i = 0; i < HG_COM_STATEMENTS; i++)
        HG_CHECK_EQ(hg_com_statement(i)->id,
                    hg_com_agree(&site.com, look(&site),
                                 HG_COM_STATEMENTS_ALL & ~(1u << i)),
                    HG_COM_NOT_AGREED);
    HG_CHECK_EQ("all", hg_com_agree(&site.com, look(&site), ~0u), HG_COM_OK);
    HG_CHECK_EQ("none", hg_com_end_photos(&site.com, look(&site)),
                HG_COM_NO_PHOTO);
    for (int i = 0; i < HG_COM_PHOTOS_MAX; i++) {
        photo.sha256[0] = (char)('a' + i);
        assert_true(hg_com_add_photo(&site.com, &photo));
    }
    assert_true(hg_com_add_photo(&site.com, &photo)); /* the same again */
    photo.sha256[0] = '0';
    assert_false(hg_com_add_photo(&site.com, &photo));
    HG_CHECK_EQ("count", site.com.photos, HG_COM_PHOTOS_MAX);
    HG_CHECK_EQ("some", hg_com_end_photos(&site.com, look(&site)), HG_COM_OK);
}

/* -- heat and the door test as scripts --------------------------------------*/

enum kind { READ = 0, TIME_ONLY, STALE, REBOOT, REMOTE, POWER };
struct at {
    uint64_t dt_ms;
    enum hg_door door;
    bool is_on;
    int32_t air_mc;
    enum kind kind;
};

#define SHUT  HG_DOOR_CLOSED
#define OPEN_ HG_DOOR_OPEN

struct script {
    const char *label;
    enum hg_com_step step;
    struct at at[8]; /* ends at dt_ms 0 */
    enum hg_com_fault want;
    enum hg_com_mark mark;
};

static const struct script SCRIPTS[] = {
    { "rises by 2 C",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ }, { 60000, SHUT, true, 22000, READ } },
      HG_COM_OK,
      HG_COM_PASSED },
    { "rises by less",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ }, { 60000, SHUT, true, 21999, READ } },
      HG_COM_OK,
      HG_COM_WATCHING },
    { "rises from the lowest",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ },
        { 1000, SHUT, true, 19000, READ },
        { 60000, SHUT, true, 21000, READ } },
      HG_COM_OK,
      HG_COM_PASSED },
    { "does not rise",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ },
        { 600000, SHUT, true, 21000, READ } },
      HG_COM_NO_RISE,
      HG_COM_FAILED },
    { "is not started",
      HG_COM_STEP_HEAT,
      { { 300000, SHUT, false, 20000, READ } },
      HG_COM_NOT_STARTED,
      HG_COM_FAILED },
    { "ends early",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ }, { 1000, SHUT, false, 21000, READ } },
      HG_COM_HEAT_ENDED,
      HG_COM_FAILED },
    { "door opened while it warms",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ },
        { 1000, OPEN_, false, 21000, READ } },
      HG_COM_DOOR_OPEN,
      HG_COM_FAILED },
    { "silence",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ },
        { 15000, SHUT, true, 20000, STALE } },
      HG_COM_NO_DATA,
      HG_COM_FAILED },
    { "a new boot",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ },
        { 1000, SHUT, true, 20000, REBOOT } },
      HG_COM_REBOOTED,
      HG_COM_FAILED },
    { "a heat of the gateway",
      HG_COM_STEP_HEAT,
      { { 1000, SHUT, true, 20000, READ },
        { 1000, SHUT, true, 20000, REMOTE } },
      HG_COM_REMOTE_HEAT,
      HG_COM_FAILED },
    { "cut in one message",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, false, 30000, READ },
        { 5000, SHUT, true, 30000, READ },
        { 10000, SHUT, true, 30000, READ } },
      HG_COM_OK,
      HG_COM_PASSED },
    { "cut at the limit",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, true, 30000, READ },
        { 5000, OPEN_, false, 30000, READ },
        { 1000, SHUT, false, 30000, READ },
        { 10000, SHUT, false, 30000, READ } },
      HG_COM_OK,
      HG_COM_PASSED },
    { "cut too late",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, true, 30000, READ },
        { 5001, OPEN_, false, 30000, READ } },
      HG_COM_NOT_CUT,
      HG_COM_FAILED },
    { "still on at the limit",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, true, 30000, READ },
        { 5000, OPEN_, true, 30000, READ } },
      HG_COM_OK,
      HG_COM_WATCHING },
    { "nothing more is heard",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, true, 30000, READ },
        { 5001, OPEN_, true, 30000, STALE } },
      HG_COM_NOT_CUT,
      HG_COM_FAILED },
    { "reported off, power drawn",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, false, 30000, POWER },
        { 5001, OPEN_, false, 30000, POWER } },
      HG_COM_NOT_CUT,
      HG_COM_FAILED },
    { "comes back on",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, false, 30000, READ },
        { 1000, OPEN_, true, 30000, READ } },
      HG_COM_BACK_ON,
      HG_COM_FAILED },
    { "closed early",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, false, 30000, READ },
        { 4999, SHUT, true, 30000, READ } },
      HG_COM_CLOSED_EARLY,
      HG_COM_FAILED },
    { "closed before it was off",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, true, 30000, READ },
        { 1000, SHUT, true, 30000, READ } },
      HG_COM_CLOSED_EARLY,
      HG_COM_FAILED },
    { "off before the door moved",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ }, { 1000, SHUT, false, 30000, READ } },
      HG_COM_HEAT_ENDED,
      HG_COM_FAILED },
    { "never opened",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 300000, SHUT, true, 30000, READ } },
      HG_COM_NOT_OPENED,
      HG_COM_FAILED },
    { "never closed",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, false, 30000, READ },
        { 300000, OPEN_, false, 30000, READ } },
      HG_COM_NOT_CLOSED,
      HG_COM_FAILED },
    { "looked at for too short afterwards",
      HG_COM_STEP_CUT,
      { { 1000, SHUT, true, 30000, READ },
        { 1000, OPEN_, false, 30000, READ },
        { 5000, SHUT, true, 30000, READ },
        { 9999, SHUT, true, 30000, READ },
        { 1, SHUT, true, 30000, TIME_ONLY } },
      HG_COM_OK,
      HG_COM_WATCHING },
};

static void play(struct site *site, const struct at *at)
{
    pass(site, at->dt_ms);
    site->reading.door = at->door;
    site->reading.heater = at->is_on ? HG_HEATER_ON : HG_HEATER_OFF;
    site->reading.air_mc = at->air_mc;
    site->reading.has_power = true;
    site->reading.power_w = at->is_on || at->kind == POWER ? 301 : 300;
    site->sight.is_fresh = at->kind != STALE;
    site->sight.is_remote = at->kind == REMOTE;
    if (at->kind == REBOOT)
        site->reading.boot[0] = '6';
    hg_com_see(&site->com, look(site),
               at->kind != TIME_ONLY && at->kind != STALE);
}

static void test_commission__names_what_the_heat_shows(void **unused)
{
    (void)unused;
    for (size_t i = 0; i < HG_COUNT(SCRIPTS); i++) {
        const struct script *script = &SCRIPTS[i];
        const struct hg_com_result *result;
        struct site site = begin(false);

        done_up_to(&site, (enum hg_com_step)(script->step - 1));
        HG_CHECK_EQ(script->label,
                    hg_com_watch(&site.com, look(&site), script->step),
                    HG_COM_OK);
        for (size_t j = 0; j < 8 && script->at[j].dt_ms != 0; j++)
            play(&site, &script->at[j]);
        result = &site.com.step[script->step];
        HG_CHECK_STR(script->label, hg_com_fault_words(result->fault).code,
                     hg_com_fault_words(script->want).code);
        HG_CHECK_EQ(script->label, result->mark, script->mark);
        HG_CHECK_EQ(script->label, hg_com_is_dangerous(&site.com),
                    script->want == HG_COM_NOT_CUT ||
                        script->want == HG_COM_BACK_ON);
    }
}

static void test_commission__counts_the_longer_of_both_clocks(void **unused)
{
    static const struct at ON = { 1000, SHUT, true, 30000, READ };
    static const struct at OPENED = { 1000, OPEN_, true, 30000, READ };
    static const struct at OFF = { 2000, OPEN_, false, 30000, READ };
    struct site site = begin(true);

    (void)unused;
    hg_com_watch(&site.com, look(&site), HG_COM_STEP_CUT);
    play(&site, &ON);
    play(&site, &OPENED);
    site.reading.uptime_ms += 2500; /* its own clock saw more time pass */
    play(&site, &OFF);
    HG_CHECK_EQ("took", site.com.value[HG_COM_VALUE_CUT_TOOK], 4500);
    HG_CHECK_EQ("at most", site.com.value[HG_COM_VALUE_CUT_AT_MOST], 3000);
}

static void test_commission__waits_for_old_permits_to_run_out(void **unused)
{
    struct site site = begin(true);

    (void)unused;
    site.sight.is_echo = true;
    hg_com_watch(&site.com, look(&site), HG_COM_STEP_CUT);
    site.reading.heater = HG_HEATER_ON;
    pass(&site, 1000);
    read_now(&site);
    HG_CHECK_EQ("waits", site.com.watch.phase, HG_COM_PHASE_QUIET);
    site.sight.is_echo = false;
    read_now(&site);
    HG_CHECK_EQ("goes on", site.com.watch.phase, HG_COM_PHASE_OPEN);
    site = begin(false);
    done_up_to(&site, HG_COM_STEP_SENSOR);
    site.sight.is_echo = true;
    hg_com_watch(&site.com, look(&site), HG_COM_STEP_HEAT);
    site.reading.heater = HG_HEATER_ON;
    read_now(&site);
    HG_CHECK_EQ("on too early", site.com.step[HG_COM_STEP_HEAT].fault,
                HG_COM_HEATER_ON);
}

static void test_commission__begins_no_heat_that_proves_nothing(void **unused)
{
    static const struct {
        const char *label;
        enum hg_com_step step, done;
        enum hg_door door;
        bool is_on, is_remote, is_untrusted, is_stale, is_blind;
        enum hg_com_fault want;
    } ROWS[] = {
        { "heat before the door", HG_COM_STEP_HEAT, HG_COM_STEP_PLACEMENT, SHUT,
          false, false, false, false, false, HG_COM_BEFORE },
        { "door test before the heat", HG_COM_STEP_CUT, HG_COM_STEP_SENSOR,
          SHUT, true, false, false, false, false, HG_COM_BEFORE },
        { "on already", HG_COM_STEP_HEAT, HG_COM_STEP_SENSOR, SHUT, true, false,
          false, false, false, HG_COM_HEATER_ON },
        { "door open", HG_COM_STEP_HEAT, HG_COM_STEP_SENSOR, OPEN_, false,
          false, false, false, false, HG_COM_DOOR_OPEN },
        { "door null", HG_COM_STEP_CUT, HG_COM_STEP_HEAT, HG_DOOR_UNKNOWN,
          false, false, false, false, false, HG_COM_DOOR_UNKNOWN },
        { "remote", HG_COM_STEP_CUT, HG_COM_STEP_HEAT, SHUT, true, true, false,
          false, false, HG_COM_REMOTE_HEAT },
        { "no clock", HG_COM_STEP_CUT, HG_COM_STEP_HEAT, SHUT, true, false,
          true, false, false, HG_COM_CLOCK },
        { "stale", HG_COM_STEP_CUT, HG_COM_STEP_HEAT, SHUT, true, false, false,
          true, false, HG_COM_NO_DATA },
        { "no air", HG_COM_STEP_HEAT, HG_COM_STEP_SENSOR, SHUT, false, false,
          false, false, true, HG_COM_SENSOR_GONE },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct site site = begin(false);

        done_up_to(&site, ROWS[i].done);
        site.reading.door = ROWS[i].door;
        site.reading.heater = ROWS[i].is_on ? HG_HEATER_ON : HG_HEATER_OFF;
        site.reading.has_air = !ROWS[i].is_blind;
        site.sight.is_remote = ROWS[i].is_remote;
        site.sight.is_fresh = !ROWS[i].is_stale;
        site.sight.at.wall.is_trusted = !ROWS[i].is_untrusted;
        HG_CHECK_EQ(ROWS[i].label,
                    hg_com_watch(&site.com, look(&site), ROWS[i].step),
                    ROWS[i].want);
        HG_CHECK_EQ(ROWS[i].label, site.com.watch.step, HG_COM_STEP_NONE);
    }
}

static void test_commission__needs_every_step_in_order(void **unused)
{
    struct site site = begin(false);

    (void)unused;
    for (int i = HG_COM_STEP_NONE + 1; i < HG_COM_STEPS; i++) {
        HG_CHECK_EQ("next", hg_com_next(&site.com), i);
        site.com.step[i].mark = HG_COM_PASSED;
    }
    HG_CHECK_EQ("all", hg_com_next(&site.com), HG_COM_STEP_NONE);
    site.com.step[HG_COM_STEP_DOOR].mark = HG_COM_FAILED;
    HG_CHECK_EQ("undone", hg_com_next(&site.com), HG_COM_STEP_DOOR);
    site = begin(true);
    HG_CHECK_EQ("proof", hg_com_next(&site.com), HG_COM_STEP_CUT);
    site.com.step[HG_COM_STEP_CUT].mark = HG_COM_PASSED;
    HG_CHECK_EQ("proved", hg_com_next(&site.com), HG_COM_STEP_NONE);
}

/* -- JSON -------------------------------------------------------------------*/

static struct site filled(void)
{
    struct hg_com_photo photo = { .label = "block <1>", .bytes = 77 };
    struct site site = begin(false);

    memset(photo.sha256, 'a', HG_COM_DIGEST_BYTES - 1);
    memcpy(site.com.name[HG_COM_NAME_HEATER], "Invented \"6\"", 12);
    hg_com_take_names(&site.com, look(&site));
    hg_com_agree(&site.com, look(&site), HG_COM_STATEMENTS_ALL);
    hg_com_measure(&site.com, look(&site), -1500);
    assert_true(hg_com_add_photo(&site.com, &photo));
    hg_com_end_photos(&site.com, look(&site));
    site.com.step[HG_COM_STEP_DOOR].mark = HG_COM_PASSED;
    site.com.step[HG_COM_STEP_DOOR].at_ms = WALL;
    site.com.said = 3;
    site.com.read[1] = HG_DOOR_OPEN;
    return site;
}

/* each thousandth is the same one after the way through text */
static void test_commission__keeps_thousandths(void **unused)
{
    static const int64_t VALUES[] = { 0,     1,     -1,     999,      1000,
                                      20100, 64201, -40000, -10001,   150000,
                                      57300, 70007, 33333,  INT32_MAX };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(VALUES); i++) {
        struct site site = filled();
        struct hg_commission back;
        json_t *json, *read;
        char *text;

        site.com.value[HG_COM_VALUE_THERMOMETER] = VALUES[i];
        json = hg_com_json(&site.com, false);
        text = json_dumps(json, HG_COM_REAL_PRECISION);
        read = json_loads(text, 0, NULL);
        HG_CHECK_EQ("read", hg_com_from_json(read, &back), 0);
        HG_CHECK_EQ("value", back.value[HG_COM_VALUE_THERMOMETER], VALUES[i]);
        free(text);
        json_decref(json);
        json_decref(read);
    }
}

static void test_commission__comes_back_from_json(void **unused)
{
    struct site site = filled();
    struct hg_commission back;
    json_t *json = hg_com_json(&site.com, false);
    json_t *again;
    char *text;

    (void)unused;
    assert_non_null(json);
    text = json_dumps(json, HG_COM_REAL_PRECISION);
    assert_non_null(strstr(text, "\"thermometer_c\": -1.5,"));
    assert_non_null(strstr(text, "\"air_c\": 20"));
    assert_null(strstr(text, "_mc"));
    free(text);
    assert_int_equal(hg_com_from_json(json, &back), 0);
    again = hg_com_json(&back, false);
    assert_true(json_equal(json, again));
    HG_CHECK_STR("name", back.name[HG_COM_NAME_HEATER], "Invented \"6\"");
    HG_CHECK_EQ("value", back.value[HG_COM_VALUE_THERMOMETER], -1500);
    HG_CHECK_EQ("role", back.actor.role, HG_ROLE_OWNER);
    json_decref(json);
    json_decref(again);
    /* a watched step dies with the process */
    hg_com_watch(&site.com, look(&site), HG_COM_STEP_HEAT);
    json = hg_com_json(&site.com, false);
    assert_int_equal(hg_com_from_json(json, &back), 0);
    HG_CHECK_EQ("interrupted", back.step[HG_COM_STEP_HEAT].fault,
                HG_COM_RESTARTED);
    HG_CHECK_EQ("nothing watched", back.watch.step, HG_COM_STEP_NONE);
    json_decref(json);
}

/* Replace what stands at a place of the record. */
static void test_commission__refuses_json_it_does_not_write(void **unused)
{
    static const struct {
        const char *member; /* of the record, or of its step or photo 0 */
        const char *inside; /* "steps", "photos", or NULL */
        const char *json;
    } ROWS[] = {
        { "v", NULL, "2" },
        { "kind", NULL, "\"half\"" },
        { "begun_at", NULL, "\"yesterday\"" },
        { "step", "steps", "\"nap\"" },
        { "state", "steps", "\"done\"" },
        { "at", "steps", "null" },
        { "fault", "steps", "\"nothing\"" },
        { "sha256", "photos", "\"../../etc\"" },
        { "bytes", "photos", "-1" },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++) {
        struct site site = filled();
        struct hg_commission back = { .said = 99 };
        json_t *json = hg_com_json(&site.com, false);
        json_t *at = json;

        if (ROWS[i].inside != NULL)
            at = json_array_get(json_object_get(json, ROWS[i].inside), 0);
        json_object_set_new(at, ROWS[i].member,
                            json_loads(ROWS[i].json, JSON_DECODE_ANY, NULL));
        HG_CHECK_EQ(ROWS[i].member, hg_com_from_json(json, &back),
                    HG_ERR_CORRUPT);
        HG_CHECK_EQ(ROWS[i].member, back.said, 99);
        json_decref(json);
    }
}

/* -- notices ----------------------------------------------------------------*/

static void test_commission__tells_before_the_proof_is_overdue(void **unused)
{
    static const struct {
        const char *label;
        int64_t left_ms;
        int64_t days;
        unsigned int want;
    } ROWS[] = {
        { "long", 14 * DAY_MS + 1, 180, 0 },
        { "two weeks", 14 * DAY_MS, 180, 1 },
        { "above 3 days", 3 * DAY_MS + 1, 180, 1 },
        { "3 days", 3 * DAY_MS, 180, 2 },
        { "last moment", 1, 180, 2 },
        { "over", 0, 180, 3 },
        { "long over", -DAY_MS, 180, 3 },
        { "a week's proof is not told at once", 7 * DAY_MS, 7, 0 },
        { "a week's proof, 3 days", 3 * DAY_MS, 7, 2 },
        { "a day's proof", DAY_MS, 1, 0 },
        { "a day's proof, over", 0, 1, 3 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(ROWS); i++)
        HG_CHECK_EQ(ROWS[i].label,
                    hg_com_notice_stage(ROWS[i].left_ms,
                                        (uint64_t)(ROWS[i].days * DAY_MS)),
                    ROWS[i].want);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_commission__every_fault_and_step_has_words),
        cmocka_unit_test(test_commission__names_what_the_door_reads),
        cmocka_unit_test(test_commission__judges_doors_by_later_readings),
        cmocka_unit_test(test_commission__compares_the_thermometer),
        cmocka_unit_test(test_commission__holds_the_module_to_its_limits),
        cmocka_unit_test(test_commission__wants_every_statement_and_a_photo),
        cmocka_unit_test(test_commission__names_what_the_heat_shows),
        cmocka_unit_test(test_commission__counts_the_longer_of_both_clocks),
        cmocka_unit_test(test_commission__waits_for_old_permits_to_run_out),
        cmocka_unit_test(test_commission__begins_no_heat_that_proves_nothing),
        cmocka_unit_test(test_commission__needs_every_step_in_order),
        cmocka_unit_test(test_commission__keeps_thousandths),
        cmocka_unit_test(test_commission__comes_back_from_json),
        cmocka_unit_test(test_commission__refuses_json_it_does_not_write),
        cmocka_unit_test(test_commission__tells_before_the_proof_is_overdue),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
