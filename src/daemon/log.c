#include "daemon/log.h"

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
