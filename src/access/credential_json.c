/* credentials.json to memory and back; strict, and precise about the line. */
#include "access/credential_json.h"
#include "access/code.h"
#include "base/text.h"
#include <jansson.h>
#include <openssl/crypto.h>
#include <stdlib.h>
#include <string.h>

static const char *const MEMBERS[] = {
    "id",         "role",     "rooms", "from", "until",        "label",
    "created_at", "ended_at", "salt",  "hash", "token_sha256", "uid",
};

/* -- writing ---------------------------------------------------------------*/

static int set_hex(json_t *item, const char *key, const uint8_t *bytes)
{
    char hex[2 * HG_CREDENTIAL_HASH_BYTES + 1];
    size_t len = strcmp(key, "salt") == 0 ? HG_HASHER_SALT_BYTES
                                          : HG_CREDENTIAL_HASH_BYTES;
    int rc;

    hg_hex_from_bytes(bytes, len, hex);
    rc = json_object_set_new(item, key, json_string(hex));
    OPENSSL_cleanse(hex, sizeof(hex));
    return rc;
}

static int set_wall(json_t *item, const char *key, int64_t ms)
{
    char text[HG_WALL_MS_TEXT_BYTES];

    hg_text_from_wall_ms(ms, text);
    return json_object_set_new(item, key, json_string(text));
}

static json_t *rooms_to_json(const struct hg_credential *credential)
{
    json_t *rooms;

    if (credential->is_all_rooms)
        return json_string("*");
    rooms = json_array();
    for (size_t i = 0; i < credential->room_count; i++) {
        if (json_array_append_new(rooms, json_string(credential->room[i])) <
            0) {
            json_decref(rooms);
            return NULL;
        }
    }
    return rooms;
}

/* All members; negative when memory ran out somewhere. */
static int set_members(json_t *item, const struct hg_credential *credential)
{
    const char *role = hg_credential_role_text(credential->role);
    int rc = 0;

    rc |= json_object_set_new(item, "id", json_string(credential->id));
    rc |= json_object_set_new(item, "role", json_string(role));
    rc |= json_object_set_new(item, "rooms", rooms_to_json(credential));
    if (credential->has_stay) {
        rc |= set_wall(item, "from", credential->from_ms);
        rc |= set_wall(item, "until", credential->until_ms);
    }
    rc |= json_object_set_new(item, "label", json_string(credential->label));
    if (credential->has_uid)
        rc |= set_hex(item, "uid", credential->uid);
    rc |= set_wall(item, "created_at", credential->created_ms);
    if (credential->is_ended)
        return rc | set_wall(item, "ended_at", credential->ended_ms);
    rc |= set_hex(item, "salt", credential->salt);
    rc |= set_hex(item, "hash", credential->hash);
    if (credential->has_token)
        rc |= set_hex(item, "token_sha256", credential->token_hash);
    return rc;
}

int hg_credential_to_line(const struct hg_credential *credential,
                          char **ret_line)
{
    json_t *item = json_object();
    char *line = NULL;

    if (item != NULL && set_members(item, credential) == 0)
        line = json_dumps(item, JSON_COMPACT);
    json_decref(item);
    if (line == NULL)
        return HG_ERR_MEMORY;
    *ret_line = line;
    return HG_OK;
}

/* -- reading ---------------------------------------------------------------*/

/*
 * The line on which element index of the one array at depth 2 begins. The
 * text is known to be valid JSON, so strings and brackets are all that counts.
 */
static size_t line_of(const char *text, size_t index)
{
    size_t line = 1;
    size_t depth = 0;
    bool is_string = false;
    bool is_start = false; /* the next thing is an element */

    for (const char *c = text; *c != '\0'; c++) {
        if (*c == '\n')
            line++;
        if (is_string) {
            if (*c == '\\')
                c++;
            else if (*c == '"')
                is_string = false;
            continue;
        }
        if (is_start && strchr(" \t\r\n", *c) == NULL) {
            is_start = false;
            if (index-- == 0)
                return line;
        }
        if (*c == '"')
            is_string = true;
        else if (*c == '{' || *c == '[')
            depth++;
        else if (*c == '}' || *c == ']')
            depth--;
        if (depth == 2 && (*c == '[' || *c == ','))
            is_start = true;
    }
    return line;
}

/* A string member. HG_ERR_NOT_FOUND, without why: there is none. */
static int get_text(const json_t *item, const char *key, struct hg_buf *why,
                    const char **ret_text)
{
    const json_t *value = json_object_get(item, key);

    if (value == NULL)
        return HG_ERR_NOT_FOUND;
    if (!json_is_string(value)) {
        hg_buf_addf(why, "\"%s\" must be a string", key);
        return HG_ERR_CORRUPT;
    }
    *ret_text = json_string_value(value);
    return HG_OK;
}

/* A member that must be there. */
static int need_text(const json_t *item, const char *key, struct hg_buf *why,
                     const char **ret_text)
{
    int err = get_text(item, key, why, ret_text);

    if (err != HG_ERR_NOT_FOUND)
        return err;
    hg_buf_addf(why, "\"%s\" is missing", key);
    return HG_ERR_CORRUPT;
}

static int need_hex(const json_t *item, const char *key, struct hg_buf *why,
                    uint8_t *ret_bytes)
{
    size_t len = strcmp(key, "salt") == 0 ? HG_HASHER_SALT_BYTES
                                          : HG_CREDENTIAL_HASH_BYTES;
    const char *text;
    int err = need_text(item, key, why, &text);

    if (err < 0)
        return err;
    if (hg_hex_to_bytes(text, ret_bytes, len) < 0) {
        hg_buf_addf(why, "\"%s\" must be %zu hex digits", key, 2 * len);
        return HG_ERR_CORRUPT;
    }
    return HG_OK;
}

/* A time; *ret_has says whether there is one. */
static int get_wall(const json_t *item, const char *key, struct hg_buf *why,
                    bool *ret_has, int64_t *ret_ms)
{
    const char *text;
    int err = get_text(item, key, why, &text);

    if (err == HG_ERR_NOT_FOUND) {
        *ret_has = false;
        return HG_OK;
    }
    if (err < 0)
        return err;
    if (hg_text_to_wall(text, ret_ms) < 0) {
        hg_buf_addf(why, "\"%s\" must be a time as in RFC 3339", key);
        return HG_ERR_CORRUPT;
    }
    *ret_has = true;
    return HG_OK;
}

static int read_id(const json_t *item, struct hg_credential *credential,
                   struct hg_buf *why)
{
    const char *id = NULL;
    const char *role = NULL;
    enum hg_role id_role;
    int err = need_text(item, "id", why, &id);

    if (err == HG_OK)
        err = need_text(item, "role", why, &role);
    if (err < 0)
        return err;
    credential->role = hg_credential_role_find(role);
    if (hg_code_parse_id(id, &credential->number, &id_role) < 0 ||
        id_role != credential->role) {
        hg_buf_add(why, "\"id\" and \"role\" must name a credential, as in "
                        "\"g-7k2qf\" and \"guest\"");
        return HG_ERR_CORRUPT;
    }
    hg_code_print_id(credential->number, credential->role, credential->id);
    return HG_OK;
}

/* A list of names into fresh memory of the credential. */
static int read_room_list(const json_t *rooms, struct hg_credential *credential,
                          struct hg_buf *why)
{
    size_t count = json_array_size(rooms);

    if (count < 1 || count > HG_CREDENTIAL_ROOMS) {
        hg_buf_addf(why, "\"rooms\" must hold 1 to %d names",
                    HG_CREDENTIAL_ROOMS);
        return HG_ERR_CORRUPT;
    }
    credential->room = calloc(count, sizeof(*credential->room));
    if (credential->room == NULL)
        return HG_ERR_MEMORY;
    credential->room_count = count;
    for (size_t i = 0; i < count; i++) {
        const char *name = json_string_value(json_array_get(rooms, i));

        if (name == NULL || hg_text_copy(credential->room[i],
                                         HG_CREDENTIAL_ROOM_BYTES, name) < 0) {
            hg_buf_add(why, "\"rooms\" must hold names of rooms");
            return HG_ERR_CORRUPT;
        }
    }
    return HG_OK;
}

static int read_rooms(const json_t *item, struct hg_credential *credential,
                      struct hg_buf *why)
{
    const json_t *rooms = json_object_get(item, "rooms");

    if (json_is_array(rooms))
        return read_room_list(rooms, credential, why);
    if (json_is_string(rooms) && strcmp(json_string_value(rooms), "*") == 0) {
        credential->is_all_rooms = true;
        return HG_OK;
    }
    hg_buf_add(why, "\"rooms\" must be a list of names, or \"*\"");
    return HG_ERR_CORRUPT;
}

static int read_times(const json_t *item, struct hg_credential *credential,
                      struct hg_buf *why)
{
    bool has_from = false;
    bool has_until = false;
    bool has_created = false;
    int err = get_wall(item, "from", why, &has_from, &credential->from_ms);

    if (err == HG_OK)
        err = get_wall(item, "until", why, &has_until, &credential->until_ms);
    if (err == HG_OK)
        err = get_wall(item, "created_at", why, &has_created,
                       &credential->created_ms);
    if (err == HG_OK)
        err = get_wall(item, "ended_at", why, &credential->is_ended,
                       &credential->ended_ms);
    if (err < 0)
        return err;
    if (has_from != has_until || !has_created) {
        hg_buf_addf(why, "\"%s\" is missing",
                    !has_created ? "created_at"
                    : has_from   ? "until"
                                 : "from");
        return HG_ERR_CORRUPT;
    }
    credential->has_stay = has_from;
    return HG_OK;
}

static int read_label(const json_t *item, struct hg_credential *credential,
                      struct hg_buf *why)
{
    const char *label;
    int err = need_text(item, "label", why, &label);

    if (err < 0)
        return err;
    if (hg_text_copy(credential->label, sizeof(credential->label), label) < 0) {
        hg_buf_addf(why, "\"label\" must be at most %d bytes",
                    HG_CREDENTIAL_LABEL_BYTES - 1);
        return HG_ERR_CORRUPT;
    }
    return HG_OK;
}

static int read_uid(const json_t *item, struct hg_credential *credential,
                    struct hg_buf *why)
{
    credential->has_uid = json_object_get(item, "uid") != NULL;
    return credential->has_uid ? need_hex(item, "uid", why, credential->uid)
                               : HG_OK;
}

/* Hashes belong to live credentials only. */
static int read_hashes(const json_t *item, struct hg_credential *credential,
                       struct hg_buf *why)
{
    int err;

    credential->has_token = json_object_get(item, "token_sha256") != NULL;
    if (credential->is_ended) {
        if (credential->has_token || json_object_get(item, "salt") != NULL ||
            json_object_get(item, "hash") != NULL) {
            hg_buf_add(why, "an ended credential must have no \"salt\", "
                            "\"hash\" or \"token_sha256\"");
            return HG_ERR_CORRUPT;
        }
        return HG_OK;
    }
    err = need_hex(item, "salt", why, credential->salt);
    if (err == HG_OK)
        err = need_hex(item, "hash", why, credential->hash);
    if (err == HG_OK && credential->has_token)
        err = need_hex(item, "token_sha256", why, credential->token_hash);
    return err;
}

/* The first member that no credential has, or NULL. */
static const char *find_stranger(json_t *item)
{
    const char *key;
    json_t *value;

    json_object_foreach(item, key, value)
    {
        size_t i = 0;

        while (i < HG_COUNT(MEMBERS) && strcmp(key, MEMBERS[i]) != 0)
            i++;
        if (i == HG_COUNT(MEMBERS))
            return key;
    }
    return NULL;
}

/* Fill a zeroed credential; its rooms are the caller's, also on failure. */
static int read_item(json_t *item, struct hg_credential *credential,
                     struct hg_buf *why)
{
    static int (*const PART[])(const json_t *, struct hg_credential *,
                               struct hg_buf *) = {
        read_id, read_rooms, read_times, read_label, read_uid, read_hashes,
    };
    const char *stranger;

    if (!json_is_object(item)) {
        hg_buf_add(why, "a credential must be an object");
        return HG_ERR_CORRUPT;
    }
    stranger = find_stranger(item);
    if (stranger != NULL) {
        hg_buf_addf(why, "\"%.40s\" is not known here", stranger);
        return HG_ERR_CORRUPT;
    }
    for (size_t i = 0; i < HG_COUNT(PART); i++) {
        int err = PART[i](item, credential, why);

        if (err < 0)
            return err;
    }
    return hg_credential_check(credential, why) < 0 ? HG_ERR_CORRUPT : HG_OK;
}

static int read_list(const char *text, const json_t *list,
                     hg_credential_take *take, void *arg, struct hg_buf *why)
{
    size_t index;
    json_t *item;

    json_array_foreach(list, index, item)
    {
        struct hg_credential credential = { 0 };
        char said[HG_ACCESS_REASON_BYTES];
        struct hg_buf reason;
        int err;

        hg_buf_init(&reason, said, sizeof(said));
        err = read_item(item, &credential, &reason);
        if (err == HG_OK)
            err = take(arg, &credential, &reason);
        else
            free(credential.room);
        OPENSSL_cleanse(&credential, sizeof(credential));
        if (err < 0) {
            hg_buf_addf(why, "line %zu: %s", line_of(text, index),
                        reason.len > 0 ? said : hg_err_text(err));
            return err;
        }
    }
    return HG_OK;
}

/* The list of a document of our form, or NULL. */
static const json_t *find_list(const json_t *root)
{
    const json_t *list = json_object_get(root, "credentials");
    const json_t *version = json_object_get(root, "v");

    if (json_object_size(root) != 2 || !json_is_array(list) ||
        !json_is_integer(version) || json_integer_value(version) != 1)
        return NULL;
    return list;
}

int hg_credentials_read(const char *text, size_t len, hg_credential_take *take,
                        void *arg, struct hg_buf *why)
{
    json_error_t error;
    json_t *root = json_loadb(text, len, JSON_REJECT_DUPLICATES, &error);
    const json_t *list;
    int err = HG_ERR_CORRUPT;

    if (root == NULL) {
        bool is_memory = json_error_code(&error) == json_error_out_of_memory;

        hg_buf_addf(why, "line %d: %s", error.line, error.text);
        return is_memory ? HG_ERR_MEMORY : HG_ERR_CORRUPT;
    }
    list = find_list(root);
    if (list == NULL)
        hg_buf_add(why, "line 1: the file must be an object with \"v\" 1 "
                        "and the list \"credentials\", and nothing else");
    else
        err = read_list(text, list, take, arg, why);
    json_decref(root);
    return err;
}
