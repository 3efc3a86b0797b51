#ifndef HG_SERVICE_CONFIG_PARSE_H
#define HG_SERVICE_CONFIG_PARSE_H

/*
 * Carries JSON values into the configuration by the table of settings, and
 * writes down every problem with its place. Private to the configuration.
 */
#include "service/config_table.h"
#include "service/config_where.h"
#include <jansson.h>

#define HG_READER_POINTER_BYTES 512

struct hg_config_reader {
    const char *file; /* as the caller named it */
    const char *dir;  /* where relative paths start */
    const char *text; /* for the lines, looked up when a problem is found */
    size_t len;
    struct hg_where *where;
    struct hg_problems *problems;
    size_t problem_count; /* of this reading */
    bool is_out_of_memory;
    struct hg_config *config;
    bool is_given[HG_SET_COUNT];    /* present and not null */
    bool is_bad[HG_SET_COUNT];      /* with a problem of its own */
    struct hg_buf pointer;          /* of the value that is looked at */
    json_t *fallback[HG_SET_COUNT]; /* defaults, parsed when first used */
    char pointer_bytes[HG_READER_POINTER_BYTES];
};

/* Start a reading; problems gets what is found. All borrowed. */
void hg_config_reader_init(struct hg_config_reader *reader, const char *file,
                           const char *dir, struct hg_problems *problems,
                           struct hg_config *config);
void hg_config_reader_release(struct hg_config_reader *reader);

/*
 * Write down a problem of the value at the present pointer, or of that
 * value's member when it is not NULL.
 */
void hg_config_problem(struct hg_config_reader *reader, const char *member,
                       const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Append a value as a person knows it from the file, cut to a length. */
void hg_config_show_value(const json_t *value, struct hg_buf *shown);

/*
 * Read the members of one section into base (see hg_setting.offset) in the
 * order of the table: unknown and missing ones are problems, absent ones
 * get their defaults.
 */
void hg_config_section(struct hg_config_reader *reader, const char *section,
                       const json_t *object, void *base);

/* Is the setting free of problems of its own? */
bool hg_config_is_good(const struct hg_config_reader *reader,
                       enum hg_setting_id id);
bool hg_config_is_given(const struct hg_config_reader *reader,
                        enum hg_setting_id id);

/* Read the map of rooms, and check each room as a whole: config_room.c. */
void hg_config_rooms(struct hg_config_reader *reader, const json_t *rooms);

#endif
