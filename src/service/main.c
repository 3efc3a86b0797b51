/*
 * heatgated: the gateway between people and heaters. Options, signals, and
 * the loop until one of them ends it.
 */
#include "heatgate/version.h"
#include "service/loop.h"
#include "service/service.h"
#include "service/start.h"
#include <errno.h>
#include <getopt.h>
#include <malloc.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXIT_USAGE 2

/* written by the signal handlers, read by the loop */
static volatile sig_atomic_t got_end;
static volatile sig_atomic_t got_hup;

static void on_signal(int number)
{
    if (number == SIGHUP)
        got_hup = 1;
    else
        got_end = number;
}

static void print_help(FILE *out)
{
    fprintf(out,
            "Usage: heatgated --config FILE [--check]\n"
            "Lend heaters short permits to heat, under conditions, and write "
            "it down.\n\n"
            "  --config FILE  the configuration (JSON)\n"
            "  --check        check the configuration and exit\n"
            "  --help         this text\n"
            "  --version      the version\n\n"
            "Exit status: 0 stopped in order, 1 could not start or go on, 2 "
            "usage or\nconfiguration.\n"
            "Heatgate removes permits to heat. It replaces neither the "
            "hard-wired high-limit\ncut-out, nor the hard-wired door switch, "
            "nor a licensed electrician.\n");
}

struct options {
    const char *config;
    bool is_check;
};

/* -1: go on; else the exit status. */
static int read_options(int argc, char **argv, struct options *options)
{
    static const struct option table[] = {
        { "config", required_argument, NULL, 'c' },
        { "check", no_argument, NULL, 'k' },
        { "help", no_argument, NULL, 'h' },
        { "version", no_argument, NULL, 'v' },
        { NULL, 0, NULL, 0 },
    };
    int which;

    while ((which = getopt_long(argc, argv, "c:h", table, NULL)) != -1) {
        switch (which) {
        case 'c':
            options->config = optarg;
            break;
        case 'k':
            options->is_check = true;
            break;
        case 'h':
            print_help(stdout);
            return EXIT_SUCCESS;
        case 'v':
            printf("heatgated %s\n", HG_VERSION);
            return EXIT_SUCCESS;
        default:
            fprintf(stderr, "Try 'heatgated --help'.\n");
            return EXIT_USAGE;
        }
    }
    if (options->config != NULL && optind == argc)
        return -1;
    fprintf(stderr, "heatgated: %s. Try 'heatgated --help'.\n",
            options->config == NULL ? "--config FILE is missing"
                                    : "there is an argument too many");
    return EXIT_USAGE;
}

static int load_config(const char *path, struct hg_config **ret_config)
{
    struct hg_problems problems;
    int err;

    hg_problems_init(&problems);
    err = hg_config_load(path, &problems, ret_config);
    for (size_t i = 0; i < problems.count; i++)
        fprintf(stderr, "%s\n", problems.problem[i].text);
    if (problems.left_out > 0)
        fprintf(stderr, "heatgated: and %zu more problem(s)\n",
                problems.left_out);
    if (err == HG_ERR_MEMORY)
        fprintf(stderr, "heatgated: no memory for the configuration\n");
    hg_problems_release(&problems);
    return err;
}

static int catch_signals(void)
{
    static const int ends[] = { SIGTERM, SIGINT, SIGHUP };
    struct sigaction action;

    memset(&action, 0, sizeof(action));
    sigemptyset(&action.sa_mask);
    action.sa_handler = on_signal; /* no SA_RESTART: the loop shall notice */
    for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++)
        if (sigaction(ends[i], &action, NULL) < 0)
            return HG_ERR_SYSTEM;
    action.sa_handler = SIG_IGN; /* a peer that hangs up is no reason to die */
    return sigaction(SIGPIPE, &action, NULL) < 0 ? HG_ERR_SYSTEM : 0;
}

static int run_loop(struct hg_service *service)
{
    while (!got_end) {
        if (!hg_loop_turn(service->loop) && !got_end) {
            hg_log_line(&service->log, HG_LOG_ERROR, "the loop broke: %s",
                        strerror(errno));
            return EXIT_FAILURE;
        }
        if (got_hup) {
            got_hup = 0;
            hg_reload_ask(service);
        }
    }
    hg_log_line(&service->log, HG_LOG_INFO, "leaving: signal %d", (int)got_end);
    return EXIT_SUCCESS;
}

static int run(struct hg_service *service)
{
    int status = EXIT_FAILURE;

    if (hg_notify_open(getenv("NOTIFY_SOCKET"), &service->notify) < 0)
        hg_log_line(&service->log, HG_LOG_WARNING,
                    "NOTIFY_SOCKET cannot be used; the service manager is not "
                    "told that we are ready");
    if (hg_service_begin(service) == 0) {
        hg_log_line(&service->log, HG_LOG_INFO,
                    "heatgated %s began with epoch %llu and %zu room(s)",
                    HG_VERSION, (unsigned long long)service->epoch,
                    service->room_count);
        if (hg_notify_ready(&service->notify) < 0)
            hg_log_line(&service->log, HG_LOG_WARNING,
                        "cannot tell the service manager that we are ready");
        status = run_loop(service);
        hg_service_leave(service);
    }
    hg_service_end(service);
    hg_notify_close(&service->notify);
    return status;
}

/*
 * The text of rooms.json is the one large thing that is made again and again.
 * Without this the library would, after the first, take such from the heap,
 * where it leaves holes as large.
 */
static void give_large_memory_back(void)
{
    (void)mallopt(M_MMAP_THRESHOLD, 128 * 1024); /* 0: as it was, no harm */
}

int main(int argc, char **argv)
{
    struct options options = { NULL, false };
    struct hg_config *config = NULL;
    struct hg_reload_stamp stamp;
    struct hg_service *service;
    int status = read_options(argc, argv, &options);

    if (status >= 0)
        return status;
    give_large_memory_back();
    /* before anything that takes long: a SIGHUP must not end the start */
    if (!options.is_check && catch_signals() < 0) {
        fprintf(stderr, "heatgated: cannot catch signals: %s\n",
                strerror(errno));
        return EXIT_FAILURE;
    }
    stamp = hg_reload_stamp_of(options.config);
    if (load_config(options.config, &config) < 0)
        return EXIT_USAGE;
    if (options.is_check) {
        printf("%s: the configuration is in order, %zu room(s)\n",
               options.config, config->room_count);
        hg_config_free(config);
        return EXIT_SUCCESS;
    }
    service = calloc(1, sizeof(*service));
    if (service == NULL) {
        fprintf(stderr, "heatgated: no memory\n");
        hg_config_free(config);
        return EXIT_FAILURE;
    }
    hg_log_init(&service->log, getenv("JOURNAL_STREAM"));
    service->config = config;
    service->reload.read = stamp;
    status = run(service);
    hg_config_free(service->config);
    free(service);
    return status;
}
