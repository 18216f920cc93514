/* Where people ask for something else than the plan: topics in, overrides to the engine, answers out. */
#ifndef GRANARY_DAEMON_DESK_H
#define GRANARY_DAEMON_DESK_H

#include "daemon/device.h"
#include "granary/store.h"

struct gr_desk;

int gr_desk_create(struct gr_desk **out, const struct gr_outputs *outputs, struct gr_error *error);
void gr_desk_free(struct gr_desk *desk);

/* The filter to subscribe; lives as long as the desk. */
const char *gr_desk_filter(const struct gr_desk *desk);

struct gr_desk_call {
    struct gr_engine *engine;
    const struct gr_zone *zone;
    struct gr_device *device;
    struct gr_bridge *bridge;
    const struct gr_moment *now;
};

/* False where the message is for somebody else. Else it was accepted or refused, and the answer published. */
bool gr_desk_take(struct gr_desk *desk, const struct gr_desk_call *call,
                  const struct gr_bridge_event *message);

/* Hands what the store kept to the engine, the first time it is called; what has ended meanwhile is dropped.
 * `store` may be NULL. */
void gr_desk_restore(struct gr_desk *desk, const struct gr_desk_call *call, struct gr_store *store);

/* Publishes what is in force, and keeps it in the store (NULL: not) where it changed. */
void gr_desk_publish(struct gr_desk *desk, const struct gr_desk_call *call,
                     const struct gr_decision *decision, struct gr_store *store);

#endif
