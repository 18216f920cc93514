/* What today costs: by the store so far, by the plan from now on. */
#ifndef GRANARY_DAEMON_SPENT_H
#define GRANARY_DAEMON_SPENT_H

#include "daemon/device.h"
#include "granary/store.h"
#include "granary/zone.h"

/* Publishes plan/cost-today and plan/cost-today-from after a new plan; nothing where there is none. `store`
 * may be NULL. */
void gr_spent_publish(const struct gr_engine *engine, struct gr_store *store, const struct gr_zone *zone,
                      const struct gr_outline *outline, struct gr_device *device, struct gr_bridge *bridge,
                      int64_t now_s);

#endif
