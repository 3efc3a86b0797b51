/*
 * One room of rooms.json: what is taken is within what the program writes,
 * and is written again to something that reads the same. Time that passes
 * never makes a check last longer.
 */
#include "fuzz.h"
#include "service/store_parts.h"

static void check_again(const struct hg_store_room *room,
                        const struct hg_store_stamp *saved)
{
    struct hg_store_text text = { 0 };
    struct hg_store_room again;
    struct hg_store_stamp saved_again;
    const char *what = NULL;
    json_t *json;

    hg_store_text_add_room(&text, room, saved);
    FUZZ_MUST(!text.is_short);
    json = json_loadb(text.bytes, text.len, JSON_REJECT_DUPLICATES, NULL);
    FUZZ_MUST(json != NULL);
    FUZZ_MUST(hg_store_room_from_json(json, &again, &saved_again, &what) == 0);
    FUZZ_MUST(strcmp(saved->boot_id, saved_again.boot_id) == 0);
    FUZZ_MUST(saved->at.mono.ms == saved_again.at.mono.ms);
    if (room->memory.check.state != HG_CHECK_NONE) /* else nothing is kept */
        FUZZ_MUST(memcmp(&room->memory, &again.memory, sizeof(again.memory)) ==
                  0);
    FUZZ_MUST(again.memory.check.state == room->memory.check.state);
    FUZZ_MUST(again.memory.lockouts == room->memory.lockouts);
    FUZZ_MUST(room->journal_n == again.journal_n);
    FUZZ_MUST((room->warm_up == NULL) == (again.warm_up == NULL));
    FUZZ_MUST(room->warm_up == NULL ||
              json_equal(room->warm_up, again.warm_up));
    hg_store_room_release(&again);
    json_decref(json);
    free(text.bytes);
}

static void check_time(const struct hg_store_room *room,
                       const struct hg_store_stamp *saved)
{
    struct hg_gate_memory memory = room->memory;
    struct hg_store_stamp now = *saved;

    now.at.mono.ms += 1000;
    now.at.wall.ms = INT64_MAX;
    now.at.wall.is_trusted = true;
    hg_store_pass_time(saved, &now, &memory);
    FUZZ_MUST(memory.check_left_ms <= room->memory.check_left_ms);
    FUZZ_MUST(memory.rest_left_ms <= room->memory.rest_left_ms);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    json_t *json =
        json_loadb((const char *)data, size, JSON_REJECT_DUPLICATES, NULL);
    struct hg_store_room room;
    struct hg_store_stamp saved;
    const char *what = NULL;

    if (json == NULL)
        return 0;
    memset(&room, 0xa5, sizeof(room));
    memset(&saved, 0xa5, sizeof(saved));
    if (hg_store_room_from_json(json, &room, &saved, &what) == 0) {
        check_again(&room, &saved);
        check_time(&room, &saved);
        hg_store_room_release(&room);
    } else {
        FUZZ_MUST(what != NULL && what[0] != '\0');
    }
    json_decref(json);
    return 0;
}
