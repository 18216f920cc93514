/* JSON values as text, whole or not at all. jansson's own json_dumps and json_dumpf (2.14) do not look at
 * whether the name of a member could be written: where memory or room runs out just there, they go on and
 * report success with a text that is no JSON. */
#ifndef GRANARY_CONFIG_JSON_TEXT_H
#define GRANARY_CONFIG_JSON_TEXT_H

#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>

/* For programs, once at their start: keeps some memory by, which jansson gets where there is no other. Its
 * reader (2.14) does not look at whether a text could grow: it loses a character, which may be the one that
 * ends the text, and reads on beyond it. */
void gr_json_keep_reserve(void);

/* Allocated; flags are jansson's JSON_COMPACT and the like. NULL where the value is NULL or memory runs out.
 */
char *gr_json_text(const json_t *value, size_t flags);

/* The same and a newline onto a stream; false where it could not be written. */
bool gr_json_print(const json_t *value, size_t flags, FILE *stream);

#endif
