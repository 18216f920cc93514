/* Tables of rates and of weather looked at by `granary check --live`. */
#ifndef GRANARY_TOOL_TABLES_H
#define GRANARY_TOOL_TABLES_H

#include "granary/config.h"
#include "granary/fetch.h"

#include <stdio.h>

struct gr_tables;

/* Lists the http and file sources of a configuration, which must outlive the list. */
int gr_tables_create(struct gr_tables **out, const struct gr_config *config, const struct gr_zone *zone,
                     int64_t now_s);
void gr_tables_free(struct gr_tables *tables);

/* Starts a transfer for each http source, and reads the file sources. */
void gr_tables_start(struct gr_tables *tables, struct gr_fetch *fetch);

/* Takes what has come; returns how many transfers are still under way. */
unsigned gr_tables_step(struct gr_tables *tables, struct gr_fetch *fetch);

/* Prints what was found; returns how many sources are wrong. */
unsigned gr_tables_print(FILE *stream, const struct gr_tables *tables);

#endif
