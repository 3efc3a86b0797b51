/* The rules that every credential keeps, and the questions put to one. */
#include "access/code.h"
#include "access/credentials.h"
#include "base/text.h"
#include <string.h>

static const struct {
    enum hg_role role;
    const char *text;
} ROLES[] = {
    { HG_ROLE_GUEST, "guest" },           { HG_ROLE_CARETAKER, "caretaker" },
    { HG_ROLE_INTEGRATOR, "integrator" }, { HG_ROLE_MANAGER, "manager" },
    { HG_ROLE_OWNER, "owner" },
};

const char *hg_credential_role_text(enum hg_role role)
{
    for (size_t i = 0; i < HG_COUNT(ROLES); i++) {
        if (ROLES[i].role == role)
            return ROLES[i].text;
    }
    return "none";
}

enum hg_role hg_credential_role_find(const char *text)
{
    for (size_t i = 0; i < HG_COUNT(ROLES); i++) {
        if (strcmp(ROLES[i].text, text) == 0)
            return ROLES[i].role;
    }
    return HG_ROLE_NONE;
}

static int check_rooms(const struct hg_credential *credential,
                       struct hg_buf *why)
{
    if (credential->is_all_rooms) {
        if (credential->room_count == 0 && credential->role != HG_ROLE_GUEST)
            return HG_OK;
        hg_buf_add(why, "a guest must have a list of rooms, not all of them");
        return HG_ERR_INPUT;
    }
    if (credential->room_count < 1 ||
        credential->room_count > HG_CREDENTIAL_ROOMS) {
        hg_buf_addf(why, "it must name 1 to %d rooms", HG_CREDENTIAL_ROOMS);
        return HG_ERR_RANGE;
    }
    for (size_t i = 0; i < credential->room_count; i++) {
        if (!hg_text_is_room(credential->room[i])) {
            hg_buf_addf(why,
                        "\"%s\" is no name of a room (a-z, 0-9 and -, "
                        "at most 32)",
                        credential->room[i]);
            return HG_ERR_INPUT;
        }
    }
    return HG_OK;
}

static bool is_wall(int64_t ms)
{
    return ms >= 0 && ms < HG_CREDENTIAL_WALL_TOP_MS;
}

static int check_stay(const struct hg_credential *credential,
                      struct hg_buf *why)
{
    bool is_guest = credential->role == HG_ROLE_GUEST;

    if (credential->has_stay != is_guest) {
        hg_buf_add(why, is_guest ? "a guest must have a stay (from, until)"
                                 : "only guests have a stay (from, until)");
        return HG_ERR_INPUT;
    }
    if (!is_guest)
        return HG_OK;
    if (!is_wall(credential->from_ms) || !is_wall(credential->until_ms) ||
        credential->until_ms <= credential->from_ms ||
        credential->until_ms - credential->from_ms >
            HG_CREDENTIAL_STAY_MAX_MS) {
        hg_buf_add(why, "a stay must end after it begins and last at most "
                        "366 days");
        return HG_ERR_RANGE;
    }
    return HG_OK;
}

static int check_label(const struct hg_credential *credential,
                       struct hg_buf *why)
{
    size_t len = strnlen(credential->label, HG_CREDENTIAL_LABEL_BYTES);

    if (len < HG_CREDENTIAL_LABEL_BYTES &&
        hg_text_is_plain_utf8(credential->label, len))
        return HG_OK;
    hg_buf_addf(why, "a label must be plain text of at most %d bytes",
                HG_CREDENTIAL_LABEL_BYTES - 1);
    return HG_ERR_INPUT;
}

int hg_credential_check(const struct hg_credential *credential,
                        struct hg_buf *why)
{
    int err;

    if (hg_credential_role_find(hg_credential_role_text(credential->role)) ==
            HG_ROLE_NONE ||
        credential->number >= HG_CODE_NUMBER_LIMIT) {
        hg_buf_add(why, "the role must be guest, caretaker, integrator, "
                        "manager or owner");
        return HG_ERR_INPUT;
    }
    if (credential->has_token && credential->role != HG_ROLE_INTEGRATOR) {
        hg_buf_add(why, "only an integrator has a token");
        return HG_ERR_INPUT;
    }
    if (credential->has_uid && credential->role != HG_ROLE_GUEST) {
        hg_buf_add(why, "only a guest has a stay of a calendar (uid)");
        return HG_ERR_INPUT;
    }
    if (!is_wall(credential->created_ms) || !is_wall(credential->ended_ms)) {
        hg_buf_add(why, "a time must lie in the years 1970 to 9999");
        return HG_ERR_RANGE;
    }
    err = check_rooms(credential, why);
    if (err == HG_OK)
        err = check_stay(credential, why);
    if (err == HG_OK)
        err = check_label(credential, why);
    return err;
}

bool hg_credential_may(const struct hg_credential *credential, const char *room)
{
    if (credential->is_ended)
        return false;
    if (credential->is_all_rooms)
        return true;
    for (size_t i = 0; i < credential->room_count; i++) {
        if (strcmp(credential->room[i], room) == 0)
            return true;
    }
    return false;
}

enum hg_credential_stay
hg_credential_stay(const struct hg_credential *credential, struct hg_wall now)
{
    if (!credential->has_stay)
        return HG_STAY_INSIDE;
    if (!now.is_trusted)
        return HG_STAY_UNTRUSTED;
    if (now.ms < credential->from_ms)
        return HG_STAY_BEFORE;
    return now.ms < credential->until_ms ? HG_STAY_INSIDE : HG_STAY_AFTER;
}
