#ifndef HG_ACCESS_ACCESS_H
#define HG_ACCESS_ACCESS_H

/*
 * Who may come in, as the service uses it: sign-in by code or token, codes
 * issued, rotated and revoked, and what the gate must know of an asker.
 *
 * One thread (the loop) makes all calls. What needs a hash is begun here and
 * finished by hg_access_poll() after the wake callback has fired. Which
 * method a role may call is the table of the API, not of this unit; here a
 * credential is live or not, in its stay or not, and for a room or not.
 */
#include "access/code.h"
#include "access/credentials.h"
#include "access/hasher.h"
#include "access/slowdown.h"
#include "access/token.h"
#include "base/buf.h"
#include "base/err.h"
#include "heatgate/gate.h"
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Of the hasher's places this many are kept free for issue and rotate. */
#define HG_ACCESS_RESERVED  8
#define HG_ACCESS_BUSY_MS   UINT64_C(1000) /* retry when all are taken */
#define HG_ACCESS_WHY_BYTES 512            /* a sentence for people */

struct hg_access;

enum hg_access_outcome {
    HG_ACCESS_FAILED = 0,      /* err and why say what broke: 1006 */
    HG_ACCESS_QUEUED,          /* hg_access_poll() will bring the result */
    HG_ACCESS_SLOW_DOWN,       /* retry_after_ms: 1005 */
    HG_ACCESS_MALFORMED,       /* HG_CODE_TYPING_TEXT: 1002 */
    HG_ACCESS_WRONG,           /* 1002; journal it */
    HG_ACCESS_OUTSIDE_STAY,    /* the right code, not now: 1003; journal it */
    HG_ACCESS_CLOCK_UNTRUSTED, /* the right code; its stay cannot be judged */
    HG_ACCESS_SIGNED_IN,
    HG_ACCESS_ISSUED
};

enum hg_access_kind {
    HG_ACCESS_KIND_NONE = 0,
    HG_ACCESS_KIND_SIGN_IN,
    HG_ACCESS_KIND_ISSUE,
    HG_ACCESS_KIND_ROTATE
};

struct hg_access_setup {
    const char *state_dir; /* borrowed for the call */
    hg_hasher_wake *wake;  /* from the helper's thread; only wakes */
    void *wake_arg;
    const struct hg_access_io *io; /* NULL: the real system calls */
};

struct hg_access_sign_in { /* borrowed for the call */
    uint64_t request;      /* comes back in the result */
    const char *code;      /* as typed */
    const char *address;   /* of the peer, numeric text; may be NULL */
    bool is_admin;         /* the admin socket: no slow-down */
};

struct hg_access_issue { /* borrowed for the call */
    uint64_t request;
    enum hg_role role;        /* GUEST for a rotation */
    bool is_all_rooms;        /* staff only; rooms is not looked at */
    const char *const *rooms; /* names; a name given twice counts once */
    size_t room_count;
    int64_t from_ms, until_ms; /* guests: the stay, wall; others: ignored */
    const char *label;         /* NULL: none; plain UTF-8, 80 bytes */
    const uint8_t *uid;        /* guests: of a calendar's stay; NULL: none */
};

/* Filled by hg_access_poll(); hg_access_result_release() wipes and frees. */
struct hg_access_result {
    uint64_t request;
    enum hg_access_kind kind;
    enum hg_access_outcome outcome;
    int err;                       /* FAILED: a negative enum hg_err */
    char why[HG_ACCESS_WHY_BYTES]; /* FAILED: what happened, what to do */
    /*
     * SIGNED_IN, OUTSIDE_STAY, CLOCK_UNTRUSTED, ISSUED: who. WRONG: the id
     * that the code named if there is one (role NONE and "" if not), which
     * proves nothing about the person.
     */
    struct hg_actor actor;
    /* SIGNED_IN, ISSUED; borrowed until the next issue, rotate or revoke */
    const struct hg_credential *credential;
    char code[HG_CODE_TEXT_BYTES]; /* ISSUED: shown once; else "" */
    /* SIGNED_IN: session token; ISSUED to an integrator: long-lived; or "" */
    char token[HG_TOKEN_TEXT_BYTES];
    struct hg_credentials_ended ended; /* a rotation: whose access ended */
};

/*
 * Open the state folder's credentials and start the hasher.
 * On failure why holds the sentence for people; errors as
 * hg_credentials_open(), and HG_ERR_CRYPTO when there is no randomness.
 */
HG_MUST_CHECK int hg_access_open(const struct hg_access_setup *setup,
                                 struct hg_buf *why,
                                 struct hg_access **ret_access);

/* Stop the hasher, wipe, free. Requests under way get no result. NULL: fine. */
void hg_access_free(struct hg_access *access);

/*
 * Begin a sign-in by code. QUEUED; or at once SLOW_DOWN (with
 * *ret_retry_after_ms, else untouched), MALFORMED or FAILED. A malformed code
 * tries no secret and is not counted as wrong. A right code after its stay
 * counts as wrong, so that an old guest who goes on trying is slowed down; one
 * before its stay does not.
 */
enum hg_access_outcome
hg_access_begin_sign_in(struct hg_access *access,
                        const struct hg_access_sign_in *ask,
                        struct hg_tick tick, uint64_t *ret_retry_after_ms);

/*
 * Sign in by a session token or an integrator's long-lived token, at once:
 * SIGNED_IN, WRONG, OUTSIDE_STAY or CLOCK_UNTRUSTED. No new token is made:
 * `hello` answers the one that was given. *ret_credential is set for
 * SIGNED_IN only; borrowed until the next issue, rotate or revoke.
 */
enum hg_access_outcome
hg_access_sign_in_token(struct hg_access *access, const char *token,
                        struct hg_tick tick,
                        const struct hg_credential **ret_credential);

/*
 * Begin to issue a code (begin_rotate: a guest's, and end every other guest
 * credential of these rooms in the same file write). 0: the result comes by
 * hg_access_poll(). HG_ERR_INPUT, HG_ERR_RANGE: why says what is wrong;
 * HG_ERR_BUSY: slow-down; HG_ERR_FULL; HG_ERR_CRYPTO. The caller has checked
 * that the rooms exist and that the asker may do this.
 */
HG_MUST_CHECK int hg_access_begin_issue(struct hg_access *access,
                                        const struct hg_access_issue *issue,
                                        struct hg_tick tick,
                                        struct hg_buf *why);
HG_MUST_CHECK int hg_access_begin_rotate(struct hg_access *access,
                                         const struct hg_access_issue *issue,
                                         struct hg_tick tick,
                                         struct hg_buf *why);

/*
 * Take one finished request, if there is one. Call until false. An issued or
 * rotated code is durable when it comes out here. Judges the stay by tick.
 */
bool hg_access_poll(struct hg_access *access, struct hg_tick tick,
                    struct hg_access_result *ret_result);

/* Wipe the secrets, free the list, zero it all. */
void hg_access_result_release(struct hg_access_result *result);

/*
 * End a credential now, with its sessions; durable on return. The caller
 * looks up its role first (hg_access_find) and afterwards closes its
 * connections and tells the gates HG_EVENT_ACCESS_ENDED.
 * HG_ERR_NOT_FOUND: no live one of that id. HG_ERR_SYSTEM, HG_ERR_MEMORY: it
 * has not ended; why says so and what to do.
 */
HG_MUST_CHECK int hg_access_revoke(struct hg_access *access, const char *id,
                                   struct hg_tick tick, struct hg_buf *why);

/*
 * Give a live guest's code another stay; durable on return. The caller ends
 * the heat and closes the connections that the new stay does not cover.
 * Errors as hg_access_revoke(), and HG_ERR_RANGE: no such stay, or over.
 */
HG_MUST_CHECK int hg_access_move(struct hg_access *access, const char *id,
                                 int64_t from_ms, int64_t until_ms,
                                 struct hg_tick tick, struct hg_buf *why);

/* The live guest of a calendar's stay, or NULL. Borrowed. */
const struct hg_credential *
hg_access_find_uid(const struct hg_access *access,
                   const uint8_t uid[HG_CREDENTIAL_HASH_BYTES]);

/* By shown id; ended ones included (is_ended). NULL: none. Borrowed. */
const struct hg_credential *hg_access_find(const struct hg_access *access,
                                           const char *id);

/* Called for each match; false stops. Must not change the store. */
typedef bool hg_access_each(void *arg, const struct hg_credential *credential);

/* Every credential whose role's bit (1u << role) is in roles, ended or not. */
void hg_access_list(const struct hg_access *access, uint32_t roles,
                    hg_access_each *each, void *arg);

/* May a live credential do anything in this room at all? */
bool hg_access_may(const struct hg_credential *credential, const char *room);

/*
 * What the gate must know about who asks: actor, whether the credential is
 * live and for this room, and its stay (judged by the gate, at every
 * renewal). request is left 0 for the caller. HG_ERR_NOT_FOUND, out
 * untouched: no such credential; ended ones come out with is_allowed false.
 */
HG_MUST_CHECK int hg_access_asker(const struct hg_access *access,
                                  const char *id, const char *room,
                                  struct hg_asker *ret_asker);

/*
 * Tell each live guest credential whose stay has ended since the last call,
 * so that its connections can be closed and its heat ended; the first call
 * tells all whose stay is over. Nothing while the wall clock is not trusted;
 * after it was set back, stays end anew. What each returns is ignored.
 * Call at every tick: it looks at the rows only when one is due.
 */
void hg_access_expired(struct hg_access *access, struct hg_tick tick,
                       hg_access_each *each, void *arg);

struct hg_access_counts { /* for /metrics and doctor */
    uint64_t signed_in, wrong, outside_stay, slowed, malformed;
    size_t live, ended, sessions;
};
void hg_access_count(const struct hg_access *access, struct hg_tick tick,
                     struct hg_access_counts *ret_counts);

#endif
