/* What event sources tell of, on topics. */
#ifndef GRANARY_DAEMON_EVENTS_H
#define GRANARY_DAEMON_EVENTS_H

#include "daemon/device.h"
#include "daemon/feed.h"

/* Publishes plan/events and health/event-sources where they changed. */
void gr_events_publish(const struct gr_feed *feed, struct gr_device *device, struct gr_bridge *bridge,
                       int64_t now_s);

#endif
