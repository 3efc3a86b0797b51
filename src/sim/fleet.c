/*
 * The rooms in a row, the moments of their next step in a dense row beside
 * them, so that a turn of a large load looks at few cache lines.
 */
#include "sim/fleet.h"
#include "base/sat.h"
#include "base/text.h"
#include "sim/channel.h"
#include "sim/control.h"
#include "sim/link.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CLIENT_BYTES   64
#define USER_BYTES     128
#define PASSWORD_BYTES 256
#define LOAD_TURN_MS   5 /* shortest turn of a load: batches, not spins */
#define LINK_TURN_MS   1000

static const char ONLINE[] = "{\"v\":1,\"online\":true}";
static const char OFFLINE[] = "{\"v\":1,\"online\":false}";

struct line { /* a connection with the strings it borrows */
    struct hg_simlink link;
    char client_id[CLIENT_BYTES];
    char username[USER_BYTES];
    size_t first; /* index of its first room; the rest follow */
};

struct room {
    struct hg_simctl ctl;
    struct hg_channel channel;
    struct hg_simsign sign;
    struct line *line;
};

struct hg_fleet {
    const struct hg_simopt *options;
    struct room *room;
    uint64_t *next_ms; /* of each room */
    const char **name; /* of each room */
    size_t rooms, own; /* the first `own` have their own line */
    struct room **by_name;
    struct line *line;
    size_t lines;
    char password[PASSWORD_BYTES];
    uint64_t now_ms;
    bool is_quit;
};

/* -- finding ----------------------------------------------------------------*/

static int compare_rooms(const void *a, const void *b)
{
    const struct room *const *left = a;
    const struct room *const *right = b;

    return strcmp((*left)->ctl.setup.room, (*right)->ctl.setup.room);
}

static int compare_name(const void *name, const void *item)
{
    const struct room *const *room = item;

    return strcmp(name, (*room)->ctl.setup.room);
}

static struct room *find(const struct hg_fleet *f, const char *name)
{
    struct room **found =
        bsearch(name, f->by_name, f->rooms, sizeof(*f->by_name), compare_name);

    return found ? *found : NULL;
}

static size_t index_of(const struct hg_fleet *f, const struct room *room)
{
    return (size_t)(room - f->room);
}

/* -- messages ---------------------------------------------------------------*/

/* a lost message is what a lossy network does; the controller goes on */
static void post(struct room *room, struct hg_simlink_out *out)
{
    out->room = room->ctl.setup.room;
    out->sign = &room->sign;
    out->is_mac_wrong = (room->ctl.faults & HG_SIMCTL_BAD_MAC) != 0;
    (void)!hg_simlink_publish(&room->line->link, out);
}

static void post_online(struct room *room, bool is_online)
{
    const char *text = is_online ? ONLINE : OFFLINE;
    struct hg_simlink_out out = { .leaf = "online",
                                  .payload = text,
                                  .len = strlen(text),
                                  .qos = 1,
                                  .is_retained = true };

    post(room, &out);
}

static bool is_link_wanted(const struct room *room)
{
    return room->ctl.is_link_wanted &&
           !(room->ctl.faults & HG_SIMCTL_POWER_LOST);
}

/* send what waits, and note when the room wants to be seen again */
static void flush(struct hg_fleet *f, struct room *room)
{
    struct hg_simctl *ctl = &room->ctl;
    struct hg_simctl_message message;
    uint64_t channel_ms;
    uint64_t *next_ms = &f->next_ms[index_of(f, room)];

    while (hg_simctl_next(ctl, &message))
        hg_channel_push(&room->channel, &message, ctl->faults, f->now_ms);
    while (hg_channel_pull(&room->channel, ctl->late_ms, f->now_ms, &message)) {
        struct hg_simlink_out out = {
            .leaf = message.is_event ? "event" : "telemetry",
            .payload = message.text,
            .len = message.len,
            .qos = message.is_event ? 1 : f->options->qos,
        };

        if (is_link_wanted(room))
            post(room, &out);
    }
    *next_ms = hg_simctl_deadline(ctl);
    channel_ms = hg_channel_deadline(&room->channel, ctl->late_ms);
    if (channel_ms < *next_ms)
        *next_ms = channel_ms;
}

static void on_permit(void *owner, const struct hg_simlink_permit *permit)
{
    struct hg_fleet *f = owner;
    struct room *room = find(f, permit->room);

    if (!room || !is_link_wanted(room))
        return;
    if (room->sign.is_set &&
        hg_simsign_check(&room->sign, permit->topic, permit->payload,
                         permit->len, permit->mac) < 0) {
        room->ctl.permits_ignored++;
        return;
    }
    /* what is wrong with a permit is counted in the controller */
    (void)!hg_simctl_hear(&room->ctl, permit->payload, permit->len,
                          permit->is_retained, f->now_ms);
    f->next_ms[index_of(f, room)] = f->now_ms;
}

/* -- making -----------------------------------------------------------------*/

static int read_password(const char *path, struct hg_buf *why,
                         char password[PASSWORD_BYTES])
{
    FILE *file = fopen(path, "re");
    int err = HG_OK;

    if (!file || !fgets(password, PASSWORD_BYTES, file)) {
        hg_buf_addf(why, "cannot read a password from %s", path);
        err = HG_ERR_SYSTEM;
    } else {
        password[strcspn(password, "\r\n")] = '\0';
    }
    if (file)
        fclose(file);
    return err;
}

static int make_room(struct hg_fleet *f, size_t at, uint64_t boot_salt,
                     struct hg_buf *why)
{
    const struct hg_simopt *o = f->options;
    struct room *room = &f->room[at];
    struct hg_simopt_room usual;
    const struct hg_simopt_room *wanted = &usual;
    struct hg_simctl_setup setup;
    const char *key_file;
    char name[HG_SIMCTL_ROOM_BYTES * 2];
    int err;

    if (at < f->own) {
        wanted = &o->room[at];
    } else {
        snprintf(name, sizeof(name), "%s-%05zu", o->prefix, at - f->own);
        hg_simopt_usual_room(name, &usual);
    }
    err = hg_simopt_setup(o, wanted, why, &setup);
    if (err < 0)
        return err;
    setup.seed = o->seed + at;
    setup.boot_salt = boot_salt + (at << 32);
    hg_simctl_init(&setup, f->now_ms, &room->ctl);
    f->name[at] = room->ctl.setup.room;
    f->by_name[at] = room;
    key_file = wanted->mac_file ? wanted->mac_file : o->mac_file;
    return key_file ? hg_simsign_read(key_file, why, &room->sign) : HG_OK;
}

/* the line of `count` rooms from `first` on */
static int make_line(struct hg_fleet *f, size_t first, size_t count,
                     struct hg_buf *why)
{
    const struct hg_simopt *o = f->options;
    struct line *line = &f->line[f->lines++];
    bool is_own = first < f->own;
    const char *user = o->username;

    line->first = first;
    snprintf(line->client_id, sizeof(line->client_id), "heatgate-sim-%s%s",
             is_own ? "" : "load-", f->name[first]);
    if (user && strcmp(user, "%r") == 0)
        user = f->name[first];
    if (user && hg_text_copy(line->username, sizeof(line->username), user)) {
        hg_buf_add(why, "--username is too long");
        return HG_ERR_INPUT;
    }
    line->link = (struct hg_simlink) {
        .host = o->host,
        .port = o->port,
        .is_v311 = o->is_v311,
        .root = o->root,
        .client_id = line->client_id,
        .username = user ? line->username : NULL,
        .password = o->password_file ? f->password : NULL,
        .names = f->name + first,
        .rooms = count,
        .has_will = is_own,
        .sign = &f->room[first].sign,
        .on_permit = on_permit,
        .owner = f,
    };
    for (size_t i = 0; i < count; i++)
        f->room[first + i].line = line;
    return HG_OK;
}

static int allocate(struct hg_fleet *f)
{
    f->room = calloc(f->rooms, sizeof(*f->room));
    f->next_ms = calloc(f->rooms, sizeof(*f->next_ms));
    f->name = calloc(f->rooms, sizeof(*f->name));
    f->by_name = calloc(f->rooms, sizeof(*f->by_name));
    f->line = calloc(f->own + 1, sizeof(*f->line));
    if (!f->room || !f->next_ms || !f->name || !f->by_name || !f->line)
        return HG_ERR_MEMORY;
    return HG_OK;
}

static int check_names(const struct hg_fleet *f, struct hg_buf *why)
{
    qsort(f->by_name, f->rooms, sizeof(*f->by_name), compare_rooms);
    for (size_t i = 1; i < f->rooms; i++) {
        if (compare_rooms(&f->by_name[i - 1], &f->by_name[i]) == 0) {
            hg_buf_addf(why, "room %s is given twice",
                        f->by_name[i]->ctl.setup.room);
            return HG_ERR_INPUT;
        }
    }
    return HG_OK;
}

static int fill(struct hg_fleet *f, uint64_t boot_salt, struct hg_buf *why)
{
    const char *password_file = f->options->password_file;
    int err = HG_OK;

    if (password_file)
        err = read_password(password_file, why, f->password);
    for (size_t i = 0; err == HG_OK && i < f->rooms; i++)
        err = make_room(f, i, boot_salt, why);
    if (err == HG_OK)
        err = check_names(f, why);
    for (size_t i = 0; err == HG_OK && i < f->own; i++)
        err = make_line(f, i, 1, why);
    if (err == HG_OK && f->rooms > f->own)
        err = make_line(f, f->own, f->rooms - f->own, why);
    return err;
}

int hg_fleet_new(const struct hg_simopt *options, uint64_t boot_salt,
                 uint64_t now_ms, struct hg_buf *why,
                 struct hg_fleet **ret_fleet)
{
    struct hg_fleet *f = calloc(1, sizeof(*f));
    int err;

    if (!f)
        return HG_ERR_MEMORY;
    f->options = options;
    f->own = options->rooms;
    f->rooms = options->rooms + options->count;
    f->now_ms = now_ms;
    err = allocate(f);
    if (err == HG_OK)
        err = fill(f, boot_salt, why);
    if (err < 0) {
        hg_fleet_free(f);
        return err;
    }
    *ret_fleet = f;
    return HG_OK;
}

void hg_fleet_free(struct hg_fleet *f)
{
    if (!f)
        return;
    for (size_t i = 0; i < f->lines; i++)
        hg_simlink_drop(&f->line[i].link);
    for (size_t i = 0; f->room && i < f->rooms; i++) {
        hg_channel_release(&f->room[i].channel);
        explicit_bzero(&f->room[i].sign, sizeof(f->room[i].sign));
    }
    explicit_bzero(f->password, sizeof(f->password));
    free(f->room);
    free(f->next_ms);
    free(f->name);
    free(f->by_name);
    free(f->line);
    free(f);
}

/* -- the loop ---------------------------------------------------------------*/

void hg_fleet_connect(struct hg_fleet *f, uint64_t now_ms)
{
    for (size_t i = 0; i < f->lines; i++)
        (void)!hg_simlink_open(&f->line[i].link, now_ms); /* trouble says */
}

bool hg_fleet_is_ready(const struct hg_fleet *f)
{
    for (size_t i = 0; i < f->lines; i++)
        if (!f->line[i].link.is_ready)
            return false;
    return true;
}

const char *hg_fleet_trouble(const struct hg_fleet *f)
{
    for (size_t i = 0; i < f->lines; i++)
        if (!f->line[i].link.is_ready && f->line[i].link.trouble)
            return f->line[i].link.trouble;
    return NULL;
}

size_t hg_fleet_poll(const struct hg_fleet *f, struct pollfd *fds)
{
    for (size_t i = 0; i < f->lines; i++) {
        const struct hg_simlink *link = &f->line[i].link;

        fds[i].fd = hg_simlink_fd(link);
        fds[i].events = POLLIN;
        fds[i].revents = 0;
        if (hg_simlink_wants_write(link))
            fds[i].events |= POLLOUT;
    }
    return f->lines;
}

/* a connection that just became ready: say so for each room, and speak */
static void greet(struct hg_fleet *f, struct line *line)
{
    size_t count = line->link.rooms;

    line->link.is_ready_news = false;
    for (size_t i = 0; i < count; i++) {
        struct room *room = &f->room[line->first + i];

        post_online(room, true);
        /* a load speaks spread over its period, not in one breath */
        room->ctl.telemetry_due_ms =
            f->now_ms + (uint64_t)room->ctl.setup.period_ms * i / count;
        f->next_ms[line->first + i] = f->now_ms;
    }
}

static void drive(struct hg_fleet *f, struct line *line, bool is_readable)
{
    struct room *first = &f->room[line->first];

    if (line->first < f->own && !is_link_wanted(first)) {
        hg_simlink_drop(&line->link);
        line->link.retry_at_ms = 0;
        return;
    }
    hg_simlink_drive(&line->link, is_readable, f->now_ms);
    if (line->link.is_ready_news)
        greet(f, line);
}

void hg_fleet_turn(struct hg_fleet *f, const struct pollfd *fds, size_t count,
                   uint64_t now_ms)
{
    f->now_ms = now_ms;
    for (size_t i = 0; i < count && i < f->lines; i++)
        drive(f, &f->line[i], fds[i].revents != 0);
    for (size_t i = 0; i < f->rooms; i++) {
        if (now_ms < f->next_ms[i])
            continue;
        f->room[i].ctl.is_linked =
            f->room[i].line->link.is_ready && is_link_wanted(&f->room[i]);
        hg_simctl_step(&f->room[i].ctl, now_ms);
        flush(f, &f->room[i]);
    }
}

uint64_t hg_fleet_deadline(const struct hg_fleet *f)
{
    uint64_t at = hg_sat_add_u64(f->now_ms, LINK_TURN_MS);

    for (size_t i = 0; i < f->rooms; i++)
        if (f->next_ms[i] < at)
            at = f->next_ms[i];
    for (size_t i = 0; i < f->lines; i++)
        if (!f->line[i].link.mosq && f->line[i].link.retry_at_ms > f->now_ms &&
            f->line[i].link.retry_at_ms < at)
            at = f->line[i].link.retry_at_ms;
    if (f->rooms > f->own && at < f->now_ms + LOAD_TURN_MS)
        at = f->now_ms + LOAD_TURN_MS;
    return at;
}

void hg_fleet_leave(struct hg_fleet *f)
{
    for (size_t i = 0; i < f->rooms; i++)
        post_online(&f->room[i], false);
    for (size_t i = 0; i < f->lines; i++)
        hg_simlink_leave(&f->line[i].link);
}

/* -- commands ---------------------------------------------------------------*/

static void apply(struct hg_fleet *f, struct room *room, const char *words,
                  struct hg_buf *answer)
{
    room->ctl.is_linked = room->line->link.is_ready && is_link_wanted(room);
    hg_control_apply(&room->ctl, words, f->now_ms, answer);
    f->next_ms[index_of(f, room)] = f->now_ms;
}

/* one object for states; else how many rooms did it, or the first error */
static void apply_all(struct hg_fleet *f, const char *words,
                      struct hg_buf *answer)
{
    bool is_state = strcmp(words, "state") == 0;

    for (size_t i = 0; i < f->rooms; i++) {
        char one[HG_SIMCTL_TEXT_BYTES * 4];
        struct hg_buf buf;

        hg_buf_init(&buf, one, sizeof(one));
        apply(f, &f->room[i], words, &buf);
        if (strncmp(one, "error", 5) == 0) {
            answer->len = 0;
            hg_buf_addf(answer, "%s (room %s)", one, f->name[i]);
            return;
        }
        if (is_state)
            hg_buf_addf(answer, "%s\"%s\":%s", i ? "," : "{", f->name[i], one);
    }
    if (is_state)
        hg_buf_add(answer, "}");
    else
        hg_buf_addf(answer, "ok %zu rooms", f->rooms);
    if (answer->is_cut) {
        answer->len = 0;
        hg_buf_add(answer, "error: too many rooms for one answer");
    }
}

static void list_rooms(const struct hg_fleet *f, struct hg_buf *answer)
{
    hg_buf_add(answer, "ok");
    for (size_t i = 0; i < f->rooms && !answer->is_cut; i++)
        hg_buf_addf(answer, " %s", f->name[i]);
}

void hg_fleet_command(struct hg_fleet *f, const char *line, uint64_t now_ms,
                      struct hg_buf *answer)
{
    char text[HG_CONTROL_LINE_BYTES];
    char *words = NULL;
    char *name;
    struct room *room;

    f->now_ms = now_ms;
    if (hg_text_copy(text, sizeof(text), line) < 0) {
        hg_buf_add(answer, "error: the line is too long");
        return;
    }
    name = strtok_r(text, " \t\r", &words);
    room = name ? find(f, name) : NULL;
    if (room) {
        apply(f, room, words, answer);
    } else if (name && strcmp(name, "all") == 0) {
        apply_all(f, words, answer);
    } else if (name && strcmp(name, "rooms") == 0) {
        list_rooms(f, answer);
    } else if (name && strcmp(name, "quit") == 0) {
        f->is_quit = true;
        hg_buf_add(answer, "ok");
    } else {
        hg_buf_addf(answer,
                    "error: no room \"%s\"; begin with a room's "
                    "name or all, or say rooms or quit",
                    name ? name : "");
    }
}

bool hg_fleet_is_quit(const struct hg_fleet *f)
{
    return f->is_quit;
}
