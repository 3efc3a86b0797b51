/*
 * The state directory: the epoch never goes down, a second instance stays
 * out, a room comes back as it was, and every failing step on the way to
 * disk is told and leaves the old file whole.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/text.h"
#include "check.h"
#include "service/store.h"
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define BOOT_A   "00000000-0000-4000-8000-00000000000a"
#define BOOT_B   "00000000-0000-4000-8000-00000000000b"
#define SENTINEL ((struct hg_store *)(uintptr_t)0x5a5a)

struct fixture {
    char dir[64];
    char why_bytes[HG_STORE_WHY_BYTES];
    struct hg_buf why;
    struct hg_store *store;
};

static int setup(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    if (fixture == NULL)
        return -1;
    (void)snprintf(fixture->dir, sizeof(fixture->dir), "/tmp/hg-store-XXXXXX");
    if (mkdtemp(fixture->dir) == NULL)
        return -1;
    hg_buf_init(&fixture->why, fixture->why_bytes, sizeof(fixture->why_bytes));
    *state = fixture;
    return 0;
}

static const char *in_dir(const struct fixture *fixture, const char *name)
{
    static char path[128];

    (void)snprintf(path, sizeof(path), "%s/%s", fixture->dir, name);
    return path;
}

static int teardown(void **state)
{
    static const char *const names[] = { "epoch",      "epoch.new",
                                         "rooms.json", "rooms.json.new",
                                         "lock",       "deep/lock" };
    struct fixture *fixture = *state;

    hg_store_close(fixture->store);
    for (size_t i = 0; i < HG_COUNT(names); i++)
        (void)unlink(in_dir(fixture, names[i]));
    (void)rmdir(in_dir(fixture, "deep"));
    if (rmdir(fixture->dir) < 0)
        return -1;
    free(fixture);
    return 0;
}

static int reopen(struct fixture *fixture)
{
    struct hg_store *store = SENTINEL;
    int err;

    hg_store_close(fixture->store);
    fixture->store = NULL;
    hg_buf_init(&fixture->why, fixture->why_bytes, sizeof(fixture->why_bytes));
    err = hg_store_open(fixture->dir, NULL, &fixture->why, &store);
    HG_CHECK_EQ("untouched on failure", store == SENTINEL, err < 0);
    HG_CHECK_EQ("a reason", fixture->why.len > 0, err < 0);
    if (err == 0)
        fixture->store = store;
    return err;
}

static void write_file(const struct fixture *fixture, const char *name,
                       const char *text)
{
    FILE *file = fopen(in_dir(fixture, name), "we");

    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

static void read_file(const struct fixture *fixture, const char *name,
                      char *text, size_t cap)
{
    FILE *file = fopen(in_dir(fixture, name), "re");
    size_t len;

    assert_non_null(file);
    len = fread(text, 1, cap - 1, file);
    text[len] = '\0';
    assert_int_equal(fclose(file), 0);
}

/* -- the epoch --------------------------------------------------------------*/

static void test_store__counts_every_start(void **state)
{
    struct fixture *fixture = *state;
    char text[32];

    for (uint64_t want = 1; want <= 3; want++) {
        uint64_t epoch = 0;

        assert_int_equal(reopen(fixture), 0);
        assert_int_equal(hg_store_epoch(fixture->store), want - 1);
        assert_int_equal(
            hg_store_epoch_next(fixture->store, &fixture->why, &epoch), 0);
        assert_int_equal(epoch, want);
    }
    read_file(fixture, "epoch", text, sizeof(text));
    assert_string_equal(text, "3\n");
}

static void test_store__raises_the_epoch_and_never_lowers_it(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_epoch_raise(fixture->store, 9, &fixture->why), 0);
    assert_int_equal(hg_store_epoch_raise(fixture->store, 4, &fixture->why), 0);
    assert_int_equal(hg_store_epoch(fixture->store), 9);
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_epoch(fixture->store), 9);
}

static void test_store__ends_at_the_last_epoch(void **state)
{
    struct fixture *fixture = *state;
    uint64_t epoch = 77;

    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_epoch_raise(
                         fixture->store, HG_STORE_EPOCH_MAX + 1, &fixture->why),
                     HG_ERR_RANGE);
    assert_int_equal(
        hg_store_epoch_raise(fixture->store, HG_STORE_EPOCH_MAX, &fixture->why),
        0);
    assert_int_equal(hg_store_epoch_next(fixture->store, &fixture->why, &epoch),
                     HG_ERR_RANGE);
    assert_int_equal(epoch, 77);
    /* one more would leave the range of serials */
    assert_true(HG_STORE_EPOCH_MAX << HG_EPOCH_SHIFT < HG_SERIAL_LIMIT);
    assert_false((HG_STORE_EPOCH_MAX + 1) << HG_EPOCH_SHIFT < HG_SERIAL_LIMIT);
}

static void test_store__refuses_a_corrupt_epoch(void **state)
{
    static const char *const bad[] = { "",
                                       "\n",
                                       "x\n",
                                       "-1\n",
                                       "1 2\n",
                                       "7\n\n",
                                       "0x7\n",
                                       "1e3\n",
                                       "268435456\n",
                                       "111111111111111111111111111111111\n" };
    struct fixture *fixture = *state;
    char text[64];

    for (size_t i = 0; i < HG_COUNT(bad); i++) {
        write_file(fixture, "epoch", bad[i]);
        HG_CHECK_EQ(bad[i], reopen(fixture), HG_ERR_CORRUPT);
        HG_CHECK_TRUE(bad[i], strstr(fixture->why.bytes, "higher than any"));
        read_file(fixture, "epoch", text, sizeof(text));
        HG_CHECK_STR("left alone", text, bad[i]);
    }
    write_file(fixture, "epoch", "41"); /* by hand, without a line end */
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_epoch(fixture->store), 41);
}

/* -- the lock ---------------------------------------------------------------*/

static void test_store__keeps_a_second_instance_out(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store *second = SENTINEL;

    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_open(fixture->dir, NULL, &fixture->why, &second),
                     HG_ERR_BUSY);
    assert_ptr_equal(second, SENTINEL);
    assert_non_null(strstr(fixture->why.bytes, "Another heatgated uses"));
    assert_int_equal(reopen(fixture), 0);
}

static void test_store__makes_its_directory(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store *store = NULL;
    struct stat info;

    assert_int_equal(
        hg_store_open(in_dir(fixture, "deep"), NULL, &fixture->why, &store), 0);
    assert_int_equal(stat(in_dir(fixture, "deep"), &info), 0);
    assert_int_equal(info.st_mode & 07777, 0700);
    hg_store_close(store);
    store = SENTINEL;
    assert_int_equal(hg_store_open(in_dir(fixture, "no/deeper"), NULL,
                                   &fixture->why, &store),
                     HG_ERR_SYSTEM);
    assert_non_null(strstr(fixture->why.bytes, "No such file"));
}

/* -- rooms ------------------------------------------------------------------*/

static struct hg_store_stamp stamp(const char *boot_id, uint64_t mono_ms,
                                   int64_t wall_ms, bool is_trusted)
{
    struct hg_store_stamp stamp;

    memset(&stamp, 0, sizeof(stamp));
    assert_int_equal(
        hg_text_copy(stamp.boot_id, sizeof(stamp.boot_id), boot_id), 0);
    stamp.at.mono.ms = mono_ms;
    stamp.at.wall.ms = wall_ms;
    stamp.at.wall.is_trusted = is_trusted;
    return stamp;
}

static void text_into(char *to, size_t cap, const char *text)
{
    assert_int_equal(hg_text_copy(to, cap, text), 0);
}

/* a room with a value in every member */
static void fill_room(struct hg_store_room *room, const char *name)
{
    struct hg_gate_memory *memory = &room->memory;

    memset(room, 0, sizeof(*room));
    text_into(room->name, sizeof(room->name), name);
    room->journal_n = 4711;
    memory->is_commissioned = true;
    memory->proof_at_ms = 1767225600000;
    memory->lockouts =
        HG_WHY_BIT(HG_WHY_NO_RISE) | HG_WHY_BIT(HG_WHY_LOCKED_OUT);
    memory->rest_left_ms = 600000;
    memory->check_left_ms = 300000;
    memory->check.state = HG_CHECK_VALID;
    memory->check.why = HG_WHY_DOOR_OPEN;
    memory->check.is_suspended = true;
    memory->check.signer.role = HG_ROLE_CARETAKER;
    text_into(memory->check.signer.id, HG_ID_BYTES, "c-1");
    text_into(memory->check.boot, HG_BOOT_BYTES, "5e1f\"\\\xc3\xa9");
    memory->check.has_door_count = true;
    memory->check.door_count = (UINT64_C(1) << 53) - 1;
    memory->boot_count = 2;
    text_into(memory->boot[0].boot, HG_BOOT_BYTES, "5e1f");
    memory->boot[0].has_telemetry = true;
    memory->boot[0].telemetry_seq = 1041;
    text_into(memory->boot[1].boot, HG_BOOT_BYTES, "5e1e");
    memory->boot[1].has_event = true;
    memory->boot[1].event_seq = 88;
    memory->plan.is_active = true;
    memory->plan.by.actor.role = HG_ROLE_OWNER;
    text_into(memory->plan.by.actor.id, HG_ID_BYTES, "uid=0");
    memory->plan.by.is_allowed = true;
    memory->plan.by.has_stay = true;
    memory->plan.by.stay_from_ms = -1;
    memory->plan.by.stay_until_ms = 1767225600001;
    text_into(memory->plan.heat_id, HG_ID_BYTES, "h-1");
    memory->plan.target_mc = 80000;
    memory->plan.duration_ms = 7200000;
    memory->plan.ready_at_ms = 1767225600002;
    memory->plan.starts_at_ms = 1767225600003;
    memory->plan.at_risk = HG_WHY_BIT(HG_WHY_CHECK_MISSING);
    memory->last.has_one = true;
    text_into(memory->last.heat_id, HG_ID_BYTES, "h-0");
    memory->last.ended_at_ms = 1767225600004;
    memory->last.end = HG_WHY_TIME_UP;
    memory->is_local = true;
    memory->local_for_ms = 90000;
}

struct source {
    struct hg_store_room *room;
};

static void give_room(void *context, size_t index, struct hg_store_room *room)
{
    const struct source *source = context;

    *room = source->room[index];
}

static int save(struct fixture *fixture, struct hg_store_room *rooms,
                size_t count, const struct hg_store_stamp *now)
{
    struct source context = { rooms };
    struct hg_store_source source = { count, give_room, &context };

    return hg_store_save(fixture->store, now, &source, &fixture->why);
}

static void test_store__gives_a_room_back_as_it_was(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room rooms[2], got;

    fill_room(&rooms[0], "heron");
    rooms[0].warm_up = json_pack("{s:[f,f]}", "w", 0.1, 1e-9);
    rooms[0].energy = json_pack("{s:I}", "wh", (json_int_t)123456789012);
    memset(&rooms[1], 0, sizeof(rooms[1]));
    text_into(rooms[1].name, sizeof(rooms[1].name), "otter");
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(save(fixture, rooms, 2, &now), 0);
    assert_int_equal(reopen(fixture), 0);

    memset(&got, 0x5a, sizeof(got));
    assert_int_equal(
        hg_store_take_room(fixture->store, "heron", &now, &fixture->why, &got),
        0);
    assert_true(json_equal(got.warm_up, rooms[0].warm_up));
    assert_true(json_equal(got.energy, rooms[0].energy));
    hg_store_room_release(&got);
    hg_store_room_release(&rooms[0]);
    assert_null(got.warm_up);
    assert_memory_equal(&got, &rooms[0], sizeof(got));
    assert_int_equal(
        hg_store_take_room(fixture->store, "otter", &now, &fixture->why, &got),
        0);
    assert_memory_equal(&got, &rooms[1], sizeof(got));
    assert_int_equal(
        hg_store_take_room(fixture->store, "heron", &now, &fixture->why, &got),
        HG_ERR_NOT_FOUND);
}

static void test_store__keeps_every_word(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room, got;

    for (int i = 0; i < HG_WHY_COUNT; i++) {
        fill_room(&room, "heron");
        room.memory.check.why = (enum hg_why)i;
        room.memory.last.end = (enum hg_why)i;
        room.memory.lockouts = i == 0 ? 0 : HG_WHY_BIT(i);
        room.memory.check.signer.role = (enum hg_role)(i % 8);
        room.memory.check.state = (enum hg_check_state)(1 + i % 4);
        assert_int_equal(reopen(fixture), 0);
        assert_int_equal(save(fixture, &room, 1, &now), 0);
        assert_int_equal(reopen(fixture), 0);
        assert_int_equal(hg_store_take_room(fixture->store, "heron", &now,
                                            &fixture->why, &got),
                         0);
        assert_memory_equal(&got, &room, sizeof(got));
    }
}

static void test_store__keeps_rooms_that_nobody_takes(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp then = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_stamp now = stamp(BOOT_A, 61000, 65000, true);
    struct hg_store_room rooms[2], got;

    fill_room(&rooms[0], "heron");
    fill_room(&rooms[1], "otter");
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(save(fixture, rooms, 2, &then), 0);
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(
        hg_store_take_room(fixture->store, "heron", &now, &fixture->why, &got),
        0);
    assert_int_equal(save(fixture, &got, 1, &now), 0);
    assert_int_equal(reopen(fixture), 0);

    /* its time runs from when it was saved itself */
    assert_int_equal(
        hg_store_take_room(fixture->store, "otter", &now, &fixture->why, &got),
        0);
    assert_int_equal(got.memory.check_left_ms, 240000);
    assert_int_equal(
        hg_store_take_room(fixture->store, "heron", &now, &fixture->why, &got),
        0);
    assert_int_equal(got.memory.check_left_ms, 240000);
}

/* a text from outside must never make the file unreadable */
static void test_store__writes_any_text_readably(void **state)
{
    static const struct {
        const char *id, *want;
    } row[] = {
        { "a\x01\x1f\tb\n", "a\x01\x1f\tb\n" },
        { "\"\\\"", "\"\\\"" },
        { "\xc3\xa9", "\xc3\xa9" },
        { "\x01\xc3\xa9\x7f", "\x01??\x7f" },
        { "\xff\"x", "?\"x" },
    };
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room, got;

    for (size_t i = 0; i < HG_COUNT(row); i++) {
        fill_room(&room, "heron");
        text_into(room.memory.last.heat_id, HG_ID_BYTES, row[i].id);
        assert_int_equal(reopen(fixture), 0);
        assert_int_equal(save(fixture, &room, 1, &now), 0);
        assert_int_equal(reopen(fixture), 0);
        assert_int_equal(hg_store_take_room(fixture->store, "heron", &now,
                                            &fixture->why, &got),
                         0);
        HG_CHECK_STR(row[i].id, got.memory.last.heat_id, row[i].want);
    }
}

static void test_store__lets_time_pass_over_a_restart(void **state)
{
    static const struct {
        const char *label;
        const char *boot_then, *boot_now;
        uint64_t mono_then, mono_now;
        int64_t wall_then, wall_now;
        bool trusted_then, trusted_now;
        uint64_t check_left, rest_left; /* of 1000 and 2000 */
    } row[] = {
        { "same boot", BOOT_A, BOOT_A, 500, 900, 0, 0, false, false, 600,
          1600 },
        { "same boot, wall ignored", BOOT_A, BOOT_A, 500, 501, 0, 99999, true,
          true, 999, 1999 },
        { "same boot, no time", BOOT_A, BOOT_A, 500, 500, 0, 0, false, false,
          1000, 2000 },
        { "check just over", BOOT_A, BOOT_A, 0, 1000, 0, 0, false, false, 0,
          1000 },
        { "both over", BOOT_A, BOOT_A, 0, 5000, 0, 0, false, false, 0, 0 },
        { "other boot, wall", BOOT_A, BOOT_B, 9000, 10, 100, 350, true, true,
          750, 1750 },
        { "other boot, wall was not trusted", BOOT_A, BOOT_B, 0, 10, 100, 350,
          false, true, 0, 2000 },
        { "other boot, wall is not trusted", BOOT_A, BOOT_B, 0, 10, 100, 350,
          true, false, 0, 2000 },
        { "other boot, wall went back", BOOT_A, BOOT_B, 0, 10, 100, 99, true,
          true, 0, 2000 },
        { "same boot, boot time went back", BOOT_A, BOOT_A, 10, 9, 100, 350,
          false, true, 0, 2000 },
        { "no boot id, no wall", "", "", 10, 20, 0, 0, false, false, 0, 2000 },
    };

    (void)state;
    for (size_t i = 0; i < HG_COUNT(row); i++) {
        struct hg_store_stamp then =
            stamp(row[i].boot_then, row[i].mono_then, row[i].wall_then,
                  row[i].trusted_then);
        struct hg_store_stamp now = stamp(row[i].boot_now, row[i].mono_now,
                                          row[i].wall_now, row[i].trusted_now);
        struct hg_gate_memory memory = { .check_left_ms = 1000,
                                         .rest_left_ms = 2000,
                                         .is_local = true,
                                         .local_for_ms = 500 };
        /* the check tells how much had passed, unless nothing was proved */
        bool is_proved = row[i].rest_left < 2000 || row[i].check_left > 0;

        hg_store_pass_time(&then, &now, &memory);

        HG_CHECK_EQ_U64(row[i].label, memory.check_left_ms, row[i].check_left);
        HG_CHECK_EQ_U64(row[i].label, memory.rest_left_ms, row[i].rest_left);
        /* nobody knows how long it had been on: then it is not on */
        HG_CHECK_EQ(row[i].label, memory.is_local, is_proved);
        if (is_proved && row[i].check_left > 0)
            HG_CHECK_EQ_U64(row[i].label, memory.local_for_ms,
                            500 + 1000 - row[i].check_left);
    }
}

static void test_store__remembers_the_epoch_twice(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room;
    uint64_t epoch;

    fill_room(&room, "heron");
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_epoch_raise(fixture->store, 40, &fixture->why),
                     0);
    assert_int_equal(save(fixture, &room, 1, &now), 0);
    assert_int_equal(unlink(in_dir(fixture, "epoch")), 0);
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(hg_store_epoch_next(fixture->store, &fixture->why, &epoch),
                     0);
    assert_int_equal(epoch, 41);
}

/* -- damage -----------------------------------------------------------------*/

static void test_store__refuses_damaged_rooms(void **state)
{
    static const char *const bad[] = {
        "",
        "[]",
        "{}",
        "{\"v\":1}",
        "{\"v\":2,\"epoch\":1,\"rooms\":{}}",
        "{\"v\":1,\"epoch\":-1,\"rooms\":{}}",
        "{\"v\":1,\"epoch\":268435456,\"rooms\":{}}",
        "{\"v\":1,\"epoch\":\"1\",\"rooms\":{}}",
        "{\"v\":1,\"epoch\":1,\"rooms\":[]}",
        "{\"v\":1,\"epoch\":1,\"rooms\":{\"a\":1,\"a\":2}}",
        "{\"v\":1,\"epoch\":1,\"rooms\":{",
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < HG_COUNT(bad); i++) {
        write_file(fixture, "rooms.json", bad[i]);
        HG_CHECK_EQ(bad[i], reopen(fixture), HG_ERR_CORRUPT);
        HG_CHECK_TRUE(bad[i], strstr(fixture->why.bytes, "move it away"));
    }
}

/* each member of a room in turn: missing when it must be there, or wrong */
static void test_store__refuses_damaged_members(void **state)
{
    static const char *const member[] = {
        "saved/boot_id",   "saved/mono_ms",    "saved/wall_ms",
        "saved/trusted",   "journal_n",        "commissioned",
        "proof_at_ms",     "lockouts",         "rest_left_ms",
        "boots",           "check/state",      "check/why",
        "check/signer",    "check/boot",       "check/left_ms",
        "plan/by",         "plan/allowed",     "plan/stay_from_ms",
        "plan/heat_id",    "plan/target_mc",   "plan/duration_ms",
        "plan/at_risk",    "plan/ready_at_ms", "plan/starts_at_ms",
        "last/heat_id",    "last/ended_at_ms", "last/end",
        "check/suspended",
    };
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room, got;
    json_t *good;

    fill_room(&room, "heron");
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(save(fixture, &room, 1, &now), 0);
    good = json_load_file(in_dir(fixture, "rooms.json"), 0, NULL);
    assert_non_null(good);
    for (size_t i = 0; i < 3 * HG_COUNT(member); i++) {
        const char *name = member[i / 3];
        const char *slash = strchr(name, '/');
        json_t *copy = json_deep_copy(good);
        json_t *at = json_object_get(json_object_get(copy, "rooms"), "heron");
        char part[16];

        if (slash != NULL) {
            (void)snprintf(part, sizeof(part), "%.*s", (int)(slash - name),
                           name);
            at = json_object_get(at, part);
            name = slash + 1;
        }
        if (i % 3 == 0)
            assert_int_equal(json_object_del(at, name), 0);
        else
            assert_int_equal(
                json_object_set_new(at, name,
                                    i % 3 == 1 ? json_pack("[s]", "no-such")
                                               : json_real(0.5)),
                0);
        assert_int_equal(json_dump_file(copy, in_dir(fixture, "rooms.json"), 0),
                         0);
        json_decref(copy);
        HG_CHECK_EQ(member[i / 3], reopen(fixture), 0);
        memset(&got, 0x5a, sizeof(got));
        HG_CHECK_EQ(member[i / 3],
                    hg_store_take_room(fixture->store, "heron", &now,
                                       &fixture->why, &got),
                    HG_ERR_CORRUPT);
        HG_CHECK_TRUE(member[i / 3],
                      strstr(fixture->why.bytes, "room heron, member "));
        HG_CHECK_EQ("untouched", got.name[0], 0x5a);
    }
    json_decref(good);
}

static void test_store__survives_a_cut_at_any_byte(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room;
    struct source context = { &room };
    struct hg_store_source source = { 1, give_room, &context };
    char *text = NULL;
    size_t len = 0;

    fill_room(&room, "heron");
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(
        hg_store_render(fixture->store, &now, &source, &text, &len), 0);
    assert_int_equal(text[len - 1], '\n');
    for (size_t cut = 0; cut < len - 1; cut++) {
        HG_CHECK_EQ("write",
                    hg_store_write(fixture->store, text, cut, &fixture->why),
                    0);
        HG_CHECK_EQ("cut", reopen(fixture), HG_ERR_CORRUPT);
        assert_int_equal(unlink(in_dir(fixture, "rooms.json")), 0);
        assert_int_equal(reopen(fixture), 0);
    }
    free(text);
}

/* -- every step fails in turn ----------------------------------------------*/

static struct {
    int countdown; /* this call fails; -1: none */
    int calls;
    bool is_short; /* writes are cut to one byte */
} disk;

static bool fails(void)
{
    disk.calls++;
    if (disk.countdown < 0 || disk.countdown-- > 0)
        return false;
    errno = ENOSPC;
    return true;
}

static int bad_open_at(int dir, const char *name, int flags, mode_t mode)
{
    return (flags & O_ACCMODE) == O_WRONLY && fails()
               ? -1
               : openat(dir, name, flags, mode);
}

static ssize_t bad_write(int fd, const void *bytes, size_t len)
{
    return fails() ? -1 : write(fd, bytes, disk.is_short && len > 1 ? 1 : len);
}

static int bad_sync(int fd)
{
    return fails() ? -1 : fsync(fd);
}

static int bad_close(int fd)
{
    int done = close(fd);

    return fails() ? -1 : done;
}

static int bad_rename_at(int from_dir, const char *from, int to_dir,
                         const char *to)
{
    return fails() ? -1 : renameat(from_dir, from, to_dir, to);
}

static const struct hg_store_io bad_io = {
    .open_at = bad_open_at,
    .write = bad_write,
    .sync = bad_sync,
    .close = bad_close,
    .rename_at = bad_rename_at,
    .unlink_at = unlinkat,
};

static void open_on_bad_disk(struct fixture *fixture)
{
    hg_store_close(fixture->store);
    fixture->store = NULL;
    disk.countdown = -1;
    disk.is_short = false;
    assert_int_equal(
        hg_store_open(fixture->dir, &bad_io, &fixture->why, &fixture->store),
        0);
    disk.calls = 0;
}

static void test_store__tells_every_failing_step_of_the_epoch(void **state)
{
    struct fixture *fixture = *state;
    uint64_t epoch;
    int steps;

    open_on_bad_disk(fixture);
    assert_int_equal(hg_store_epoch_raise(fixture->store, 10, &fixture->why),
                     0);
    steps = disk.calls;
    assert_int_equal(steps, 6); /* open, write, sync, close, rename, sync */
    for (int step = 0; step < steps; step++) {
        open_on_bad_disk(fixture);
        epoch = 77;
        disk.countdown = step;
        HG_CHECK_EQ("next",
                    hg_store_epoch_next(fixture->store, &fixture->why, &epoch),
                    HG_ERR_SYSTEM);
        HG_CHECK_EQ("untouched", epoch, 77);
        HG_CHECK_TRUE("reason", strstr(fixture->why.bytes, "No space left"));
        HG_CHECK_EQ("not counted", hg_store_epoch(fixture->store), 10);
        HG_CHECK_EQ("nothing left", access(in_dir(fixture, "epoch.new"), F_OK),
                    -1);
        /* what is on the disk is whole, and not lower */
        assert_int_equal(reopen(fixture), 0);
        assert_true(hg_store_epoch(fixture->store) >= 10);
        assert_true(hg_store_epoch(fixture->store) <= 11);
        write_file(fixture, "epoch", "10\n");
    }
}

static void test_store__tells_every_failing_step_of_the_rooms(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room, got;
    int steps;

    fill_room(&room, "heron");
    open_on_bad_disk(fixture);
    assert_int_equal(save(fixture, &room, 1, &now), 0);
    steps = disk.calls;
    assert_int_equal(steps, 6);
    for (int step = 0; step < steps; step++) {
        fill_room(&room, "heron");
        room.journal_n = 4712;
        open_on_bad_disk(fixture);
        disk.countdown = step;
        HG_CHECK_EQ("save", save(fixture, &room, 1, &now), HG_ERR_SYSTEM);
        assert_int_equal(reopen(fixture), 0);
        assert_int_equal(hg_store_take_room(fixture->store, "heron", &now,
                                            &fixture->why, &got),
                         0);
        /* only the very last step comes after the new file is in place */
        HG_CHECK_EQ("old or new, whole", got.journal_n,
                    step == steps - 1 ? 4712 : 4711);
        room.journal_n = 4711;
        assert_int_equal(save(fixture, &room, 1, &now), 0);
    }
}

static void test_store__goes_on_after_short_writes(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room room, got;

    fill_room(&room, "heron");
    open_on_bad_disk(fixture);
    disk.is_short = true;
    assert_int_equal(save(fixture, &room, 1, &now), 0);
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(
        hg_store_take_room(fixture->store, "heron", &now, &fixture->why, &got),
        0);
    assert_memory_equal(&got, &room, sizeof(got));
}

/* -- size -------------------------------------------------------------------*/

static void give_many(void *context, size_t index, struct hg_store_room *room)
{
    const struct hg_store_room *pattern = context;

    *room = *pattern;
    (void)snprintf(room->name, sizeof(room->name), "r%zu", index);
}

static void test_store__renders_ten_thousand_rooms(void **state)
{
    struct fixture *fixture = *state;
    struct hg_store_stamp now = stamp(BOOT_A, 1000, 5000, true);
    struct hg_store_room pattern, got;
    struct hg_store_source source = { 10000, give_many, &pattern };
    struct timespec from, to;
    char *text = NULL;
    size_t len = 0;

    fill_room(&pattern, "x");
    pattern.warm_up =
        json_pack("{s:[f,f,f],s:i}", "w", 0.1, 2.5e3, 1e-9, "n", 12);
    pattern.energy = json_pack("{s:I,s:I}", "wh", (json_int_t)123456789, "at",
                               (json_int_t)1767225600000);
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(clock_gettime(CLOCK_MONOTONIC, &from), 0);
    assert_int_equal(
        hg_store_render(fixture->store, &now, &source, &text, &len), 0);
    assert_int_equal(clock_gettime(CLOCK_MONOTONIC, &to), 0);
    print_message("10000 full rooms: %zu bytes in %ld ms\n", len,
                  (long)((to.tv_sec - from.tv_sec) * 1000 +
                         (to.tv_nsec - from.tv_nsec) / 1000000));
    assert_int_equal(hg_store_write(fixture->store, text, len, &fixture->why),
                     0);
    free(text);
    assert_int_equal(reopen(fixture), 0);
    assert_int_equal(
        hg_store_take_room(fixture->store, "r9999", &now, &fixture->why, &got),
        0);
    assert_true(json_equal(got.energy, pattern.energy));
    hg_store_room_release(&got);
    hg_store_room_release(&pattern);
    text_into(pattern.name, sizeof(pattern.name), "r9999");
    assert_memory_equal(&got, &pattern, sizeof(got));
}

#define ON_FIXTURE(test) cmocka_unit_test_setup_teardown(test, setup, teardown)

int main(void)
{
    static const struct CMUnitTest tests[] = {
        ON_FIXTURE(test_store__counts_every_start),
        ON_FIXTURE(test_store__raises_the_epoch_and_never_lowers_it),
        ON_FIXTURE(test_store__ends_at_the_last_epoch),
        ON_FIXTURE(test_store__refuses_a_corrupt_epoch),
        ON_FIXTURE(test_store__keeps_a_second_instance_out),
        ON_FIXTURE(test_store__makes_its_directory),
        ON_FIXTURE(test_store__gives_a_room_back_as_it_was),
        ON_FIXTURE(test_store__keeps_every_word),
        ON_FIXTURE(test_store__keeps_rooms_that_nobody_takes),
        ON_FIXTURE(test_store__writes_any_text_readably),
        ON_FIXTURE(test_store__lets_time_pass_over_a_restart),
        ON_FIXTURE(test_store__remembers_the_epoch_twice),
        ON_FIXTURE(test_store__refuses_damaged_rooms),
        ON_FIXTURE(test_store__refuses_damaged_members),
        ON_FIXTURE(test_store__survives_a_cut_at_any_byte),
        ON_FIXTURE(test_store__tells_every_failing_step_of_the_epoch),
        ON_FIXTURE(test_store__tells_every_failing_step_of_the_rooms),
        ON_FIXTURE(test_store__goes_on_after_short_writes),
        ON_FIXTURE(test_store__renders_ten_thousand_rooms),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
