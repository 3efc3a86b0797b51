/*
 * What one step of the gate costs: telemetry of a room that heats, the step
 * that every message of every controller takes. Prints nanoseconds: the
 * median and the 99th percentile of batches.
 */
#include "gate_room.h"
#include <stdlib.h>
#include <time.h>

#define BATCH   16 /* steps a measurement, so that the clock costs little */
#define BATCHES 20000

static uint64_t now_ns(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

static double measure(struct room *room)
{
    uint64_t spent_ns = 0;

    for (int i = 0; i < BATCH; i++) {
        struct hg_event event = room_reading(room);
        uint64_t start = now_ns();

        event.at = room->now;
        hg_gate_step(&room->policy, &room->state, &event, &room->effects);
        spent_ns += now_ns() - start;
    }
    return (double)spent_ns / BATCH;
}

/* The least cost of asking the clock, which is part of each measurement. */
static double measure_clock(void)
{
    double least_ns = 1e9;

    for (int i = 0; i < 100; i++) {
        uint64_t start = now_ns();
        double ns;

        for (int k = 0; k < 100; k++)
            (void)now_ns();
        ns = (double)(now_ns() - start) / 100;
        least_ns = ns < least_ns ? ns : least_ns;
    }
    return least_ns;
}

int main(void)
{
    static double ns[BATCHES];
    struct room room;
    struct hg_event event;
    double clock_ns;

    room_ready(&room);
    event = room_heat(&room, room_owner(), 60 * MIN_MS);
    room_step(&room, &event);
    room_commit(&room);
    if (!room.state.session.is_active) {
        fprintf(stderr, "step: the room does not heat\n");
        return 1;
    }
    room.heater = HG_HEATER_ON;
    clock_ns = measure_clock();
    for (size_t i = 0; i < BATCHES; i++) {
        room.now.mono.ms += 100;
        room.now.wall.ms += 100;
        /* as a heater does it: up to 80 degrees, then around them */
        if (i % 32 == 0)
            room.air_mc += room.air_mc < 80000 ? 100 : -100;
        ns[i] = measure(&room) - clock_ns;
    }
    if (!room.state.session.is_active) {
        fprintf(stderr, "step: the heat ended too early\n");
        return 1;
    }
    qsort(ns, BATCHES, sizeof(ns[0]), compare);
    printf("%.1f %.1f\n", ns[BATCHES / 2], ns[BATCHES * 99 / 100]);
    return 0;
}
