#ifndef HG_ACCESS_CREDENTIALS_H
#define HG_ACCESS_CREDENTIALS_H

/*
 * Who may come in: the store of credentials, credentials.json in the state
 * folder. Loaded whole, replaced whole. Each change is made on a copy, made
 * durable, and only then taken over: after a failed write memory is exactly
 * what it was. A credential that ended keeps its row (for lists and the
 * journal's ids) but loses its hashes, so nothing can bring it back; rows
 * are dropped 400 days after the end.
 *
 * Rotation rule: it ends every other guest credential that names any of the
 * rotated rooms, entirely, also one that covers more rooms, and also one
 * whose stay has not begun. Taking away one room of several would leave a
 * code of the old party alive; that is the unsafe half of the choice.
 */
#include "access/hasher.h"
#include "access/file_io.h"
#include "base/buf.h"
#include "base/err.h"
#include "heatgate/gate.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HG_CREDENTIALS_NAME       "credentials.json"
#define HG_CREDENTIALS_MAX        100000
#define HG_CREDENTIALS_FILE_BYTES ((size_t)128 << 20)
#define HG_CREDENTIAL_ROOMS       64
#define HG_CREDENTIAL_ROOM_BYTES  33 /* with NUL */
#define HG_CREDENTIAL_LABEL_BYTES 81 /* with NUL; plain UTF-8 */
#define HG_CREDENTIAL_HASH_BYTES  32
#define HG_CREDENTIALS_KEPT_MS    (INT64_C(400) * 86400000)
#define HG_CREDENTIAL_STAY_MAX_MS (INT64_C(366) * 86400000)
#define HG_CREDENTIAL_WALL_TOP_MS INT64_C(253402300800000) /* year 10000 */

struct hg_credential {
    uint32_t number; /* the id part of its code */
    enum hg_role role;
    char id[HG_ID_BYTES]; /* "g-7k2qf" */
    char label[HG_CREDENTIAL_LABEL_BYTES];
    bool is_all_rooms;
    size_t room_count; /* 0 when is_all_rooms */
    char (*room)[HG_CREDENTIAL_ROOM_BYTES];
    bool has_stay;             /* guests always, staff never */
    int64_t from_ms, until_ms; /* wall; from <= t < until */
    int64_t created_ms;
    bool is_ended; /* revoked or rotated away */
    int64_t ended_ms;
    uint8_t salt[HG_HASHER_SALT_BYTES];
    uint8_t hash[HG_CREDENTIAL_HASH_BYTES];
    /* guests: which stay of a calendar it is for, so that the calendar can be
     * followed; SHA-256, hg_calendar_read() */
    bool has_uid;
    uint8_t uid[HG_CREDENTIAL_HASH_BYTES];
    bool has_token; /* integrators: the long-lived token's SHA-256 below */
    uint8_t token_hash[HG_CREDENTIAL_HASH_BYTES];
};

enum hg_credential_stay { /* where a moment lies; 0 refuses */
                          HG_STAY_UNTRUSTED = 0,
                          HG_STAY_BEFORE,
                          HG_STAY_INSIDE,
                          HG_STAY_AFTER
};

/* Ids of the credentials that a change ended. */
struct hg_credentials_ended {
    size_t count;
    char (*id)[HG_ID_BYTES]; /* NULL when count is 0 */
};

/* One change: all of it or nothing, in one file write. */
struct hg_credentials_change {
    const struct hg_credential *add; /* copied; NULL: none */
    const char *end_id;              /* NULL: none */
    /* move the stay of this live guest; NULL: none */
    const char *move_id;
    int64_t move_from_ms, move_until_ms;
    /* end each live guest of one of these rooms; add is not "other" */
    const char (*rotate_room)[HG_CREDENTIAL_ROOM_BYTES];
    size_t rotate_count;
    struct hg_wall now; /* when; rows are dropped only if it is trusted */
};

struct hg_credentials; /* the store */

/*
 * Load dir's credentials.json; no file is an empty store. io NULL: the real
 * calls. On failure why holds the sentence for people, with file and line:
 * HG_ERR_CORRUPT (malformed, and nothing of it is used), HG_ERR_DENIED
 * (readable by others), HG_ERR_RANGE, HG_ERR_SYSTEM, HG_ERR_MEMORY.
 */
HG_MUST_CHECK int hg_credentials_open(const char *dir,
                                      const struct hg_access_io *io,
                                      struct hg_buf *why,
                                      struct hg_credentials **ret_store);

/* Free and wipe. NULL is fine. */
void hg_credentials_free(struct hg_credentials *store);

/*
 * Make a change durable, then visible. Pointers to credentials got before
 * are dead afterwards, also on failure.
 * HG_ERR_NOT_FOUND: end_id or move_id names no live credential; HG_ERR_EXISTS:
 * add's number is taken; HG_ERR_FULL: no room for one more; HG_ERR_SYSTEM
 * (errno), HG_ERR_MEMORY: nothing has changed in memory. why holds a sentence.
 */
HG_MUST_CHECK int hg_credentials_commit(
    struct hg_credentials *store, const struct hg_credentials_change *change,
    struct hg_buf *why, struct hg_credentials_ended *ret_ended);

/* Free a list; {0} is fine. */
void hg_credentials_ended_release(struct hg_credentials_ended *ended);

/* How many rows, ended ones included. */
size_t hg_credentials_count(const struct hg_credentials *store);

/* Row at index < count, by rising number; borrowed until the next commit. */
const struct hg_credential *
hg_credentials_at(const struct hg_credentials *store, size_t index);

/* By number or by shown id, ended ones included; NULL when there is none. */
const struct hg_credential *
hg_credentials_find(const struct hg_credentials *store, uint32_t number);
const struct hg_credential *
hg_credentials_find_id(const struct hg_credentials *store, const char *id);

/*
 * Is it one the store may hold: role, rooms, stay, label within the rules
 * above? HG_ERR_INPUT or HG_ERR_RANGE with a sentence in why.
 */
HG_MUST_CHECK int hg_credential_check(const struct hg_credential *credential,
                                      struct hg_buf *why);

/* May a live credential do anything in this room at all? */
bool hg_credential_may(const struct hg_credential *credential,
                       const char *room);

/* Where now lies in the stay; without a stay always HG_STAY_INSIDE. */
enum hg_credential_stay
hg_credential_stay(const struct hg_credential *credential, struct hg_wall now);

/* "guest", "caretaker", "integrator", "manager", "owner"; NONE for others. */
const char *hg_credential_role_text(enum hg_role role);
enum hg_role hg_credential_role_find(const char *text);

#endif
