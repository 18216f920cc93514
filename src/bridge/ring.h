/* Messages on their way from the library's thread to the loop: bounded, and in a flood the newest message of
 * each topic stays. Not locked: the inbox does that. */
#ifndef GRANARY_BRIDGE_RING_H
#define GRANARY_BRIDGE_RING_H

#include "granary/bridge.h"

#define GR_RING_TOPICS 1024
#define GR_RING_BYTES ((size_t)262144)

struct gr_ring_entry {
    uint64_t hash;
    char *topic;
    void *payload;
    size_t length;
    bool retained, oversized;
};

struct gr_ring {
    struct gr_ring_entry entries[GR_RING_TOPICS];
    size_t first, count;
    size_t bytes;  /* payload bytes held */
    uint64_t shed; /* messages replaced, pushed out or refused for size */
};

/* Takes copies. A payload above the cap is kept as an entry without bytes. */
void gr_ring_put(struct gr_ring *ring, const char *topic, size_t topic_length, const void *payload,
                 size_t length, bool retained);

/* Hands the oldest entry over to *event; false where there is none. */
bool gr_ring_take(struct gr_ring *ring, struct gr_bridge_event *event);

void gr_ring_clear(struct gr_ring *ring);

#endif
