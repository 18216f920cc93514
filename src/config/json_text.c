#include "config/json_text.h"

#include <stdlib.h>

char *gr_json_text(const json_t *value, size_t flags)
{
    size_t length = json_dumpb(value, NULL, 0, flags);
    char *text = length > 0 ? malloc(length + 1) : NULL;
    if (text && json_dumpb(value, text, length, flags) != length) {
        free(text);
        return NULL;
    }
    if (text) {
        text[length] = '\0';
    }
    return text;
}

bool gr_json_print(const json_t *value, size_t flags, FILE *stream)
{
    char *text = gr_json_text(value, flags);
    bool printed = text && fputs(text, stream) != EOF && fputc('\n', stream) != EOF && fflush(stream) == 0;
    free(text);
    return printed;
}
