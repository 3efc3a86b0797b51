/* Received messages: sorted by topic, own echoes taken out. */
#include "controllers/link_impl.h"
#include <mqtt_protocol.h>
#include <stdlib.h>
#include <string.h>

/* What MQTT 5 properties hold; released after the handlers. */
struct extras {
    char *mac;
    char *response_topic;
    void *correlation;
    uint16_t correlation_len;
    bool has_several_macs;
};

static void read_mac(const mosquitto_property *properties,
                     struct extras *extras)
{
    const mosquitto_property *at = properties;
    bool is_next = false;

    for (;;) {
        char *name = NULL;
        char *value = NULL;

        at = mosquitto_property_read_string_pair(at, MQTT_PROP_USER_PROPERTY,
                                                 &name, &value, is_next);
        if (at == NULL)
            return;
        is_next = true;
        if (name != NULL && value != NULL && strcmp(name, "mac") == 0) {
            extras->has_several_macs = extras->mac != NULL;
            free(extras->mac);
            extras->mac = value;
            value = NULL;
        }
        free(name);
        free(value);
        if (extras->has_several_macs)
            return;
    }
}

static void read_extras(const mosquitto_property *properties,
                        struct extras *extras)
{
    memset(extras, 0, sizeof(*extras));
    if (properties == NULL)
        return;
    read_mac(properties, extras);
    (void)mosquitto_property_read_string(properties, MQTT_PROP_RESPONSE_TOPIC,
                                         &extras->response_topic, false);
    (void)mosquitto_property_read_binary(properties, MQTT_PROP_CORRELATION_DATA,
                                         &extras->correlation,
                                         &extras->correlation_len, false);
}

static void release_extras(struct extras *extras)
{
    free(extras->mac);
    free(extras->response_topic);
    free(extras->correlation);
}

static bool is_publishable(const char *topic)
{
    return topic != NULL && topic[0] != '\0' &&
           mosquitto_pub_topic_check(topic) == MOSQ_ERR_SUCCESS;
}

static void hand_permit(struct hg_link *link, const struct hg_link_message *m)
{
    /*
     * With MQTT 5 the broker does not send us our own permits (No Local), so
     * there each is somebody else's. Ours are never retained, so a retained
     * one is not an echo either.
     */
    if (link->is_v311 && !m->is_retained &&
        hg_echo_take(link->echo, m->topic, m->payload, m->len)) {
        link->counts.echoes++;
        return;
    }
    link->counts.foreign++;
    link->handlers.on_foreign_permit(link->handlers.ctx, link, m);
}

static void hand_over(struct hg_link *link, struct hg_link_message *m)
{
    switch (m->at.leaf) {
    case HG_LEAF_PERMIT:
        hand_permit(link, m);
        return;
    case HG_LEAF_GATEWAY:
        m->is_own = hg_echo_take(link->echo, m->topic, m->payload, m->len);
        break;
    case HG_LEAF_TELEMETRY:
    case HG_LEAF_EVENT:
    case HG_LEAF_ONLINE:
    case HG_LEAF_RPC:
        break;
    case HG_LEAF_NONE:
    case HG_LEAF_STATE:
    case HG_LEAF_NOTICE:
    case HG_LEAF_OUTPUTS:
    case HG_LEAF_JOURNAL:
    case HG_LEAF_COUNT:
        link->counts.misplaced++;
        return;
    }
    link->handlers.on_message(link->handlers.ctx, link, m);
}

void hg_link_take_message(struct mosquitto *mosq, void *ctx,
                          const struct mosquitto_message *message,
                          const mosquitto_property *properties)
{
    struct hg_link *link = ctx;
    struct hg_link_message m = {
        .topic = message->topic,
        .payload = message->payload,
        .len = message->payloadlen > 0 ? (size_t)message->payloadlen : 0,
        .qos = (uint8_t)message->qos,
        .is_retained = message->retain,
    };
    struct extras extras;

    (void)mosq;
    link->counts.received++;
    if (link->is_switch) { /* its topics are its owner's to know */
        link->handlers.on_message(link->handlers.ctx, link, &m);
        return;
    }
    if (hg_topic_split(link->root, m.topic, &m.at) < 0) {
        link->counts.misplaced++;
        return;
    }
    read_extras(properties, &extras);
    m.mac = extras.has_several_macs ? "" : extras.mac;
    if (extras.response_topic != NULL)
        m.response_topic =
            is_publishable(extras.response_topic) ? extras.response_topic : "";
    m.correlation = extras.correlation;
    m.correlation_len = extras.correlation_len;
    hand_over(link, &m);
    release_extras(&extras);
}
