#ifndef HG_ACCESS_ACCESS_STATE_H
#define HG_ACCESS_ACCESS_STATE_H

/* What access.c and access_issue.c share; private to them. */
#include "access/access.h"

/* A request whose hash is under way. */
struct hg_access_job {
    enum hg_access_kind kind; /* NONE: a free place */
    uint64_t ticket;
    uint64_t request;
    struct hg_code code; /* SIGN_IN: without the secret */
    /* SIGN_IN */
    bool is_admin;
    struct hg_slowdown_key address;
    /* ISSUE, ROTATE: what to store; rooms owned */
    struct hg_credential draft;
};

struct hg_access {
    struct hg_credentials *store;
    struct hg_tokens *tokens;
    struct hg_hasher *hasher;
    struct hg_slowdown by_address;
    struct hg_slowdown by_credential;
    uint8_t dummy_salt[HG_HASHER_SALT_BYTES];
    uint8_t dummy_hash[HG_CREDENTIAL_HASH_BYTES];
    uint64_t last_ticket;
    struct hg_access_job job[HG_HASHER_JOBS];
    struct hg_access_counts counts; /* the counters only */
    int64_t told_ms; /* stays that ended up to here have been told */
    int64_t due_ms;  /* when the next stay ends, if is_due_known */
    bool is_due_known;
};

/* A free place for a request, or NULL; wiped by hg_access_job_release(). */
struct hg_access_job *hg_access_job_take(struct hg_access *access,
                                         enum hg_access_kind kind,
                                         uint64_t request);
void hg_access_job_release(struct hg_access_job *job);

/* The part of hg_access_poll() for ISSUE and ROTATE. */
void hg_access_finish_issue(struct hg_access *access, struct hg_access_job *job,
                            struct hg_tick tick,
                            const uint8_t key[HG_HASHER_KEY_BYTES],
                            struct hg_access_result *result);

/* Who a credential is, for the journal and the gate. */
void hg_access_set_actor(const struct hg_credential *credential,
                         struct hg_actor *actor);

#endif
