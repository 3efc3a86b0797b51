/*
 * Owns loading a configuration: the file, its JSON, the checks that concern
 * the service as a whole, and the life of struct hg_config.
 */
#include "service/config.h"
#include "controllers/binding.h"
#include "service/config_files.h"
#include "service/config_parse.h"
#include "service/config_text.h"
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define PASSWORD_BYTES 257 /* with NUL */

/* -- the whole ------------------------------------------------------------*/

/* a named file that must be there; member stands below the pointer */
static void check_file(struct hg_config_reader *reader, const char *member,
                       const char *path, mode_t forbidden)
{
    char why_bytes[HG_PROBLEM_BYTES];
    struct hg_buf why;

    if (path == NULL)
        return;
    hg_buf_init(&why, why_bytes, sizeof(why_bytes));
    if (hg_config_file_check(path, forbidden, &why) < 0)
        hg_config_problem(reader, member, "%s", why.bytes);
}

static void check_tls(struct hg_config_reader *reader,
                      const struct hg_config_tls *tls)
{
    if (!tls->is_on)
        return;
    hg_where_push(&reader->pointer, "tls");
    check_file(reader, "ca_file", tls->ca_file, 0);
    check_file(reader, "cert_file", tls->cert_file, 0);
    check_file(reader, "key_file", tls->key_file, HG_FILE_NO_OTHERS);
    reader->pointer.len -= strlen("/tls");
    reader->pointer.bytes[reader->pointer.len] = '\0';
}

static void check_password(struct hg_config_reader *reader)
{
    struct hg_config_broker *broker = &reader->config->broker;
    char line[PASSWORD_BYTES];
    char why_bytes[HG_PROBLEM_BYTES];
    struct hg_buf why;

    if (broker->password_file == NULL)
        return;
    /* MQTT 3.1.1 section 3.1.2.9: no password without a user name */
    if (broker->username == NULL && broker->protocol == HG_CONFIG_MQTT_3_1_1 &&
        hg_config_is_good(reader, HG_SET_BROKER_USERNAME))
        hg_config_problem(reader, "username",
                          "is missing; protocol \"3.1.1\" has no password "
                          "without a user name");
    hg_buf_init(&why, why_bytes, sizeof(why_bytes));
    if (hg_config_file_secret(broker->password_file, &why, line, sizeof(line)) <
        0) {
        hg_config_problem(reader, "password_file", "%s", why.bytes);
    } else {
        broker->password = strdup(line);
        reader->is_out_of_memory |= broker->password == NULL;
    }
    explicit_bzero(line, sizeof(line));
}

static void check_broker(struct hg_config_reader *reader)
{
    const struct hg_config_tls *tls = &reader->config->broker.tls;

    if (!hg_config_is_good(reader, HG_SET_BROKER))
        return;
    hg_where_push(&reader->pointer, "broker");
    if (tls->is_on && (tls->cert_file == NULL) != (tls->key_file == NULL) &&
        hg_config_is_good(reader, HG_SET_BROKER_TLS_CERT_FILE) &&
        hg_config_is_good(reader, HG_SET_BROKER_TLS_KEY_FILE))
        hg_config_problem(reader, "tls",
                          "has one of cert_file and key_file; allowed are "
                          "both or none");
    check_tls(reader, tls);
    check_password(reader);
    reader->pointer.len = 0;
    reader->pointer.bytes[0] = '\0';
}

static void check_listen(struct hg_config_reader *reader)
{
    struct hg_config_listen *listen = &reader->config->listen;

    if (!hg_config_is_good(reader, HG_SET_LISTEN))
        return;
    hg_where_push(&reader->pointer, "listen");
    if (listen->address != NULL)
        listen->is_loopback = hg_config_is_loopback(listen->address);
    if (hg_config_is_good(reader, HG_SET_LISTEN_ADDRESS) &&
        hg_config_is_good(reader, HG_SET_LISTEN_TLS) &&
        hg_config_is_good(reader, HG_SET_LISTEN_ALLOW_CLEARTEXT) &&
        !listen->is_loopback && !listen->tls.is_on && !listen->allow_cleartext)
        hg_config_problem(reader, "address",
                          "\"%s\" would carry codes in clear text over the "
                          "network; allowed are a loopback address, tls with "
                          "cert_file and key_file, or allow_cleartext: true",
                          listen->address);
    check_tls(reader, &listen->tls);
    reader->pointer.len = 0;
    reader->pointer.bytes[0] = '\0';
}

/* every setting that stands in the file more than once */
static void check_twice(struct hg_config_reader *reader)
{
    char bytes[HG_READER_POINTER_BYTES];
    char text_bytes[2 * HG_PROBLEM_BYTES];
    struct hg_buf pointer, text;
    size_t cursor = 0;
    uint32_t line;

    hg_buf_init(&pointer, bytes, sizeof(bytes));
    while ((line = hg_where_next_twice(reader->where, &cursor, &pointer)) > 0) {
        hg_buf_init(&text, text_bytes, sizeof(text_bytes));
        hg_buf_addf(&text,
                    "%s:%u: %s: stands here a second time; allowed is each "
                    "setting once",
                    reader->file, (unsigned)line, pointer.bytes);
        hg_problems_add(reader->problems, line, 0, text.bytes);
        reader->problem_count++;
    }
}

static void read_root(struct hg_config_reader *reader, const json_t *root)
{
    struct hg_config *config = reader->config;

    if (!json_is_object(root)) {
        hg_config_problem(reader, NULL,
                          "the file holds an array; allowed is an object "
                          "{…} with at least \"rooms\"");
        return;
    }
    hg_config_section(reader, "", root, config);
    config->has_price = hg_config_is_given(reader, HG_SET_PRICE_PER_KWH);
    check_broker(reader);
    check_listen(reader);
}

/* -- text and file ----------------------------------------------------------*/

static void add_plain(struct hg_problems *problems, const char *path,
                      const json_error_t *error)
{
    char bytes[HG_PROBLEM_BYTES];
    struct hg_buf text;

    hg_buf_init(&text, bytes, sizeof(bytes));
    hg_buf_addf(&text, "%s:%d:%d: this is not JSON: %s", path, error->line,
                error->column, error->text);
    hg_problems_add(problems, (uint32_t)error->line, (uint32_t)error->column,
                    text.bytes);
}

/* the directory of a file, absolute if it exists; owned by the caller */
static char *directory_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    char *dir;
    char *real;

    if (slash == NULL)
        dir = strdup(".");
    else if (slash == path)
        dir = strdup("/");
    else
        dir = strndup(path, (size_t)(slash - path));
    if (dir == NULL)
        return NULL;
    real = realpath(dir, NULL);
    if (real == NULL)
        return dir;
    free(dir);
    return real;
}

static int config_new(const char *path, struct hg_config **ret_config)
{
    struct hg_config *config = calloc(1, sizeof(*config));

    if (config == NULL)
        return HG_ERR_MEMORY;
    config->path = strdup(path);
    if (config->path == NULL) {
        free(config);
        return HG_ERR_MEMORY;
    }
    *ret_config = config;
    return 0;
}

/*
 * The JSON library stops at the first key that stands twice; all of them are
 * found by way of the index of lines, which is made only if there is a
 * problem to tell of: it would take a third of the start with 10,000 rooms.
 */
static json_t *load_tree(struct hg_config_reader *reader, json_error_t *error,
                         bool *ret_has_twice)
{
    json_t *root =
        json_loadb(reader->text, reader->len, JSON_REJECT_DUPLICATES, error);

    if (root != NULL || json_error_code(error) != json_error_duplicate_key)
        return root;
    *ret_has_twice = true;
    return json_loadb(reader->text, reader->len, 0, error);
}

static int read_tree(struct hg_config_reader *reader, const json_t *root,
                     bool has_twice)
{
    int err = 0;

    if (has_twice)
        err = hg_where_new(reader->text, reader->len, &reader->where);
    if (err < 0)
        return err;
    if (has_twice)
        check_twice(reader);
    read_root(reader, root);
    if (reader->is_out_of_memory)
        return HG_ERR_MEMORY;
    return reader->problem_count > 0 ? HG_ERR_INPUT : 0;
}

int hg_config_from_text(const char *path, const char *text, size_t len,
                        struct hg_problems *problems,
                        struct hg_config **ret_config)
{
    struct hg_config_reader reader;
    struct hg_config *config = NULL;
    char *dir = directory_of(path);
    json_t *root = NULL;
    json_error_t error;
    bool has_twice = false;
    int err = dir == NULL ? HG_ERR_MEMORY : config_new(path, &config);

    hg_config_reader_init(&reader, path, dir, problems, config);
    if (err < 0)
        goto out;
    reader.text = text;
    reader.len = len;
    root = load_tree(&reader, &error, &has_twice);
    if (root == NULL) {
        add_plain(problems, path, &error);
        err = HG_ERR_INPUT;
        goto out;
    }
    err = read_tree(&reader, root, has_twice);
    hg_problems_sort(problems);
    if (err < 0)
        goto out;

    *ret_config = config;
    config = NULL;
out:
    hg_config_reader_release(&reader);
    json_decref(root);
    hg_config_free(config);
    free(dir);
    return err;
}

static int read_up_to(int fd, size_t cap, char **ret_text, size_t *ret_len)
{
    char *text = malloc(cap + 1);
    size_t len = 0;
    ssize_t got = 1;

    if (text == NULL)
        return HG_ERR_MEMORY;
    while (got != 0 && len <= cap) {
        got = read(fd, text + len, cap + 1 - len);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            free(text);
            return HG_ERR_SYSTEM;
        }
        len += (size_t)got;
    }
    if (len > cap) {
        free(text);
        return HG_ERR_RANGE;
    }
    *ret_text = text;
    *ret_len = len;
    return 0;
}

static int read_file(const char *path, char **ret_text, size_t *ret_len)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    struct stat info;
    int err = HG_ERR_SYSTEM;
    int kept;

    if (fd < 0)
        return HG_ERR_SYSTEM;
    if (fstat(fd, &info) == 0) {
        size_t cap = HG_CONFIG_FILE_BYTES_MAX;

        /* a file that grows meanwhile is refused by the limit */
        if (S_ISREG(info.st_mode) && info.st_size < (off_t)cap)
            cap = (size_t)info.st_size;
        err = read_up_to(fd, cap, ret_text, ret_len);
    }
    kept = errno;
    (void)close(fd); /* opened for reading only */
    errno = kept;
    return err;
}

int hg_config_load(const char *path, struct hg_problems *problems,
                   struct hg_config **ret_config)
{
    char bytes[HG_PROBLEM_BYTES];
    struct hg_buf text;
    char *file = NULL;
    size_t len = 0;
    int err = read_file(path, &file, &len);

    hg_buf_init(&text, bytes, sizeof(bytes));
    if (err == HG_ERR_SYSTEM)
        hg_buf_addf(&text,
                    "%s: cannot be read (%s); give the configuration file "
                    "with --config FILE",
                    path, strerror(errno));
    else if (err == HG_ERR_RANGE)
        hg_buf_addf(&text, "%s: is larger than 16 MiB, or grew meanwhile",
                    path);
    if (text.len > 0) {
        hg_problems_add(problems, 0, 0, text.bytes);
        return HG_ERR_INPUT;
    }
    if (err < 0)
        return err;
    err = hg_config_from_text(path, file, len, problems, ret_config);
    free(file);
    return err;
}

/* -- life -------------------------------------------------------------------*/

static void free_tls(struct hg_config_tls *tls)
{
    free(tls->ca_file);
    free(tls->cert_file);
    free(tls->key_file);
}

void hg_config_free(struct hg_config *config)
{
    if (config == NULL)
        return;
    if (config->broker.password != NULL)
        explicit_bzero(config->broker.password,
                       strlen(config->broker.password));
    for (size_t i = 0; config->room != NULL && i < config->room_count; i++)
        free(config->room[i].binding);
    if (config->room != NULL)
        explicit_bzero(config->room,
                       config->room_count * sizeof(*config->room));
    free(config->path);
    free(config->broker.host);
    free(config->broker.client_id);
    free(config->broker.topic_root);
    free(config->broker.username);
    free(config->broker.password_file);
    free(config->broker.password);
    free_tls(&config->broker.tls);
    free(config->listen.address);
    free_tls(&config->listen.tls);
    free(config->admin_socket);
    free(config->state_dir);
    free(config->currency);
    free(config->timezone);
    free(config->check_in);
    free(config->check_out);
    free(config->public_url);
    free(config->room);
    free(config);
}

struct hg_config_room *hg_config_room_copy(const struct hg_config_room *room)
{
    struct hg_config_room *copy = malloc(sizeof(*copy));

    if (copy == NULL)
        return NULL;
    *copy = *room;
    if (room->binding == NULL)
        return copy;
    copy->binding = malloc(sizeof(*copy->binding));
    if (copy->binding == NULL) {
        hg_config_room_free(copy);
        return NULL;
    }
    *copy->binding = *room->binding;
    return copy;
}

void hg_config_room_free(struct hg_config_room *room)
{
    if (room == NULL)
        return;
    free(room->binding);
    explicit_bzero(room, sizeof(*room));
    free(room);
}

static int name_of_room(const void *key, const void *element)
{
    const struct hg_config_room *room = element;

    return strcmp(key, room->name);
}

const struct hg_config_room *hg_config_find(const struct hg_config *config,
                                            const char *name)
{
    return bsearch(name, config->room, config->room_count,
                   sizeof(*config->room), name_of_room);
}
