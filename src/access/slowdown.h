#ifndef HG_ACCESS_SLOWDOWN_H
#define HG_ACCESS_SLOWDOWN_H

/*
 * Slow-down of guessing, per key: a source address (IPv4 whole, IPv6 by its
 * /64) or a credential's number. The first 5 wrong codes cost nothing; from
 * the 5th on each makes the key wait, 1 s doubling to 5 min. While it waits,
 * right codes wait too, and tries do not count. A key is forgotten one hour
 * after its last wrong code.
 *
 * A success forgets the credential's key and leaves the address's key as it
 * is: otherwise somebody with one valid code could guess others for ever by
 * using it between the guesses.
 *
 * The table is bounded. A new key takes the place of a forgotten one, or of
 * the one with the fewest wrong codes (the oldest of those), so a flood of
 * fresh keys pushes out fresh keys, never one that is blocked harder.
 * Pure: no clock, no heap, no I/O; time comes in as a value.
 */
#include "base/err.h"
#include "heatgate/tick.h"
#include <stdbool.h>
#include <stdint.h>

#define HG_SLOWDOWN_KEYS      2048
#define HG_SLOWDOWN_FREE      5
#define HG_SLOWDOWN_FIRST_MS  UINT64_C(1000)
#define HG_SLOWDOWN_TOP_MS    UINT64_C(300000)
#define HG_SLOWDOWN_FORGET_MS UINT64_C(3600000)

enum hg_slowdown_kind {
    HG_SLOWDOWN_UNKNOWN = 0, /* an address that cannot be read: one key */
    HG_SLOWDOWN_IPV4,
    HG_SLOWDOWN_IPV6,
    HG_SLOWDOWN_CREDENTIAL
};

struct hg_slowdown_key {
    enum hg_slowdown_kind kind;
    uint64_t value;
};

/* The wrong codes of one key. All zero: none. */
struct hg_slowdown_count {
    uint32_t fails;
    struct hg_mono failed_at;
};

struct hg_slowdown_entry { /* fails 0: empty */
    struct hg_slowdown_key key;
    struct hg_slowdown_count count;
};

/* All zero is an empty table. */
struct hg_slowdown {
    struct hg_slowdown_entry entry[HG_SLOWDOWN_KEYS];
};

/*
 * The key of an address in text form, as from getnameinfo() with numeric
 * host; a zone ("%eth0") is ignored, an IPv4-mapped IPv6 address is IPv4.
 * NULL or anything else gives the one key of unknown addresses.
 */
struct hg_slowdown_key hg_slowdown_key_address(const char *address);
struct hg_slowdown_key hg_slowdown_key_credential(uint32_t number);

/* How long these wrong codes still make one wait; 0: one may try now. */
uint64_t hg_slowdown_count_wait_ms(const struct hg_slowdown_count *count,
                                   struct hg_mono now);

/* Count a wrong code; what is forgotten starts anew. */
void hg_slowdown_count_fail(struct hg_slowdown_count *count,
                            struct hg_mono now);

/* How long this key must still wait; 0: it may try now. */
uint64_t hg_slowdown_wait_ms(const struct hg_slowdown *table,
                             struct hg_slowdown_key key, struct hg_mono now);

/*
 * How many tries this key may have under way at once: what is left of the
 * free ones, then one, and none while it waits. Keeps a burst from getting
 * more tries than the same tries one by one.
 */
uint32_t hg_slowdown_tries(const struct hg_slowdown *table,
                           struct hg_slowdown_key key, struct hg_mono now);

/* Count a wrong code. */
void hg_slowdown_fail(struct hg_slowdown *table, struct hg_slowdown_key key,
                      struct hg_mono now);

/* Forget a key: for a credential whose right code was given. */
void hg_slowdown_forget(struct hg_slowdown *table, struct hg_slowdown_key key);

#endif
