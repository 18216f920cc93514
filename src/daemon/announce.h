/* Announcements to hubs that do not know Homie: the `announce` entries of the configuration. */
#ifndef GRANARY_DAEMON_ANNOUNCE_H
#define GRANARY_DAEMON_ANNOUNCE_H

#include "daemon/device.h"
#include "granary/store.h"

/* Publishes every announcement, retained, and takes back those that the store remembers and that are no
 * longer configured. Without a store (NULL) nothing can be taken back later. */
void gr_announce_all(const struct gr_config *config, const struct gr_device *device, struct gr_bridge *bridge,
                     struct gr_store *store);

#endif
