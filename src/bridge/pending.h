/* Publishes that the broker has not acknowledged yet, oldest first: those in flight, then those that wait for
 * their turn. The library would queue the latter too, but then looks at its queue only once a second while
 * the broker's Receive Maximum is reached (20 publishes a second with mosquitto's default, measured). The
 * loop's own; no lock. */
#ifndef GRANARY_BRIDGE_PENDING_H
#define GRANARY_BRIDGE_PENDING_H

#include "bridge/inbox.h"

/* In flight at most; brokers that take fewer say so (MQTT 5.0, 3.2.2.3.3). */
#define GR_MOST_IN_FLIGHT 16

struct gr_publish {
    const char *topic;
    const void *payload;
    size_t length;
    bool retained;
    int expiry_s; /* 0: never */
};

struct gr_pending_publish {
    int64_t accepted_ms;
    char *topic;
    void *payload;
    size_t length;
    int token; /* once in flight */
    int expiry_s;
    bool retained;
};

struct gr_pending {
    struct gr_pending_publish items[GR_MOST_PENDING];
    size_t count, in_flight;
};

/* Copies topic and payload and puts the publish at the end; false where there is no room or no memory. */
bool gr_pending_add(struct gr_pending *pending, const struct gr_publish *publish, int64_t now_ms);

/* Drops the item at `index`. */
void gr_pending_drop(struct gr_pending *pending, size_t index);

/* The index of the publish in flight with this token; `count` where there is none. */
size_t gr_pending_find(const struct gr_pending *pending, int token);

void gr_pending_clear(struct gr_pending *pending);

/* 0 while nothing waits. */
int64_t gr_pending_lag_ms(const struct gr_pending *pending, int64_t now_ms);

#endif
