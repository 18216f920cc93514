#include "tool/wrapped.h"

#include <string.h>

enum { INDENT = 8 };

static int count_characters(const char *text, size_t length)
{
    int count = 0;
    for (size_t i = 0; i < length; i++) {
        count += ((unsigned char)text[i] & 0xc0) != 0x80;
    }
    return count;
}

void gr_print_wrapped(FILE *stream, const char *text, int columns)
{
    int column = 0;
    for (size_t length; *text; text += length + (text[length] == ' ')) {
        length = strcspn(text, " ");
        int characters = count_characters(text, length);
        if (column == 0 || column + 1 + characters > columns) {
            fprintf(stream, "%s%*s", column ? "\n" : "", INDENT, "");
            column = INDENT;
        } else {
            fputc(' ', stream);
            column++;
        }
        fprintf(stream, "%.*s", (int)length, text);
        column += characters;
    }
    fputc('\n', stream);
}
