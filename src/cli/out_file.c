/* A file that appears whole or not at all; see out_file.h. */
#include "cli/out_file.h"
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int say(struct hg_buf *why, const char *path)
{
    if (errno == EEXIST) {
        hg_buf_addf(why,
                    "%s is there already and was left alone. Give another "
                    "name, or remove it first",
                    path);
        return HG_ERR_SYSTEM;
    }
    hg_buf_addf(why, "%s could not be written: %s", path, strerror(errno));
    return HG_ERR_SYSTEM;
}

int hg_cli_out_file_open(const char *path, struct hg_buf *why,
                         struct hg_cli_out_file *file)
{
    int fd;

    memset(file, 0, sizeof(*file));
    file->path = path;
    if (path == NULL) {
        file->out = stdout;
        return 0;
    }
    if (snprintf(file->temporary, sizeof(file->temporary), "%s.XXXXXX", path) >=
        (int)sizeof(file->temporary)) {
        file->temporary[0] = '\0';
        hg_buf_add(why, "the name of the file is too long");
        return HG_ERR_RANGE;
    }
    fd = mkostemp(file->temporary, O_CLOEXEC);
    if (fd < 0) {
        file->temporary[0] = '\0';
        return say(why, path);
    }
    file->out = fdopen(fd, "w");
    if (file->out != NULL)
        return 0;
    (void)say(why, path);
    (void)close(fd);
    hg_cli_out_file_drop(file);
    return HG_ERR_SYSTEM;
}

int hg_cli_out_file_open_new(const char *path, struct hg_buf *why,
                             struct hg_cli_out_file *file)
{
    struct stat info;
    int err;

    if (path != NULL && lstat(path, &info) == 0) {
        memset(file, 0, sizeof(*file));
        errno = EEXIST;
        return say(why, path);
    }
    err = hg_cli_out_file_open(path, why, file);
    if (err == 0)
        file->is_new = true;
    return err;
}

/* The name itself is only lasting when the folder is synced. */
static int sync_folder(const char *path)
{
    const char *slash = strrchr(path, '/');
    char *folder = slash == NULL   ? strdup(".")
                   : slash == path ? strdup("/")
                                   : strndup(path, (size_t)(slash - path));
    int fd, rc;

    if (folder == NULL)
        return -1;
    fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    free(folder);
    if (fd < 0)
        return -1;
    rc = fsync(fd);
    (void)close(fd);
    return rc;
}

int hg_cli_out_file_commit(struct hg_cli_out_file *file, struct hg_buf *why)
{
    bool is_bad;

    if (file->path == NULL) /* main looks after stdout */
        return 0;
    is_bad = fflush(file->out) != 0 || ferror(file->out) != 0 ||
             fsync(fileno(file->out)) != 0;
    if (is_bad)
        (void)say(why, file->path);
    if (fclose(file->out) != 0 && !is_bad) {
        is_bad = true;
        (void)say(why, file->path);
    }
    file->out = NULL;
    if (!is_bad && renameat2(AT_FDCWD, file->temporary, AT_FDCWD, file->path,
                             file->is_new ? RENAME_NOREPLACE : 0) != 0) {
        is_bad = true;
        (void)say(why, file->path);
    }
    if (is_bad) {
        hg_cli_out_file_drop(file);
        return HG_ERR_SYSTEM;
    }
    file->temporary[0] = '\0';
    return sync_folder(file->path) != 0 ? say(why, file->path) : 0;
}

void hg_cli_out_file_drop(struct hg_cli_out_file *file)
{
    if (file->path == NULL)
        return;
    if (file->out != NULL)
        (void)fclose(file->out);
    file->out = NULL;
    if (file->temporary[0] != '\0')
        (void)unlink(file->temporary);
    file->temporary[0] = '\0';
}
