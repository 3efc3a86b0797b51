/*
 * credentials.json: each credential that is read passes the store's own
 * check, prints to a line, and that line reads as the same credential.
 */
#include "fuzz.h"
#include "access/credential_json.h"

struct reading {
    size_t count;
    size_t again; /* of the second reading */
    struct hg_credential first;
    bool is_second;
};

static void free_credential(struct hg_credential *credential)
{
    free(credential->room);
}

static void check_same(const struct hg_credential *a,
                       const struct hg_credential *b)
{
    FUZZ_MUST(a->number == b->number && a->role == b->role);
    FUZZ_MUST(strcmp(a->id, b->id) == 0 && strcmp(a->label, b->label) == 0);
    FUZZ_MUST(a->is_all_rooms == b->is_all_rooms);
    FUZZ_MUST(a->room_count == b->room_count);
    for (size_t i = 0; i < a->room_count; i++)
        FUZZ_MUST(strcmp(a->room[i], b->room[i]) == 0);
    FUZZ_MUST(a->has_stay == b->has_stay && a->from_ms == b->from_ms &&
              a->until_ms == b->until_ms);
    FUZZ_MUST(a->created_ms == b->created_ms && a->ended_ms == b->ended_ms);
    FUZZ_MUST(a->is_ended == b->is_ended && a->has_token == b->has_token);
    FUZZ_MUST(memcmp(a->salt, b->salt, sizeof(a->salt)) == 0);
    FUZZ_MUST(memcmp(a->hash, b->hash, sizeof(a->hash)) == 0);
    FUZZ_MUST(memcmp(a->token_hash, b->token_hash, sizeof(a->token_hash)) == 0);
}

static int take(void *arg, struct hg_credential *credential_taken,
                struct hg_buf *why);

static void read_again(const struct hg_credential *credential)
{
    struct reading second;
    char storage[HG_ACCESS_REASON_BYTES];
    char *line = NULL, *file;
    struct hg_buf why;
    size_t len;

    FUZZ_MUST(hg_credential_to_line(credential, &line) == 0);
    FUZZ_MUST(strchr(line, '\n') == NULL);
    len = strlen(HG_CREDENTIALS_HEAD) + strlen(line) +
          strlen(HG_CREDENTIALS_TAIL) + 1;
    file = malloc(len + 1);
    FUZZ_MUST(file != NULL);
    (void)snprintf(file, len + 1, "%s%s\n%s", HG_CREDENTIALS_HEAD, line,
                   HG_CREDENTIALS_TAIL);
    memset(&second, 0, sizeof(second));
    second.first = *credential;
    second.is_second = true;
    hg_buf_init(&why, storage, sizeof(storage));
    FUZZ_MUST(hg_credentials_read(file, len, take, &second, &why) == 0);
    FUZZ_MUST(second.again == 1 && why.len == 0);
    free(file);
    free(line);
}

static int take(void *arg, struct hg_credential *credential_taken,
                struct hg_buf *why)
{
    char storage[HG_ACCESS_REASON_BYTES];
    struct reading *reading = arg;
    struct hg_buf said;

    (void)why;
    hg_buf_init(&said, storage, sizeof(storage));
    FUZZ_MUST(hg_credential_check(credential_taken, &said) == 0);
    FUZZ_MUST(credential_taken->has_stay ==
              (credential_taken->role == HG_ROLE_GUEST));
    if (reading->is_second) {
        check_same(&reading->first, credential_taken);
        reading->again++;
    } else {
        reading->count++;
        read_again(credential_taken);
    }
    free_credential(credential_taken);
    return 0;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size);
    char storage[HG_ACCESS_REASON_BYTES];
    struct reading reading;
    struct hg_buf why;
    int err;

    memset(&reading, 0, sizeof(reading));
    hg_buf_init(&why, storage, sizeof(storage));
    err = hg_credentials_read(text, size, take, &reading, &why);
    FUZZ_MUST(err == 0 || (err == HG_ERR_CORRUPT && why.len > 0));
    free(text);
    return 0;
}
