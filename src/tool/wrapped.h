/* Words for a terminal. */
#ifndef GRANARY_TOOL_WRAPPED_H
#define GRANARY_TOOL_WRAPPED_H

/* Prints a text indented, in lines of at most 110 columns. */
void gr_print_wrapped(const char *text);

#endif
