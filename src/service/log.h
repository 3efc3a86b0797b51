#ifndef HG_SERVICE_LOG_H
#define HG_SERVICE_LOG_H

/*
 * The daemon's log: one event a line on standard error, with a level prefix
 * as in sd-daemon(3) when the service manager's journal reads it. Only
 * src/service logs; the libraries return errors instead.
 */
#include <stdbool.h>

enum hg_log_level { /* the numbers of syslog(3) */
                    HG_LOG_ERROR = 3,
                    HG_LOG_WARNING = 4,
                    HG_LOG_INFO = 6
};

struct hg_log {
    bool has_prefix;
};

#define HG_LOG_LINE_BYTES 1024 /* longer ones are cut */

/* journal_stream  the value of JOURNAL_STREAM, or NULL */
void hg_log_init(struct hg_log *log, const char *journal_stream);

/* Write one line; control characters in it become blanks. */
void hg_log_line(const struct hg_log *log, enum hg_log_level level,
                 const char *format, ...) __attribute__((format(printf, 3, 4)));

#endif
