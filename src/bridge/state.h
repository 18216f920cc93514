/* The inside of a bridge, shared by its two halves: the calls (bridge.c) and the connecting (connect.c). */
#ifndef GRANARY_BRIDGE_STATE_H
#define GRANARY_BRIDGE_STATE_H

#include "bridge/backoff.h"
#include "bridge/link.h"
#include "bridge/pending.h"

enum gr_phase {
    GR_PHASE_WAITING,     /* for retry_ms */
    GR_PHASE_CONNECTING,  /* for every connection to be accepted */
    GR_PHASE_SUBSCRIBING, /* for the subscriptions to be granted */
    GR_PHASE_UP,
    GR_PHASE_CLOSING /* what is left of a failed attempt */
};

/* Events of our own wait here; few, as the caller takes them in every turn. */
#define GR_MOST_OWN_EVENTS 16

struct gr_bridge {
    struct gr_mqtt mqtt;
    struct gr_last_will wills[GR_MOST_WILLS]; /* owned */
    char **filters;
    size_t filter_count;
    struct gr_link links[GR_MOST_WILLS];
    size_t link_count; /* at least the main one */
    struct gr_inbox *inbox;
    struct gr_pending pending;
    size_t window; /* publishes in flight at most */
    struct gr_backoff backoff;
    struct gr_bridge_event own[GR_MOST_OWN_EVENTS];
    size_t own_count;
    enum gr_phase phase;
    int version; /* of MQTT, for the next attempt */
    unsigned generation;
    int64_t now_ms, retry_ms, deadline_ms, up_since_ms;
    int64_t lost_ms;      /* when the library first gave a publish up; 0: it has not */
    bool stands_by;       /* as another client has our id */
    unsigned short_lives; /* in a row: how often a connection was lost soon after it came up */
    char told[200];       /* the reason of the last DOWN since the last UP */
};

void gr_bridge_tell(struct gr_bridge *bridge, enum gr_bridge_event_kind kind, const char *topic,
                    const char *text);

/* Takes the acknowledgements that have come; tells of refused publishes. */
void gr_bridge_collect(struct gr_bridge *bridge);

#endif
