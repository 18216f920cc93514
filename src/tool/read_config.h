/* Reading a configuration for a subcommand. */
#ifndef GRANARY_TOOL_READ_CONFIG_H
#define GRANARY_TOOL_READ_CONFIG_H

#include "granary/config.h"

/* The configuration, allocated, or NULL after its mistakes were printed on standard error. */
struct gr_config *gr_tool_read_config(const char *file);

#endif
