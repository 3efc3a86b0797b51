/*
 * Codes issued, rotated, revoked: check what is asked, draw a code whose
 * number nobody has, have it hashed, store it, and only then show it.
 */
#include "access/access_state.h"
#include "base/text.h"
#include <openssl/crypto.h>
#include <openssl/rand.h>
#include <stdlib.h>
#include <string.h>

#define DRAWS_MAX 64 /* 100,000 of 2^25 numbers: (0.003)^64, so never */

/* -- beginning -------------------------------------------------------------*/

static bool has_room(const struct hg_credential *draft, const char *room)
{
    for (size_t i = 0; i < draft->room_count; i++) {
        if (strcmp(draft->room[i], room) == 0)
            return true;
    }
    return false;
}

/* Copy the rooms, each once, into fresh memory of the draft. */
static int set_rooms(const struct hg_access_issue *issue,
                     struct hg_credential *draft, struct hg_buf *why)
{
    draft->is_all_rooms = issue->is_all_rooms;
    if (issue->is_all_rooms)
        return HG_OK;
    draft->room = calloc(HG_CREDENTIAL_ROOMS, sizeof(*draft->room));
    if (draft->room == NULL)
        return HG_ERR_MEMORY;
    for (size_t i = 0; i < issue->room_count; i++) {
        const char *name = issue->rooms[i];

        if (!hg_text_is_room(name)) {
            hg_buf_addf(why,
                        "\"%.40s\" is no name of a room (a-z, 0-9 and -, "
                        "at most 32)",
                        name);
            return HG_ERR_INPUT;
        }
        if (has_room(draft, name))
            continue;
        if (draft->room_count == HG_CREDENTIAL_ROOMS ||
            hg_text_copy(draft->room[draft->room_count],
                         HG_CREDENTIAL_ROOM_BYTES, name) < 0) {
            hg_buf_addf(why, "it must name 1 to %d rooms", HG_CREDENTIAL_ROOMS);
            return HG_ERR_RANGE;
        }
        draft->room_count++;
    }
    return HG_OK;
}

static int set_stay(const struct hg_access_issue *issue, struct hg_wall now,
                    struct hg_credential *draft, struct hg_buf *why)
{
    if (issue->role != HG_ROLE_GUEST)
        return HG_OK;
    draft->has_stay = true;
    draft->from_ms = issue->from_ms;
    draft->until_ms = issue->until_ms;
    if (now.is_trusted && issue->until_ms <= now.ms) {
        hg_buf_add(why, "that stay is over already; give one that ends later");
        return HG_ERR_RANGE;
    }
    return HG_OK;
}

/* Everything but number, hashes and times of storage. */
static int fill_draft(const struct hg_access_issue *issue, struct hg_wall now,
                      struct hg_credential *draft, struct hg_buf *why)
{
    int err;

    draft->role = issue->role;
    if (issue->uid != NULL) {
        draft->has_uid = true;
        memcpy(draft->uid, issue->uid, sizeof(draft->uid));
    }
    if (issue->label != NULL &&
        hg_text_copy(draft->label, sizeof(draft->label), issue->label) < 0) {
        hg_buf_addf(why, "a label must be plain text of at most %d bytes",
                    HG_CREDENTIAL_LABEL_BYTES - 1);
        return HG_ERR_INPUT;
    }
    err = set_rooms(issue, draft, why);
    if (err == HG_OK)
        err = set_stay(issue, now, draft, why);
    return err == HG_OK ? hg_credential_check(draft, why) : err;
}

/* Is a number taken, by the store or by a request under way? */
static bool is_taken(const struct hg_access *access,
                     const struct hg_access_job *self, uint32_t number)
{
    if (hg_credentials_find(access->store, number) != NULL)
        return true;
    for (size_t i = 0; i < HG_HASHER_JOBS; i++) {
        const struct hg_access_job *job = &access->job[i];

        if (job != self && job->kind != HG_ACCESS_KIND_NONE &&
            job->kind != HG_ACCESS_KIND_SIGN_IN && job->code.number == number)
            return true;
    }
    return false;
}

static int draw_code(const struct hg_access *access, struct hg_access_job *job)
{
    for (int draw = 0; draw < DRAWS_MAX; draw++) {
        int err = hg_code_draw(&job->code);

        if (err < 0)
            return err;
        if (!is_taken(access, job, job->code.number)) {
            job->draft.number = job->code.number;
            hg_code_print_id(job->code.number, job->draft.role, job->draft.id);
            return HG_OK;
        }
    }
    return HG_ERR_CRYPTO;
}

/* Is a code for this stay of a calendar being made already? */
static bool is_under_way(const struct hg_access *access, const uint8_t *uid)
{
    for (size_t i = 0; uid != NULL && i < HG_HASHER_JOBS; i++) {
        const struct hg_access_job *job = &access->job[i];

        if (job->kind == HG_ACCESS_KIND_ISSUE && job->draft.has_uid &&
            memcmp(job->draft.uid, uid, sizeof(job->draft.uid)) == 0)
            return true;
    }
    return false;
}

static int begin(struct hg_access *access, enum hg_access_kind kind,
                 const struct hg_access_issue *issue, struct hg_tick tick,
                 struct hg_buf *why)
{
    struct hg_access_job *job;
    int err;

    if (is_under_way(access, issue->uid))
        return HG_ERR_BUSY;
    job = hg_access_job_take(access, kind, issue->request);
    if (job == NULL)
        return HG_ERR_BUSY;
    err = fill_draft(issue, tick.wall, &job->draft, why);
    if (err == HG_OK)
        err = draw_code(access, job);
    if (err == HG_OK &&
        RAND_bytes(job->draft.salt, sizeof(job->draft.salt)) != 1)
        err = HG_ERR_CRYPTO;
    if (err == HG_OK)
        err = hg_hasher_submit(access->hasher, job->ticket, job->code.secret,
                               job->draft.salt);
    if (err < 0)
        hg_access_job_release(job);
    return err;
}

int hg_access_begin_issue(struct hg_access *access,
                          const struct hg_access_issue *issue,
                          struct hg_tick tick, struct hg_buf *why)
{
    return begin(access, HG_ACCESS_KIND_ISSUE, issue, tick, why);
}

int hg_access_begin_rotate(struct hg_access *access,
                           const struct hg_access_issue *issue,
                           struct hg_tick tick, struct hg_buf *why)
{
    if (issue->role != HG_ROLE_GUEST) {
        hg_buf_add(why, "only the codes of guests are rotated");
        return HG_ERR_INPUT;
    }
    return begin(access, HG_ACCESS_KIND_ROTATE, issue, tick, why);
}

/* -- finishing -------------------------------------------------------------*/

/* The sessions of ended credentials end with them. */
static void end_sessions(struct hg_access *access,
                         const struct hg_credentials_ended *ended)
{
    for (size_t i = 0; i < ended->count; i++) {
        enum hg_role role;
        uint32_t number;

        if (hg_code_parse_id(ended->id[i], &number, &role) == HG_OK)
            hg_tokens_end(access->tokens, number);
    }
}

/* Complete the draft and store it, with the ends of a rotation. */
static int store(struct hg_access *access, struct hg_access_job *job,
                 struct hg_wall now, struct hg_buf *why,
                 struct hg_access_result *result)
{
    struct hg_credential *draft = &job->draft;
    struct hg_credentials_change change = { .add = draft, .now = now };
    struct hg_token token;
    int err;

    draft->created_ms = now.ms > 0 ? now.ms : 0;
    if (draft->role == HG_ROLE_INTEGRATOR) {
        err =
            hg_token_draw(HG_TOKEN_LONG, draft->number, result->token, &token);
        if (err < 0)
            return err;
        draft->has_token = true;
        memcpy(draft->token_hash, token.hash, sizeof(draft->token_hash));
    }
    if (job->kind == HG_ACCESS_KIND_ROTATE) {
        change.rotate_room =
            (const char(*)[HG_CREDENTIAL_ROOM_BYTES])draft->room;
        change.rotate_count = draft->room_count;
    }
    err = hg_credentials_commit(access->store, &change, why, &result->ended);
    access->is_due_known = false;
    return err;
}

void hg_access_finish_issue(struct hg_access *access, struct hg_access_job *job,
                            struct hg_tick tick,
                            const uint8_t key[HG_HASHER_KEY_BYTES],
                            struct hg_access_result *result)
{
    struct hg_buf why;
    int err;

    hg_buf_init(&why, result->why, sizeof(result->why));
    memcpy(job->draft.hash, key, sizeof(job->draft.hash));
    err = store(access, job, tick.wall, &why, result);
    if (err < 0) {
        if (why.len == 0)
            hg_buf_addf(&why, "No code was made: %s. Try again.",
                        hg_err_text(err));
        OPENSSL_cleanse(result->token, sizeof(result->token));
        result->err = err;
        return;
    }
    end_sessions(access, &result->ended);
    result->outcome = HG_ACCESS_ISSUED;
    result->credential = hg_credentials_find(access->store, job->code.number);
    hg_access_set_actor(&job->draft, &result->actor);
    hg_code_print(&job->code, result->code);
}

int hg_access_revoke(struct hg_access *access, const char *id,
                     struct hg_tick tick, struct hg_buf *why)
{
    struct hg_credentials_ended ended = { 0, NULL };
    const struct hg_credential *credential = hg_access_find(access, id);
    struct hg_credentials_change change = { .now = tick.wall };
    char canonical[HG_ID_BYTES];
    int err;

    /* as stored, so that an id typed in capitals ends the right one */
    if (credential != NULL)
        memcpy(canonical, credential->id, sizeof(canonical));
    change.end_id = credential != NULL ? canonical : "";
    err = hg_credentials_commit(access->store, &change, why, &ended);
    access->is_due_known = false;
    if (err < 0)
        return err;
    end_sessions(access, &ended);
    hg_credentials_ended_release(&ended);
    return HG_OK;
}

int hg_access_move(struct hg_access *access, const char *id, int64_t from_ms,
                   int64_t until_ms, struct hg_tick tick, struct hg_buf *why)
{
    const struct hg_credential *credential = hg_access_find(access, id);
    struct hg_credentials_ended ended = { 0, NULL };
    struct hg_credentials_change change = { .now = tick.wall,
                                            .move_from_ms = from_ms,
                                            .move_until_ms = until_ms };
    char canonical[HG_ID_BYTES] = "";
    int err;

    if (tick.wall.is_trusted && until_ms <= tick.wall.ms) {
        hg_buf_add(why, "that stay is over already; give one that ends later");
        return HG_ERR_RANGE;
    }
    if (credential != NULL)
        memcpy(canonical, credential->id, sizeof(canonical));
    change.move_id = canonical;
    err = hg_credentials_commit(access->store, &change, why, &ended);
    access->is_due_known = false;
    if (err == HG_OK)
        hg_credentials_ended_release(&ended);
    return err;
}

const struct hg_credential *
hg_access_find_uid(const struct hg_access *access,
                   const uint8_t uid[HG_CREDENTIAL_HASH_BYTES])
{
    for (size_t i = 0; i < hg_credentials_count(access->store); i++) {
        const struct hg_credential *credential =
            hg_credentials_at(access->store, i);

        if (!credential->is_ended && credential->has_uid &&
            memcmp(credential->uid, uid, sizeof(credential->uid)) == 0)
            return credential;
    }
    return NULL;
}
