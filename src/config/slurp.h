/* Reading a whole small file. */
#ifndef GRANARY_CONFIG_SLURP_H
#define GRANARY_CONFIG_SLURP_H

#include "granary/error.h"

#include <stddef.h>

/* The bytes, allocated, with a NUL behind them. GR_IO, with the reason, for what cannot be opened, is no
 * regular file or holds more than `most` bytes. */
int gr_slurp(char **out, size_t *length, const char *path, size_t most, struct gr_error *error);

#endif
