/*
 * The far end of the benchmark, and the bare clients it compares with:
 *
 *   bench parse PORT ROOT       subscribe to all telemetry, parse, do nothing
 *   bench echo PORT ROOT        parse a QoS 1 telemetry, answer with QoS 1
 *   bench load PORT ROOT ROOMS COUNT RATE  publish telemetry (RATE 0: all it
 *                               can)
 *   bench doors PORT ROOT ROOM COUNT SEQ   open and close a door, time the
 *                               answers; numbers begin above SEQ
 *
 * doors prints one round trip in microseconds a line. All use TCP_NODELAY.
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
    struct mosquitto *m;
    bool has_echo;
};

/* What any client has to do: take the JSON apart, find the members. */
static bool parse(const struct mosquitto_message *message, const char **door)
{
    json_t *json = json_loadb(message->payload, (size_t)message->payloadlen,
                              0, NULL);
    json_t *member = json_object_get(json, "door");
    bool is_good = json_is_number(json_object_get(json, "air_c")) &&
                   json_is_string(json_object_get(json, "boot")) &&
                   json_is_integer(json_object_get(json, "seq")) &&
                   json_is_integer(json_object_get(json, "uptime_ms")) &&
                   json_is_string(json_object_get(json, "heater")) &&
                   json_is_string(member);

    if (is_good)
        *door = strcmp(json_string_value(member), "open") == 0 ? "false"
                                                               : "true";
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

    counted->messages++;
    if (!parse(message, &door)) {
        counted->bad++;
        return;
    }
    if (!counted->has_echo)
        return;
    room = message->topic + strlen(root) + 1;
    length = (int)strcspn(room, "/");
    snprintf(topic, sizeof(topic), "%s/%.*s/permit", root, length, room);
    snprintf(answer, sizeof(answer), "{\"v\":1,\"serial\":%llu,\"heat\":%s}",
             (unsigned long long)counted->messages, door);
    mosquitto_publish(m, NULL, topic, (int)strlen(answer), answer, 1, false);
}

static int run_bare(const char *port, bool has_echo)
{
    struct counted counted = { 0, 0, NULL, has_echo };
    struct mosquitto *m = connect_to(port, NULL, &counted);
    char topic[256];

    mosquitto_message_callback_set(m, on_bare);
    snprintf(topic, sizeof(topic), "%s/+/telemetry", root);
    mosquitto_subscribe(m, NULL, topic, has_echo ? 1 : 0);
    while (!is_over)
        turn(m, 200);
    printf("%llu %llu\n", (unsigned long long)counted.messages,
           (unsigned long long)counted.bad);
    mosquitto_destroy(m);
    return 0;
}

static size_t print_telemetry(char *out, size_t cap, const char *boot,
                              uint64_t seq, const char *door)
{
    return (size_t)snprintf(
        out, cap,
        "{\"v\":1,\"boot\":\"%s\",\"seq\":%llu,\"uptime_ms\":%llu,"
        "\"air_c\":%.1f,\"door\":\"%s\",\"heater\":\"off\",\"permit\":0,"
        "\"module_c\":31.5,\"module_rh\":42,\"power_w\":0,"
        "\"energy_wh\":8123}",
        boot, (unsigned long long)seq, (unsigned long long)uptime_ms(),
        20.0 + (double)(seq % 7) / 10, door);
}

static int run_load(char **argv)
{
    uint64_t rooms = strtoull(argv[4], NULL, 10);
    uint64_t count = strtoull(argv[5], NULL, 10);
    uint64_t rate = strtoull(argv[6], NULL, 10);
    struct mosquitto *m = connect_to(argv[2], NULL, NULL);
    uint64_t start = now_ns();
    char topic[128], text[512], boot[16];

    snprintf(boot, sizeof(boot), "%llx", (unsigned long long)(start % 65536));
    for (uint64_t i = 0; i < count && !is_over; i++) {
        uint64_t due = rate ? start + i * 1000000000u / rate : 0;
        size_t length = print_telemetry(text, sizeof(text), boot,
                                        i / rooms + 1, "closed");

        snprintf(topic, sizeof(topic), "%s/room-%05llu/telemetry", root,
                 (unsigned long long)(i % rooms));
        while (!is_over && (now_ns() < due || mosquitto_want_write(m)))
            turn(m, 1);
        mosquitto_publish(m, NULL, topic, (int)length, text, 0, false);
    }
    while (!is_over && mosquitto_want_write(m))
        turn(m, 1);
    printf("%.3f\n", (double)(now_ns() - start) / 1e9);
    mosquitto_destroy(m);
    return 0;
}

struct doors {
    char permit_topic[128];
    int heat; /* of the latest permit: 0, 1; -1 none */
    uint64_t at;
};

static void on_permit(struct mosquitto *m, void *arg,
                      const struct mosquitto_message *message)
{
    struct doors *doors = arg;
    const char *text = message->payload;
    size_t length = (size_t)message->payloadlen;

    (void)m;
    doors->at = now_ns();
    if (memmem(text, length, "\"heat\":false", 12) != NULL)
        doors->heat = 0;
    else if (memmem(text, length, "\"heat\":true", 11) != NULL)
        doors->heat = 1;
}

/* Say open or closed and wait for the answer; microseconds, 0: none came. */
static double ask(struct mosquitto *m, struct doors *doors, const char *room,
                  uint64_t seq, bool is_open)
{
    char topic[128], text[512];
    size_t length = print_telemetry(text, sizeof(text), "doors", seq,
                                    is_open ? "open" : "closed");
    uint64_t start;

    snprintf(topic, sizeof(topic), "%s/%s/telemetry", root, room);
    doors->heat = -1;
    start = now_ns();
    mosquitto_publish(m, NULL, topic, (int)length, text, 1, false);
    while (doors->heat != (is_open ? 0 : 1) && !is_over) {
        turn(m, 50);
        if (now_ns() - start > 5000000000u)
            return 0;
    }
    return (double)(doors->at - start) / 1000;
}

static int run_doors(char **argv)
{
    struct doors doors = { "", -1, 0 };
    struct mosquitto *m = connect_to(argv[2], NULL, &doors);
    uint64_t count = strtoull(argv[5], NULL, 10);
    uint64_t seq = strtoull(argv[6], NULL, 10);
    int status = 0;

    snprintf(doors.permit_topic, sizeof(doors.permit_topic),
             "%s/%s/permit", root, argv[4]);
    mosquitto_message_callback_set(m, on_permit);
    mosquitto_subscribe(m, NULL, doors.permit_topic, 1);
    for (uint64_t end = now_ns() + 300000000u; now_ns() < end;)
        turn(m, 10); /* until the subscription is surely in place */
    for (uint64_t i = 0; i < count && status == 0 && !is_over; i++) {
        double open_us = ask(m, &doors, argv[4], ++seq, true);
        double close_us = ask(m, &doors, argv[4], ++seq, false);

        if (open_us <= 0 || close_us <= 0) {
            fprintf(stderr, "bench: no answer to door %s\n",
                    open_us <= 0 ? "open" : "close");
            status = 1;
        }
        printf("%.1f\n", open_us);
        /* a door is not opened in the millisecond in which it was closed */
        for (uint64_t end = now_ns() + PAUSE_NS; now_ns() < end;)
            turn(m, 1);
    }
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
    if (argc == 7 && strcmp(argv[1], "load") == 0)
        return run_load(argv);
    if (argc == 7 && strcmp(argv[1], "doors") == 0)
        return run_doors(argv);
    fprintf(stderr,
            "usage: bench parse|echo PORT ROOT | load PORT ROOT ROOMS COUNT "
            "RATE | doors PORT ROOT ROOM COUNT SEQ\n");
    return 2;
}
