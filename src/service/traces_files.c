/* Traces as files: read, replaced, thinned out; see traces.h. */
#include "access/file_io.h"
#include "base/buf.h"
#include "base/text.h"
#include "service/traces.h"
#include <dirent.h>
#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define SUFFIX     ".json"
#define LEFTOVER   ".json.new" /* hg_access_file_replace() was cut short */
#define NAME_BYTES (HG_ID_BYTES + sizeof(LEFTOVER))

int hg_traces_read(const char *state_dir, const char *heat_id,
                   json_t **ret_trace)
{
    char dir_text[PATH_MAX], name_text[NAME_BYTES];
    struct hg_access_file file = { dir_text, name_text };
    struct hg_buf dir, name;
    size_t len;
    char *text;
    json_t *trace;
    int err;

    if (!hg_trace_is_id(heat_id))
        return HG_ERR_NOT_FOUND;
    hg_buf_init(&dir, dir_text, sizeof(dir_text));
    hg_buf_addf(&dir, "%s/%s", state_dir, HG_TRACES_DIR);
    hg_buf_init(&name, name_text, sizeof(name_text));
    hg_buf_addf(&name, "%s" SUFFIX, heat_id);
    if (dir.is_cut || name.is_cut)
        return HG_ERR_NOT_FOUND;
    err = hg_access_file_read(&file, HG_TRACES_FILE_BYTES, &text, &len);
    if (err < 0)
        return err;
    trace = json_loadb(text, len, 0, NULL);
    free(text);
    if (!json_is_object(trace) ||
        !json_is_array(json_object_get(trace, "samples"))) {
        json_decref(trace);
        return HG_ERR_CORRUPT;
    }
    *ret_trace = trace;
    return 0;
}

/* -- thinning out -----------------------------------------------------------
 */

struct entry {
    int64_t at_ms;
    char name[NAME_BYTES];
};

struct entries {
    struct entry *entry;
    size_t count, cap;
};

static int by_age(const void *a, const void *b)
{
    const struct entry *first = a, *second = b;

    if (first->at_ms != second->at_ms)
        return first->at_ms < second->at_ms ? -1 : 1;
    return strcmp(first->name, second->name);
}

/* Is it the id of a heat with this behind it? */
static bool is_named(const char *name, const char *suffix)
{
    char id[NAME_BYTES];
    size_t len = strlen(name);

    if (len >= NAME_BYTES || len <= strlen(suffix) ||
        strcmp(name + len - strlen(suffix), suffix) != 0)
        return false;
    memcpy(id, name, len - strlen(suffix));
    id[len - strlen(suffix)] = '\0';
    return hg_trace_is_id(id);
}

static bool add_entry(struct entries *entries, const char *name, int64_t at_ms)
{
    struct entry *entry;

    if (entries->count == entries->cap) {
        size_t cap = entries->cap == 0 ? 256 : entries->cap * 2;

        entry = realloc(entries->entry, cap * sizeof(*entry));
        if (entry == NULL)
            return false;
        entries->entry = entry;
        entries->cap = cap;
    }
    entry = &entries->entry[entries->count];
    if (hg_text_copy(entry->name, sizeof(entry->name), name) < 0)
        return false;
    entry->at_ms = at_ms;
    entries->count++;
    return true;
}

/* Files of other names are none of ours. */
static void look_at(int fd, const char *name, struct entries *entries)
{
    struct stat status;

    if (is_named(name, LEFTOVER))
        (void)unlinkat(fd, name, 0); /* tidiness only */
    if (is_named(name, SUFFIX) &&
        fstatat(fd, name, &status, AT_SYMLINK_NOFOLLOW) == 0 &&
        S_ISREG(status.st_mode))
        (void)add_entry(entries, name,
                        (int64_t)status.st_mtim.tv_sec * 1000 +
                            status.st_mtim.tv_nsec / 1000000);
}

size_t hg_traces_prune(const char *dir, size_t max, int64_t before_ms)
{
    struct entries entries = { NULL, 0, 0 };
    DIR *stream = opendir(dir);
    const struct dirent *found;
    size_t gone = 0;
    size_t excess;

    if (stream == NULL)
        return 0;
    while ((found = readdir(stream)) != NULL)
        look_at(dirfd(stream), found->d_name, &entries);
    if (entries.count > 0)
        qsort(entries.entry, entries.count, sizeof(*entries.entry), by_age);
    excess = entries.count > max ? entries.count - max : 0;
    for (size_t i = 0; i < entries.count; i++) {
        if (i >= excess && entries.entry[i].at_ms >= before_ms)
            break;
        if (unlinkat(dirfd(stream), entries.entry[i].name, 0) == 0)
            gone++;
    }
    free(entries.entry);
    (void)closedir(stream);
    return gone;
}
