#include "daemon/log.h"

#include <ctype.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

void gr_log(enum gr_log_level level, const char *format, ...)
{
    char line[1024];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    /* Texts quote what came from outside: a line of theirs must not pass for one of ours. */
    for (char *at = line; *at; at++) {
        *at = iscntrl((unsigned char)*at) ? '?' : *at;
    }
    if (getenv("JOURNAL_STREAM")) {
        (void)fprintf(stderr, "<%d>%s\n", (int)level, line);
    } else {
        (void)fprintf(stderr, "%s%s\n",
                      level <= GR_LOG_ERROR     ? "error: "
                      : level == GR_LOG_WARNING ? "warning: "
                                                : "",
                      line);
    }
}
