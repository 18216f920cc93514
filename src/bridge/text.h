/* Bytes from outside: are they UTF-8, and how are they shown in a message of one line. */
#ifndef GRANARY_BRIDGE_TEXT_H
#define GRANARY_BRIDGE_TEXT_H

#include <stdbool.h>
#include <stddef.h>

/* Well-formed UTF-8 (RFC 3629: no overlong form, no surrogate, nothing above U+10FFFF). */
bool gr_utf8_valid(const void *bytes, size_t length);

#define GR_ESCAPED_BYTES 80
#define GR_ESCAPED_SIZE (GR_ESCAPED_BYTES + 4)

/* At most GR_ESCAPED_BYTES characters that stand for the first bytes; whatever is not printable ASCII becomes
 * \xNN, and
 * "..." follows where something was left out. */
void gr_escape(char out[GR_ESCAPED_SIZE], const void *bytes, size_t length);

#endif
