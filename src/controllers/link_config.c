/* The link's settings: checked, copied, and their files read once. */
#include "base/text.h"
#include "controllers/link_impl.h"
#include <errno.h>
#include <fcntl.h>
#include <mqtt_protocol.h>
#include <openssl/crypto.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define KEEPALIVE_DEFAULT_S 15
#define KEEPALIVE_MIN_S     5 /* libmosquitto's own minimum */
#define NAME_MAX_BYTES      256

static int refuse(struct hg_buf *why, const char *text)
{
    hg_buf_add(why, text);
    return HG_ERR_INPUT;
}

static bool is_name(const char *text)
{
    size_t len = text != NULL ? strnlen(text, NAME_MAX_BYTES + 1) : 0;

    return len > 0 && len <= NAME_MAX_BYTES && hg_text_is_plain_utf8(text, len);
}

static int check_secrets(const struct hg_link_config *config,
                         struct hg_buf *why)
{
    if (config->username != NULL && !is_name(config->username))
        return refuse(why, "username: 1 to 256 bytes of text are wanted");
    if (config->password_file != NULL && config->username == NULL)
        return refuse(why, "password_file: a username is wanted with it");
    return 0;
}

static int check_switch(const struct hg_link_config *config, struct hg_buf *why)
{
    const struct hg_link_will *will = &config->will;

    if (config->is_v311)
        return refuse(why, "protocol: a switch controller needs MQTT 5");
    if (config->subscription_count == 0 ||
        config->subscription_count > HG_LINK_SUBSCRIPTIONS)
        return refuse(why, "signals: 1 to 16 topics are wanted");
    if (will->topic == NULL || will->payload == NULL ||
        will->topic[0] == '\0' || will->payload[0] == '\0' || will->qos > 1 ||
        mosquitto_pub_topic_check(will->topic) != MOSQ_ERR_SUCCESS)
        return refuse(why, "command: a topic without wildcards and an off "
                           "payload are wanted");
    return 0;
}

static int check_kind(const struct hg_link_config *config, struct hg_buf *why)
{
    if (config->kind != HG_LINK_LEASE && config->kind != HG_LINK_SWITCH)
        return refuse(why, "the kind of the link is not known");
    if (config->kind == HG_LINK_SWITCH)
        return check_switch(config, why);
    if (config->root == NULL || !hg_topic_is_root(config->root))
        return refuse(why, "topic_root: 1 to 128 bytes without wildcards, "
                           "empty levels or a leading $ are wanted");
    if (config->epoch >= HG_EPOCH_LIMIT)
        return refuse(why, "epoch: it must be below 2^28");
    return 0;
}

/* What every link needs. */
static int check(const struct hg_link_config *config, struct hg_buf *why)
{
    if (!is_name(config->host) ||
        strlen(config->host) >= HG_RESOLVER_HOST_BYTES)
        return refuse(why, "host: a name or an address is wanted");
    if (config->port == 0)
        return refuse(why, "port: 1 to 65535 is wanted");
    if (!is_name(config->client_id))
        return refuse(why, "client_id: 1 to 256 bytes of text are wanted");
    if (config->keepalive_s != 0 && config->keepalive_s < KEEPALIVE_MIN_S)
        return refuse(why, "keepalive: 5 s or more are wanted");
    if (config->resolver == NULL && !hg_resolver_is_address(config->host))
        return refuse(why, "host: an address is wanted, because names cannot "
                           "be looked up here");
    return check_kind(config, why);
}

static char *copy(const char *text)
{
    return text != NULL ? strdup(text) : NULL;
}

static int add_subscription(struct hg_link *link, const char *topic,
                            enum hg_leaf leaf, int options)
{
    struct link_subscription *to =
        &link->subscription[link->subscription_count];

    to->topic = strdup(topic);
    to->leaf = leaf;
    to->options = options;
    if (to->topic == NULL)
        return HG_ERR_MEMORY;
    link->subscription_count++;
    return 0;
}

static int copy_lease(struct hg_link *link, const struct hg_link_config *config)
{
    static const struct {
        enum hg_leaf leaf;
        int options;
    } row[] = {
        /* what others claim first, then who is there, then what they say */
        { HG_LEAF_GATEWAY, 0 }, /* also what an earlier life of ours retained */
        { HG_LEAF_PERMIT, MQTT_SUB_OPT_NO_LOCAL },
        { HG_LEAF_ONLINE, 0 },
        { HG_LEAF_EVENT, 0 },
        { HG_LEAF_TELEMETRY, 0 },
        { HG_LEAF_RPC, 0 },
    };
    int err = 0;

    link->root = copy(config->root);
    if (link->root == NULL)
        return HG_ERR_MEMORY;
    for (size_t i = 0; i < HG_COUNT(row) && err == 0; i++) {
        char topic[HG_TOPIC_BYTES];
        struct hg_buf buf;

        hg_buf_init(&buf, topic, sizeof(topic));
        err = hg_topic_build(config->root,
                             hg_topic_leaf_has_room(row[i].leaf) ? "+" : NULL,
                             row[i].leaf, &buf);
        if (err == 0)
            err = add_subscription(link, topic, row[i].leaf, row[i].options);
    }
    return err;
}

static int copy_switch(struct hg_link *link,
                       const struct hg_link_config *config)
{
    int err = 0;

    link->is_switch = true;
    link->will_topic = copy(config->will.topic);
    link->will_payload = copy(config->will.payload);
    link->will_qos = config->will.qos;
    if (link->will_topic == NULL || link->will_payload == NULL)
        return HG_ERR_MEMORY;
    for (size_t i = 0; i < config->subscription_count && err == 0; i++)
        err = add_subscription(
            link, config->subscription[i].topic, HG_LEAF_NONE,
            config->subscription[i].is_no_local ? MQTT_SUB_OPT_NO_LOCAL : 0);
    return err;
}

static int copy_kind(struct hg_link *link, const struct hg_link_config *config)
{
    return config->kind == HG_LINK_SWITCH ? copy_switch(link, config)
                                          : copy_lease(link, config);
}

static int copy_settings(struct hg_link *link,
                         const struct hg_link_config *config)
{
    int err = copy_kind(link, config);

    if (err < 0)
        return err;
    link->host = copy(config->host);
    link->client_id = copy(config->client_id);
    if (link->host == NULL || link->client_id == NULL)
        return HG_ERR_MEMORY;
    link->port = config->port;
    link->is_v311 = config->is_v311;
    link->epoch = config->epoch;
    link->resolver = config->resolver;
    link->keepalive_s =
        config->keepalive_s != 0 ? config->keepalive_s : KEEPALIVE_DEFAULT_S;
    return 0;
}

static int complain(struct hg_buf *why, const char *path, const char *text,
                    int err)
{
    hg_buf_addf(why, "%s: %s", path, text);
    return err;
}

/* Take one line from an open file as the password. */
static int take_password(struct hg_link_secrets *secrets, int fd,
                         const char *path, struct hg_buf *why)
{
    struct stat st;
    ssize_t got;
    size_t len;

    if (fstat(fd, &st) < 0)
        return complain(why, path, strerror(errno), HG_ERR_SYSTEM);
    if (!S_ISREG(st.st_mode))
        return complain(why, path, "the password file is no regular file",
                        HG_ERR_DENIED);
    if ((st.st_mode & 07) != 0)
        return complain(why, path,
                        "everybody can read the password; run chmod 600 on "
                        "it and change the password",
                        HG_ERR_DENIED);
    got = read(fd, secrets->password, sizeof(secrets->password));
    if (got < 0)
        return complain(why, path, strerror(errno), HG_ERR_SYSTEM);
    len = (size_t)got;
    if (len > 0 && secrets->password[len - 1] == '\n')
        len--;
    if (len == 0 || len >= sizeof(secrets->password) ||
        memchr(secrets->password, '\0', len) != NULL ||
        memchr(secrets->password, '\n', len) != NULL)
        return complain(why, path, "one line of 1 to 1024 bytes is wanted",
                        HG_ERR_INPUT);
    secrets->password[len] = '\0';
    secrets->has_password = true;
    return 0;
}

static int read_password(struct hg_link_secrets *secrets, const char *path,
                         struct hg_buf *why)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    int err;

    if (fd < 0)
        return complain(why, path, strerror(errno), HG_ERR_SYSTEM);
    err = take_password(secrets, fd, path, why);
    (void)close(fd);
    return err;
}

int hg_link_secrets_new(const struct hg_link_config *config, struct hg_buf *why,
                        struct hg_link_secrets **ret_secrets)
{
    struct hg_link_secrets *secrets;
    int err = check_secrets(config, why);

    if (err < 0)
        return err;
    secrets = calloc(1, sizeof(*secrets));
    if (secrets == NULL)
        err = HG_ERR_MEMORY;
    if (err == 0 && config->username != NULL) {
        secrets->username = copy(config->username);
        err = secrets->username == NULL ? HG_ERR_MEMORY : 0;
    }
    if (err == 0 && config->password_file != NULL)
        err = read_password(secrets, config->password_file, why);
    if (err == 0 && config->tls != NULL) {
        err =
            hg_link_trust_init(&secrets->trust, config->tls, config->host, why);
        secrets->has_tls = err == 0;
    }
    if (err == HG_ERR_MEMORY)
        hg_buf_add(why, "out of memory");
    if (err == 0)
        *ret_secrets = secrets;
    else
        hg_link_secrets_free(secrets);
    return err;
}

void hg_link_secrets_free(struct hg_link_secrets *secrets)
{
    if (secrets == NULL)
        return;
    hg_link_trust_release(&secrets->trust);
    OPENSSL_cleanse(secrets->password, sizeof(secrets->password));
    free(secrets->username);
    free(secrets);
}

int hg_link_configure(struct hg_link *link, const struct hg_link_config *config,
                      struct hg_buf *why)
{
    int err = check(config, why);

    if (err == 0)
        err = copy_settings(link, config);
    if (err == 0)
        err = hg_echo_new(&link->echo);
    if (err == HG_ERR_MEMORY)
        hg_buf_add(why, "out of memory");
    return err < 0 ? err : hg_link_secrets_new(config, why, &link->secrets);
}

void hg_link_unconfigure(struct hg_link *link)
{
    hg_link_secrets_free(link->secrets);
    hg_link_secrets_free(link->next);
    hg_echo_free(link->echo);
    free(link->host);
    free(link->client_id);
    free(link->root);
    for (size_t i = 0; i < link->subscription_count; i++)
        free(link->subscription[i].topic);
    free(link->will_topic);
    free(link->will_payload);
}
