#include "tool/wrapped.h"

#include <stdio.h>
#include <string.h>

enum { INDENT = 8, COLUMNS = 110 };

void gr_print_wrapped(const char *text)
{
    size_t column = 0;
    for (size_t length; *text; text += length + (text[length] == ' ')) {
        length = strcspn(text, " ");
        if (column == 0 || column + 1 + length > COLUMNS) {
            printf("%s%*s", column ? "\n" : "", INDENT, "");
            column = INDENT;
        } else {
            (void)putchar(' ');
            column++;
        }
        printf("%.*s", (int)length, text);
        column += length;
    }
    (void)putchar('\n');
}
