#include "daemon/events.h"

#include "config/json_text.h"

#include <stdlib.h>

static void publish(struct gr_device *device, struct gr_bridge *bridge, enum gr_property property,
                    json_t *list)
{
    char *text = gr_json_text(list, JSON_COMPACT | JSON_REAL_PRECISION(9));
    gr_device_update(device, bridge, property, text ? text : "[]");
    free(text);
    json_decref(list);
}

void gr_events_publish(const struct gr_feed *feed, struct gr_device *device, struct gr_bridge *bridge,
                       int64_t now_s)
{
    publish(device, bridge, GR_PLAN_EVENTS, gr_feed_windows(feed, now_s));
    publish(device, bridge, GR_HEALTH_EVENT_SOURCES, gr_feed_event_sources(feed));
}
