/* Differences of configurations; see config_same.h. */
#include "service/config_same.h"
#include "controllers/binding.h"
#include <string.h>

static bool is_same_text(const char *a, const char *b)
{
    return a == b || (a != NULL && b != NULL && strcmp(a, b) == 0);
}

static bool is_same_heat(const struct hg_policy *a, const struct hg_policy *b)
{
    return a->usage_class == b->usage_class &&
           a->session_cap_ms == b->session_cap_ms &&
           a->target_max_mc == b->target_max_mc &&
           a->target_min_mc == b->target_min_mc && a->heater_w == b->heater_w &&
           a->over_temp_mc == b->over_temp_mc &&
           a->no_rise_mc == b->no_rise_mc && a->no_rise_ms == b->no_rise_ms &&
           a->rest_after_cap_ms == b->rest_after_cap_ms;
}

static bool is_same_proof(const struct hg_policy *a, const struct hg_policy *b)
{
    return a->lease_ms == b->lease_ms &&
           a->stale_after_ms == b->stale_after_ms &&
           a->late_after_ms == b->late_after_ms && a->evidence == b->evidence &&
           a->look_in_window_ms == b->look_in_window_ms &&
           a->check_valid_ms == b->check_valid_ms &&
           a->door_rule == b->door_rule &&
           a->door_hold_max_ms == b->door_hold_max_ms &&
           a->door_proof_ms == b->door_proof_ms &&
           a->is_commissioning_waived == b->is_commissioning_waived;
}

bool hg_config_binding_is_same(const struct hg_config_room *a,
                               const struct hg_config_room *b)
{
    if (a->binding == NULL || b->binding == NULL)
        return a->binding == b->binding;
    /* made zeroed and filled member by member: equal ones have equal bytes */
    return memcmp(a->binding, b->binding, sizeof(*a->binding)) == 0;
}

bool hg_config_room_is_same(const struct hg_config_room *a,
                            const struct hg_config_room *b)
{
    return is_same_heat(&a->policy, &b->policy) &&
           is_same_proof(&a->policy, &b->policy) &&
           memcmp(&a->heater_kw, &b->heater_kw, sizeof(a->heater_kw)) == 0 &&
           memcmp(&a->volume_m3, &b->volume_m3, sizeof(a->volume_m3)) == 0 &&
           memcmp(&a->stones_kg, &b->stones_kg, sizeof(a->stones_kg)) == 0 &&
           memcmp(&a->wood_mm, &b->wood_mm, sizeof(a->wood_mm)) == 0 &&
           a->element == b->element && hg_config_binding_is_same(a, b) &&
           hg_outputs_is_same(&a->outputs, &b->outputs) &&
           a->has_key == b->has_key &&
           memcmp(a->key, b->key, sizeof(a->key)) == 0 &&
           strcmp(a->place_code, b->place_code) == 0 &&
           strcmp(a->waiver, b->waiver) == 0;
}

static unsigned int tell(struct hg_buf *names, const char *pointer)
{
    if (names->len > 0)
        hg_buf_add(names, ", ");
    hg_buf_add(names, pointer);
    return 1;
}

static unsigned int hold_text(char **in_force, char **read, const char *pointer,
                              struct hg_buf *names)
{
    bool is_same = is_same_text(*in_force, *read);
    char *kept = *in_force;

    /* always: others hold the pointer */
    *in_force = *read;
    *read = kept;
    return is_same ? 0 : tell(names, pointer);
}

static unsigned int hold_u32(uint32_t in_force, uint32_t *read,
                             const char *pointer, struct hg_buf *names)
{
    bool is_same = in_force == *read;

    *read = in_force;
    return is_same ? 0 : tell(names, pointer);
}

static unsigned int hold_flag(bool in_force, bool *read, const char *pointer,
                              struct hg_buf *names)
{
    bool is_same = in_force == *read;

    *read = in_force;
    return is_same ? 0 : tell(names, pointer);
}

static unsigned int hold_broker(struct hg_config_broker *in_force,
                                struct hg_config_broker *read,
                                struct hg_buf *names)
{
    unsigned int count = 0;

    count += hold_text(&in_force->host, &read->host, "/broker/host", names);
    count += hold_u32(in_force->port, &read->port, "/broker/port", names);
    if (in_force->protocol != read->protocol)
        count += tell(names, "/broker/protocol");
    read->protocol = in_force->protocol;
    count += hold_text(&in_force->client_id, &read->client_id,
                       "/broker/client_id", names);
    count += hold_text(&in_force->topic_root, &read->topic_root,
                       "/broker/topic_root", names);
    return count;
}

/* TLS that comes or goes is another door; its files may be others. */
static unsigned int hold_listen(struct hg_config_listen *in_force,
                                struct hg_config_listen *read,
                                struct hg_buf *names)
{
    unsigned int count = 0;

    count +=
        hold_text(&in_force->address, &read->address, "/listen/address", names);
    count += hold_u32(in_force->port, &read->port, "/listen/port", names);
    count += hold_flag(in_force->allow_cleartext, &read->allow_cleartext,
                       "/listen/allow_cleartext", names);
    read->is_loopback = in_force->is_loopback;
    if (in_force->tls.is_on != read->tls.is_on) {
        struct hg_config_tls kept = in_force->tls;

        in_force->tls = read->tls;
        read->tls = kept;
        count += tell(names, "/listen/tls");
    }
    return count;
}

unsigned int hg_config_hold_fixed(struct hg_config *in_force,
                                  struct hg_config *read, struct hg_buf *names)
{
    unsigned int count = hold_broker(&in_force->broker, &read->broker, names);

    count += hold_listen(&in_force->listen, &read->listen, names);
    count += hold_text(&in_force->admin_socket, &read->admin_socket,
                       "/admin_socket", names);
    count +=
        hold_text(&in_force->state_dir, &read->state_dir, "/state_dir", names);
    if (in_force->wall_clock != read->wall_clock)
        count += tell(names, "/wall_clock");
    read->wall_clock = in_force->wall_clock;
    return count;
}
