/* Publishes that the broker has not acknowledged yet, oldest first. The loop's own; no lock. */
#ifndef GRANARY_BRIDGE_PENDING_H
#define GRANARY_BRIDGE_PENDING_H

#include "bridge/inbox.h"

struct gr_pending_publish {
    int token;
    int64_t sent_ms;
    char *topic;
};

struct gr_pending {
    struct gr_pending_publish items[GR_MOST_PENDING];
    size_t count;
};

/* False where there is no room or no memory. */
bool gr_pending_add(struct gr_pending *pending, int token, const char *topic, int64_t now_ms);

/* Takes the publish of `token` out; its topic is the caller's to free, NULL where there is none such. */
char *gr_pending_remove(struct gr_pending *pending, int token);

void gr_pending_clear(struct gr_pending *pending);

/* 0 while nothing waits. */
int64_t gr_pending_lag_ms(const struct gr_pending *pending, int64_t now_ms);

#endif
