/*
 * Watchers on a WebSocket (RFC 6455), for the benchmark:
 *
 *   watch all PORT TOKEN ROOM COUNT    COUNT watchers of ROOM; when each has
 *                                      seen the mark: patches, seconds
 *   watch stall PORT TOKEN ROOM COUNT  the same, but they never read again
 *   watch flood PORT CALLERS           wrong codes from many addresses
 *
 * all and stall print "ready" first, when every watcher was answered. It
 * is by hand, because a client library would cost more than the servers that
 * are compared. Ends at SIGTERM.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define WATCHERS_MAX 1000
#define BYTES_MAX    65536
#define ANSWERS      2 /* to hello and room.watch */

struct watcher {
    int fd;
    size_t len;
    unsigned int answers;
    bool has_mark;
    char bytes[BYTES_MAX];
};

struct totals {
    uint64_t patches, first_ns, last_ns;
    size_t marks, ready;
};

static volatile sig_atomic_t is_over;

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

static void die(const char *what)
{
    fprintf(stderr, "watch: %s: %s\n", what, strerror(errno));
    exit(1);
}

/* Connect from 127.a.b.c, so that slow-downs by address do not help. */
static int open_from(uint16_t port, uint32_t from)
{
    struct sockaddr_in address = { .sin_family = AF_INET };
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);

    if (fd < 0)
        die("socket");
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK + from);
    if (bind(fd, (struct sockaddr *)&address, sizeof(address)) < 0)
        die("bind");
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons(port);
    if (connect(fd, (struct sockaddr *)&address, sizeof(address)) < 0) {
        close(fd);
        return -1;
    }
    return fd;
}

/* Nothing may be sent before the answer to the upgrade (RFC 6455, 4.1). */
static bool hear_upgrade(int fd)
{
    static const char end[] = "\r\n\r\n";
    size_t matched = 0;
    char byte;

    while (matched < sizeof(end) - 1) {
        if (recv(fd, &byte, 1, 0) != 1)
            return false;
        matched = byte == end[matched] ? matched + 1 : byte == end[0];
    }
    return true;
}

static void put(int fd, const char *bytes, size_t len)
{
    if (send(fd, bytes, len, MSG_NOSIGNAL) != (ssize_t)len && errno != EPIPE &&
        errno != ECONNRESET)
        die("send");
}

static void upgrade(int fd, uint16_t port)
{
    char text[512];
    int len = snprintf(text, sizeof(text),
                       "GET /v1/rpc HTTP/1.1\r\nHost: 127.0.0.1:%u\r\n"
                       "Upgrade: websocket\r\nConnection: Upgrade\r\n"
                       "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
                       "Sec-WebSocket-Version: 13\r\n"
                       "Sec-WebSocket-Protocol: heatgate.rpc.v1\r\n\r\n",
                       (unsigned int)port);

    put(fd, text, (size_t)len);
}

/* A text frame of 126 to 65535 bytes, or less; masked with zeros, which is a
 * mask like any other. */
static void say(int fd, const char *text)
{
    size_t len = strlen(text);
    char frame[1024] = { (char)0x81, (char)(0x80 | 126), (char)(len >> 8),
                         (char)(len & 255) };

    if (len < 126) { /* the short form must be used (5.2) */
        frame[1] = (char)(0x80 | len);
        memset(frame + 2, 0, 4);
        memcpy(frame + 6, text, len);
        put(fd, frame, len + 6);
        return;
    }
    memcpy(frame + 8, text, len);
    put(fd, frame, len + 8);
}

/* Length of the first whole frame, its payload; 0: not whole yet. */
static size_t frame_at(const unsigned char *bytes, size_t len,
                       const char **payload, size_t *payload_len)
{
    size_t head = 2;
    size_t size;

    if (len < 2)
        return 0;
    size = bytes[1] & 127u;
    if (size == 127) {
        errno = EMSGSIZE;
        die("a frame");
    }
    if (size == 126) {
        head = 4;
        if (len < 4)
            return 0;
        size = (size_t)bytes[2] << 8 | bytes[3];
    }
    if (len < head + size)
        return 0;
    *payload = (const char *)bytes + head;
    *payload_len = size;
    return head + size;
}

/* Of the last message of a load, and of no other; see bench.c. */
static bool has_mark(const char *payload, size_t len)
{
    static const char air[] = "\"air_c\":20.";
    const char *at = memmem(payload, len, air, sizeof(air) - 1);

    return at != NULL && at[sizeof(air) - 1] >= '7';
}

static void take_frame(struct watcher *watcher, struct totals *totals,
                       const char *payload, size_t len)
{
    if (memmem(payload, len, "\"room.patch\"", 12) == NULL) {
        if (++watcher->answers == ANSWERS)
            totals->ready++;
        return;
    }
    totals->last_ns = now_ns();
    if (totals->patches++ == 0)
        totals->first_ns = totals->last_ns;
    if (!watcher->has_mark && has_mark(payload, len)) {
        watcher->has_mark = true;
        totals->marks++;
    }
}

static void take_bytes(struct watcher *watcher, struct totals *totals)
{
    size_t at = 0;
    size_t used, payload_len;
    const char *payload;

    while ((used = frame_at((unsigned char *)watcher->bytes + at,
                            watcher->len - at, &payload, &payload_len)) > 0) {
        take_frame(watcher, totals, payload, payload_len);
        at += used;
    }
    memmove(watcher->bytes, watcher->bytes + at, watcher->len - at);
    watcher->len -= at;
}

static void read_some(struct watcher *watcher, struct totals *totals)
{
    ssize_t got = recv(watcher->fd, watcher->bytes + watcher->len,
                       BYTES_MAX - watcher->len, MSG_DONTWAIT);

    if (got <= 0) {
        if (got < 0 && (errno == EAGAIN || errno == EINTR))
            return;
        die("a watcher lost its connection");
    }
    watcher->len += (size_t)got;
    take_bytes(watcher, totals);
}

static void turn(struct watcher *watchers, size_t count, struct totals *totals)
{
    static struct pollfd fds[WATCHERS_MAX];

    for (size_t i = 0; i < count; i++) {
        fds[i].fd = watchers[i].fd;
        fds[i].events = POLLIN;
    }
    if (poll(fds, count, 100) <= 0)
        return;
    for (size_t i = 0; i < count; i++)
        if (fds[i].revents != 0)
            read_some(&watchers[i], totals);
}

static void begin(struct watcher *watcher, uint16_t port, const char *token,
                  const char *room, bool is_stalling)
{
    char text[512];
    int small = 4096;

    watcher->fd = open_from(port, 0);
    if (watcher->fd < 0)
        die("connect");
    if (is_stalling)
        (void)setsockopt(watcher->fd, SOL_SOCKET, SO_RCVBUF, &small,
                         sizeof(small));
    upgrade(watcher->fd, port);
    if (!hear_upgrade(watcher->fd))
        die("a watcher was not let in");
    snprintf(text, sizeof(text),
             "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"hello\","
             "\"params\":{\"token\":\"%s\"}}",
             token);
    say(watcher->fd, text);
    snprintf(text, sizeof(text),
             "{\"jsonrpc\":\"2.0\",\"id\":2,\"method\":\"room.watch\","
             "\"params\":{\"room\":\"%s\"}}",
             room);
    say(watcher->fd, text);
}

static int run_watch(char **argv)
{
    bool is_stalling = strcmp(argv[1], "stall") == 0;
    size_t count = (size_t)strtoull(argv[5], NULL, 10);
    struct watcher *watchers = calloc(count, sizeof(*watchers));
    struct totals totals = { 0 };

    if (watchers == NULL || count == 0 || count > WATCHERS_MAX)
        die("watchers");
    for (size_t i = 0; i < count; i++)
        begin(&watchers[i], (uint16_t)atoi(argv[2]), argv[3], argv[4],
              is_stalling);
    while (!is_over && totals.ready < count)
        turn(watchers, count, &totals);
    printf("ready\n");
    fflush(stdout);
    while (is_stalling && !is_over)
        pause();
    totals.patches = 0;
    while (!is_over && totals.marks < count)
        turn(watchers, count, &totals);
    printf("%llu %.6f\n", (unsigned long long)totals.patches,
           (double)(totals.last_ns - totals.first_ns) / 1e9);
    free(watchers);
    return totals.marks == count || is_stalling ? 0 : 1;
}

/*
 * A code with a right check symbol (Douglas Crockford, Base 32): 16 symbols
 * of base 32, then the number modulo 37. It has to be hashed to be refused.
 */
static void print_code(uint64_t number, char code[18])
{
    static const char symbols[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ*~$=U";
    uint64_t high = number * UINT64_C(0x9E3779B97F4A7C15);
    uint64_t low = high ^ (high >> 29) ^ number;
    unsigned int check = 0;

    for (int i = 0; i < 16; i++) {
        unsigned int symbol =
            (unsigned int)((i < 8 ? high >> (5 * i) : low >> (5 * (i - 8))) &
                           31u);

        code[i] = symbols[symbol];
        check = (check * 32 + symbol) % 37;
    }
    code[16] = symbols[check];
    code[17] = '\0';
}

/* A few wrong codes on one connection; their answers are not looked at. */
static void annoy(uint16_t port, uint64_t number)
{
    char text[256], code[18], answers[4096];
    struct timeval limit = { 1, 0 };
    int fd = open_from(port, 1 + (uint32_t)(number % 16000000));

    if (fd < 0)
        return;
    (void)setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof(limit));
    upgrade(fd, port);
    for (uint64_t i = 0; i < 5 && !is_over && (i > 0 || hear_upgrade(fd));
         i++) {
        print_code(number * 5 + i, code);
        snprintf(text, sizeof(text),
                 "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"hello\","
                 "\"params\":{\"code\":\"%s\"}}",
                 code);
        say(fd, text);
        if (recv(fd, answers, sizeof(answers), 0) <= 0)
            break;
    }
    close(fd);
}

static int run_flood(char **argv)
{
    uint64_t callers = strtoull(argv[3], NULL, 10);
    uint64_t number = 0;

    for (uint64_t i = 1; i < callers; i++) {
        pid_t child = fork();

        if (child < 0)
            die("fork");
        if (child > 0)
            continue;
        number = i * 100000;
        break;
    }
    while (!is_over && getppid() != 1)
        annoy((uint16_t)atoi(argv[2]), ++number);
    return 0;
}

int main(int argc, char **argv)
{
    struct sigaction action;

    memset(&action, 0, sizeof(action));
    action.sa_handler = on_signal;
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    if (argc == 6 &&
        (strcmp(argv[1], "all") == 0 || strcmp(argv[1], "stall") == 0))
        return run_watch(argv);
    if (argc == 4 && strcmp(argv[1], "flood") == 0)
        return run_flood(argv);
    fprintf(stderr, "usage: watch all|stall PORT TOKEN ROOM COUNT | watch "
                    "flood PORT CALLERS\n");
    return 2;
}
