/* The statements of the room check, in words. */
#include "service/kinds.h"
#include "base/text.h"
#include <string.h>

static const struct {
    enum hg_statement bit;
    const char *id;
    const char *text;
} STATEMENTS[HG_STATEMENTS] = {
    { HG_STATEMENT_HEATER_CLEAR, "heater-clear",
      "Nothing lies on, hangs over or leans against the heater and its "
      "guard." },
    { HG_STATEMENT_ROOM_CLEAR, "room-clear",
      "The benches and the floor are clear." },
    { HG_STATEMENT_NOBODY_INSIDE, "nobody-inside", "Nobody is inside." },
    { HG_STATEMENT_DOOR_CLOSED, "door-closed",
      "I have closed the door of the hot room." },
};

json_t *hg_statements_json(bool has_text)
{
    json_t *list = json_array();

    for (size_t i = 0; i < HG_COUNT(STATEMENTS); i++) {
        json_t *one = has_text ? json_pack("{s:s, s:s}", "id", STATEMENTS[i].id,
                                           "text", STATEMENTS[i].text)
                               : json_string(STATEMENTS[i].id);

        if (json_array_append_new(list, one) < 0) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

uint32_t hg_statements_find(const json_t *ids)
{
    uint32_t agreed = 0;

    for (size_t i = 0; i < json_array_size(ids); i++) {
        const char *id = json_string_value(json_array_get(ids, i));

        for (size_t j = 0; id != NULL && j < HG_COUNT(STATEMENTS); j++)
            if (strcmp(STATEMENTS[j].id, id) == 0)
                agreed |= (uint32_t)STATEMENTS[j].bit;
    }
    return agreed;
}
