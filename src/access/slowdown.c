/* Slow-down of guessing: a bounded table of keys and pure arithmetic. */
#include "access/slowdown.h"
#include "base/sat.h"
#include <arpa/inet.h>
#include <string.h>

static struct hg_slowdown_key key_ipv4(const uint8_t byte[4])
{
    struct hg_slowdown_key key = { HG_SLOWDOWN_IPV4, 0 };

    for (size_t i = 0; i < 4; i++)
        key.value = key.value << 8 | byte[i];
    return key;
}

static struct hg_slowdown_key key_ipv6(const uint8_t byte[16])
{
    struct hg_slowdown_key key = { HG_SLOWDOWN_IPV6, 0 };
    static const uint8_t MAPPED[12] = { [10] = 0xff, [11] = 0xff };

    if (memcmp(byte, MAPPED, sizeof(MAPPED)) == 0)
        return key_ipv4(byte + sizeof(MAPPED));
    for (size_t i = 0; i < 8; i++) /* the /64: one subscriber has all of it */
        key.value = key.value << 8 | byte[i];
    return key;
}

struct hg_slowdown_key hg_slowdown_key_address(const char *address)
{
    struct hg_slowdown_key unknown = { HG_SLOWDOWN_UNKNOWN, 0 };
    char bare[INET6_ADDRSTRLEN] = { 0 };
    uint8_t byte[16];
    size_t len;

    if (address == NULL)
        return unknown;
    len = strcspn(address, "%");
    if (len >= sizeof(bare))
        return unknown;
    memcpy(bare, address, len);
    if (inet_pton(AF_INET, bare, byte) == 1)
        return key_ipv4(byte);
    if (inet_pton(AF_INET6, bare, byte) == 1)
        return key_ipv6(byte);
    return unknown;
}

struct hg_slowdown_key hg_slowdown_key_credential(uint32_t number)
{
    struct hg_slowdown_key key = { HG_SLOWDOWN_CREDENTIAL, number };

    return key;
}

static bool is_same_key(struct hg_slowdown_key a, struct hg_slowdown_key b)
{
    return a.kind == b.kind && a.value == b.value;
}

/* Empty, or quiet for an hour. */
static bool is_forgotten(const struct hg_slowdown_count *count,
                         struct hg_mono now)
{
    return count->fails == 0 ||
           hg_mono_since(now, count->failed_at) >= HG_SLOWDOWN_FORGET_MS;
}

static size_t find(const struct hg_slowdown *table, struct hg_slowdown_key key)
{
    size_t i = 0;

    while (i < HG_SLOWDOWN_KEYS && !(table->entry[i].count.fails > 0 &&
                                     is_same_key(table->entry[i].key, key)))
        i++;
    return i;
}

/* How long the wrong codes so far make a key wait, from the last of them. */
static uint64_t penalty_ms(uint32_t fails)
{
    uint64_t ms = HG_SLOWDOWN_FIRST_MS;

    if (fails < HG_SLOWDOWN_FREE)
        return 0;
    for (uint32_t i = HG_SLOWDOWN_FREE; i < fails; i++) {
        ms *= 2;
        if (ms >= HG_SLOWDOWN_TOP_MS)
            return HG_SLOWDOWN_TOP_MS;
    }
    return ms;
}

uint64_t hg_slowdown_count_wait_ms(const struct hg_slowdown_count *count,
                                   struct hg_mono now)
{
    if (is_forgotten(count, now))
        return 0;
    return hg_sat_sub_u64(penalty_ms(count->fails),
                          hg_mono_since(now, count->failed_at));
}

void hg_slowdown_count_fail(struct hg_slowdown_count *count, struct hg_mono now)
{
    if (is_forgotten(count, now))
        count->fails = 0;
    count->failed_at = now;
    if (count->fails < UINT32_MAX)
        count->fails++;
}

uint64_t hg_slowdown_wait_ms(const struct hg_slowdown *table,
                             struct hg_slowdown_key key, struct hg_mono now)
{
    size_t i = find(table, key);

    return i == HG_SLOWDOWN_KEYS
               ? 0
               : hg_slowdown_count_wait_ms(&table->entry[i].count, now);
}

uint32_t hg_slowdown_tries(const struct hg_slowdown *table,
                           struct hg_slowdown_key key, struct hg_mono now)
{
    size_t i = find(table, key);

    if (i == HG_SLOWDOWN_KEYS || is_forgotten(&table->entry[i].count, now))
        return HG_SLOWDOWN_FREE;
    if (table->entry[i].count.fails < HG_SLOWDOWN_FREE)
        return HG_SLOWDOWN_FREE - table->entry[i].count.fails;
    return hg_slowdown_wait_ms(table, key, now) == 0 ? 1 : 0;
}

/* Should a make way rather than b? */
static bool is_cheaper(const struct hg_slowdown_count *a,
                       const struct hg_slowdown_count *b, struct hg_mono now)
{
    bool is_a_gone = is_forgotten(a, now);
    bool is_b_gone = is_forgotten(b, now);

    if (is_a_gone || is_b_gone)
        return is_a_gone && !is_b_gone;
    if (a->fails != b->fails)
        return a->fails < b->fails;
    return a->failed_at.ms < b->failed_at.ms;
}

void hg_slowdown_fail(struct hg_slowdown *table, struct hg_slowdown_key key,
                      struct hg_mono now)
{
    struct hg_slowdown_entry *entry = &table->entry[0];
    size_t at = find(table, key);

    if (at < HG_SLOWDOWN_KEYS) {
        entry = &table->entry[at];
    } else {
        for (size_t i = 1; i < HG_SLOWDOWN_KEYS; i++) {
            if (is_cheaper(&table->entry[i].count, &entry->count, now))
                entry = &table->entry[i];
        }
        entry->count.fails = 0;
    }
    entry->key = key;
    hg_slowdown_count_fail(&entry->count, now);
}

void hg_slowdown_forget(struct hg_slowdown *table, struct hg_slowdown_key key)
{
    size_t i = find(table, key);

    if (i < HG_SLOWDOWN_KEYS)
        memset(&table->entry[i], 0, sizeof(table->entry[i]));
}
