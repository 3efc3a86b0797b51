/*
 * The store of credentials. Rows are immutable: a change builds a second
 * list of rows that shares what stays, writes it, and swaps the lists only
 * when the file is safe. Each row keeps its line of the file, so that a save
 * is a copy and not a conversion of everybody.
 */
#include "access/credentials.h"
#include "access/code.h"
#include "access/credential_json.h"
#include "base/sat.h"
#include "base/text.h"
#include <errno.h>
#include <openssl/crypto.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

struct row {
    struct hg_credential credential; /* rooms owned */
    char *line;                      /* its line of the file */
    size_t line_len;
    bool is_fresh;   /* made by the change under way */
    bool is_leaving; /* not in the list of the change under way */
};

struct list {
    struct row **row; /* by rising number */
    size_t count;
    size_t cap;
};

struct hg_credentials {
    char *dir;
    const struct hg_access_io *io;
    struct list list;
};

/* -- rows ------------------------------------------------------------------*/

static void free_row(struct row *row)
{
    if (row == NULL)
        return;
    if (row->line != NULL)
        OPENSSL_cleanse(row->line, row->line_len);
    free(row->line);
    free(row->credential.room);
    OPENSSL_cleanse(row, sizeof(*row));
    free(row);
}

/* Make a row of a credential, taking over its rooms, also on failure. */
static int new_row(const struct hg_credential *taken, struct row **ret_row)
{
    struct row *row = calloc(1, sizeof(*row));
    int err;

    if (row == NULL) {
        free(taken->room);
        return HG_ERR_MEMORY;
    }
    row->credential = *taken;
    err = hg_credential_to_line(&row->credential, &row->line);
    if (err < 0) {
        free_row(row);
        return err;
    }
    row->line_len = strlen(row->line);
    row->is_fresh = true;
    *ret_row = row;
    return HG_OK;
}

/* Does the change move the stay of this live guest? */
static bool is_moved_by(const struct hg_credentials_change *change,
                        const struct hg_credential *credential)
{
    return change->move_id != NULL && !credential->is_ended &&
           credential->role == HG_ROLE_GUEST &&
           strcmp(change->move_id, credential->id) == 0;
}

/* A row that is a copy of a credential; ended_ms at or above 0 ends it. */
static int copy_row(const struct hg_credential *credential, int64_t ended_ms,
                    struct row **ret_row)
{
    struct hg_credential copy = *credential;
    size_t bytes = copy.room_count * sizeof(*copy.room);
    int err;

    copy.room = NULL;
    if (bytes > 0) {
        copy.room = malloc(bytes);
        if (copy.room == NULL)
            return HG_ERR_MEMORY;
        memcpy(copy.room, credential->room, bytes);
    }
    if (ended_ms >= 0) {
        copy.is_ended = true;
        copy.ended_ms = ended_ms;
        copy.has_token = false;
        OPENSSL_cleanse(copy.salt, sizeof(copy.salt));
        OPENSSL_cleanse(copy.hash, sizeof(copy.hash));
        OPENSSL_cleanse(copy.token_hash, sizeof(copy.token_hash));
    }
    err = new_row(&copy, ret_row);
    OPENSSL_cleanse(&copy, sizeof(copy));
    return err;
}

/* -- lists -----------------------------------------------------------------*/

/* The place of a number: where it is or would be. */
static size_t place_of(const struct list *list, uint32_t number)
{
    size_t low = 0;
    size_t high = list->count;

    while (low < high) {
        size_t middle = low + (high - low) / 2;

        if (list->row[middle]->credential.number < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static bool has_number(const struct list *list, size_t place, uint32_t number)
{
    return place < list->count && list->row[place]->credential.number == number;
}

static int reserve(struct list *list, size_t cap)
{
    struct row **row;

    if (cap <= list->cap)
        return HG_OK;
    row = realloc(list->row, cap * sizeof(struct row *));
    if (row == NULL)
        return HG_ERR_MEMORY;
    list->row = row;
    list->cap = cap;
    return HG_OK;
}

/* Insert in order; takes the row over on success only. */
static int insert(struct list *list, struct row *row)
{
    size_t place = place_of(list, row->credential.number);
    int err;

    if (has_number(list, place, row->credential.number))
        return HG_ERR_EXISTS;
    if (list->count >= HG_CREDENTIALS_MAX)
        return HG_ERR_FULL;
    if (list->count == list->cap) {
        err = reserve(list, list->cap < 64 ? 64 : list->cap * 2);
        if (err < 0)
            return err;
    }
    memmove(&list->row[place + 1], &list->row[place],
            (list->count - place) * sizeof(struct row *));
    list->row[place] = row;
    list->count++;
    return HG_OK;
}

/* -- loading ---------------------------------------------------------------*/

static int take_loaded(void *arg, struct hg_credential *credential_taken,
                       struct hg_buf *why)
{
    struct hg_credentials *store = arg;
    struct row *row = NULL;
    int err = new_row(credential_taken, &row);

    if (err < 0)
        return err;
    row->is_fresh = false;
    err = insert(&store->list, row);
    if (err == HG_OK)
        return HG_OK;
    if (err == HG_ERR_EXISTS) {
        hg_buf_add(why, "this \"id\" is there twice");
        err = HG_ERR_CORRUPT;
    } else if (err == HG_ERR_FULL) {
        hg_buf_addf(why, "more than %d credentials", HG_CREDENTIALS_MAX);
        err = HG_ERR_RANGE;
    }
    free_row(row);
    return err;
}

/* Why the file could not even be read. */
static void explain_read(int err, int saved_errno, struct hg_buf *why)
{
    if (err == HG_ERR_DENIED)
        hg_buf_add(why, "it is not a file that only its owner may read. "
                        "Set its owner to the service and its mode to 0600.");
    else if (err == HG_ERR_RANGE)
        hg_buf_addf(why,
                    "it is larger than %zu bytes. Restore it from a "
                    "backup.",
                    HG_CREDENTIALS_FILE_BYTES);
    else if (err == HG_ERR_SYSTEM)
        hg_buf_addf(why, "it cannot be read: %s. Mend that and start again.",
                    strerrordesc_np(saved_errno));
    else
        hg_buf_addf(why, "%s.", hg_err_text(err));
}

static int load(struct hg_credentials *store, struct hg_buf *why)
{
    struct hg_access_file file = { store->dir, HG_CREDENTIALS_NAME };
    char *text = NULL;
    size_t len = 0;
    int err =
        hg_access_file_read(&file, HG_CREDENTIALS_FILE_BYTES, &text, &len);
    int saved_errno = errno;

    if (err == HG_ERR_NOT_FOUND)
        return HG_OK;
    hg_buf_addf(why, "%s/%s: ", store->dir, HG_CREDENTIALS_NAME);
    if (err < 0) {
        explain_read(err, saved_errno, why);
        return err;
    }
    err = hg_credentials_read(text, len, take_loaded, store, why);
    if (err < 0)
        hg_buf_add(why, ". Nobody is let in by a file that is not understood "
                        "whole: mend that line or restore a backup.");
    OPENSSL_cleanse(text, len);
    free(text);
    return err;
}

static int check_dir(const char *dir, struct hg_buf *why)
{
    struct stat info;

    if (stat(dir, &info) == 0 && S_ISDIR(info.st_mode))
        return HG_OK;
    hg_buf_addf(why,
                "%s is not a folder that can be used. Create it, owned "
                "by the service.",
                dir);
    return HG_ERR_SYSTEM;
}

int hg_credentials_open(const char *dir, const struct hg_access_io *io,
                        struct hg_buf *why, struct hg_credentials **ret_store)
{
    struct hg_credentials *store;
    int err = check_dir(dir, why);

    if (err < 0)
        return err;
    store = calloc(1, sizeof(*store));
    if (store == NULL)
        return HG_ERR_MEMORY;
    store->io = io != NULL ? io : &hg_access_io_system;
    store->dir = strdup(dir);
    err = store->dir == NULL ? HG_ERR_MEMORY : load(store, why);
    if (err < 0) {
        hg_credentials_free(store);
        return err;
    }
    why->len = 0; /* the file's name, put there for an error */
    why->bytes[0] = '\0';
    *ret_store = store;
    return HG_OK;
}

void hg_credentials_free(struct hg_credentials *store)
{
    if (store == NULL)
        return;
    for (size_t i = 0; i < store->list.count; i++)
        free_row(store->list.row[i]);
    free(store->list.row);
    free(store->dir);
    free(store);
}

/* -- changing --------------------------------------------------------------*/

/* Does the change end this live credential? */
static bool is_ended_by(const struct hg_credentials_change *change,
                        const struct hg_credential *credential)
{
    if (credential->is_ended)
        return false;
    if (change->end_id != NULL && strcmp(change->end_id, credential->id) == 0)
        return true;
    if (credential->role != HG_ROLE_GUEST)
        return false;
    for (size_t i = 0; i < change->rotate_count; i++) {
        if (hg_credential_may(credential, change->rotate_room[i]))
            return true;
    }
    return false;
}

/* Has it been over for so long that its row goes? */
static bool is_outdated(const struct hg_credential *credential,
                        struct hg_wall now)
{
    int64_t over_ms = INT64_MAX;

    if (credential->has_stay)
        over_ms = credential->until_ms;
    if (credential->is_ended && credential->ended_ms < over_ms)
        over_ms = credential->ended_ms;
    return now.is_trusted && over_ms != INT64_MAX &&
           hg_sat_sub_i64(now.ms, over_ms) > HG_CREDENTIALS_KEPT_MS;
}

/* The old row with the stay of the change. */
static int draft_moved(const struct hg_credentials_change *change,
                       struct row *row, struct list *next, struct hg_buf *why)
{
    struct hg_credential moved = row->credential;
    struct row *fresh = NULL;
    int err;

    moved.from_ms = change->move_from_ms;
    moved.until_ms = change->move_until_ms;
    err = hg_credential_check(&moved, why);
    if (err == HG_OK)
        err = copy_row(&moved, -1, &fresh);
    OPENSSL_cleanse(&moved, sizeof(moved)); /* its rooms are the row's */
    if (err < 0)
        return err;
    next->row[next->count++] = fresh;
    row->is_leaving = true;
    return HG_OK;
}

/* One old row into the list of the change. */
static int draft_row(const struct hg_credentials_change *change,
                     struct row *row, struct list *next,
                     struct hg_credentials_ended *ended)
{
    int64_t now_ms = change->now.ms > 0 ? change->now.ms : 0;
    struct row *fresh = NULL;
    int err;

    if (is_outdated(&row->credential, change->now)) {
        row->is_leaving = true;
        return HG_OK;
    }
    if (!is_ended_by(change, &row->credential)) {
        next->row[next->count++] = row;
        return HG_OK;
    }
    err = copy_row(&row->credential, now_ms, &fresh);
    if (err < 0)
        return err;
    next->row[next->count++] = fresh;
    row->is_leaving = true;
    memcpy(ended->id[ended->count++], row->credential.id, HG_ID_BYTES);
    return HG_OK;
}

/* Make place for the ids of all that the change can end. */
static int reserve_ended(const struct hg_credentials *store,
                         const struct hg_credentials_change *change,
                         struct hg_credentials_ended *ended)
{
    size_t count = 0;

    for (size_t i = 0; i < store->list.count; i++) {
        if (is_ended_by(change, &store->list.row[i]->credential))
            count++;
    }
    ended->id = calloc(count > 0 ? count : 1, sizeof(*ended->id));
    return ended->id == NULL ? HG_ERR_MEMORY : HG_OK;
}

/* Build the list after the change. On failure the caller drops it. */
static int draft(const struct hg_credentials *store,
                 const struct hg_credentials_change *change, struct list *next,
                 struct hg_credentials_ended *ended, struct hg_buf *why)
{
    size_t count = store->list.count;
    struct row *fresh = NULL;
    bool has_moved = false;
    int err = reserve(next, count + 1);

    if (err == HG_OK)
        err = reserve_ended(store, change, ended);
    for (size_t i = 0; i < count && err == HG_OK; i++) {
        struct row *row = store->list.row[i];

        if (is_moved_by(change, &row->credential)) {
            has_moved = true;
            err = draft_moved(change, row, next, why);
        } else {
            err = draft_row(change, row, next, ended);
        }
    }
    if (err < 0)
        return err;
    if ((change->end_id != NULL && ended->count == 0) ||
        (change->move_id != NULL && !has_moved))
        return HG_ERR_NOT_FOUND;
    if (change->add == NULL)
        return HG_OK;
    err = copy_row(change->add, -1, &fresh);
    if (err < 0)
        return err;
    err = insert(next, fresh);
    if (err < 0)
        free_row(fresh);
    return err;
}

static char *append(char *to, const char *bytes, size_t len)
{
    memcpy(to, bytes, len);
    return to + len;
}

/* The file's text for a list; the caller wipes and frees it. */
static int print_list(const struct list *list, char **ret_text, size_t *ret_len)
{
    size_t len = strlen(HG_CREDENTIALS_HEAD) + strlen(HG_CREDENTIALS_TAIL);
    char *text;
    char *to;

    for (size_t i = 0; i < list->count; i++)
        len += list->row[i]->line_len + 2; /* a comma or blank, a newline */
    if (len > HG_CREDENTIALS_FILE_BYTES)
        return HG_ERR_FULL;
    text = malloc(len);
    if (text == NULL)
        return HG_ERR_MEMORY;
    to = append(text, HG_CREDENTIALS_HEAD, strlen(HG_CREDENTIALS_HEAD));
    for (size_t i = 0; i < list->count; i++) {
        to = append(to, list->row[i]->line, list->row[i]->line_len);
        to = append(to, i + 1 < list->count ? ",\n" : " \n", 2);
    }
    append(to, HG_CREDENTIALS_TAIL, strlen(HG_CREDENTIALS_TAIL));
    *ret_text = text;
    *ret_len = len;
    return HG_OK;
}

static int save(const struct hg_credentials *store, const struct list *list,
                struct hg_buf *why)
{
    struct hg_access_file file = { store->dir, HG_CREDENTIALS_NAME };
    const char *step = NULL;
    char *text = NULL;
    size_t len = 0;
    int err = print_list(list, &text, &len);

    if (err < 0)
        return err;
    err = hg_access_file_replace(store->io, &file, text, len, &step);
    if (err < 0)
        hg_buf_addf(why,
                    "%s/%s could not be stored (%s: %s), so nothing was "
                    "changed. Free disk space or mend the disk, then try "
                    "again.",
                    store->dir, HG_CREDENTIALS_NAME, step,
                    err == HG_ERR_SYSTEM ? strerrordesc_np(errno)
                                         : hg_err_text(err));
    OPENSSL_cleanse(text, len);
    free(text);
    return err;
}

/* Free the rows of the side that lost, and settle those of the other. */
static void settle(struct list *dropped, const struct list *kept)
{
    for (size_t i = 0; i < kept->count; i++) {
        kept->row[i]->is_fresh = false;
        kept->row[i]->is_leaving = false;
    }
    free(dropped->row);
    memset(dropped, 0, sizeof(*dropped));
}

static void accept(struct hg_credentials *store, struct list *next)
{
    struct list old = store->list;

    for (size_t i = 0; i < old.count; i++) {
        if (old.row[i]->is_leaving)
            free_row(old.row[i]);
    }
    store->list = *next;
    settle(&old, &store->list);
}

static void reject(const struct hg_credentials *store, struct list *next)
{
    for (size_t i = 0; i < next->count; i++) {
        if (next->row[i]->is_fresh)
            free_row(next->row[i]);
    }
    settle(next, &store->list);
}

/* A sentence for the errors that have none yet. */
static void explain(int err, struct hg_buf *why)
{
    if (why->len > 0)
        return;
    if (err == HG_ERR_NOT_FOUND)
        hg_buf_add(why, "There is no such credential, or it has ended "
                        "already. List them to see the ids.");
    else if (err == HG_ERR_FULL)
        hg_buf_addf(why,
                    "The store of credentials is full (%d). Rows of "
                    "ended ones are dropped 400 days after their end.",
                    HG_CREDENTIALS_MAX);
    else
        hg_buf_addf(why, "The credentials were not changed: %s. Try again.",
                    hg_err_text(err));
}

int hg_credentials_commit(struct hg_credentials *store,
                          const struct hg_credentials_change *change,
                          struct hg_buf *why,
                          struct hg_credentials_ended *ret_ended)
{
    struct hg_credentials_ended ended = { 0, NULL };
    struct list next = { NULL, 0, 0 };
    int err = HG_OK;

    if (change->add != NULL)
        err = hg_credential_check(change->add, why);
    if (err == HG_OK)
        err = draft(store, change, &next, &ended, why);
    if (err == HG_OK)
        err = save(store, &next, why);
    if (err < 0) {
        reject(store, &next);
        hg_credentials_ended_release(&ended);
        explain(err, why);
        return err;
    }
    accept(store, &next);
    if (ended.count == 0)
        hg_credentials_ended_release(&ended);
    *ret_ended = ended;
    return HG_OK;
}

void hg_credentials_ended_release(struct hg_credentials_ended *ended)
{
    free(ended->id);
    ended->id = NULL;
    ended->count = 0;
}

/* -- looking ---------------------------------------------------------------*/

size_t hg_credentials_count(const struct hg_credentials *store)
{
    return store->list.count;
}

const struct hg_credential *
hg_credentials_at(const struct hg_credentials *store, size_t index)
{
    return &store->list.row[index]->credential;
}

const struct hg_credential *
hg_credentials_find(const struct hg_credentials *store, uint32_t number)
{
    size_t place = place_of(&store->list, number);

    if (!has_number(&store->list, place, number))
        return NULL;
    return &store->list.row[place]->credential;
}

const struct hg_credential *
hg_credentials_find_id(const struct hg_credentials *store, const char *id)
{
    const struct hg_credential *credential;
    enum hg_role role;
    uint32_t number;

    if (hg_code_parse_id(id, &number, &role) < 0)
        return NULL;
    credential = hg_credentials_find(store, number);
    return credential != NULL && credential->role == role ? credential : NULL;
}
