/* Granary as a Homie 5 device (homieiot convention 5.0): topics, description, values. Every property stands
 * once, in the table of properties.c; the description and the last wills come from it too. */
#ifndef GRANARY_DAEMON_DEVICE_H
#define GRANARY_DAEMON_DEVICE_H

#include "daemon/properties.h"
#include "granary/bridge.h"
#include "granary/config.h"
#include "granary/engine.h"

#include <stdint.h>

struct gr_device;

/* `commanding` decides between the node `command` (which a hub obeys) and `advice` (what would be commanded).
 */
/* description_version must rise with each new description (Homie): Unix seconds do. */
int gr_device_create(struct gr_device **out, const struct gr_outputs *outputs, const char *site_name,
                     bool commanding, uint64_t description_version, struct gr_error *error);
void gr_device_free(struct gr_device *device);

/* The wills that leave `follow` on the command topics and `lost` on the state: strings live as long as the
 * device. The first is the state's. */
const struct gr_will *gr_device_wills(const struct gr_device *device, size_t *count);

/* After (re)connecting: $state init and the description; all values count as unpublished. */
void gr_device_announce(struct gr_device *device, struct gr_bridge *bridge);

/* Between gr_device_announce and the first gr_device_publish after it. */
bool gr_device_is_announcing(const struct gr_device *device);

struct gr_device_health {
    uint64_t
        heartbeat; /* rises with every finished turn, so that the receiving side can time out by itself */
    int64_t rates_until_s;
    uint64_t refused_messages;
};

/* Publishes what a turn decided: command, health, plan. Values that are already on the broker are left alone,
 * but for a command that is issued. Ends with $state ready after an announcement. */
void gr_device_publish(struct gr_device *device, struct gr_bridge *bridge, const struct gr_decision *decision,
                       const struct gr_plan_view *plan, const struct gr_outline *outline,
                       const struct gr_device_health *health);

/* A property of the node `appliance`, before gr_device_announce; at most GR_MOST_APPLIANCES. */
void gr_device_add_appliance(struct gr_device *device, const char *id);
/* Its value, a JSON document. */
void gr_device_update_appliance(struct gr_device *device, struct gr_bridge *bridge, size_t index,
                                const char *text);

/* What an announcement can say about a property, or about the device itself for GR_PROPERTIES. The strings
 * live as long as the device. */
void gr_device_describe(const struct gr_device *device, enum gr_property property, struct gr_announced *out);

/* Any value, where it differs from what the broker holds. */
void gr_device_update(struct gr_device *device, struct gr_bridge *bridge, enum gr_property property,
                      const char *text);

/* Raises an alert, or clears it where `key` is NULL. `key` tells one cause from another: while it stays, the
 * text is not published again, though its figures change. */
void gr_device_alert(struct gr_device *device, struct gr_bridge *bridge, enum gr_alert alert, const char *key,
                     const char *text);

/* A value of the node `override`, by its id: where it differs from what the broker holds, or in any case. */
void gr_device_update_override(struct gr_device *device, struct gr_bridge *bridge, const char *id,
                               const char *text);
void gr_device_send_override(struct gr_device *device, struct gr_bridge *bridge, const char *id,
                             const char *text);

/* The topic of the command's document, on which nobody else should publish; lives as long as the device. */
const char *gr_device_document_topic(const struct gr_device *device);

enum gr_author {
    GR_AUTHOR_OURSELVES,
    GR_AUTHOR_ANOTHER,     /* who commands */
    GR_AUTHOR_ANOTHERS_END /* a last will, or an orderly end: follow without a sequence */
};
/* Whose document it is that came on that topic. */
enum gr_author gr_device_author(const struct gr_device *device, const void *payload, size_t length);

/* Orderly end: `follow` on the command topics, $state disconnected. False where not all of the command could
 * be sent. */
bool gr_device_withdraw(struct gr_device *device, struct gr_bridge *bridge);

#endif
