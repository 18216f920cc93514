#include "granary/error.h"

#include <stdarg.h>
#include <stdio.h>

int gr_error_set(struct gr_error *error, int code, const char *format, ...)
{
    if (error) {
        va_list arguments;
        va_start(arguments, format);
        (void)vsnprintf(error->text, sizeof error->text, format, arguments);
        va_end(arguments);
    }
    return code;
}
