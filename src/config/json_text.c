#include "config/json_text.h"

#include <stdlib.h>

enum { RESERVE = 256 * 1024 }; /* longer than any text of a sane document */

static void *reserve; /* only the thread of the loop reads and writes JSON */

static void *allocate(size_t size)
{
    void *block = malloc(size);
    if (!block && reserve) {
        free(reserve);
        reserve = NULL;
        block = malloc(size);
    }
    if (block && !reserve) {
        reserve = malloc(RESERVE);
    }
    return block;
}

void gr_json_keep_reserve(void)
{
    if (!reserve) {
        reserve = malloc(RESERVE);
    }
    json_set_alloc_funcs(allocate, free);
}

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
