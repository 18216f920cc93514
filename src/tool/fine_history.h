/* The five-minute means of the house's load that the daemon kept. */
#ifndef GRANARY_TOOL_FINE_HISTORY_H
#define GRANARY_TOOL_FINE_HISTORY_H

#include "granary/config.h"
#include "granary/within.h"

struct gr_fine_history {
    struct gr_series load; /* its values are `kw` */
    double *kw;
};

/* GR_NOT_FOUND where the configuration has no store, or one that holds none; GR_IO, said on standard error by
 * `program`, where it cannot be read. *out is overwritten, to be freed. */
int gr_fine_history_read(struct gr_fine_history *out, const struct gr_outputs *outputs, const char *program);
void gr_fine_history_free(struct gr_fine_history *history);

#endif
