/*
 * Owns the datagrams to the service manager. No environment is read here.
 */
#include "service/notify.h"
#include "base/buf.h"
#include "base/text.h"
#include <errno.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

/* sd_notify(3): "/path", or "@name" for the abstract name space */
static int address_of(const char *text, struct sockaddr_un *address,
                      socklen_t *ret_len)
{
    size_t len = strlen(text);

    memset(address, 0, sizeof(*address));
    address->sun_family = AF_UNIX;
    if ((text[0] != '/' && text[0] != '@') || len < 2 ||
        len >= sizeof(address->sun_path))
        return HG_ERR_INPUT;
    memcpy(address->sun_path, text, len);
    if (text[0] == '@')
        address->sun_path[0] = '\0';
    *ret_len = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + len);
    return 0;
}

int hg_notify_open(const char *address, struct hg_notify *notify)
{
    struct sockaddr_un peer;
    socklen_t len;
    int kept;

    notify->fd = -1;
    if (address == NULL || address[0] == '\0')
        return 0;
    if (address_of(address, &peer, &len) < 0)
        return HG_ERR_INPUT;
    notify->fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (notify->fd < 0)
        return HG_ERR_SYSTEM;
    if (connect(notify->fd, (const struct sockaddr *)&peer, len) < 0) {
        kept = errno;
        hg_notify_close(notify);
        errno = kept;
        return HG_ERR_SYSTEM;
    }
    return 0;
}

void hg_notify_close(struct hg_notify *notify)
{
    if (notify->fd >= 0)
        (void)close(notify->fd); /* a datagram socket holds nothing back */
    notify->fd = -1;
}

static int send_text(const struct hg_notify *notify, const char *text)
{
    size_t len = strlen(text);
    ssize_t sent;

    if (notify->fd < 0)
        return 0;
    do
        sent = send(notify->fd, text, len, MSG_NOSIGNAL);
    while (sent < 0 && errno == EINTR);
    return sent == (ssize_t)len ? 0 : HG_ERR_SYSTEM;
}

int hg_notify_ready(const struct hg_notify *notify)
{
    return send_text(notify, "READY=1");
}

int hg_notify_watchdog(const struct hg_notify *notify)
{
    return send_text(notify, "WATCHDOG=1");
}

int hg_notify_stopping(const struct hg_notify *notify)
{
    return send_text(notify, "STOPPING=1");
}

int hg_notify_reloading(const struct hg_notify *notify, struct hg_mono now)
{
    char text[64];

    /* boot time is no earlier than the monotonic time that is asked for */
    (void)snprintf(text, sizeof(text), "RELOADING=1\nMONOTONIC_USEC=%llu",
                   (unsigned long long)now.ms * 1000);
    return send_text(notify, text);
}

int hg_notify_status(const struct hg_notify *notify, const char *text)
{
    char bytes[sizeof("STATUS=") + HG_NOTIFY_STATUS_BYTES];
    size_t len = strnlen(text, HG_NOTIFY_STATUS_BYTES);
    struct hg_buf state;

    /* never half a character at the cut */
    while (len > 0 && text[len] != '\0' &&
           ((unsigned char)text[len] & 0xc0) == 0x80)
        len--;
    hg_buf_init(&state, bytes, sizeof(bytes));
    hg_buf_add(&state, "STATUS=");
    hg_buf_add_bytes(&state, text, len);
    /* a line break would begin another assignment */
    for (size_t i = 0; i < state.len; i++)
        if ((unsigned char)state.bytes[i] < 0x20 || state.bytes[i] == 0x7f)
            state.bytes[i] = ' ';
    return send_text(notify, state.bytes);
}

int hg_notify_watchdog_ms(const char *usec, const char *pid, pid_t self,
                          uint64_t *ret_ms)
{
    uint64_t interval = 0;
    uint64_t wanted = (uint64_t)self;

    if (usec != NULL && hg_text_to_u64(usec, 0, UINT64_MAX, &interval) < 0)
        return HG_ERR_INPUT;
    if (pid != NULL && hg_text_to_u64(pid, 0, UINT64_MAX, &wanted) < 0)
        return HG_ERR_INPUT;
    if (interval == 0 || wanted != (uint64_t)self)
        *ret_ms = 0;
    else
        *ret_ms = interval < 2000 ? 1 : interval / 2000;
    return 0;
}
