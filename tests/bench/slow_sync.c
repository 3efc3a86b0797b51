/*
 * Preloaded into the gateway: a disk whose fdatasync takes SLOW_SYNC_MS
 * (200 ms) longer. What was asked for is still done.
 */
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

int fdatasync(int fd)
{
    const char *text = getenv("SLOW_SYNC_MS");
    long ms = text == NULL ? 200 : atol(text);
    struct timespec pause = { ms / 1000, ms % 1000 * 1000000 };

    while (nanosleep(&pause, &pause) < 0)
        continue;
    return (int)syscall(SYS_fdatasync, fd);
}
