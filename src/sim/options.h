#ifndef HG_SIM_OPTIONS_H
#define HG_SIM_OPTIONS_H

/*
 * The command line of heatgate-sim, read into a struct. Prints nothing.
 */
#include "base/buf.h"
#include "sim/controller.h"

#define HG_SIMOPT_ROOMS_MAX  64    /* --room; each has its own connection */
#define HG_SIMOPT_COUNT_MAX  20000 /* --count; they share one connection */
#define HG_SIMOPT_ROOT_BYTES 128

/* what every room has until a key of --room changes it */
#define HG_SIMOPT_KW        6.0
#define HG_SIMOPT_M3        8.5
#define HG_SIMOPT_AMBIENT_C 8.0

struct hg_simopt_room {
    char name[HG_SIMCTL_ROOM_BYTES];
    struct hg_physics_build build;
    double start_c; /* NAN: as ambient */
    double noise_c; /* NAN, lag_s NAN: as hg_physics_spec_of() says */
    double lag_s;
    double limit_c, hysteresis_c, local_c;
    double timer_s; /* of a foreign relay; 0: a lease controller */
    uint64_t local_max_ms;
    bool is_sensor_near_door;
    enum hg_platinum element;
    const char *mac_file; /* borrowed from the command line, or NULL */
};

struct hg_simopt {
    const char *host;
    uint16_t port;
    char root[HG_SIMOPT_ROOT_BYTES];
    struct hg_simopt_room room[HG_SIMOPT_ROOMS_MAX];
    size_t rooms;
    uint32_t count;
    const char *prefix; /* of the rooms of --count */
    uint32_t period_ms;
    double speed;
    const char *control; /* path of a socket, "-" for stdin, or NULL */
    uint64_t seed;
    bool has_seed;
    bool is_v311;
    int qos; /* of telemetry */
    const char *mac_file;
    const char *username; /* "%r" is replaced by the room's name */
    const char *password_file;
    bool is_help, is_version;
};

extern const char HG_SIMOPT_HELP[];

/*
 * Read a command line. HG_ERR_INPUT: why says what is wrong and what would
 * be right, and options is not to be used. Strings are borrowed from argv.
 */
HG_MUST_CHECK int hg_simopt_parse(int argc, char **argv, struct hg_buf *why,
                                  struct hg_simopt *options);

/* Read "NAME[:key=value,...]"; changes text while it works. */
HG_MUST_CHECK int hg_simopt_parse_room(char *text, struct hg_buf *why,
                                       struct hg_simopt_room *ret_room);

/* A room of --count with the usual measures. */
void hg_simopt_usual_room(const char *name, struct hg_simopt_room *room);

/* The controller's setup of a room. HG_ERR_RANGE: measures that no room
 * has, why says so. */
HG_MUST_CHECK int hg_simopt_setup(const struct hg_simopt *options,
                                  const struct hg_simopt_room *room,
                                  struct hg_buf *why,
                                  struct hg_simctl_setup *ret_setup);

#endif
