/* Which settings a reload finds changed, and which it must not take. */
#include "service/config_same.h"
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdlib.h>
#include <string.h>
#include "check.h"

static struct hg_config_room a_room(void)
{
    struct hg_config_room room;

    memset(&room, 0, sizeof(room));
    memcpy(room.name, "heron", 6);
    memcpy(room.label, "Heron cabin", 12);
    room.policy.session_cap_ms = 3600000;
    room.heater_kw = 6;
    return room;
}

#define CHANGE(member)                                                         \
    {                                                                          \
#member, offsetof(struct hg_config_room, member)                       \
    }

static void test_config_same__sees_each_setting(void **state)
{
    static const struct {
        const char *label;
        size_t offset;
    } row[] = {
        CHANGE(policy.usage_class),
        CHANGE(policy.session_cap_ms),
        CHANGE(policy.target_max_mc),
        CHANGE(policy.target_min_mc),
        CHANGE(policy.heater_w),
        CHANGE(policy.lease_ms),
        CHANGE(policy.stale_after_ms),
        CHANGE(policy.late_after_ms),
        CHANGE(policy.evidence),
        CHANGE(policy.look_in_window_ms),
        CHANGE(policy.check_valid_ms),
        CHANGE(policy.door_rule),
        CHANGE(policy.door_hold_max_ms),
        CHANGE(policy.over_temp_mc),
        CHANGE(policy.no_rise_mc),
        CHANGE(policy.no_rise_ms),
        CHANGE(policy.rest_after_cap_ms),
        CHANGE(policy.door_proof_ms),
        CHANGE(policy.is_commissioning_waived),
        CHANGE(heater_kw),
        CHANGE(volume_m3),
        CHANGE(stones_kg),
        CHANGE(wood_mm),
        CHANGE(element),
        CHANGE(outputs.has_light),
        CHANGE(outputs.has_fan),
        CHANGE(outputs.run_on_ms),
        CHANGE(has_key),
        CHANGE(key),
        CHANGE(place_code),
        CHANGE(waiver),
    };
    struct hg_config_room one = a_room();
    struct hg_config_room other;

    (void)state;
    for (size_t i = 0; i < sizeof(row) / sizeof(row[0]); i++) {
        other = one;
        ((unsigned char *)&other)[row[i].offset] ^= 1;

        HG_CHECK_EQ(row[i].label, hg_config_room_is_same(&one, &other), false);
    }
    other = one;
    memcpy(other.label, "Another", 8); /* takes effect at once, heat or not */
    assert_true(hg_config_room_is_same(&one, &other));
}

static void fill(struct hg_config *config, const char *port_of,
                 uint32_t broker_port)
{
    memset(config, 0, sizeof(*config));
    config->broker.host = strdup("127.0.0.1");
    config->broker.port = broker_port;
    config->broker.client_id = strdup("heatgate");
    config->broker.topic_root = strdup("heatgate/v1");
    config->listen.address = strdup("127.0.0.1");
    config->admin_socket = strdup("/run/a.sock");
    config->state_dir = strdup(port_of);
}

static void empty(struct hg_config *config)
{
    free(config->broker.host);
    free(config->broker.client_id);
    free(config->broker.topic_root);
    free(config->listen.address);
    free(config->admin_socket);
    free(config->state_dir);
}

static void test_config_same__holds_what_needs_a_restart(void **state)
{
    struct hg_config in_force, read;
    const char *kept;
    char text[256];
    struct hg_buf names;

    (void)state;
    fill(&in_force, "/var/one", 1883);
    fill(&read, "/var/two", 8883);
    read.listen.allow_cleartext = true;
    read.has_price = true;
    kept = in_force.state_dir;
    hg_buf_init(&names, text, sizeof(text));

    assert_int_equal(hg_config_hold_fixed(&in_force, &read, &names), 3);

    assert_string_equal(text,
                        "/broker/port, /listen/allow_cleartext, /state_dir");
    assert_int_equal(read.broker.port, 1883);
    assert_false(read.listen.allow_cleartext);
    assert_true(read.has_price);
    /* others borrow it: the very pointer must live on */
    assert_ptr_equal(read.state_dir, kept);
    empty(&in_force);
    empty(&read);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_config_same__sees_each_setting),
        cmocka_unit_test(test_config_same__holds_what_needs_a_restart),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
