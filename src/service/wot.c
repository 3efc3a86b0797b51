/*
 * The Thing Description: the template of the contract, compiled in, with its
 * placeholders filled in from the configuration. Source of the form: W3C Web
 * of Things (WoT) Thing Description 1.1, sections 5 and 10.3.6 (placeholders
 * of Thing Models).
 */
#include "service/wot.h"
#include "api/server.h"
#include "base/buf.h"
#include "heatgate/version.h"
#include <jansson.h>
#include <string.h>
#include <unistd.h>

#define HOST_BYTES 300
#define HREF_BYTES 1024

/* generated from config/contract/thing-description.template.json */
static const unsigned char TEMPLATE[] = {
#include "thing_template.inc"
};

struct filling {
    json_t *values; /* by the name of the placeholder */
    bool is_short;  /* of memory */
};

/* -- where the gateway is ---------------------------------------------------*/

static bool is_wildcard(const char *address)
{
    return strcmp(address, "0.0.0.0") == 0 || strcmp(address, "::") == 0;
}

/* An address that listens everywhere is no address to connect to. */
static void find_host(const struct hg_config_listen *listen,
                      char host[HOST_BYTES])
{
    struct hg_buf buf;

    hg_buf_init(&buf, host, HOST_BYTES);
    if (!is_wildcard(listen->address)) {
        hg_buf_add(&buf, listen->address);
        return;
    }
    if (gethostname(host, HOST_BYTES) < 0 || host[0] == '\0')
        hg_buf_add(&buf, "localhost");
    host[HOST_BYTES - 1] = '\0';
}

static bool is_loopback(const char *host)
{
    return strcmp(host, "localhost") == 0 || strcmp(host, "::1") == 0 ||
           strncmp(host, "127.", 4) == 0;
}

/* scheme://host:port, an IPv6 address in brackets (RFC 3986, 3.2.2) */
static void add_origin(struct hg_buf *href, const char *scheme,
                       const char *host, uint32_t port)
{
    bool is_ipv6 = strchr(host, ':') != NULL;

    hg_buf_addf(href, "%s://%s%s%s:%u", scheme, is_ipv6 ? "[" : "", host,
                is_ipv6 ? "]" : "", (unsigned int)port);
}

/* A topic as the path of a URI: all but unreserved characters escaped. */
static void add_path(struct hg_buf *href, const char *topic)
{
    static const char unreserved[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                     "abcdefghijklmnopqrstuvwxyz"
                                     "0123456789-._~/";

    hg_buf_add(href, "/");
    for (const char *c = topic; *c != '\0'; c++) {
        if (strchr(unreserved, *c) != NULL)
            hg_buf_add_bytes(href, c, 1);
        else
            hg_buf_addf(href, "%%%02X", (unsigned int)(unsigned char)*c);
    }
}

/* -- values -----------------------------------------------------------------*/

static void set(struct filling *filling, const char *name, json_t *value_taken)
{
    if (json_object_set_new(filling->values, name, value_taken) != 0)
        filling->is_short = true;
}

static void set_places(struct filling *filling, const struct hg_config *config)
{
    const struct hg_config_broker *broker = &config->broker;
    const struct hg_config_listen *listen = &config->listen;
    bool is_tls = listen->tls.is_on;
    char host[HOST_BYTES];
    char text[HREF_BYTES];
    struct hg_buf href;

    find_host(listen, host);
    hg_buf_init(&href, text, sizeof(text));
    add_origin(&href, is_tls ? "https" : "http", host, listen->port);
    set(filling, "HTTP", json_string(text));
    hg_buf_init(&href, text, sizeof(text));
    add_origin(&href, is_tls ? "wss" : "ws", host, listen->port);
    hg_buf_add(&href, HG_API_PATH);
    set(filling, "WS", json_string(text));
    hg_buf_init(&href, text, sizeof(text));
    /* what is loopback for us is this host for everybody else */
    add_origin(&href, broker->tls.is_on ? "mqtts" : "mqtt",
               is_loopback(broker->host) ? host : broker->host, broker->port);
    add_path(&href, broker->topic_root);
    set(filling, "MQTT", json_string(text));
}

static void set_security(struct filling *filling,
                         const struct hg_config *config)
{
    bool has_user = config->broker.username != NULL;

    set(filling, "SECURITY",
        json_pack("[s]", has_user ? "broker_sc" : "nosec_sc"));
    set(filling, "ACTION_SECURITY",
        has_user ? json_pack("[s, s]", "broker_sc", "token_sc")
                 : json_pack("[s]", "token_sc"));
    set(filling, "HTTP_SECURITY",
        json_pack("[s]",
                  config->listen.is_loopback ? "nosec_sc" : "bearer_sc"));
}

static void append(struct filling *filling, json_t *array, json_t *value_taken)
{
    if (json_array_append_new(array, value_taken) != 0)
        filling->is_short = true;
}

/* Names of the rooms, and the widest ranges that any of them has. */
static void set_rooms(struct filling *filling, const struct hg_config *config)
{
    int32_t min_mc = INT32_MAX;
    int32_t max_mc = INT32_MIN;
    uint64_t cap_ms = 0;
    json_t *names = json_array();

    for (size_t i = 0; i < config->room_count; i++) {
        const struct hg_policy *policy = &config->room[i].policy;

        append(filling, names, json_string(config->room[i].name));
        if (policy->target_min_mc < min_mc)
            min_mc = policy->target_min_mc;
        if (policy->target_max_mc > max_mc)
            max_mc = policy->target_max_mc;
        if (policy->session_cap_ms > cap_ms)
            cap_ms = policy->session_cap_ms;
    }
    set(filling, "ROOMS", names);
    set(filling, "TARGET_MIN_C", json_real((double)min_mc / 1000.0));
    set(filling, "TARGET_MAX_C", json_real((double)max_mc / 1000.0));
    set(filling, "DURATION_MAX_MIN",
        json_integer((json_int_t)(cap_ms / 60000)));
}

/* -- filling in -------------------------------------------------------------*/

/* The value for "{{NAME}}" or "{{NAME}}rest", or NULL: nothing to fill in. */
static json_t *fill_text(struct filling *filling, const char *text)
{
    const char *end = strstr(text, "}}");
    char name[32];
    json_t *value;
    json_t *filled;

    if (strncmp(text, "{{", 2) != 0 || end == NULL ||
        (size_t)(end - text) - 2 >= sizeof(name))
        return NULL;
    memset(name, 0, sizeof(name));
    memcpy(name, text + 2, (size_t)(end - text) - 2);
    value = json_object_get(filling->values, name);
    if (value == NULL)
        return NULL;
    filled = end[2] == '\0'
                 ? json_deep_copy(value)
                 : json_sprintf("%s%s", json_string_value(value), end + 2);
    if (filled == NULL)
        filling->is_short = true;
    return filled;
}

static void fill(struct filling *filling, json_t *json);

static void fill_object(struct filling *filling, json_t *object)
{
    const char *key;
    json_t *member;

    json_object_foreach(object, key, member)
    {
        json_t *value = json_is_string(member)
                            ? fill_text(filling, json_string_value(member))
                            : NULL;

        /* replacing the value of a key that is there keeps the iteration */
        if (value != NULL && json_object_set_new(object, key, value) != 0)
            filling->is_short = true;
        else if (value == NULL)
            fill(filling, member);
    }
}

/* The template is ours: a few levels deep, its placeholders are members. */
static void fill(struct filling *filling, json_t *json)
{
    json_t *item;
    size_t i;

    if (json_is_object(json))
        fill_object(filling, json);
    else if (json_is_array(json))
        json_array_foreach(json, i, item) fill(filling, item);
}

/* A Thing Model becomes a Thing Description (section 10.4). */
static void instantiate(struct filling *filling, json_t *thing)
{
    if (json_object_del(thing, "@type") != 0 ||
        json_object_set_new(json_object_get(thing, "version"), "instance",
                            json_string(HG_VERSION)) != 0)
        filling->is_short = true;
    fill(filling, thing);
}

char *hg_wot_text(const struct hg_config *config)
{
    struct filling filling = { json_object(), false };
    json_t *thing =
        json_loadb((const char *)TEMPLATE, sizeof(TEMPLATE), 0, NULL);
    char *text = NULL;

    set_places(&filling, config);
    set_security(&filling, config);
    set_rooms(&filling, config);
    instantiate(&filling, thing);
    if (!filling.is_short)
        text = json_dumps(thing, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(thing);
    json_decref(filling.values);
    return text;
}
