/* Files of past usage. */
#ifndef GRANARY_TOOL_USAGE_FILE_H
#define GRANARY_TOOL_USAGE_FILE_H

#include "granary/block.h"
#include "granary/usage.h"

/* Reads the file and hands it to gr_usage_read. Messages begin with the file's name. GR_IO where it cannot be
 * read. */
int gr_usage_load(struct gr_usage *out, const struct gr_usage_mapping *mapping, const struct gr_zone *zone,
                  const char *path, struct gr_usage_report *report, struct gr_error *error);

/* Takes out of the load what is recognised as a car's charging. Nothing happens without a load. */
int gr_usage_take_car_out(struct gr_usage *usage, struct gr_blocks *out, struct gr_error *error);

#endif
