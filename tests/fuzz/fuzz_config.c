/*
 * A configuration file: either every problem is named with a line of the
 * file, or each room has a policy that the gate accepts. The index from JSON
 * Pointer to line is walked as well.
 */
#include "fuzz.h"
#include "base/text.h"
#include "service/config.h"
#include "service/config_where.h"
#include <jansson.h>

static uint32_t count_lines(const uint8_t *data, size_t size)
{
    uint32_t lines = 1;

    for (size_t i = 0; i < size; i++)
        lines += data[i] == '\n';
    return lines;
}

static void check_rooms(const struct hg_config *config)
{
    FUZZ_MUST(config->room_count >= 1);
    FUZZ_MUST(config->room_count <= HG_CONFIG_ROOMS_MAX);
    for (size_t i = 0; i < config->room_count; i++) {
        const struct hg_config_room *room = &config->room[i];

        FUZZ_MUST(hg_policy_check(&room->policy) == 0);
        FUZZ_MUST(hg_text_is_room(room->name));
        FUZZ_MUST(room->label[0] != '\0');
        FUZZ_MUST(room->policy.is_commissioning_waived ==
                  (room->waiver[0] != '\0'));
        FUZZ_MUST((room->policy.evidence == HG_EVIDENCE_PLACE_CODE) ==
                  (room->place_code[0] != '\0'));
        FUZZ_MUST(hg_config_find(config, room->name) == room);
        if (i > 0)
            FUZZ_MUST(strcmp(room[-1].name, room->name) < 0);
    }
}

static void check_config(const struct hg_config *config)
{
    FUZZ_MUST(config->broker.port >= 1 && config->broker.port <= 65535);
    FUZZ_MUST(config->listen.port <= 65535);
    FUZZ_MUST(config->broker.host[0] != '\0');
    FUZZ_MUST(config->listen.tls.is_on || config->listen.is_loopback ||
              config->listen.allow_cleartext);
    check_rooms(config);
}

static void check_problems(const struct hg_problems *problems, uint32_t lines)
{
    FUZZ_MUST(problems->count > 0 && problems->count <= HG_PROBLEMS_MAX);
    for (size_t i = 0; i < problems->count; i++) {
        const struct hg_problem *problem = &problems->problem[i];

        FUZZ_MUST(problem->text[0] != '\0');
        FUZZ_MUST(strlen(problem->text) < HG_PROBLEM_BYTES);
        FUZZ_MUST(problem->line <= lines);
        if (i > 0)
            FUZZ_MUST(problem[-1].line <= problem->line);
    }
}

static void check_where(const char *text, size_t size, uint32_t lines)
{
    char storage[256];
    struct hg_where *where = NULL;
    struct hg_buf pointer;
    size_t cursor = 0;
    uint32_t line;
    /* without NULs, which end a pointer early */
    json_t *json = json_loadb(text, size, 0, NULL);
    bool is_json = json != NULL;

    json_decref(json);
    FUZZ_MUST(hg_where_new(text, size, &where) == 0);
    hg_buf_init(&pointer, storage, sizeof(storage));
    for (size_t n = 0;
         (line = hg_where_next_twice(where, &cursor, &pointer)) != 0; n++) {
        FUZZ_MUST(line <= lines && n <= size);
        if (is_json && !pointer.is_cut) /* the last one is in force */
            FUZZ_MUST(hg_where_line(where, storage) >= line);
    }
    FUZZ_MUST(hg_where_line(where, "/rooms/heron/lease_s") <= lines);
    hg_where_free(where);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size);
    struct hg_config *config = NULL;
    struct hg_problems problems;
    uint32_t lines = count_lines(data, size);
    int err;

    hg_problems_init(&problems);
    /* a folder that is not there: no file named in it can be read */
    err = hg_config_from_text("/nowhere/at/all/heatgate.json", text, size,
                              &problems, &config);
    if (err == 0) {
        FUZZ_MUST(problems.count == 0);
        check_config(config);
    } else {
        FUZZ_MUST(err == HG_ERR_INPUT && config == NULL);
        check_problems(&problems, lines);
    }
    hg_config_free(config);
    hg_problems_release(&problems);
    check_where(text, size, lines);
    free(text);
    return 0;
}
