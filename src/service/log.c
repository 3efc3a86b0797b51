/* One line an event, to standard error; see log.h. */
#include "service/log.h"
#include "base/buf.h"
#include <stdarg.h>
#include <stdio.h>

void hg_log_init(struct hg_log *log, const char *journal_stream)
{
    log->has_prefix = journal_stream != NULL && journal_stream[0] != '\0';
}

static const char *level_word(enum hg_log_level level)
{
    switch (level) {
    case HG_LOG_ERROR:
        return "error: ";
    case HG_LOG_WARNING:
        return "warning: ";
    case HG_LOG_INFO:
        break;
    }
    return "";
}

void hg_log_line(const struct hg_log *log, enum hg_log_level level,
                 const char *format, ...)
{
    char line[HG_LOG_LINE_BYTES];
    va_list args;
    int len;

    va_start(args, format);
    len = vsnprintf(line, sizeof(line), format, args);
    va_end(args);
    if (len < 0)
        return;
    /* text from outside must not forge lines or move the cursor */
    for (char *c = line; *c != '\0'; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            *c = ' ';
    if (log->has_prefix)
        fprintf(stderr, "<%d>%s\n", (int)level, line);
    else
        fprintf(stderr, "heatgated: %s%s\n", level_word(level), line);
}
