/* Words for a terminal. */
#ifndef GRANARY_TOOL_WRAPPED_H
#define GRANARY_TOOL_WRAPPED_H

#include <stdio.h>

enum { REASON_COLUMNS = 110 }; /* as wide as the plan's table */

/* Prints a text indented, broken between words into lines of at most so many characters (UTF-8). */
void gr_print_wrapped(FILE *stream, const char *text, int columns);

#endif
