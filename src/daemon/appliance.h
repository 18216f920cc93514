/* When the configured appliances had best run. */
#ifndef GRANARY_DAEMON_APPLIANCE_H
#define GRANARY_DAEMON_APPLIANCE_H

#include "daemon/device.h"

/* Publishes the cheapest start of each under the present plan, in the order of the configuration. */
void gr_appliances_publish(const struct gr_config *config, const struct gr_engine *engine,
                           const struct gr_zone *zone, struct gr_device *device, struct gr_bridge *bridge,
                           int64_t now_s);

#endif
