/*
 * A fixed table of clients, each with one line buffer. Slot 0 is standard
 * input when that is asked for.
 */
#include "sim/console.h"
#include "base/text.h"
#include "sim/control.h"
#include "sim/fleet.h"
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

struct client {
    int in, out; /* -1: free slot */
    size_t len;
    char line[HG_CONTROL_LINE_BYTES];
};

struct hg_console {
    hg_console_run *run;
    void *owner;
    int listener; /* -1: none */
    struct sockaddr_un address;
    struct client client[HG_CONSOLE_CLIENTS];
    char answer[HG_FLEET_ANSWER_BYTES + 1]; /* and its newline */
};

/* -- clients ----------------------------------------------------------------*/

static void hang_up(struct client *client)
{
    if (client->in > STDERR_FILENO)
        close(client->in);
    client->in = -1;
    client->out = -1;
    client->len = 0;
}

static bool send_all(const struct client *client, const char *bytes, size_t len)
{
    while (len) {
        ssize_t sent = client->out == STDOUT_FILENO
                           ? write(client->out, bytes, len)
                           : send(client->out, bytes, len, MSG_NOSIGNAL);

        if (sent < 0 && errno == EINTR)
            continue;
        if (sent <= 0)
            return false;
        bytes += sent;
        len -= (size_t)sent;
    }
    return true;
}

static bool answer_line(struct hg_console *console, struct client *client)
{
    struct hg_buf answer;

    if (client->line[0] == '\0')
        return true; /* an empty line asks nothing */
    hg_buf_init(&answer, console->answer, sizeof(console->answer) - 1);
    console->run(console->owner, client->line, &answer);
    console->answer[answer.len] = '\n';
    return send_all(client, console->answer, answer.len + 1);
}

/* answer every whole line in the buffer, keep the rest */
static bool serve_lines(struct hg_console *console, struct client *client)
{
    char rest[HG_CONTROL_LINE_BYTES];
    char *end;

    while ((end = memchr(client->line, '\n', client->len))) {
        size_t used = (size_t)(end - client->line) + 1;
        size_t left = client->len - used;

        memcpy(rest, end + 1, left);
        *end = '\0';
        if (end > client->line && end[-1] == '\r')
            end[-1] = '\0';
        if (!answer_line(console, client))
            return false;
        memcpy(client->line, rest, left);
        client->len = left;
    }
    return client->len < sizeof(client->line);
}

static void serve(struct hg_console *console, struct client *client)
{
    ssize_t got = read(client->in, client->line + client->len,
                       sizeof(client->line) - client->len);

    if (got < 0 && (errno == EINTR || errno == EAGAIN))
        return;
    if (got <= 0) {
        hang_up(client);
        return;
    }
    client->len += (size_t)got;
    if (!serve_lines(console, client))
        hang_up(client);
}

static void accept_client(struct hg_console *console)
{
    int fd =
        accept4(console->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);

    for (size_t i = 0; fd >= 0 && i < HG_CONSOLE_CLIENTS; i++) {
        if (console->client[i].in >= 0)
            continue;
        console->client[i].in = fd;
        console->client[i].out = fd;
        return;
    }
    if (fd >= 0)
        close(fd); /* all slots are taken */
}

/* -- opening ----------------------------------------------------------------*/

/* remove a socket that nobody serves any more */
static int clear_path(struct hg_console *console, struct hg_buf *why)
{
    const char *path = console->address.sun_path;
    struct stat info;
    int probe, served;

    if (lstat(path, &info) < 0)
        return HG_OK; /* nothing there; bind tells what else is wrong */
    probe = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (probe < 0)
        return HG_ERR_SYSTEM;
    served = connect(probe, (const struct sockaddr *)&console->address,
                     sizeof(console->address));
    close(probe);
    if (!S_ISSOCK(info.st_mode) || served == 0) {
        hg_buf_addf(why, "%s is in use; give another --control path", path);
        return HG_ERR_EXISTS;
    }
    unlink(path);
    return HG_OK;
}

static int listen_at(struct hg_console *console, struct hg_buf *why)
{
    mode_t before;
    int err = clear_path(console, why);
    int bound;

    if (err < 0)
        return err;
    console->listener =
        socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (console->listener < 0)
        return HG_ERR_SYSTEM;
    before = umask(0177);
    bound = bind(console->listener, (const struct sockaddr *)&console->address,
                 sizeof(console->address));
    umask(before);
    if (bound < 0 || listen(console->listener, HG_CONSOLE_CLIENTS) < 0) {
        hg_buf_addf(why, "cannot serve %s: %s", console->address.sun_path,
                    strerror(errno));
        close(console->listener);
        console->listener = -1;
        return HG_ERR_SYSTEM;
    }
    return HG_OK;
}

int hg_console_open(const char *path, hg_console_run *run, void *owner,
                    struct hg_buf *why, struct hg_console **ret_console)
{
    struct hg_console *console = calloc(1, sizeof(*console));
    int err = HG_OK;

    if (!console)
        return HG_ERR_MEMORY;
    console->run = run;
    console->owner = owner;
    console->listener = -1;
    for (size_t i = 0; i < HG_CONSOLE_CLIENTS; i++)
        console->client[i].in = -1;
    if (strcmp(path, "-") == 0) {
        console->client[0].in = STDIN_FILENO;
        console->client[0].out = STDOUT_FILENO;
    } else {
        console->address.sun_family = AF_UNIX;
        err = hg_text_copy(console->address.sun_path,
                           sizeof(console->address.sun_path), path);
        if (err < 0)
            hg_buf_addf(why, "the path of --control is longer than %zu",
                        sizeof(console->address.sun_path) - 1);
        else
            err = listen_at(console, why);
    }
    if (err < 0) {
        free(console);
        return err;
    }
    *ret_console = console;
    return HG_OK;
}

void hg_console_close(struct hg_console *console)
{
    if (!console)
        return;
    for (size_t i = 0; i < HG_CONSOLE_CLIENTS; i++)
        hang_up(&console->client[i]);
    if (console->listener >= 0) {
        close(console->listener);
        unlink(console->address.sun_path);
    }
    free(console);
}

/* -- the loop ---------------------------------------------------------------*/

size_t hg_console_poll(const struct hg_console *console, struct pollfd *fds)
{
    for (size_t i = 0; i < HG_CONSOLE_CLIENTS; i++)
        fds[i] =
            (struct pollfd) { .fd = console->client[i].in, .events = POLLIN };
    fds[HG_CONSOLE_CLIENTS] =
        (struct pollfd) { .fd = console->listener, .events = POLLIN };
    return HG_CONSOLE_FDS_MAX;
}

void hg_console_turn(struct hg_console *console, const struct pollfd *fds,
                     size_t count)
{
    for (size_t i = 0; i < HG_CONSOLE_CLIENTS && i < count; i++)
        if (fds[i].fd >= 0 && fds[i].revents)
            serve(console, &console->client[i]);
    if (count > HG_CONSOLE_CLIENTS && fds[HG_CONSOLE_CLIENTS].revents)
        accept_client(console);
}
