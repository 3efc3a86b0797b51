/*
 * Publishing. Only while the broker has accepted us: libmosquitto would keep
 * what is published earlier and send it after the next connect.
 */
#include "base/text.h"
#include "controllers/link_impl.h"
#include <inttypes.h>
#include <mqtt_protocol.h>
#include <string.h>

#define CORRELATION_MAX 65535 /* MQTT 5 section 1.5.6: binary data */

/* May this be published on this link? 0 or an error. */
static int check(const struct hg_link *link,
                 const struct hg_link_publication *what, enum hg_leaf leaf)
{
    if (what->topic == NULL || what->topic[0] == '\0' ||
        mosquitto_pub_topic_check(what->topic) != MOSQ_ERR_SUCCESS ||
        what->qos > 1 || (what->payload == NULL && what->len != 0))
        return HG_ERR_INPUT;
    if (leaf == HG_LEAF_PERMIT && (what->is_retained || what->qos != 1))
        return HG_ERR_INPUT;
    if (link->is_switch && what->is_retained)
        return HG_ERR_INPUT; /* a kept "on" would outlive every permit */
    if (what->mac != NULL && (what->mac[0] == '\0' || link->is_v311))
        return HG_ERR_INPUT;
    if (what->correlation != NULL && link->is_v311)
        return HG_ERR_INPUT;
    if (what->len > HG_LINK_PACKET_MAX / 2 ||
        what->correlation_len > CORRELATION_MAX)
        return HG_ERR_RANGE;
    if (leaf != HG_LEAF_PERMIT && link->unacked >= HG_LINK_UNACKED_MAX)
        return HG_ERR_FULL;
    return 0;
}

static int add_properties(const struct hg_link_publication *what,
                          mosquitto_property **list)
{
    int rc = MOSQ_ERR_SUCCESS;

    if (what->expiry_s != 0)
        rc = mosquitto_property_add_int32(
            list, MQTT_PROP_MESSAGE_EXPIRY_INTERVAL, what->expiry_s);
    if (rc == MOSQ_ERR_SUCCESS && what->mac != NULL)
        rc = mosquitto_property_add_string_pair(list, MQTT_PROP_USER_PROPERTY,
                                                "mac", what->mac);
    if (rc == MOSQ_ERR_SUCCESS && what->correlation != NULL &&
        what->correlation_len != 0)
        rc = mosquitto_property_add_binary(list, MQTT_PROP_CORRELATION_DATA,
                                           what->correlation,
                                           (uint16_t)what->correlation_len);
    if (rc == MOSQ_ERR_SUCCESS)
        return 0;
    return rc == MOSQ_ERR_NOMEM ? HG_ERR_MEMORY : HG_ERR_INPUT;
}

/* libmosquitto's answer to a publish as ours */
static int judge(struct hg_link *link, int rc)
{
    switch (rc) {
    case MOSQ_ERR_SUCCESS:
        return 0;
    case MOSQ_ERR_NOMEM:
        return HG_ERR_MEMORY;
    case MOSQ_ERR_INVAL:
    case MOSQ_ERR_MALFORMED_UTF8:
        return HG_ERR_INPUT;
    case MOSQ_ERR_PAYLOAD_SIZE:
    case MOSQ_ERR_OVERSIZE_PACKET:
        return HG_ERR_RANGE;
    default:
        hg_link_break(link, "the connection broke while publishing: %s",
                      mosquitto_strerror(rc));
        return HG_ERR_CLOSED;
    }
}

static int send_out(struct hg_link *link,
                    const struct hg_link_publication *what)
{
    mosquitto_property *properties = NULL;
    int err = 0;

    if (!link->is_v311)
        err = add_properties(what, &properties);
    if (err == 0) {
        /* counted before: the acknowledgement may come inside the call */
        if (link->unacked++ == 0)
            link->acked_at = link->now;
        err = judge(link, mosquitto_publish_v5(link->mosq, NULL, what->topic,
                                               (int)what->len, what->payload,
                                               what->qos, what->is_retained,
                                               properties));
        if (err < 0 && link->unacked > 0)
            link->unacked--;
    }
    mosquitto_property_free_all(&properties);
    return err;
}

int hg_link_publish(struct hg_link *link,
                    const struct hg_link_publication *what)
{
    struct hg_topic at = { .leaf = HG_LEAF_NONE };
    bool is_echoed;
    int err;

    if (!hg_link_is_up(link))
        return HG_ERR_CLOSED;
    if (what->topic != NULL && !link->is_switch &&
        hg_topic_split(link->root, what->topic, &at) < 0)
        at.leaf = HG_LEAF_NONE; /* a response topic, for example */
    err = check(link, what, at.leaf);
    if (err < 0)
        return err;

    /* with MQTT 5 the broker keeps our permits from us: nothing to remember,
     * and no digests between a door and its revoke */
    is_echoed =
        !link->is_switch && (at.leaf == HG_LEAF_GATEWAY ||
                             (at.leaf == HG_LEAF_PERMIT && link->is_v311));
    if (is_echoed) {
        err = hg_echo_add(link->echo, what->topic, what->payload, what->len);
        if (err < 0)
            return err;
    }
    err = send_out(link, what);
    if (err < 0) {
        if (is_echoed)
            (void)hg_echo_take(link->echo, what->topic, what->payload,
                               what->len);
        return err;
    }
    link->counts.published++;
    if (!link->is_flushing && mosquitto_want_write(link->mosq))
        link->loop.want_write(link->loop.ctx, link);
    return 0;
}

int hg_link_send_permit(struct hg_link *link, const char *room,
                        const struct hg_permit *permit, uint32_t expiry_s,
                        struct hg_mac *mac)
{
    char topic[HG_TOPIC_BYTES];
    char payload[HG_PERMIT_BYTES];
    char text[HG_MAC_TEXT_BYTES];
    struct hg_buf topic_buf;
    struct hg_buf buf;
    struct hg_link_publication what = { .qos = 1, .expiry_s = expiry_s };
    int err;

    hg_buf_init(&topic_buf, topic, sizeof(topic));
    hg_buf_init(&buf, payload, sizeof(payload));
    if (strcmp(room, "+") == 0 || link->is_switch)
        return HG_ERR_INPUT;
    err = hg_topic_build(link->root, room, HG_LEAF_PERMIT, &topic_buf);
    if (err == 0)
        err = hg_permit_encode(permit, &buf);
    if (err == 0 && mac != NULL)
        err = hg_mac_sign(mac, topic, buf.bytes, buf.len, text);
    if (err < 0)
        return err;

    what.topic = topic;
    what.payload = buf.bytes;
    what.len = buf.len;
    what.mac = mac != NULL ? text : NULL;
    return hg_link_publish(link, &what);
}

int hg_link_announce(struct hg_link *link)
{
    char topic[HG_TOPIC_BYTES];
    char payload[128];
    struct hg_buf topic_buf;
    struct hg_buf buf;
    struct hg_link_publication what = { .qos = 1, .is_retained = true };
    int err;

    if (link->is_switch)
        return HG_ERR_INPUT;
    hg_buf_init(&topic_buf, topic, sizeof(topic));
    hg_buf_init(&buf, payload, sizeof(payload));
    err = hg_topic_build(link->root, NULL, HG_LEAF_GATEWAY, &topic_buf);
    if (err == 0)
        err = hg_codec_encode_gateway(link->epoch, true, &buf);
    if (err < 0)
        return err;
    what.topic = topic;
    what.payload = buf.bytes;
    what.len = buf.len;
    return hg_link_publish(link, &what);
}

int hg_link_set_epoch(struct hg_link *link, uint64_t epoch)
{
    if (epoch >= HG_EPOCH_LIMIT || link->is_switch)
        return HG_ERR_RANGE;
    link->epoch = epoch;
    /* before the first birth there is nothing to correct */
    return hg_link_is_up(link) && link->is_announced ? hg_link_announce(link)
                                                     : 0;
}

void hg_link_take_ack(struct mosquitto *mosq, void *ctx, int mid, int reason,
                      const mosquitto_property *properties)
{
    struct hg_link *link = ctx;
    char text[128];
    struct hg_buf buf;

    (void)mosq;
    (void)properties;
    if (link->unacked > 0)
        link->unacked--;
    link->acked_at = link->now;
    if (reason < MQTT_RC_UNSPECIFIED)
        return;
    link->counts.refused++;
    if (link->handlers.on_refused == NULL)
        return;
    hg_buf_init(&buf, text, sizeof(text));
    hg_buf_addf(&buf,
                "the broker refused message %d: %s; check its access "
                "list",
                mid, mosquitto_reason_string(reason));
    link->handlers.on_refused(link->handlers.ctx, link, text);
}
