/*
 * The far end of the benchmark, and the bare clients it compares with:
 *
 *   bench parse PORT ROOT       subscribe to all telemetry, parse, do nothing
 *   bench echo PORT ROOT        parse a QoS 1 telemetry, answer with QoS 1
 *   bench load PORT ROOT ROOMS COUNT RATE MARK  publish telemetry (RATE 0:
 *                               all it can)
 *   bench doors PORT COUNT [ROOT ROOM SEQ]…  open and close a door of each in
 *                               turn, time the answers; numbers begin above SEQ
 *
 * doors prints which and microseconds, a line each; parse and echo print
 * "ready" first and in the end how many messages, how many bad ones, and
 * seconds from the first to the last. load ends with a mark, room 0 at MARK
 * degrees (20.7 to 20.9, and another one each time, since patches may be
 * merged): watch.c waits for it. All use TCP_NODELAY.
 */
#include <jansson.h>
#include <mosquitto.h>
#include <poll.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define PAUSE_NS 5000000u /* between two openings */

static volatile sig_atomic_t is_over;
static const char *root; /* the topic root, from the command line */

static void on_signal(int number)
{
    (void)number;
    is_over = 1;
}

static uint64_t now_ns(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

static uint64_t uptime_ms(void)
{
    struct timespec now;

    clock_gettime(CLOCK_BOOTTIME, &now);
    return (uint64_t)now.tv_sec * 1000u + (uint64_t)now.tv_nsec / 1000000u;
}

static void die(const char *what, int rc)
{
    fprintf(stderr, "bench: %s: %s\n", what, mosquitto_strerror(rc));
    exit(1);
}

static struct mosquitto *connect_to(const char *port, const char *name,
                                    void *arg)
{
    struct mosquitto *m = mosquitto_new(name, true, arg);
    int rc;

    if (m == NULL)
        die("new", MOSQ_ERR_NOMEM);
    mosquitto_int_option(m, MOSQ_OPT_PROTOCOL_VERSION, MQTT_PROTOCOL_V5);
    mosquitto_int_option(m, MOSQ_OPT_TCP_NODELAY, 1);
    rc = mosquitto_connect(m, "127.0.0.1", atoi(port), 60);
    if (rc != MOSQ_ERR_SUCCESS)
        die("connect", rc);
    return m;
}

/* Poll the socket itself, as the gateway does; no thread of the library's. */
static void turn(struct mosquitto *m, int timeout_ms)
{
    struct pollfd fd = { mosquitto_socket(m), POLLIN, 0 };
    int rc = MOSQ_ERR_SUCCESS;

    if (mosquitto_want_write(m))
        fd.events |= POLLOUT;
    if (poll(&fd, 1, timeout_ms) > 0) {
        if (fd.revents & (POLLIN | POLLHUP | POLLERR))
            rc = mosquitto_loop_read(m, 16);
        if (rc == MOSQ_ERR_SUCCESS && mosquitto_want_write(m))
            rc = mosquitto_loop_write(m, 16);
    }
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_loop_misc(m);
    if (rc != MOSQ_ERR_SUCCESS)
        die("loop", rc);
}

struct counted {
    uint64_t messages, bad;
    uint64_t first_ns, last_ns;
    bool has_echo;
};

/* What any client has to do: take the JSON apart, find the members. */
static bool parse(const struct mosquitto_message *message, const char **door)
{
    json_t *json =
        json_loadb(message->payload, (size_t)message->payloadlen, 0, NULL);
    json_t *member = json_object_get(json, "door");
    bool is_good = json_is_number(json_object_get(json, "air_c")) &&
                   json_is_string(json_object_get(json, "boot")) &&
                   json_is_integer(json_object_get(json, "seq")) &&
                   json_is_integer(json_object_get(json, "uptime_ms")) &&
                   json_is_string(json_object_get(json, "heater")) &&
                   json_is_string(member);

    if (is_good)
        *door =
            strcmp(json_string_value(member), "open") == 0 ? "false" : "true";
    json_decref(json);
    return is_good;
}

static void on_bare(struct mosquitto *m, void *arg,
                    const struct mosquitto_message *message)
{
    struct counted *counted = arg;
    const char *door = "true";
    char topic[256], answer[128];
    const char *room;
    int length;

    if (counted->messages++ == 0)
        counted->first_ns = now_ns();
    if (!parse(message, &door)) {
        counted->bad++;
        return;
    }
    if (!counted->has_echo) {
        counted->last_ns = now_ns();
        return;
    }
    room = message->topic + strlen(root) + 1;
    length = (int)strcspn(room, "/");
    snprintf(topic, sizeof(topic), "%s/%.*s/permit", root, length, room);
    snprintf(answer, sizeof(answer), "{\"v\":1,\"serial\":%llu,\"heat\":%s}",
             (unsigned long long)counted->messages, door);
    mosquitto_publish(m, NULL, topic, (int)strlen(answer), answer, 1, false);
}

static void on_subscribed(struct mosquitto *m, void *arg, int mid, int count,
                          const int *granted)
{
    (void)m;
    (void)arg;
    (void)mid;
    (void)count;
    (void)granted;
    printf("ready\n");
    fflush(stdout);
}

static int run_bare(const char *port, bool has_echo)
{
    struct counted counted = { .has_echo = has_echo };
    struct mosquitto *m = connect_to(port, NULL, &counted);
    char topic[256];

    mosquitto_message_callback_set(m, on_bare);
    mosquitto_subscribe_callback_set(m, on_subscribed);
    snprintf(topic, sizeof(topic), "%s/+/telemetry", root);
    mosquitto_subscribe(m, NULL, topic, has_echo ? 1 : 0);
    while (!is_over)
        turn(m, 200);
    printf("%llu %llu %.6f\n", (unsigned long long)counted.messages,
           (unsigned long long)counted.bad,
           (double)(counted.last_ns - counted.first_ns) / 1e9);
    mosquitto_destroy(m);
    return 0;
}

static size_t print_telemetry(char *out, size_t cap, const char *boot,
                              uint64_t seq, double air_c, const char *door)
{
    return (size_t)snprintf(
        out, cap,
        "{\"v\":1,\"boot\":\"%s\",\"seq\":%llu,\"uptime_ms\":%llu,"
        "\"air_c\":%.1f,\"door\":\"%s\",\"heater\":\"off\",\"permit\":0,"
        "\"module_c\":31.5,\"module_rh\":42,\"power_w\":0,"
        "\"energy_wh\":8123}",
        boot, (unsigned long long)seq, (unsigned long long)uptime_ms(), air_c,
        door);
}

static double air_of(uint64_t seq)
{
    return 20.0 + (double)(seq % 7) / 10;
}

static void publish_load(struct mosquitto *m, uint64_t room, uint64_t seq,
                         double air_c, const char *boot)
{
    char topic[128], text[512];
    size_t length =
        print_telemetry(text, sizeof(text), boot, seq, air_c, "closed");

    snprintf(topic, sizeof(topic), "%s/room-%05llu/telemetry", root,
             (unsigned long long)room);
    mosquitto_publish(m, NULL, topic, (int)length, text, 0, false);
}

static void on_connack(struct mosquitto *m, void *arg, int rc)
{
    bool *is_heard = arg;

    (void)m;
    if (rc != 0)
        die("connect", MOSQ_ERR_CONN_REFUSED);
    *is_heard = true;
}

/*
 * Read the broker's answer before anything is sent: closing with it unread
 * would reset the connection, and the broker would lose the last messages.
 */
static struct mosquitto *connect_and_hear(const char *port)
{
    static bool is_heard;
    struct mosquitto *m = connect_to(port, NULL, &is_heard);

    mosquitto_connect_callback_set(m, on_connack);
    while (!is_over && !is_heard)
        turn(m, 50);
    return m;
}

static int run_load(char **argv)
{
    uint64_t rooms = strtoull(argv[4], NULL, 10);
    uint64_t count = strtoull(argv[5], NULL, 10);
    uint64_t rate = strtoull(argv[6], NULL, 10);
    double mark_c = strtod(argv[7], NULL);
    struct mosquitto *m = connect_and_hear(argv[2]);
    uint64_t start = now_ns();
    char boot[16];

    snprintf(boot, sizeof(boot), "%llx",
             (unsigned long long)(start / 1000 % 4294967296));
    for (uint64_t i = 0; i < count && !is_over; i++) {
        uint64_t due = rate ? start + i * 1000000000u / rate : 0;

        while (!is_over && (now_ns() < due || mosquitto_want_write(m)))
            turn(m, 1);
        publish_load(m, i % rooms, i / rooms + 1, air_of(i / rooms + 1), boot);
    }
    publish_load(m, 0, count / rooms + 2, mark_c, boot);
    while (!is_over && mosquitto_want_write(m))
        turn(m, 1);
    mosquitto_disconnect(m);
    printf("%.3f\n", (double)(now_ns() - start) / 1e9);
    mosquitto_destroy(m);
    return 0;
}

struct target { /* somebody who answers a door with a permit */
    const char *root, *room;
    char permit_topic[128];
    uint64_t seq;
    int heat; /* of the latest permit: 0, 1; -1 none */
    uint64_t at;
};

#define TARGETS_MAX 4

struct doors {
    struct target target[TARGETS_MAX];
    size_t count;
};

static void on_permit(struct mosquitto *m, void *arg,
                      const struct mosquitto_message *message)
{
    struct doors *doors = arg;
    const char *text = message->payload;
    size_t length = (size_t)message->payloadlen;
    uint64_t at = now_ns();

    (void)m;
    for (size_t i = 0; i < doors->count; i++) {
        struct target *target = &doors->target[i];

        if (strcmp(message->topic, target->permit_topic) != 0)
            continue;
        target->at = at;
        if (memmem(text, length, "\"heat\":false", 12) != NULL)
            target->heat = 0;
        else if (memmem(text, length, "\"heat\":true", 11) != NULL)
            target->heat = 1;
    }
}

/* Say open or closed and wait for the answer; microseconds, 0: none came. */
static double ask(struct mosquitto *m, struct target *target, bool is_open)
{
    char topic[128], text[512];
    uint64_t seq = ++target->seq;
    size_t length = print_telemetry(text, sizeof(text), "doors", seq,
                                    air_of(seq), is_open ? "open" : "closed");
    uint64_t start;

    snprintf(topic, sizeof(topic), "%s/%s/telemetry", target->root,
             target->room);
    target->heat = -1;
    start = now_ns();
    mosquitto_publish(m, NULL, topic, (int)length, text, 1, false);
    while (target->heat != (is_open ? 0 : 1) && !is_over) {
        turn(m, 50);
        if (now_ns() - start > 5000000000u)
            return 0;
    }
    return (double)(target->at - start) / 1000;
}

/* One door, open and closed again; false: somebody did not answer. */
static bool use_door(struct mosquitto *m, struct doors *doors, size_t i)
{
    double open_us = ask(m, &doors->target[i], true);
    double close_us = ask(m, &doors->target[i], false);

    if (open_us <= 0 || close_us <= 0) {
        fprintf(stderr, "bench: %s does not answer a door that %s\n",
                doors->target[i].root, open_us <= 0 ? "opens" : "closes");
        return false;
    }
    printf("%zu %.1f\n", i, open_us);
    /* a door is not opened in the millisecond in which it was closed */
    for (uint64_t end = now_ns() + PAUSE_NS; now_ns() < end;)
        turn(m, 1);
    return true;
}

static int run_doors(int argc, char **argv)
{
    struct doors doors;
    struct mosquitto *m;
    uint64_t count = strtoull(argv[3], NULL, 10);
    int status = 0;

    memset(&doors, 0, sizeof(doors));
    m = connect_to(argv[2], NULL, &doors);
    mosquitto_message_callback_set(m, on_permit);
    for (int at = 4; at + 2 < argc && doors.count < TARGETS_MAX; at += 3) {
        struct target *target = &doors.target[doors.count++];

        target->root = argv[at];
        target->room = argv[at + 1];
        target->seq = strtoull(argv[at + 2], NULL, 10);
        snprintf(target->permit_topic, sizeof(target->permit_topic),
                 "%s/%s/permit", target->root, target->room);
        mosquitto_subscribe(m, NULL, target->permit_topic, 1);
    }
    for (uint64_t end = now_ns() + 300000000u; now_ns() < end;)
        turn(m, 10); /* until the subscriptions are surely in place */
    for (uint64_t i = 0; i < count && status == 0 && !is_over; i++)
        for (size_t k = 0; k < doors.count && status == 0; k++)
            status = use_door(m, &doors, k) ? 0 : 1;
    mosquitto_destroy(m);
    return status;
}

int main(int argc, char **argv)
{
    struct sigaction action;

    memset(&action, 0, sizeof(action));
    action.sa_handler = on_signal;
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    mosquitto_lib_init();
    root = argc > 3 ? argv[3] : "";
    if (argc == 4 && strcmp(argv[1], "parse") == 0)
        return run_bare(argv[2], false);
    if (argc == 4 && strcmp(argv[1], "echo") == 0)
        return run_bare(argv[2], true);
    if (argc == 8 && strcmp(argv[1], "load") == 0)
        return run_load(argv);
    if (argc >= 7 && strcmp(argv[1], "doors") == 0)
        return run_doors(argc, argv);
    fprintf(stderr,
            "usage: bench parse|echo PORT ROOT | load PORT ROOT ROOMS COUNT "
            "RATE MARK | doors PORT COUNT [ROOT ROOM SEQ]…\n");
    return 2;
}
