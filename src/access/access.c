/*
 * Signing in, and the questions of the gate. Owns the requests under way;
 * how codes are made is in access_issue.c.
 */
#include "access/access_state.h"
#include "base/base32.h"
#include "base/text.h"
#include <openssl/crypto.h>
#include <openssl/rand.h>
#include <stdlib.h>
#include <string.h>

#define SIGN_INS_MAX (HG_HASHER_JOBS - HG_ACCESS_RESERVED)

/* -- opening ---------------------------------------------------------------*/

static int draw_dummies(struct hg_access *access)
{
    if (RAND_bytes(access->dummy_salt, sizeof(access->dummy_salt)) != 1 ||
        RAND_bytes(access->dummy_hash, sizeof(access->dummy_hash)) != 1)
        return HG_ERR_CRYPTO;
    return HG_OK;
}

int hg_access_open(const struct hg_access_setup *setup, struct hg_buf *why,
                   struct hg_access **ret_access)
{
    struct hg_access *access = calloc(1, sizeof(*access));
    int err;

    if (access == NULL)
        return HG_ERR_MEMORY;
    access->told_ms = INT64_MIN;
    err = hg_credentials_open(setup->state_dir, setup->io, why, &access->store);
    if (err == HG_OK)
        err = draw_dummies(access);
    if (err == HG_OK)
        err = hg_tokens_new(&access->tokens);
    if (err == HG_OK)
        err = hg_hasher_new(setup->wake, setup->wake_arg, &access->hasher);
    if (err < 0) {
        if (why->len == 0)
            hg_buf_addf(why, "Sign-in cannot be made ready: %s.",
                        hg_err_text(err));
        hg_access_free(access);
        return err;
    }
    *ret_access = access;
    return HG_OK;
}

void hg_access_free(struct hg_access *access)
{
    if (access == NULL)
        return;
    hg_hasher_free(access->hasher);
    for (size_t i = 0; i < HG_HASHER_JOBS; i++)
        hg_access_job_release(&access->job[i]);
    hg_tokens_free(access->tokens);
    hg_credentials_free(access->store);
    free(access);
}

/* -- requests under way ----------------------------------------------------*/

struct hg_access_job *hg_access_job_take(struct hg_access *access,
                                         enum hg_access_kind kind,
                                         uint64_t request)
{
    for (size_t i = 0; i < HG_HASHER_JOBS; i++) {
        struct hg_access_job *job = &access->job[i];

        if (job->kind == HG_ACCESS_KIND_NONE) {
            job->kind = kind;
            job->request = request;
            job->ticket = ++access->last_ticket;
            return job;
        }
    }
    return NULL;
}

void hg_access_job_release(struct hg_access_job *job)
{
    free(job->draft.room);
    OPENSSL_cleanse(job, sizeof(*job));
}

static struct hg_access_job *find_job(struct hg_access *access, uint64_t ticket)
{
    for (size_t i = 0; i < HG_HASHER_JOBS; i++) {
        if (access->job[i].kind != HG_ACCESS_KIND_NONE &&
            access->job[i].ticket == ticket)
            return &access->job[i];
    }
    return NULL;
}

/* -- sign-in ---------------------------------------------------------------*/

/* What is under way that a new sign-in must count as if it had failed. */
struct under_way {
    uint32_t all;
    uint32_t of_address;
    uint32_t of_credential;
};

static struct under_way count_under_way(const struct hg_access *access,
                                        struct hg_slowdown_key address,
                                        uint32_t number)
{
    struct under_way count = { 0, 0, 0 };

    for (size_t i = 0; i < HG_HASHER_JOBS; i++) {
        const struct hg_access_job *job = &access->job[i];

        if (job->kind != HG_ACCESS_KIND_SIGN_IN)
            continue;
        count.all++;
        if (job->is_admin)
            continue;
        if (job->address.kind == address.kind &&
            job->address.value == address.value)
            count.of_address++;
        if (job->code.number == number)
            count.of_credential++;
    }
    return count;
}

/* How long this try must wait; 0: it may go on. */
static uint64_t wait_ms(const struct hg_access *access,
                        struct hg_slowdown_key address, uint32_t number,
                        struct hg_mono now)
{
    struct hg_slowdown_key key = hg_slowdown_key_credential(number);
    struct under_way count = count_under_way(access, address, number);
    uint64_t by_address =
        hg_slowdown_wait_ms(&access->by_address, address, now);
    uint64_t by_credential =
        hg_slowdown_wait_ms(&access->by_credential, key, now);

    if (by_address > 0 || by_credential > 0)
        return by_address > by_credential ? by_address : by_credential;
    if (count.of_address >=
            hg_slowdown_tries(&access->by_address, address, now) ||
        count.of_credential >=
            hg_slowdown_tries(&access->by_credential, key, now))
        return HG_ACCESS_BUSY_MS;
    return 0;
}

/* Queue the hash; an id that nobody has is hashed against the dummy salt. */
static int queue_sign_in(struct hg_access *access, const struct hg_code *code,
                         struct hg_access_job *job)
{
    const struct hg_credential *credential =
        hg_credentials_find(access->store, code->number);
    const uint8_t *salt = access->dummy_salt;

    if (credential != NULL && !credential->is_ended)
        salt = credential->salt;
    job->code.number = code->number;
    return hg_hasher_submit(access->hasher, job->ticket, code->secret, salt);
}

/* Put a parsed code to the hasher, unless it must wait. */
static enum hg_access_outcome begin_parsed(struct hg_access *access,
                                           const struct hg_access_sign_in *ask,
                                           const struct hg_code *code,
                                           struct hg_mono now,
                                           uint64_t *ret_retry_after_ms)
{
    struct hg_slowdown_key address = hg_slowdown_key_address(ask->address);
    struct under_way count = count_under_way(access, address, code->number);
    struct hg_access_job *job = NULL;
    uint64_t must_wait_ms = HG_ACCESS_BUSY_MS;
    int err = HG_ERR_BUSY;

    if (!ask->is_admin)
        must_wait_ms = wait_ms(access, address, code->number, now);
    if ((ask->is_admin || must_wait_ms == 0) && count.all < SIGN_INS_MAX)
        job = hg_access_job_take(access, HG_ACCESS_KIND_SIGN_IN, ask->request);
    if (job != NULL) {
        job->is_admin = ask->is_admin;
        job->address = address;
        err = queue_sign_in(access, code, job);
        if (err == HG_OK)
            return HG_ACCESS_QUEUED;
        hg_access_job_release(job);
    }
    if (err != HG_ERR_BUSY)
        return HG_ACCESS_FAILED;
    access->counts.slowed++;
    *ret_retry_after_ms = must_wait_ms > 0 ? must_wait_ms : HG_ACCESS_BUSY_MS;
    return HG_ACCESS_SLOW_DOWN;
}

enum hg_access_outcome
hg_access_begin_sign_in(struct hg_access *access,
                        const struct hg_access_sign_in *ask,
                        struct hg_tick tick, uint64_t *ret_retry_after_ms)
{
    enum hg_access_outcome outcome;
    struct hg_code code;

    if (hg_code_parse(ask->code, &code) < 0) {
        access->counts.malformed++;
        return HG_ACCESS_MALFORMED;
    }
    outcome = begin_parsed(access, ask, &code, tick.mono, ret_retry_after_ms);
    hg_code_wipe(&code);
    return outcome;
}

static void count_wrong(struct hg_access *access,
                        const struct hg_access_job *job, struct hg_mono now)
{
    if (job->is_admin)
        return;
    hg_slowdown_fail(&access->by_address, job->address, now);
    hg_slowdown_fail(&access->by_credential,
                     hg_slowdown_key_credential(job->code.number), now);
}

/* The outcome of a right secret, by its stay. */
static enum hg_access_outcome judge_stay(const struct hg_credential *credential,
                                         struct hg_wall now)
{
    switch (hg_credential_stay(credential, now)) {
    case HG_STAY_INSIDE:
        return HG_ACCESS_SIGNED_IN;
    case HG_STAY_BEFORE:
    case HG_STAY_AFTER:
        return HG_ACCESS_OUTSIDE_STAY;
    case HG_STAY_UNTRUSTED:
        break;
    }
    return HG_ACCESS_CLOCK_UNTRUSTED;
}

static void count_outcome(struct hg_access *access,
                          enum hg_access_outcome outcome)
{
    if (outcome == HG_ACCESS_SIGNED_IN)
        access->counts.signed_in++;
    else if (outcome == HG_ACCESS_OUTSIDE_STAY)
        access->counts.outside_stay++;
    else if (outcome == HG_ACCESS_WRONG)
        access->counts.wrong++;
}

/* A session for somebody whose code was right, now. */
static void open_session(struct hg_access *access,
                         const struct hg_credential *credential,
                         struct hg_mono now, struct hg_access_result *result)
{
    int err =
        hg_tokens_open(access->tokens, credential->number, now, result->token);

    if (err < 0) {
        struct hg_buf why;

        hg_buf_init(&why, result->why, sizeof(result->why));
        hg_buf_addf(&why, "No session could be opened: %s. Try again.",
                    hg_err_text(err));
        result->outcome = HG_ACCESS_FAILED;
        result->err = err;
        return;
    }
    hg_slowdown_forget(&access->by_credential,
                       hg_slowdown_key_credential(credential->number));
    result->credential = credential;
}

static void finish_sign_in(struct hg_access *access,
                           const struct hg_access_job *job, struct hg_tick tick,
                           const uint8_t key[HG_HASHER_KEY_BYTES],
                           struct hg_access_result *result)
{
    const struct hg_credential *credential =
        hg_credentials_find(access->store, job->code.number);
    bool is_live = credential != NULL && !credential->is_ended;
    const uint8_t *hash = is_live ? credential->hash : access->dummy_hash;
    bool is_right = hg_secret_equal(hash, key, HG_CREDENTIAL_HASH_BYTES);

    if (credential != NULL)
        hg_access_set_actor(credential, &result->actor);
    result->outcome = HG_ACCESS_WRONG;
    if (is_live && is_right)
        result->outcome = judge_stay(credential, tick.wall);
    if (result->outcome == HG_ACCESS_SIGNED_IN)
        open_session(access, credential, tick.mono, result);
    else if (result->outcome == HG_ACCESS_WRONG ||
             (is_live &&
              hg_credential_stay(credential, tick.wall) == HG_STAY_AFTER))
        count_wrong(access, job, tick.mono);
    count_outcome(access, result->outcome);
}

bool hg_access_poll(struct hg_access *access, struct hg_tick tick,
                    struct hg_access_result *ret_result)
{
    struct hg_access_result result = { 0 };
    struct hg_hasher_result hashed;
    struct hg_access_job *job;

    if (!hg_hasher_poll(access->hasher, &hashed))
        return false;
    job = find_job(access, hashed.ticket);
    if (job == NULL) { /* cannot be: each ticket is a job's; never let in */
        OPENSSL_cleanse(&hashed, sizeof(hashed));
        return false;
    }
    result.request = job->request;
    result.kind = job->kind;
    if (hashed.err < 0) {
        struct hg_buf why;

        hg_buf_init(&why, result.why, sizeof(result.why));
        hg_buf_addf(&why, "The code could not be hashed: %s. Try again.",
                    hg_err_text(hashed.err));
        result.err = hashed.err;
    } else if (job->kind == HG_ACCESS_KIND_SIGN_IN) {
        finish_sign_in(access, job, tick, hashed.key, &result);
    } else {
        hg_access_finish_issue(access, job, tick, hashed.key, &result);
    }
    hg_access_job_release(job);
    OPENSSL_cleanse(&hashed, sizeof(hashed));
    *ret_result = result;
    OPENSSL_cleanse(&result, sizeof(result));
    return true;
}

void hg_access_result_release(struct hg_access_result *result)
{
    hg_credentials_ended_release(&result->ended);
    OPENSSL_cleanse(result, sizeof(*result));
}

/* The credential of a token, or NULL. */
static const struct hg_credential *find_by_token(const struct hg_access *access,
                                                 const struct hg_token *token,
                                                 struct hg_mono now)
{
    const struct hg_credential *credential;
    uint32_t number = token->number;
    const uint8_t *hash = access->dummy_hash;
    bool is_right;

    if (token->kind == HG_TOKEN_SESSION) {
        if (hg_tokens_find(access->tokens, token, now, &number) < 0)
            return NULL;
        credential = hg_credentials_find(access->store, number);
        return credential == NULL || credential->is_ended ? NULL : credential;
    }
    credential = hg_credentials_find(access->store, number);
    if (credential != NULL && credential->has_token && !credential->is_ended)
        hash = credential->token_hash;
    is_right = hg_secret_equal(hash, token->hash, HG_TOKEN_HASH_BYTES);
    return is_right && hash != access->dummy_hash ? credential : NULL;
}

enum hg_access_outcome
hg_access_sign_in_token(struct hg_access *access, const char *token,
                        struct hg_tick tick,
                        const struct hg_credential **ret_credential)
{
    enum hg_access_outcome outcome = HG_ACCESS_WRONG;
    const struct hg_credential *credential = NULL;
    struct hg_token parsed;

    if (hg_token_parse(token, &parsed) == HG_OK)
        credential = find_by_token(access, &parsed, tick.mono);
    if (credential != NULL)
        outcome = judge_stay(credential, tick.wall);
    count_outcome(access, outcome);
    if (outcome == HG_ACCESS_SIGNED_IN)
        *ret_credential = credential;
    return outcome;
}

/* -- questions -------------------------------------------------------------*/

void hg_access_set_actor(const struct hg_credential *credential,
                         struct hg_actor *actor)
{
    memset(actor, 0, sizeof(*actor)); /* the gate compares the padding too */
    actor->role = credential->role;
    memcpy(actor->id, credential->id, sizeof(actor->id));
}

const struct hg_credential *hg_access_find(const struct hg_access *access,
                                           const char *id)
{
    return hg_credentials_find_id(access->store, id);
}

void hg_access_list(const struct hg_access *access, uint32_t roles,
                    hg_access_each *each, void *arg)
{
    for (size_t i = 0; i < hg_credentials_count(access->store); i++) {
        const struct hg_credential *credential =
            hg_credentials_at(access->store, i);

        if ((roles & 1u << credential->role) != 0 && !each(arg, credential))
            return;
    }
}

bool hg_access_may(const struct hg_credential *credential, const char *room)
{
    return hg_credential_may(credential, room);
}

int hg_access_asker(const struct hg_access *access, const char *id,
                    const char *room, struct hg_asker *ret_asker)
{
    const struct hg_credential *credential = hg_access_find(access, id);
    struct hg_asker asker;

    if (credential == NULL)
        return HG_ERR_NOT_FOUND;
    memset(&asker, 0, sizeof(asker));
    hg_access_set_actor(credential, &asker.actor);
    asker.is_allowed = hg_credential_may(credential, room);
    asker.has_stay = credential->has_stay;
    asker.stay_from_ms = credential->from_ms;
    asker.stay_until_ms = credential->until_ms;
    *ret_asker = asker;
    return HG_OK;
}

/* When the first stay ends that has not been told. */
static int64_t find_due(const struct hg_access *access)
{
    int64_t due_ms = INT64_MAX;

    for (size_t i = 0; i < hg_credentials_count(access->store); i++) {
        const struct hg_credential *credential =
            hg_credentials_at(access->store, i);

        if (credential->has_stay && !credential->is_ended &&
            credential->until_ms > access->told_ms &&
            credential->until_ms < due_ms)
            due_ms = credential->until_ms;
    }
    return due_ms;
}

void hg_access_expired(struct hg_access *access, struct hg_tick tick,
                       hg_access_each *each, void *arg)
{
    int64_t now_ms = tick.wall.ms;

    if (!tick.wall.is_trusted)
        return;
    if (now_ms < access->told_ms) { /* set back: those stays end anew */
        access->told_ms = now_ms;
        access->is_due_known = false;
    }
    if (!access->is_due_known)
        access->due_ms = find_due(access);
    access->is_due_known = true;
    if (now_ms < access->due_ms)
        return;
    for (size_t i = 0; i < hg_credentials_count(access->store); i++) {
        const struct hg_credential *credential =
            hg_credentials_at(access->store, i);

        if (credential->has_stay && !credential->is_ended &&
            credential->until_ms > access->told_ms &&
            credential->until_ms <= now_ms)
            (void)each(arg, credential);
    }
    access->told_ms = now_ms;
    access->is_due_known = false;
}

void hg_access_count(const struct hg_access *access, struct hg_tick tick,
                     struct hg_access_counts *ret_counts)
{
    struct hg_access_counts counts = access->counts;

    for (size_t i = 0; i < hg_credentials_count(access->store); i++) {
        if (hg_credentials_at(access->store, i)->is_ended)
            counts.ended++;
        else
            counts.live++;
    }
    counts.sessions = hg_tokens_count(access->tokens, tick.mono);
    *ret_counts = counts;
}
