/*
 * The rooms in a row, the moments of their next step in a dense row beside
 * them, so that a turn of a large load looks at few cache lines.
 */
#include "sim/fleet.h"
#include "base/sat.h"
#include "base/text.h"
#include "sim/channel.h"
#include "sim/control.h"
#include "sim/foreign.h"
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

static struct room *find(const struct hg_fleet *fleet, const char *name)
{
    struct room **found = bsearch(name, fleet->by_name, fleet->rooms,
                                  sizeof(struct room *), compare_name);

    return found ? *found : NULL;
}

static size_t index_of(const struct hg_fleet *fleet, const struct room *room)
{
    return (size_t)(room - fleet->room);
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

    if (room->ctl.setup.timer_ms == 0) /* a foreign one tells no presence */
        post(room, &out);
}

static bool is_link_wanted(const struct room *room)
{
    return room->ctl.is_link_wanted &&
           !(room->ctl.faults & HG_SIMCTL_POWER_LOST);
}

/* all topics of a foreign controller; what is lost is lost */
static void post_foreign(struct hg_fleet *fleet, struct room *room)
{
    for (unsigned i = 0; i < HG_SIMFOREIGN_LEAVES; i++) {
        char text[HG_SIMCTL_TEXT_BYTES];
        struct hg_simlink_out out = { .qos = fleet->options->qos };
        struct hg_buf buf;

        hg_buf_init(&buf, text, sizeof(text));
        if (!hg_simforeign_say(&room->ctl, i, &out.leaf, &buf))
            continue;
        out.payload = text;
        out.len = buf.len;
        out.is_retained = (room->ctl.faults & HG_SIMCTL_RETAINED) != 0;
        post(room, &out);
    }
}

/* send what waits, and note when the room wants to be seen again */
static void flush(struct hg_fleet *fleet, struct room *room)
{
    struct hg_simctl *ctl = &room->ctl;
    struct hg_simctl_message message;
    uint64_t channel_ms;
    uint64_t *next_ms = &fleet->next_ms[index_of(fleet, room)];

    while (hg_simctl_next(ctl, &message))
        hg_channel_push(&room->channel, &message, ctl->faults, fleet->now_ms);
    while (hg_channel_pull(&room->channel, ctl->late_ms, fleet->now_ms,
                           &message)) {
        struct hg_simlink_out out = {
            .leaf = message.is_event ? "event" : "telemetry",
            .payload = message.text,
            .len = message.len,
            .qos = message.is_event ? 1 : fleet->options->qos,
        };

        if (!is_link_wanted(room))
            continue;
        if (room->ctl.setup.timer_ms == 0)
            post(room, &out);
        else if (!message.is_event) /* its moment, in other words */
            post_foreign(fleet, room);
    }
    *next_ms = hg_simctl_deadline(ctl);
    channel_ms = hg_channel_deadline(&room->channel, ctl->late_ms);
    if (channel_ms < *next_ms)
        *next_ms = channel_ms;
}

static void on_permit(void *owner, const struct hg_simlink_permit *permit)
{
    struct hg_fleet *fleet = owner;
    struct room *room = find(fleet, permit->room);

    if (!room || !is_link_wanted(room))
        return;
    if (room->ctl.setup.timer_ms != 0) {
        (void)!hg_simforeign_hear(&room->ctl, permit->payload, permit->len,
                                  fleet->now_ms);
        fleet->next_ms[index_of(fleet, room)] = fleet->now_ms;
        return;
    }
    if (room->sign.is_set &&
        hg_simsign_check(&room->sign, permit->topic, permit->payload,
                         permit->len, permit->mac) < 0) {
        room->ctl.permits_ignored++;
        return;
    }
    if (permit->is_outputs) {
        hg_simctl_hear_outputs(&room->ctl, permit->payload, permit->len);
        return;
    }
    /* what is wrong with a permit is counted in the controller */
    (void)!hg_simctl_hear(&room->ctl, permit->payload, permit->len,
                          permit->is_retained, fleet->now_ms);
    fleet->next_ms[index_of(fleet, room)] = fleet->now_ms;
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

static int make_room(struct hg_fleet *fleet, size_t at, uint64_t boot_salt,
                     struct hg_buf *why)
{
    const struct hg_simopt *o = fleet->options;
    struct room *room = &fleet->room[at];
    struct hg_simopt_room usual;
    const struct hg_simopt_room *wanted = &usual;
    struct hg_simctl_setup setup;
    const char *key_file;
    int err;

    if (at < fleet->own) {
        wanted = &o->room[at];
    } else {
        char name[HG_SIMCTL_ROOM_BYTES * 2];

        snprintf(name, sizeof(name), "%s-%05zu", o->prefix, at - fleet->own);
        hg_simopt_usual_room(name, &usual);
    }
    err = hg_simopt_setup(o, wanted, why, &setup);
    if (err < 0)
        return err;
    setup.seed = o->seed + at;
    setup.boot_salt = boot_salt + (at << 32);
    hg_simctl_init(&setup, fleet->now_ms, &room->ctl);
    fleet->name[at] = room->ctl.setup.room;
    fleet->by_name[at] = room;
    key_file = wanted->mac_file ? wanted->mac_file : o->mac_file;
    return key_file ? hg_simsign_read(key_file, why, &room->sign) : HG_OK;
}

/* the line of `count` rooms from `first` on */
static int make_line(struct hg_fleet *fleet, size_t first, size_t count,
                     struct hg_buf *why)
{
    const struct hg_simopt *o = fleet->options;
    struct line *line = &fleet->line[fleet->lines++];
    bool is_own = first < fleet->own;
    bool is_foreign = fleet->room[first].ctl.setup.timer_ms != 0;
    const char *user = o->username;

    line->first = first;
    snprintf(line->client_id, sizeof(line->client_id), "heatgate-sim-%s%s",
             is_own ? "" : "load-", fleet->name[first]);
    if (user && strcmp(user, "%r") == 0)
        user = fleet->name[first];
    if (user && hg_text_copy(line->username, sizeof(line->username), user)) {
        hg_buf_add(why, "--username is too long");
        return HG_ERR_INPUT;
    }
    line->link = (struct hg_simlink) {
        .host = o->host,
        .port = o->port,
        .is_v311 = o->is_v311,
        .root = is_foreign ? HG_SIMFOREIGN_ROOT : o->root,
        .command = is_foreign ? HG_SIMFOREIGN_COMMAND : "permit",
        .outputs = is_foreign ? NULL : "outputs",
        .client_id = line->client_id,
        .username = user ? line->username : NULL,
        .password = o->password_file ? fleet->password : NULL,
        .names = fleet->name + first,
        .rooms = count,
        .has_will = is_own && !is_foreign,
        .sign = &fleet->room[first].sign,
        .on_permit = on_permit,
        .owner = fleet,
    };
    for (size_t i = 0; i < count; i++)
        fleet->room[first + i].line = line;
    return HG_OK;
}

static int allocate(struct hg_fleet *fleet)
{
    fleet->room = calloc(fleet->rooms, sizeof(*fleet->room));
    fleet->next_ms = calloc(fleet->rooms, sizeof(*fleet->next_ms));
    fleet->name = calloc(fleet->rooms, sizeof(*fleet->name));
    fleet->by_name = calloc(fleet->rooms, sizeof(struct room *));
    fleet->line = calloc(fleet->own + 1, sizeof(*fleet->line));
    if (!fleet->room || !fleet->next_ms || !fleet->name || !fleet->by_name ||
        !fleet->line)
        return HG_ERR_MEMORY;
    return HG_OK;
}

static int check_names(const struct hg_fleet *fleet, struct hg_buf *why)
{
    qsort(fleet->by_name, fleet->rooms, sizeof(struct room *), compare_rooms);
    for (size_t i = 1; i < fleet->rooms; i++) {
        if (compare_rooms(&fleet->by_name[i - 1], &fleet->by_name[i]) == 0) {
            hg_buf_addf(why, "room %s is given twice",
                        fleet->by_name[i]->ctl.setup.room);
            return HG_ERR_INPUT;
        }
    }
    return HG_OK;
}

static int fill(struct hg_fleet *fleet, uint64_t boot_salt, struct hg_buf *why)
{
    const char *password_file = fleet->options->password_file;
    int err = HG_OK;

    if (password_file)
        err = read_password(password_file, why, fleet->password);
    for (size_t i = 0; err == HG_OK && i < fleet->rooms; i++)
        err = make_room(fleet, i, boot_salt, why);
    if (err == HG_OK)
        err = check_names(fleet, why);
    for (size_t i = 0; err == HG_OK && i < fleet->own; i++)
        err = make_line(fleet, i, 1, why);
    if (err == HG_OK && fleet->rooms > fleet->own)
        err = make_line(fleet, fleet->own, fleet->rooms - fleet->own, why);
    return err;
}

int hg_fleet_new(const struct hg_simopt *options, uint64_t boot_salt,
                 uint64_t now_ms, struct hg_buf *why,
                 struct hg_fleet **ret_fleet)
{
    struct hg_fleet *fleet = calloc(1, sizeof(*fleet));
    int err;

    if (!fleet)
        return HG_ERR_MEMORY;
    fleet->options = options;
    fleet->own = options->rooms;
    fleet->rooms = options->rooms + options->count;
    fleet->now_ms = now_ms;
    err = allocate(fleet);
    if (err == HG_OK)
        err = fill(fleet, boot_salt, why);
    if (err < 0) {
        hg_fleet_free(fleet);
        return err;
    }
    *ret_fleet = fleet;
    return HG_OK;
}

void hg_fleet_free(struct hg_fleet *fleet)
{
    if (!fleet)
        return;
    for (size_t i = 0; i < fleet->lines; i++)
        hg_simlink_drop(&fleet->line[i].link);
    for (size_t i = 0; fleet->room && i < fleet->rooms; i++) {
        hg_channel_release(&fleet->room[i].channel);
        explicit_bzero(&fleet->room[i].sign, sizeof(fleet->room[i].sign));
    }
    explicit_bzero(fleet->password, sizeof(fleet->password));
    free(fleet->room);
    free(fleet->next_ms);
    free(fleet->name);
    free(fleet->by_name);
    free(fleet->line);
    free(fleet);
}

/* -- the loop ---------------------------------------------------------------*/

void hg_fleet_connect(struct hg_fleet *fleet, uint64_t now_ms)
{
    for (size_t i = 0; i < fleet->lines; i++)
        (void)!hg_simlink_open(&fleet->line[i].link, now_ms); /* trouble says */
}

bool hg_fleet_is_ready(const struct hg_fleet *fleet)
{
    for (size_t i = 0; i < fleet->lines; i++)
        if (!fleet->line[i].link.is_ready)
            return false;
    return true;
}

const char *hg_fleet_trouble(const struct hg_fleet *fleet)
{
    for (size_t i = 0; i < fleet->lines; i++)
        if (!fleet->line[i].link.is_ready && fleet->line[i].link.trouble)
            return fleet->line[i].link.trouble;
    return NULL;
}

size_t hg_fleet_poll(const struct hg_fleet *fleet, struct pollfd *fds)
{
    for (size_t i = 0; i < fleet->lines; i++) {
        const struct hg_simlink *link = &fleet->line[i].link;

        fds[i].fd = hg_simlink_fd(link);
        fds[i].events = POLLIN;
        fds[i].revents = 0;
        if (hg_simlink_wants_write(link))
            fds[i].events |= POLLOUT;
    }
    return fleet->lines;
}

/* a connection that just became ready: say so for each room, and speak */
static void greet(struct hg_fleet *fleet, struct line *line)
{
    size_t count = line->link.rooms;

    line->link.is_ready_news = false;
    for (size_t i = 0; i < count; i++) {
        struct room *room = &fleet->room[line->first + i];

        post_online(room, true);
        /* a load speaks spread over its period, not in one breath */
        room->ctl.telemetry_due_ms =
            fleet->now_ms + (uint64_t)room->ctl.setup.period_ms * i / count;
        fleet->next_ms[line->first + i] = fleet->now_ms;
    }
}

static void drive(struct hg_fleet *fleet, struct line *line, bool is_readable)
{
    struct room *first = &fleet->room[line->first];

    if (line->first < fleet->own && !is_link_wanted(first)) {
        hg_simlink_drop(&line->link);
        line->link.retry_at_ms = 0;
        return;
    }
    hg_simlink_drive(&line->link, is_readable, fleet->now_ms);
    if (line->link.is_ready_news)
        greet(fleet, line);
}

void hg_fleet_turn(struct hg_fleet *fleet, const struct pollfd *fds,
                   size_t count, uint64_t now_ms)
{
    fleet->now_ms = now_ms;
    for (size_t i = 0; i < count && i < fleet->lines; i++)
        drive(fleet, &fleet->line[i], fds[i].revents != 0);
    for (size_t i = 0; i < fleet->rooms; i++) {
        if (now_ms < fleet->next_ms[i])
            continue;
        fleet->room[i].ctl.is_linked = fleet->room[i].line->link.is_ready &&
                                       is_link_wanted(&fleet->room[i]);
        hg_simctl_step(&fleet->room[i].ctl, now_ms);
        flush(fleet, &fleet->room[i]);
    }
}

uint64_t hg_fleet_deadline(const struct hg_fleet *fleet)
{
    uint64_t at = hg_sat_add_u64(fleet->now_ms, LINK_TURN_MS);

    for (size_t i = 0; i < fleet->rooms; i++)
        if (fleet->next_ms[i] < at)
            at = fleet->next_ms[i];
    for (size_t i = 0; i < fleet->lines; i++)
        if (!fleet->line[i].link.mosq &&
            fleet->line[i].link.retry_at_ms > fleet->now_ms &&
            fleet->line[i].link.retry_at_ms < at)
            at = fleet->line[i].link.retry_at_ms;
    if (fleet->rooms > fleet->own && at < fleet->now_ms + LOAD_TURN_MS)
        at = fleet->now_ms + LOAD_TURN_MS;
    return at;
}

void hg_fleet_leave(struct hg_fleet *fleet)
{
    for (size_t i = 0; i < fleet->rooms; i++)
        post_online(&fleet->room[i], false);
    for (size_t i = 0; i < fleet->lines; i++)
        hg_simlink_leave(&fleet->line[i].link);
}

/* -- commands ---------------------------------------------------------------*/

static void apply(struct hg_fleet *fleet, struct room *room, const char *words,
                  struct hg_buf *answer)
{
    room->ctl.is_linked = room->line->link.is_ready && is_link_wanted(room);
    hg_control_apply(&room->ctl, words, fleet->now_ms, answer);
    fleet->next_ms[index_of(fleet, room)] = fleet->now_ms;
}

/* one object for states; else how many rooms did it, or the first error */
static void apply_all(struct hg_fleet *fleet, const char *words,
                      struct hg_buf *answer)
{
    bool is_state = strcmp(words, "state") == 0;

    for (size_t i = 0; i < fleet->rooms; i++) {
        char one[HG_SIMCTL_TEXT_BYTES * 4];
        struct hg_buf buf;

        hg_buf_init(&buf, one, sizeof(one));
        apply(fleet, &fleet->room[i], words, &buf);
        if (strncmp(one, "error", 5) == 0) {
            answer->len = 0;
            hg_buf_addf(answer, "%s (room %s)", one, fleet->name[i]);
            return;
        }
        if (is_state)
            hg_buf_addf(answer, "%s\"%s\":%s", i ? "," : "{", fleet->name[i],
                        one);
    }
    if (is_state)
        hg_buf_add(answer, "}");
    else
        hg_buf_addf(answer, "ok %zu rooms", fleet->rooms);
    if (answer->is_cut) {
        answer->len = 0;
        hg_buf_add(answer, "error: too many rooms for one answer");
    }
}

static void list_rooms(const struct hg_fleet *fleet, struct hg_buf *answer)
{
    hg_buf_add(answer, "ok");
    for (size_t i = 0; i < fleet->rooms && !answer->is_cut; i++)
        hg_buf_addf(answer, " %s", fleet->name[i]);
}

void hg_fleet_command(struct hg_fleet *fleet, const char *line, uint64_t now_ms,
                      struct hg_buf *answer)
{
    char text[HG_CONTROL_LINE_BYTES];
    char *words = NULL;
    char *name;
    struct room *room;

    fleet->now_ms = now_ms;
    if (hg_text_copy(text, sizeof(text), line) < 0) {
        hg_buf_add(answer, "error: the line is too long");
        return;
    }
    name = strtok_r(text, " \t\r", &words);
    room = name ? find(fleet, name) : NULL;
    if (room) {
        apply(fleet, room, words, answer);
    } else if (name && strcmp(name, "all") == 0) {
        apply_all(fleet, words, answer);
    } else if (name && strcmp(name, "rooms") == 0) {
        list_rooms(fleet, answer);
    } else if (name && strcmp(name, "quit") == 0) {
        fleet->is_quit = true;
        hg_buf_add(answer, "ok");
    } else {
        hg_buf_addf(answer,
                    "error: no room \"%s\"; begin with a room's "
                    "name or all, or say rooms or quit",
                    name ? name : "");
    }
}

bool hg_fleet_is_quit(const struct hg_fleet *fleet)
{
    return fleet->is_quit;
}
