/* Says, once a day, what was learned of the sun. */
#ifndef GRANARY_DAEMON_LEARNED_H
#define GRANARY_DAEMON_LEARNED_H

#include "granary/engine.h"
#include "granary/zone.h"

/* After a turn that planned. `told_day` is the local day on which it was said last, of the caller's keeping;
 * begin with -1. */
void gr_log_learned(const struct gr_engine *engine, const struct gr_zone *zone, const struct gr_moment *now,
                    int64_t *told_day);

#endif
