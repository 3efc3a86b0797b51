/*
 * libmosquitto, driven without its thread. Publishing inside a callback only
 * queues there, so callbacks set flags and the owner acts after driving.
 */
#include "sim/link.h"
#include "base/sat.h"
#include "base/text.h"
#include <errno.h>
#include <mosquitto.h>
#include <mqtt_protocol.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define KEEPALIVE_S   10
#define READS_MAX     16 /* packets a turn and link */
#define SUBS_AT_ONCE  64 /* topics in one SUBSCRIBE */
#define GOODBYE_MS    50 /* one wait for the socket when leaving */
#define GOODBYE_TURNS 20
#define MAC_PROPERTY  "mac"
#define REFUSED       128 /* reason codes from here on are failures */

static const char OFFLINE[] = "{\"v\":1,\"online\":false}";

static int topic_of(const struct hg_simlink *link, const char *room,
                    const char *leaf, char topic[HG_SIMLINK_TOPIC_BYTES])
{
    int len = snprintf(topic, HG_SIMLINK_TOPIC_BYTES, "%s/%s/%s", link->root,
                       room, leaf);

    return len > 0 && len < HG_SIMLINK_TOPIC_BYTES ? HG_OK : HG_ERR_RANGE;
}

/* -- properties -------------------------------------------------------------*/

/* a property list with the mac, NULL when nothing is signed */
static int sign_message(const struct hg_simlink_out *out, const char *topic,
                        mosquitto_property **ret_props)
{
    mosquitto_property *props = NULL;
    char mac[HG_SIMSIGN_TEXT_BYTES];
    int err;

    *ret_props = NULL;
    if (!out->sign || !out->sign->is_set)
        return HG_OK;
    err = hg_simsign_make(out->sign, topic, out->payload, out->len, mac);
    if (err < 0)
        return err;
    if (out->is_mac_wrong)
        mac[0] = mac[0] == '0' ? '1' : '0';
    if (mosquitto_property_add_string_pair(&props, MQTT_PROP_USER_PROPERTY,
                                           MAC_PROPERTY, mac)) {
        mosquitto_property_free_all(&props);
        return HG_ERR_MEMORY;
    }
    *ret_props = props;
    return HG_OK;
}

/* the first user property "mac", to be freed; NULL when there is none */
static char *find_mac(const mosquitto_property *props)
{
    bool skip = false;
    const mosquitto_property *at = props;
    char *name = NULL, *value = NULL;

    while ((at = mosquitto_property_read_string_pair(
                at, MQTT_PROP_USER_PROPERTY, &name, &value, skip))) {
        bool is_mac = name && strcmp(name, MAC_PROPERTY) == 0;

        free(name);
        if (is_mac)
            return value;
        free(value);
        skip = true;
    }
    return NULL;
}

/* -- callbacks --------------------------------------------------------------*/

static int subscribe(struct hg_simlink *link, size_t from, size_t count,
                     const char *leaf)
{
    char topic[SUBS_AT_ONCE][HG_SIMLINK_TOPIC_BYTES];
    char *list[SUBS_AT_ONCE];

    for (size_t i = 0; i < count; i++) {
        if (topic_of(link, link->names[from + i], leaf, topic[i]) < 0)
            return MOSQ_ERR_INVAL;
        list[i] = topic[i];
    }
    return mosquitto_subscribe_multiple(link->mosq, NULL, (int)count, list, 1,
                                        0, NULL);
}

static void on_connect(struct mosquitto *mosq, void *data, int code, int flags,
                       const mosquitto_property *props)
{
    struct hg_simlink *link = data;

    (void)mosq;
    (void)flags;
    (void)props;
    if (code) {
        link->trouble = "the broker refused the connection (user name, "
                        "password or protocol?)";
        return;
    }
    link->is_connected = true;
    link->subs_left = 0;
    for (size_t i = 0; i < link->rooms; i += SUBS_AT_ONCE) {
        size_t left = link->rooms - i;
        size_t count = left < SUBS_AT_ONCE ? left : SUBS_AT_ONCE;

        if (subscribe(link, i, count, link->command) ||
            (link->outputs && subscribe(link, i, count, link->outputs)))
            link->trouble = "could not subscribe to a topic";
        link->subs_left += link->outputs ? 2 : 1;
    }
}

static void on_subscribe(struct mosquitto *mosq, void *data, int mid, int count,
                         const int *granted, const mosquitto_property *props)
{
    struct hg_simlink *link = data;

    (void)mosq;
    (void)mid;
    (void)props;
    for (int i = 0; i < count; i++) {
        if (granted[i] >= REFUSED) {
            link->trouble = "the broker refused the topic of permits or "
                            "outputs (its access list?)";
            return;
        }
    }
    if (link->subs_left && --link->subs_left == 0) {
        link->is_ready = true;
        link->is_ready_news = true;
        link->retry_ms = HG_SIMLINK_RETRY_MIN_MS;
        link->trouble = NULL;
    }
}

static void on_message(struct mosquitto *mosq, void *data,
                       const struct mosquitto_message *message,
                       const mosquitto_property *props)
{
    struct hg_simlink *link = data;
    size_t root_len = strlen(link->root);
    char room[HG_SIMLINK_TOPIC_BYTES];
    char *mac, *slash;
    bool is_outputs;

    (void)mosq;
    if (strlen(message->topic) <= root_len + 1 ||
        hg_text_copy(room, sizeof(room), message->topic + root_len + 1) < 0)
        return;
    slash = strchr(room, '/');
    if (!slash)
        return;
    is_outputs = link->outputs && strcmp(slash + 1, link->outputs) == 0;
    if (!is_outputs && strcmp(slash + 1, link->command) != 0)
        return;
    *slash = '\0';
    mac = find_mac(props);
    link->on_permit(link->owner, &(struct hg_simlink_permit) {
                                     .is_outputs = is_outputs,
                                     .room = room,
                                     .topic = message->topic,
                                     .payload = message->payload,
                                     .len = (size_t)message->payloadlen,
                                     .is_retained = message->retain,
                                     .mac = mac });
    free(mac);
}

/* -- opening and closing ----------------------------------------------------*/

static int set_will(struct hg_simlink *link)
{
    struct hg_simlink_out out = { .payload = OFFLINE,
                                  .len = sizeof(OFFLINE) - 1,
                                  .sign = link->sign };
    mosquitto_property *props = NULL;
    char topic[HG_SIMLINK_TOPIC_BYTES];
    int err;

    if (!link->has_will)
        return HG_OK;
    err = topic_of(link, link->names[0], "online", topic);
    if (err == HG_OK)
        err = sign_message(&out, topic, &props);
    if (err < 0)
        return err;
    if (link->is_v311)
        err = mosquitto_will_set(link->mosq, topic, (int)out.len, OFFLINE, 1,
                                 true);
    else /* takes props over when it succeeds */
        err = mosquitto_will_set_v5(link->mosq, topic, (int)out.len, OFFLINE, 1,
                                    true, props);
    if (err == MOSQ_ERR_SUCCESS)
        return HG_OK;
    mosquitto_property_free_all(&props);
    return HG_ERR_MEMORY;
}

static int prepare(struct hg_simlink *link)
{
    struct mosquitto *mosq = link->mosq;

    if (mosquitto_int_option(mosq, MOSQ_OPT_PROTOCOL_VERSION,
                             link->is_v311 ? MQTT_PROTOCOL_V311
                                           : MQTT_PROTOCOL_V5) ||
        mosquitto_int_option(mosq, MOSQ_OPT_TCP_NODELAY, 1) ||
        (link->username &&
         mosquitto_username_pw_set(mosq, link->username, link->password)))
        return HG_ERR_MEMORY;
    mosquitto_connect_v5_callback_set(mosq, on_connect);
    mosquitto_subscribe_v5_callback_set(mosq, on_subscribe);
    mosquitto_message_v5_callback_set(mosq, on_message);
    return set_will(link);
}

static void plan_retry(struct hg_simlink *link, uint64_t now_ms)
{
    hg_simlink_drop(link);
    if (link->retry_ms < HG_SIMLINK_RETRY_MIN_MS)
        link->retry_ms = HG_SIMLINK_RETRY_MIN_MS;
    link->retry_at_ms = hg_sat_add_u64(now_ms, link->retry_ms);
    link->retry_ms *= 2;
    if (link->retry_ms > HG_SIMLINK_RETRY_MAX_MS)
        link->retry_ms = HG_SIMLINK_RETRY_MAX_MS;
}

int hg_simlink_open(struct hg_simlink *link, uint64_t now_ms)
{
    int err;

    hg_simlink_drop(link);
    link->opened_ms = now_ms;
    link->mosq = mosquitto_new(link->client_id, true, link);
    if (!link->mosq)
        return HG_ERR_MEMORY;
    err = prepare(link);
    if (err < 0) {
        hg_simlink_drop(link);
        return err;
    }
    if (mosquitto_connect_async(link->mosq, link->host, link->port,
                                KEEPALIVE_S) != MOSQ_ERR_SUCCESS) {
        link->trouble = "nobody answers at the broker's address";
        plan_retry(link, now_ms);
        return HG_ERR_CLOSED;
    }
    return HG_OK;
}

void hg_simlink_drop(struct hg_simlink *link)
{
    /* closes the socket and sends no DISCONNECT */
    mosquitto_destroy(link->mosq);
    link->mosq = NULL;
    link->is_connected = false;
    link->is_ready = false;
    link->is_ready_news = false;
}

void hg_simlink_leave(struct hg_simlink *link)
{
    if (link->is_connected) {
        mosquitto_disconnect(link->mosq);
        for (int i = 0; i < GOODBYE_TURNS && hg_simlink_fd(link) >= 0; i++) {
            struct pollfd fd = { .fd = hg_simlink_fd(link), .events = POLLOUT };

            if (!mosquitto_want_write(link->mosq))
                break;
            if (poll(&fd, 1, GOODBYE_MS) > 0)
                mosquitto_loop_write(link->mosq, 1);
        }
    }
    hg_simlink_drop(link);
}

/* -- driving ----------------------------------------------------------------*/

int hg_simlink_fd(const struct hg_simlink *link)
{
    return link->mosq ? mosquitto_socket(link->mosq) : -1;
}

bool hg_simlink_wants_write(const struct hg_simlink *link)
{
    /* until CONNACK: the socket may still be connecting */
    return link->mosq && mosquitto_want_write(link->mosq);
}

static int exchange(struct hg_simlink *link, bool is_readable)
{
    int rc = MOSQ_ERR_SUCCESS;

    for (int i = 0; is_readable && i < READS_MAX; i++) {
        errno = 0;
        rc = mosquitto_loop_read(link->mosq, 1);
        if (rc != MOSQ_ERR_SUCCESS || errno == EAGAIN)
            break;
    }
    if (rc == MOSQ_ERR_SUCCESS && mosquitto_want_write(link->mosq))
        rc = mosquitto_loop_write(link->mosq, 1);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_loop_misc(link->mosq);
    return rc;
}

void hg_simlink_drive(struct hg_simlink *link, bool is_readable,
                      uint64_t now_ms)
{
    bool is_slow;

    if (!link->mosq) {
        if (now_ms >= link->retry_at_ms && hg_simlink_open(link, now_ms) < 0 &&
            link->retry_at_ms <= now_ms)
            plan_retry(link, now_ms);
        return;
    }
    if (exchange(link, is_readable) != MOSQ_ERR_SUCCESS ||
        hg_simlink_fd(link) < 0) {
        if (!link->trouble)
            link->trouble = "the connection to the broker was lost";
        plan_retry(link, now_ms);
        return;
    }
    is_slow = !link->is_ready &&
              now_ms > hg_sat_add_u64(link->opened_ms, HG_SIMLINK_CONNECT_MS);
    if (is_slow && !link->trouble)
        link->trouble = "the broker did not finish the connection in 5 s";
    if (is_slow)
        plan_retry(link, now_ms);
}

int hg_simlink_publish(struct hg_simlink *link,
                       const struct hg_simlink_out *out)
{
    mosquitto_property *props = NULL;
    char topic[HG_SIMLINK_TOPIC_BYTES];
    int err;

    if (!link->is_ready)
        return HG_ERR_CLOSED;
    err = topic_of(link, out->room, out->leaf, topic);
    if (err == HG_OK)
        err = sign_message(out, topic, &props);
    if (err < 0)
        return err;
    if (mosquitto_publish_v5(link->mosq, NULL, topic, (int)out->len,
                             out->payload, out->qos, out->is_retained,
                             props) != MOSQ_ERR_SUCCESS)
        err = HG_ERR_CLOSED;
    mosquitto_property_free_all(&props);
    return err;
}
