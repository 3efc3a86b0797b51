/* rooms: a table of all rooms. */
#include "cli/out.h"
#include "cli/room_text.h"
#include "cli/verbs.h"
#include "cli/when.h"
#include <string.h>

#define DOING_BYTES   256
#define PHASE_COLUMNS 8
#define AIR_COLUMNS   8
#define DOOR_COLUMNS  7
#define CHECK_COLUMNS 7

static enum hg_paint paint_of(const json_t *state)
{
    const char *phase = hg_cli_text(state, "phase");

    if (strcmp(phase, "heating") == 0)
        return HG_PAINT_GOOD;
    if (strcmp(phase, "locked") == 0)
        return HG_PAINT_BAD;
    return strcmp(phase, "holding") == 0 ? HG_PAINT_WARN : HG_PAINT_NONE;
}

static size_t name_columns(const json_t *rooms)
{
    size_t width = sizeof("ROOM") - 1;
    const json_t *state;
    size_t i;

    json_array_foreach(rooms, i, state)
    {
        size_t len = hg_cli_width(hg_cli_text(state, "room"));

        if (len > width)
            width = len;
    }
    return width;
}

static void put_doing(const struct hg_cli *cli, const char *text, size_t used)
{
    /* a script gets all of it, a terminal what its line holds */
    if (cli->is_out_terminal && used < HG_CLI_COLUMNS &&
        hg_cli_width(text) > HG_CLI_COLUMNS - used)
        hg_cli_put_cell(stdout, text, HG_CLI_COLUMNS - used);
    else
        hg_cli_put(stdout, text);
    putchar('\n');
}

static void put_room(const struct hg_cli *cli, const json_t *state,
                     size_t name_width, int64_t now_ms)
{
    const json_t *air = json_object_get(state, "air_c");
    const char *door = hg_cli_text(state, "door");
    bool is_fresh = json_is_true(json_object_get(state, "fresh"));
    enum hg_paint paint = paint_of(state);
    char celsius[HG_CLI_CELSIUS_BYTES], storage[DOING_BYTES];
    struct hg_buf doing;

    hg_buf_init(&doing, storage, sizeof(storage));
    hg_cli_room_doing(state, now_ms, &doing);
    hg_cli_celsius(is_fresh && json_is_number(air), json_number_value(air),
                   celsius);
    hg_cli_put_cell(stdout, hg_cli_text(state, "room"), name_width + 1);
    if (paint != HG_PAINT_NONE)
        fputs(hg_cli_paint(cli->has_colour, paint), stdout);
    hg_cli_put_cell(stdout, hg_cli_text(state, "phase"), PHASE_COLUMNS);
    if (paint != HG_PAINT_NONE)
        fputs(hg_cli_paint(cli->has_colour, HG_PAINT_NONE), stdout);
    putchar(' ');
    hg_cli_put_cell(stdout, celsius, AIR_COLUMNS);
    hg_cli_put_cell(stdout, is_fresh && door[0] != '\0' ? door : "-",
                    DOOR_COLUMNS);
    hg_cli_put_cell(stdout,
                    hg_cli_text(json_object_get(state, "check"), "state"),
                    CHECK_COLUMNS);
    putchar(' ');
    put_doing(cli, storage,
              name_width + 1 + PHASE_COLUMNS + 1 + AIR_COLUMNS + DOOR_COLUMNS +
                  CHECK_COLUMNS + 1);
}

int hg_cli_rooms(struct hg_cli *cli, const struct hg_cli_args *args)
{
    int64_t now_ms = hg_cli_now_ms();
    json_t *result;
    const json_t *rooms, *state;
    size_t i, width;
    int status = hg_cli_call(cli, "room.list", NULL, &result);

    (void)args;
    if (status != 0)
        return status;
    if (cli->is_json)
        return hg_cli_give(cli, result);
    rooms = json_object_get(result, "rooms");
    width = name_columns(rooms);
    printf("%-*s %-*s %-*s%-*s%-*s %s\n", (int)width, "ROOM", PHASE_COLUMNS,
           "PHASE", AIR_COLUMNS, "AIR", DOOR_COLUMNS, "DOOR", CHECK_COLUMNS,
           "CHECK", "WHAT");
    json_array_foreach(rooms, i, state)
    {
        put_room(cli, state, width, now_ms);
    }
    json_decref(result);
    return HG_CLI_DONE;
}
