/*
 * Owns the index from JSON Pointer to line. One pass over the text, no
 * recursion. An entry is found by the FNV-1a hash of its pointer; only
 * repeated keys are also compared letter by letter.
 */
#include "service/config_where.h"
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define NO_ENTRY   UINT32_MAX
#define HASH_START UINT64_C(0xcbf29ce484222325) /* FNV-1a, 64 bits */
#define HASH_PRIME UINT64_C(0x100000001b3)

struct entry {
    uint64_t hash;   /* of the whole pointer */
    uint32_t parent; /* NO_ENTRY: the root */
    uint32_t key_at; /* offset of the raw key, or the index in an array */
    uint32_t key_len;
    uint32_t line;
    bool is_index;
};

struct slot { /* sorted by hash, then by order of appearance */
    uint64_t hash;
    uint32_t entry;
};

struct hg_where {
    const char *text;
    struct entry *entry;
    struct slot *slot;
    uint32_t count, cap;
    uint32_t root_line;
};

struct frame {
    uint64_t hash;
    uint32_t entry;
    uint32_t next_index;
    bool is_array;
};

struct scan {
    struct hg_where *where;
    size_t len, at;
    uint32_t line;
    uint32_t depth;   /* frames in use */
    uint32_t deep;    /* levels below those, skipped */
    uint32_t pending; /* entry whose value comes next */
    bool is_value_next;
    bool has_root;
    bool is_out_of_memory;
    struct frame frame[HG_WHERE_DEPTH];
};

/* -- keys -------------------------------------------------------------- */

typedef void put_byte(void *context, char byte);

static void put_escaped(put_byte *put, void *context, char byte)
{
    if (byte == '~' || byte == '/') {
        put(context, '~');
        put(context, byte == '~' ? '0' : '1');
    } else {
        put(context, byte);
    }
}

static void put_utf8(put_byte *put, void *context, uint32_t code)
{
    if (code < 0x80) {
        put_escaped(put, context, (char)code);
        return;
    }
    if (code < 0x800) {
        put(context, (char)(0xc0 | (code >> 6)));
    } else {
        if (code < 0x10000) {
            put(context, (char)(0xe0 | (code >> 12)));
        } else {
            put(context, (char)(0xf0 | (code >> 18)));
            put(context, (char)(0x80 | ((code >> 12) & 0x3f)));
        }
        put(context, (char)(0x80 | ((code >> 6) & 0x3f)));
    }
    put(context, (char)(0x80 | (code & 0x3f)));
}

/* four hex digits; anything else counts as 0 (the text was accepted) */
static uint32_t hex4(const char *raw, size_t len)
{
    uint32_t code = 0;

    for (size_t i = 0; i < 4 && i < len; i++) {
        char digit = raw[i];

        code <<= 4;
        if (digit >= '0' && digit <= '9')
            code |= (uint32_t)(digit - '0');
        else if ((digit | 0x20) >= 'a' && (digit | 0x20) <= 'f')
            code |= (uint32_t)((digit | 0x20) - 'a' + 10);
    }
    return code;
}

/* after "\u": put one character, return how many bytes of raw it took */
static size_t put_unicode(put_byte *put, void *context, const char *raw,
                          size_t len)
{
    uint32_t high = hex4(raw, len);
    uint32_t low;

    if (high >= 0xd800 && high < 0xdc00 && len >= 10 && raw[4] == '\\') {
        low = hex4(raw + 6, len - 6);
        put_utf8(put, context,
                 0x10000 + ((high - 0xd800) << 10) + ((low - 0xdc00) & 0x3ff));
        return 10;
    }
    put_utf8(put, context, high);
    return len < 4 ? len : 4;
}

static char unescaped(char letter)
{
    static const char from[] = "bfnrt";
    static const char to[] = "\b\f\n\r\t";
    const char *found = letter == '\0' ? NULL : strchr(from, letter);

    return found == NULL ? letter : to[found - from];
}

/* the key as a reference token of RFC 6901, byte by byte */
static void put_key(put_byte *put, void *context, const char *raw, size_t len)
{
    size_t i = 0;

    while (i < len) {
        if (raw[i] != '\\' || i + 1 == len) {
            put_escaped(put, context, raw[i++]);
        } else if (raw[i + 1] == 'u') {
            i += 2;
            i += put_unicode(put, context, raw + i, len - i);
        } else {
            put_escaped(put, context, unescaped(raw[i + 1]));
            i += 2;
        }
    }
}

static void put_hash(void *context, char byte)
{
    uint64_t *hash = context;

    *hash = (*hash ^ (uint8_t)byte) * HASH_PRIME;
}

static void put_buf(void *context, char byte)
{
    hg_buf_add_bytes(context, &byte, 1);
}

void hg_where_push(struct hg_buf *pointer, const char *key)
{
    hg_buf_add(pointer, "/");
    if (strpbrk(key, "~/") == NULL) {
        hg_buf_add(pointer, key);
        return;
    }
    for (; *key != '\0'; key++)
        put_escaped(put_buf, pointer, *key);
}

/* -- the scan ------------------------------------------------------------ */

static uint32_t add_entry(struct scan *scan, const struct entry *entry)
{
    struct hg_where *where = scan->where;
    uint32_t cap = where->cap == 0 ? 64 : where->cap * 2;
    struct entry *grown;

    if (where->count == HG_WHERE_ENTRIES_MAX)
        return NO_ENTRY;
    if (where->count == where->cap) {
        grown = realloc(where->entry, cap * sizeof(*grown));
        if (grown == NULL) {
            scan->is_out_of_memory = true;
            return NO_ENTRY;
        }
        where->entry = grown;
        where->cap = cap;
    }
    where->entry[where->count] = *entry;
    return where->count++;
}

static void put_number(put_byte *put, void *context, uint32_t number)
{
    char digits[10];
    size_t count = 0;

    do {
        digits[count++] = (char)('0' + number % 10);
        number /= 10;
    } while (number > 0);
    while (count > 0)
        put(context, digits[--count]);
}

static uint32_t add_child(struct scan *scan, size_t key_at, size_t key_len)
{
    struct frame *frame = &scan->frame[scan->depth - 1];
    struct entry entry = {
        .hash = frame->hash,
        .parent = frame->entry,
        .key_at = (uint32_t)key_at,
        .key_len = (uint32_t)key_len,
        .line = scan->line,
        .is_index = frame->is_array,
    };

    put_hash(&entry.hash, '/');
    if (frame->is_array) {
        entry.key_at = frame->next_index++;
        put_number(put_hash, &entry.hash, entry.key_at);
    } else {
        put_key(put_hash, &entry.hash, scan->where->text + key_at, key_len);
    }
    return add_entry(scan, &entry);
}

/* the first byte of a value: which entry it is of, and in which line */
static void value_begins(struct scan *scan)
{
    scan->is_value_next = false;
    if (scan->depth == 0) {
        if (!scan->has_root)
            scan->where->root_line = scan->line;
        scan->has_root = true;
        scan->pending = NO_ENTRY;
        return;
    }
    if (scan->frame[scan->depth - 1].is_array)
        scan->pending = add_child(scan, 0, 0);
    if (scan->pending != NO_ENTRY)
        scan->where->entry[scan->pending].line = scan->line;
}

static void open_level(struct scan *scan, bool is_array)
{
    struct hg_where *where = scan->where;
    struct frame frame = { .hash = HASH_START, .entry = NO_ENTRY };

    value_begins(scan);
    if (scan->depth == HG_WHERE_DEPTH ||
        (scan->depth > 0 && scan->pending == NO_ENTRY)) {
        scan->deep = 1;
        return;
    }
    if (scan->pending != NO_ENTRY) {
        frame.hash = where->entry[scan->pending].hash;
        frame.entry = scan->pending;
    }
    frame.is_array = is_array;
    scan->frame[scan->depth++] = frame;
    scan->is_value_next = is_array;
}

/* at a quote: returns the length of what is between the quotes */
static size_t string_len(const struct scan *scan)
{
    const char *text = scan->where->text;
    size_t end = scan->at + 1;

    while (end < scan->len && text[end] != '"')
        end += text[end] == '\\' ? 2 : 1;
    return (end < scan->len ? end : scan->len) - scan->at - 1;
}

static void scan_string(struct scan *scan)
{
    size_t len = string_len(scan);
    size_t key_at = scan->at + 1;

    if (scan->deep == 0) {
        if (scan->is_value_next || scan->depth == 0)
            value_begins(scan);
        else
            scan->pending = add_child(scan, key_at, len);
    }
    scan->at = key_at + len;
}

/* below the levels that are kept: only find the way back up */
static void scan_deep(struct scan *scan, char byte)
{
    if (byte == '{' || byte == '[')
        scan->deep++;
    else if (byte == '}' || byte == ']')
        scan->deep--;
}

static void scan_shallow(struct scan *scan, char byte)
{
    switch (byte) {
    case '{':
        open_level(scan, false);
        break;
    case '[':
        open_level(scan, true);
        break;
    case '}':
    case ']':
        if (scan->depth > 0)
            scan->depth--;
        scan->is_value_next = false;
        break;
    case ':':
        scan->is_value_next = true;
        break;
    case ',':
        scan->is_value_next =
            scan->depth > 0 && scan->frame[scan->depth - 1].is_array;
        break;
    default:
        if (scan->is_value_next || (scan->depth == 0 && !scan->has_root))
            value_begins(scan);
        break;
    }
}

static void scan_byte(struct scan *scan)
{
    char byte = scan->where->text[scan->at];

    if (byte == '\n')
        scan->line++;
    else if (byte == '"')
        scan_string(scan);
    else if (byte == ' ' || byte == '\t' || byte == '\r')
        return;
    else if (scan->deep > 0)
        scan_deep(scan, byte);
    else
        scan_shallow(scan, byte);
}

/* -- the index ----------------------------------------------------------- */

static int by_hash(const void *a, const void *b)
{
    const struct slot *left = a;
    const struct slot *right = b;

    if (left->hash != right->hash)
        return left->hash < right->hash ? -1 : 1;
    return left->entry < right->entry ? -1 : left->entry > right->entry;
}

static int sort_slots(struct hg_where *where)
{
    where->slot = calloc((size_t)where->count + 1, sizeof(*where->slot));
    if (where->slot == NULL)
        return HG_ERR_MEMORY;
    for (uint32_t i = 0; i < where->count; i++) {
        where->slot[i].hash = where->entry[i].hash;
        where->slot[i].entry = i;
    }
    if (where->count > 1)
        qsort(where->slot, where->count, sizeof(*where->slot), by_hash);
    return 0;
}

int hg_where_new(const char *text, size_t len, struct hg_where **ret_where)
{
    struct hg_where *where = NULL;
    struct scan scan = { .len = len, .line = 1, .pending = NO_ENTRY };
    int err = HG_ERR_MEMORY;

    if (len >= UINT32_MAX)
        return HG_ERR_RANGE;
    where = calloc(1, sizeof(*where));
    if (where == NULL)
        goto out;
    where->text = text;
    where->root_line = 1;
    scan.where = where;
    for (; scan.at < len && !scan.is_out_of_memory; scan.at++)
        scan_byte(&scan);
    if (scan.is_out_of_memory)
        goto out;
    err = sort_slots(where);
    if (err < 0)
        goto out;

    *ret_where = where;
    where = NULL;
out:
    hg_where_free(where);
    return err;
}

void hg_where_free(struct hg_where *where)
{
    if (where == NULL)
        return;
    free(where->entry);
    free(where->slot);
    free(where);
}

/* the line of exactly this pointer, 0 if there is none */
static uint32_t line_of(const struct hg_where *where, const char *pointer,
                        size_t len)
{
    uint64_t hash = HASH_START;
    size_t low = 0;
    size_t high = where->count;

    for (size_t i = 0; i < len; i++)
        put_hash(&hash, pointer[i]);
    while (low < high) { /* the first slot past the hash */
        size_t mid = low + (high - low) / 2;

        if (where->slot[mid].hash <= hash)
            low = mid + 1;
        else
            high = mid;
    }
    if (low == 0 || where->slot[low - 1].hash != hash)
        return 0;
    return where->entry[where->slot[low - 1].entry].line;
}

uint32_t hg_where_line(const struct hg_where *where, const char *pointer)
{
    size_t len = strlen(pointer);

    while (len > 0) {
        uint32_t line = line_of(where, pointer, len);

        if (line != 0)
            return line;
        do
            len--;
        while (len > 0 && pointer[len] != '/');
    }
    return where->root_line;
}

static void pointer_of(const struct hg_where *where, uint32_t entry,
                       struct hg_buf *pointer)
{
    uint32_t chain[HG_WHERE_DEPTH];
    uint32_t count = 0;

    hg_buf_init(pointer, pointer->bytes, pointer->cap);
    while (entry != NO_ENTRY && count < HG_WHERE_DEPTH) {
        chain[count++] = entry;
        entry = where->entry[entry].parent;
    }
    while (count > 0) {
        const struct entry *part = &where->entry[chain[--count]];

        hg_buf_add(pointer, "/");
        if (part->is_index)
            put_number(put_buf, pointer, part->key_at);
        else
            put_key(put_buf, pointer, where->text + part->key_at,
                    part->key_len);
    }
}

/* are the pointers of two entries with one hash the same? */
static bool is_same(const struct hg_where *where, uint32_t a, uint32_t b,
                    struct hg_buf *pointer)
{
    char first_bytes[512];
    struct hg_buf first = { .bytes = first_bytes, .cap = sizeof(first_bytes) };

    pointer_of(where, a, &first);
    pointer_of(where, b, pointer);
    return first.is_cut || pointer->is_cut ||
           strcmp(first.bytes, pointer->bytes) == 0;
}

uint32_t hg_where_next_twice(const struct hg_where *where, size_t *cursor,
                             struct hg_buf *pointer)
{
    for (size_t i = *cursor + 1; i < where->count; i++) {
        const struct slot *slot = &where->slot[i];

        if (slot->hash == slot[-1].hash &&
            is_same(where, slot[-1].entry, slot->entry, pointer)) {
            *cursor = i;
            return where->entry[slot->entry].line;
        }
    }
    *cursor = where->count;
    return 0;
}
