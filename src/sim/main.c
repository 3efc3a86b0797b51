/*
 * heatgate-sim: hot rooms with physics, and controllers that follow (or
 * break) the permit rule, on a real MQTT broker. One thread, one poll loop.
 */
#include "heatgate/version.h"
#include "sim/console.h"
#include "sim/control.h"
#include "sim/fleet.h"
#include <errno.h>
#include <mosquitto.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>

#define EXIT_OTHER     1
#define EXIT_USAGE     2
#define EXIT_NO_BROKER 3
#define CONNECT_MS     6000 /* until every connection must be up */
#define WHY_BYTES      512

/* the only thing a signal handler may touch */
static volatile sig_atomic_t is_asked_to_leave;

static void on_signal(int number)
{
    (void)number;
    is_asked_to_leave = 1;
}

static uint64_t now_ms(void)
{
    struct timespec now;

    clock_gettime(CLOCK_BOOTTIME, &now);
    return (uint64_t)now.tv_sec * 1000 + (uint64_t)now.tv_nsec / 1000000;
}

static void run_line(void *owner, const char *line, struct hg_buf *answer)
{
    hg_fleet_command(owner, line, now_ms(), answer);
}

/* -- one turn of the loop ---------------------------------------------------*/

static int wait_ms(const struct hg_fleet *fleet)
{
    uint64_t at = hg_fleet_deadline(fleet);
    uint64_t now = now_ms();

    return at > now ? (int)(at - now) : 0;
}

static int turn(struct hg_fleet *fleet, struct hg_console *console)
{
    struct pollfd fds[HG_FLEET_FDS_MAX + HG_CONSOLE_FDS_MAX];
    size_t links = hg_fleet_poll(fleet, fds);
    size_t count = links;

    if (console)
        count += hg_console_poll(console, fds + links);
    if (poll(fds, count, wait_ms(fleet)) < 0) {
        if (errno != EINTR)
            return HG_ERR_SYSTEM;
        return HG_OK;
    }
    if (console)
        hg_console_turn(console, fds + links, count - links);
    hg_fleet_turn(fleet, fds, links, now_ms());
    return HG_OK;
}

/* until every connection is up, or one is in trouble */
static int connect_all(struct hg_fleet *fleet, const struct hg_simopt *o)
{
    uint64_t give_up_ms = now_ms() + CONNECT_MS;

    hg_fleet_connect(fleet, now_ms());
    while (!hg_fleet_is_ready(fleet) && !is_asked_to_leave) {
        const char *trouble = hg_fleet_trouble(fleet);

        if (!trouble && now_ms() > give_up_ms)
            trouble = "no answer in time";
        if (trouble) {
            fprintf(stderr,
                    "heatgate-sim: no broker at %s port %u: %s. Start it, "
                    "or give --host and --port.\n",
                    o->host, (unsigned)o->port, trouble);
            return EXIT_NO_BROKER;
        }
        if (turn(fleet, NULL) < 0)
            return EXIT_OTHER;
    }
    return 0;
}

static int run(struct hg_fleet *fleet, struct hg_console *console,
               const struct hg_simopt *o)
{
    int status = connect_all(fleet, o);

    if (status)
        return status;
    printf("heatgate-sim: ready, %zu rooms, seed %llu, speed %g\n",
           o->rooms + o->count, (unsigned long long)o->seed, o->speed);
    fflush(stdout);
    while (!is_asked_to_leave && !hg_fleet_is_quit(fleet)) {
        if (turn(fleet, console) < 0) {
            fprintf(stderr, "heatgate-sim: poll failed: %s\n", strerror(errno));
            return EXIT_OTHER;
        }
    }
    hg_fleet_leave(fleet);
    return 0;
}

/* -- starting ---------------------------------------------------------------*/

static void catch_signals(void)
{
    struct sigaction leave = { .sa_handler = on_signal };
    struct sigaction ignore = { .sa_handler = SIG_IGN };

    sigaction(SIGTERM, &leave, NULL);
    sigaction(SIGINT, &leave, NULL);
    sigaction(SIGPIPE, &ignore, NULL);
}

static int complain(const struct hg_buf *why, int status)
{
    fprintf(stderr, "heatgate-sim: %s\n",
            why->len ? why->bytes : "out of memory");
    return status;
}

static int start(struct hg_simopt *o, struct hg_buf *why)
{
    struct hg_fleet *fleet = NULL;
    struct hg_console *console = NULL;
    uint64_t chosen[2]; /* salt of the boot marks, seed */
    int err, status;

    if (getrandom(chosen, sizeof(chosen), 0) != (ssize_t)sizeof(chosen)) {
        hg_buf_add(why, "the kernel gives no random numbers");
        return complain(why, EXIT_OTHER);
    }
    if (!o->has_seed)
        o->seed = chosen[1] >> 32; /* short enough to be typed again */
    err = hg_fleet_new(o, chosen[0], now_ms(), why, &fleet);
    if (err < 0)
        return complain(why, err == HG_ERR_MEMORY ? EXIT_OTHER : EXIT_USAGE);
    if (o->control)
        err = hg_console_open(o->control, run_line, fleet, why, &console);
    if (err < 0)
        status = complain(why, EXIT_OTHER);
    else
        status = run(fleet, console, o);
    hg_console_close(console);
    hg_fleet_free(fleet);
    return status;
}

int main(int argc, char **argv)
{
    static struct hg_simopt options; /* too large for some stacks */
    char text[WHY_BYTES];
    struct hg_buf why;
    int status;

    hg_buf_init(&why, text, sizeof(text));
    if (hg_simopt_parse(argc, argv, &why, &options) < 0) {
        complain(&why, EXIT_USAGE);
        fputs("heatgate-sim --help tells the options.\n", stderr);
        return EXIT_USAGE;
    }
    if (options.is_help) {
        printf("%s%s", HG_SIMOPT_HELP, HG_CONTROL_HELP);
        return 0;
    }
    if (options.is_version) {
        printf("heatgate-sim %s\n", HG_VERSION);
        return 0;
    }
    catch_signals();
    mosquitto_lib_init();
    status = start(&options, &why);
    mosquitto_lib_cleanup();
    return status;
}
