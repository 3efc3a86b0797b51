#ifndef HG_TESTS_CONFIG_FIXTURE_H
#define HG_TESTS_CONFIG_FIXTURE_H

/*
 * A directory of its own for each test, and reading a configuration from
 * text in it. Include after cmocka.h and check.h.
 */
#include "service/config.h"
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define HG_SENTINEL ((struct hg_config *)(uintptr_t)0x5a5a)

struct config_fixture {
    char dir[64];
    char path[128]; /* heatgate.json in dir; need not exist */
    struct hg_problems problems;
    struct hg_config *config; /* HG_SENTINEL when nothing was returned */
    int err;
};

static inline int config_setup(void **state)
{
    struct config_fixture *fixture = calloc(1, sizeof(*fixture));

    if (fixture == NULL)
        return -1;
    (void)snprintf(fixture->dir, sizeof(fixture->dir), "/tmp/hg-config-XXXXXX");
    if (mkdtemp(fixture->dir) == NULL)
        return -1;
    (void)snprintf(fixture->path, sizeof(fixture->path), "%s/heatgate.json",
                   fixture->dir);
    hg_problems_init(&fixture->problems);
    fixture->config = HG_SENTINEL;
    *state = fixture;
    return 0;
}

static inline void config_forget(struct config_fixture *fixture)
{
    hg_problems_release(&fixture->problems);
    if (fixture->config != HG_SENTINEL)
        hg_config_free(fixture->config);
    fixture->config = HG_SENTINEL;
}

static inline int config_teardown(void **state)
{
    static const char *const names[] = { "heatgate.json", "secret", "key",
                                         "code", "cert.pem" };
    struct config_fixture *fixture = *state;
    char path[128];

    config_forget(fixture);
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        (void)snprintf(path, sizeof(path), "%s/%s", fixture->dir, names[i]);
        (void)unlink(path);
    }
    if (rmdir(fixture->dir) < 0)
        return -1;
    free(fixture);
    return 0;
}

/* read this text as if it stood in the fixture's file */
static inline int config_read_bytes(struct config_fixture *fixture,
                                    const char *text, size_t len)
{
    config_forget(fixture);
    fixture->err = hg_config_from_text(fixture->path, text, len,
                                       &fixture->problems, &fixture->config);
    return fixture->err;
}

static inline int config_read(struct config_fixture *fixture, const char *text)
{
    return config_read_bytes(fixture, text, strlen(text));
}

/* make a small file in the fixture's directory */
static inline void config_file(const struct config_fixture *fixture,
                               const char *name, const char *text, mode_t mode)
{
    char path[128];
    FILE *file;

    (void)snprintf(path, sizeof(path), "%s/%s", fixture->dir, name);
    file = fopen(path, "we");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
    assert_int_equal(chmod(path, mode), 0);
}

/* the problem that holds this text, or NULL */
static inline const struct hg_problem *
config_problem_with(const struct config_fixture *fixture, const char *text)
{
    for (size_t i = 0; i < fixture->problems.count; i++)
        if (strstr(fixture->problems.problem[i].text, text) != NULL)
            return &fixture->problems.problem[i];
    return NULL;
}

#endif
