/*
 * Lockouts: what makes them latch, exactly when, and who clears them after
 * what. And the watching of local heat.
 */
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <setjmp.h>
#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "gate_room.h"
#include "gate_story.h"

#define W(name) HG_WHY_BIT(HG_WHY_##name)

static void hear_air(struct room *room, int32_t air_mc, uint64_t after_ms)
{
    room_pass(room, after_ms);
    room->air_mc = air_mc;
    room_hear(room);
}

static void test_gate_watch__air_in_and_out_of_range(void **unused)
{
    static const struct {
        const char *label;
        int32_t air_mc;
        hg_why_set want;
    } row[] = {
        { "coldest", -40000, 0 },
        { "too cold", -40001, W(SENSOR_FAULT) },
        { "hottest below the limit", 119999, 0 },
        { "at the limit", 120000, W(OVER_TEMPERATURE) },
        { "hottest", 150000, W(OVER_TEMPERATURE) },
        { "too hot to be true", 150001, W(SENSOR_FAULT) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room.air_mc = row[i].air_mc;
        room_connect(&room);
        HG_CHECK_EQ_U64(row[i].label, room.state.lockouts, row[i].want);
    }
}

static void test_gate_watch__lockout_is_told(void **unused)
{
    struct room room;

    (void)unused;
    room_ready(&room);
    room.policy.stale_after_ms = 60000;
    hear_air(&room, 120000, 40000);
    CHECK_STORY("latched", &room,
                "lockout-set/over-temperature "
                "!alarm:lockout-set/over-temperature "
                "check-voided/over-temperature "
                "!warning:check-voided/over-temperature *");
    hear_air(&room, 120001, 2000);
    CHECK_STORY("once", &room, "");
    assert_int_equal(room.state.check.why, HG_WHY_OVER_TEMPERATURE);
}

static void test_gate_watch__steps_of_the_air(void **unused)
{
    static const struct {
        const char *label;
        int32_t step_mc;
        uint64_t dt_ms;
        bool is_possible;
    } row[] = {
        { "up, at once", 20000, 0, true },
        { "up, at once, too far", 20001, 0, false },
        { "up, in 2 s", 26000, 2000, true },
        { "up, in 2 s, too far", 26001, 2000, false },
        { "down, in 2 s", -26000, 2000, true },
        { "down, in 2 s, too far", -26001, 2000, false },
        { "up, in 999 ms", 22997, 999, true },
        { "up, in 999 ms, too far", 22998, 999, false },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room.air_mc = 50000;
        room_connect(&room);
        hear_air(&room, 50000 + row[i].step_mc, row[i].dt_ms);
        HG_CHECK_EQ_U64(row[i].label, room.state.lockouts,
                        row[i].is_possible ? 0 : W(SENSOR_FAULT));
    }
}

static void test_gate_watch__a_minute_allows_two_hundred_degrees(void **unused)
{
    struct room room;

    (void)unused;
    /* beyond a minute no more is allowed, and no less: -40 to 150 C is 190 */
    for (uint64_t dt_ms = 56666; dt_ms <= 56667; dt_ms++) {
        room_init(&room);
        room.policy.stale_after_ms = 60000;
        room.policy.over_temp_mc = 200000;
        room.air_mc = -40000;
        room_connect(&room);
        hear_air(&room, 150000, dt_ms);
        HG_CHECK_EQ_U64("step", room.state.lockouts,
                        dt_ms == 56666 ? W(SENSOR_FAULT) : 0);
    }
}

static void test_gate_watch__a_gap_compares_nothing(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    hear_air(&room, 119000, 15000); /* stale in between */
    assert_int_equal(room.state.lockouts, 0);
    hear_air(&room, 20000, 2000);
    assert_int_equal(room.state.lockouts, W(SENSOR_FAULT));
    /* from an impossible reading nothing is measured either */
    room_init(&room);
    room_connect(&room);
    hear_air(&room, 150001, 2000);
    room.state.lockouts = 0;
    hear_air(&room, 20000, 2000);
    assert_int_equal(room.state.lockouts, 0);
}

/* Readings every 2 s with the heater on or off and the same air. */
static void hold_air(struct room *room, enum hg_heater heater, uint64_t ms)
{
    room->heater = heater;
    room_run(room, ms);
}

static void test_gate_watch__frozen_sensor(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_local(&room, HG_LOCAL_START);
    hold_air(&room, HG_HEATER_OFF, 20 * MIN_MS);
    assert_int_equal(room.state.stream.same_air_on_ms, 0);
    hold_air(&room, HG_HEATER_ON, 2000); /* on from here */
    assert_int_equal(room.state.stream.same_air_on_ms, 0);
    hold_air(&room, HG_HEATER_ON, 10 * MIN_MS - 1);
    assert_int_equal(room.state.lockouts, 0);
    hold_air(&room, HG_HEATER_OFF, 2000); /* counts neither way */
    hold_air(&room, HG_HEATER_ON, 2000);
    assert_int_equal(room.state.lockouts, 0);
    hold_air(&room, HG_HEATER_ON, 1);
    assert_int_equal(room.state.lockouts, W(SENSOR_FAULT));
}

static void test_gate_watch__moving_sensor_is_not_frozen(void **unused)
{
    struct room room;

    (void)unused;
    room_init(&room);
    room_connect(&room);
    room_local(&room, HG_LOCAL_START);
    hold_air(&room, HG_HEATER_ON, 10 * MIN_MS);
    room.air_mc++;
    room_hear(&room);
    assert_int_equal(room.state.stream.same_air_on_ms, 0);
    hold_air(&room, HG_HEATER_ON, 9 * MIN_MS);
    room_pass(&room, 15000); /* a gap starts it anew, too */
    room_do(&room, HG_EVENT_TICK);
    assert_int_equal(room.state.stream.same_air_on_ms, 0);
    hold_air(&room, HG_HEATER_ON, 9 * MIN_MS);
    assert_int_equal(room.state.lockouts, 0);
    hear_air(&room, 150001, 2000);
    assert_int_equal(room.state.stream.same_air_on_ms, 0);
    hear_air(&room, 150001, 2000);
    hear_air(&room, 20000, 2000);
    assert_int_equal(room.state.stream.same_air_on_ms, 0);
}

/* On, with the air moving by a tenth but not rising, as long as asked. */
static void stew(struct room *room, uint64_t ms)
{
    room->heater = HG_HEATER_ON;
    for (uint64_t done = 0; done < ms; done += 2000) {
        room->air_mc += done / 2000 % 2 ? -100 : 100;
        room_run(room, ms - done < 2000 ? ms - done : 2000);
    }
}

static void test_gate_watch__no_rise_latches_after_its_window(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    stew(&room, 2000); /* the window opens */
    stew(&room, 15 * MIN_MS - 1);
    assert_true(room.state.session.is_active);
    stew(&room, 1);

    assert_int_equal(room.state.lockouts, W(NO_RISE));
    assert_int_equal(room.state.last.end, HG_WHY_NO_RISE);
    assert_int_equal(room.effects.effect[0].kind, HG_EFFECT_REVOKE);
}

static void test_gate_watch__a_rise_opens_a_new_window(void **unused)
{
    static const struct {
        const char *label;
        int32_t rise_mc;
        hg_why_set want;
    } row[] = {
        { "enough", 3000, 0 },
        { "not enough", 2999, W(NO_RISE) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_heating(&room, 60 * MIN_MS);
        stew(&room, 2000);
        room.air_mc = room.state.session.rise_base_mc;
        stew(&room, 14 * MIN_MS);
        room.air_mc = room.state.session.rise_base_mc + row[i].rise_mc;
        room_run(&room, 2 * MIN_MS);
        HG_CHECK_EQ_U64(row[i].label, room.state.lockouts, row[i].want);
    }
}

static void
test_gate_watch__heater_off_does_not_count_for_no_rise(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    for (int i = 0; i < 30; i++) {
        stew(&room, 58000);
        room.heater = HG_HEATER_OFF;
        room_run(&room, 2000);
        if (i < 15)
            assert_int_equal(room.state.lockouts, 0);
    }
    /* 54 s of each minute are between two readings that both say on */
    assert_int_equal(room.state.lockouts, W(NO_RISE));
}

static void test_gate_watch__near_the_target_nothing_has_to_rise(void **unused)
{
    static const struct {
        const char *label;
        int32_t air_mc;
        hg_why_set want;
    } row[] = {
        { "near", 77000, 0 },
        { "not near", 76899, W(NO_RISE) },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_init(&room);
        room.air_mc = row[i].air_mc;
        room_connect(&room);
        room_look_in(&room);
        room_sign_as(&room, room_owner());
        {
            struct hg_event event = room_heat(&room, room_owner(), 60 * MIN_MS);

            room_step(&room, &event);
        }
        room_commit(&room);
        stew(&room, 16 * MIN_MS);
        HG_CHECK_EQ_U64(row[i].label, room.state.lockouts, row[i].want);
    }
}

static void test_gate_watch__what_closes_the_window_of_no_rise(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    stew(&room, 4000);
    assert_int_equal(room.state.session.rise_on_ms, 2000);
    room_door(&room, HG_DOOR_OPEN);
    assert_false(room.state.session.has_rise_base);
    room_door(&room, HG_DOOR_CLOSED);
    stew(&room, 4000);
    assert_true(room.state.session.has_rise_base);
    room.air_mc = 77000; /* a reading near the target, as if by water */
    room.state.stream.reading.air_mc = 77000;
    room_hear(&room);
    assert_false(room.state.session.has_rise_base);
    /* a change of the target begins anew */
    room.air_mc = 60000;
    stew(&room, 4000);
    assert_true(room.state.session.has_rise_base);
    {
        struct hg_event event = room_heat(&room, room_owner(), 60 * MIN_MS);

        event.kind = HG_EVENT_CHANGE;
        room_step(&room, &event);
    }
    room_commit(&room);
    assert_false(room.state.session.has_rise_base);
}

static struct hg_event following(struct room *room, uint64_t serial)
{
    struct hg_event event = room_reading(room);

    event.reading.has_permit = true;
    event.reading.permit = serial;
    return event;
}

static void test_gate_watch__permit_not_followed_is_told_once(void **unused)
{
    struct room room;
    struct hg_event event;
    uint64_t other;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    other = room.state.permit.serial - 1;
    for (int i = 0; i < 15; i++) {
        room_pass(&room, 2000);
        event = following(&room, other);
        room_step(&room, &event);
        assert_null(room_record(&room, HG_RECORD_PERMIT_IGNORED));
    }
    room_pass(&room, 1999);
    event = following(&room, other);
    room_step(&room, &event);
    assert_null(room_record(&room, HG_RECORD_PERMIT_IGNORED));
    room_pass(&room, 1);
    event = following(&room, other);
    room_step(&room, &event);
    CHECK_STORY("after a lease", &room,
                "permit-not-followed/permit-not-followed "
                "!alarm:permit-not-followed/permit-not-followed");
    room_pass(&room, 2000);
    event = following(&room, other);
    room_step(&room, &event);
    assert_null(room_record(&room, HG_RECORD_PERMIT_IGNORED));
    assert_true(room.state.session.is_active);
}

static void test_gate_watch__what_counts_as_following(void **unused)
{
    static const struct {
        const char *label;
        int64_t serial; /* against the one in force */
        bool has_permit, is_unfollowed;
    } row[] = {
        { "the one in force", 0, true, false },
        { "the one before", -1, true, false },
        { "one before that", -2, true, true },
        { "none reported", -2, false, false },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_heating(&room, 60 * MIN_MS);
        room_run(&room, 20000); /* renewed twice */
        event = following(&room, room.state.permit.serial - 5);
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.session.is_unfollowed, true);
        room.state.session.is_unfollowed_told = true;
        event = following(&room, (uint64_t)((int64_t)room.state.permit.serial +
                                            row[i].serial));
        event.reading.has_permit = row[i].has_permit;
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.session.is_unfollowed,
                    row[i].is_unfollowed);
        HG_CHECK_EQ(row[i].label, room.state.session.is_unfollowed_told,
                    row[i].is_unfollowed);
    }
}

static void
test_gate_watch__zero_is_not_the_permit_before_the_first(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room.state.session.serial_before = 0;
    event = following(&room, 0);
    room_step(&room, &event);
    assert_true(room.state.session.is_unfollowed);
    /* withdrawn: whatever is reported then is no matter */
    room_door(&room, HG_DOOR_OPEN);
    assert_false(room.state.session.is_unfollowed);
    event = following(&room, 0);
    event.reading.door = HG_DOOR_OPEN;
    room_step(&room, &event);
    assert_false(room.state.session.is_unfollowed);
}

static void test_gate_watch__nobody_follows_without_heat(void **unused)
{
    struct room room;
    struct hg_event event;

    (void)unused;
    room_ready(&room);
    event = following(&room, 5);
    room_step(&room, &event);

    assert_false(room.state.session.is_unfollowed);
}

/* Connected, and any permit of an earlier run long over. */
static void room_quiet(struct room *room)
{
    room_init(room);
    room_connect(room);
    room_run(room, 60000);
}

/* Warm up with the air moving, so that nothing else latches. */
static void glow(struct room *room, uint64_t ms)
{
    room->heater = HG_HEATER_ON;
    for (uint64_t done = 0; done < ms; done += 2000) {
        room->air_mc += 100;
        room_run(room, ms - done < 2000 ? ms - done : 2000);
    }
}

static void
test_gate_watch__unbidden_heat_latches_after_two_leases(void **unused)
{
    struct room room;

    (void)unused;
    room_quiet(&room);
    glow(&room, 2000); /* first seen on */
    CHECK_STORY("told off at once", &room, "");
    room_do(&room, HG_EVENT_TICK);
    CHECK_STORY("told off", &room, "-heater-unbidden");
    glow(&room, 28000);
    CHECK_STORY("not yet again", &room, "");
    glow(&room, 2000);
    CHECK_STORY("after a lease", &room, "-heater-unbidden");
    glow(&room, 29999);
    assert_int_equal(room.state.lockouts, 0);
    glow(&room, 1);
    CHECK_STORY("after two", &room,
                "-heater-unbidden lockout-set/heater-unbidden "
                "!alarm:lockout-set/heater-unbidden *");
    assert_int_equal(room.state.lockouts, W(HEATER_UNBIDDEN));
}

static void test_gate_watch__unbidden_heat_that_stops_is_forgiven(void **unused)
{
    struct room room;

    (void)unused;
    room_quiet(&room);
    glow(&room, 40000);
    room.heater = HG_HEATER_OFF;
    room_run(&room, 2000);
    assert_false(room.state.is_unbidden);
    glow(&room, 60000);
    assert_int_equal(room.state.lockouts, 0);
    glow(&room, 2000);
    assert_int_equal(room.state.lockouts, W(HEATER_UNBIDDEN));
}

static void
test_gate_watch__heat_after_a_permit_counts_from_its_end(void **unused)
{
    struct room room;
    uint64_t until_ms;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    glow(&room, 20000);
    until_ms = room.state.permit.until.ms;
    room_do(&room, HG_EVENT_STOP);
    assert_int_equal(room.state.silent_until.ms, until_ms);
    glow(&room, until_ms - room.now.mono.ms + 59999);
    assert_int_equal(room.state.lockouts, 0);
    glow(&room, 1);

    assert_int_equal(room.state.lockouts, W(HEATER_UNBIDDEN));
}

static void test_gate_watch__power_drawn_is_heat(void **unused)
{
    static const struct {
        const char *label;
        uint32_t heater_w, power_w;
        bool has_power, want;
    } row[] = {
        { "5 % of 6 kW", 6000, 300, true, false },
        { "above 5 %", 6000, 301, true, true },
        { "above, but not measured", 6000, 301, false, false },
        { "50 W at least", 600, 50, true, false },
        { "above 50 W", 600, 51, true, true },
        { "50 W is more than 5 %", 970, 50, true, false },
        { "5 % is 50 W", 1019, 50, true, false },
        { "5 % is 51 W", 1020, 51, true, false },
        { "above 51 W", 1020, 52, true, true },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;
        struct hg_event event;

        room_quiet(&room);
        room.policy.heater_w = row[i].heater_w;
        event = room_reading(&room);
        event.reading.has_power = row[i].has_power;
        event.reading.power_w = row[i].power_w;
        room_step(&room, &event);
        HG_CHECK_EQ(row[i].label, room.state.is_unbidden, row[i].want);
    }
}

static void test_gate_watch__held_heat_is_told_off_too(void **unused)
{
    struct room room;

    (void)unused;
    room_heating(&room, 60 * MIN_MS);
    room_door(&room, HG_DOOR_OPEN);
    room.policy.door_hold_max_ms = 300000;
    glow(&room, 32000);
    assert_true(room.state.is_unbidden);
    room.state.revoked_at.ms = 0;
    room_do(&room, HG_EVENT_TICK);

    CHECK_STORY("held", &room, "-heater-unbidden");
    assert_true(room.state.session.is_held);
}

static void test_gate_watch__local_heat_is_counted_to_its_cap(void **unused)
{
    static const struct {
        const char *label;
        uint64_t rest_ms;
    } row[] = {
        { "no rest", 0 },
        { "a rest", 1 },
    };

    (void)unused;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct room room;

        room_quiet(&room);
        room.policy.session_cap_ms = 10 * MIN_MS;
        room.policy.rest_after_cap_ms = row[i].rest_ms;
        room_local(&room, HG_LOCAL_START);
        CHECK_STORY(row[i].label, &room, "local-started@controller *");
        room_pass(&room, 5 * MIN_MS);
        room_hear(&room);
        room_local(&room, HG_LOCAL_START); /* extends nothing */
        room_pass(&room, 5 * MIN_MS - 1);
        room_hear(&room);
        HG_CHECK_EQ(row[i].label, room.state.is_local, true);
        room_pass(&room, 1);
        room_do(&room, HG_EVENT_TICK);
        CHECK_STORY(row[i].label, &room,
                    "local-stopped/cap-reached "
                    "!warning:local-stopped/cap-reached *");
        HG_CHECK_EQ(row[i].label, room.state.is_local, false);
        HG_CHECK_EQ(row[i].label, room.state.silent_until.ms, room.now.mono.ms);
        HG_CHECK_EQ(row[i].label, room.state.is_resting, row[i].rest_ms > 0);
        if (row[i].rest_ms == 0)
            continue;
        HG_CHECK_EQ(row[i].label, room.state.rest_until.ms,
                    room.now.mono.ms + row[i].rest_ms);
        room_pass(&room, 1);
        room_do(&room, HG_EVENT_TICK);
        CHECK_STORY(row[i].label, &room, "*");
        HG_CHECK_EQ(row[i].label, room.state.is_resting, false);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gate_watch__air_in_and_out_of_range),
        cmocka_unit_test(test_gate_watch__lockout_is_told),
        cmocka_unit_test(test_gate_watch__steps_of_the_air),
        cmocka_unit_test(test_gate_watch__a_minute_allows_two_hundred_degrees),
        cmocka_unit_test(test_gate_watch__a_gap_compares_nothing),
        cmocka_unit_test(test_gate_watch__frozen_sensor),
        cmocka_unit_test(test_gate_watch__moving_sensor_is_not_frozen),
        cmocka_unit_test(test_gate_watch__no_rise_latches_after_its_window),
        cmocka_unit_test(test_gate_watch__a_rise_opens_a_new_window),
        cmocka_unit_test(
            test_gate_watch__heater_off_does_not_count_for_no_rise),
        cmocka_unit_test(test_gate_watch__near_the_target_nothing_has_to_rise),
        cmocka_unit_test(test_gate_watch__what_closes_the_window_of_no_rise),
        cmocka_unit_test(test_gate_watch__permit_not_followed_is_told_once),
        cmocka_unit_test(test_gate_watch__what_counts_as_following),
        cmocka_unit_test(
            test_gate_watch__zero_is_not_the_permit_before_the_first),
        cmocka_unit_test(test_gate_watch__nobody_follows_without_heat),
        cmocka_unit_test(
            test_gate_watch__unbidden_heat_latches_after_two_leases),
        cmocka_unit_test(test_gate_watch__unbidden_heat_that_stops_is_forgiven),
        cmocka_unit_test(
            test_gate_watch__heat_after_a_permit_counts_from_its_end),
        cmocka_unit_test(test_gate_watch__power_drawn_is_heat),
        cmocka_unit_test(test_gate_watch__held_heat_is_told_off_too),
        cmocka_unit_test(test_gate_watch__local_heat_is_counted_to_its_cap),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
