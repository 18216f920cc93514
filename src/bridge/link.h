/* One connection of the MQTT library: everything that calls it, and the callbacks it calls. All functions
 * belong to the loop and never block on the network; what comes of them is reported to the inbox. */
#ifndef GRANARY_BRIDGE_LINK_H
#define GRANARY_BRIDGE_LINK_H

#include "bridge/pending.h"
#include "granary/config.h"

#include <MQTTAsync.h>

/* What a callback is given: it must stay valid and unchanged for as long as the library may still call. */
struct gr_link_tag {
    struct gr_inbox *inbox;
    unsigned generation;
    size_t link;
    char *const *filters;
    size_t filter_count;
};

/* What we ask the broker to keep to, in MQTT 5: whole packets. */
#define GR_MOST_PACKET_BYTES 65536u

/* Tags are used in turn, so that a late callback of an earlier attempt still finds its own. */
#define GR_LINK_TAGS 4

/* A copy of a struct gr_will. */
struct gr_last_will {
    char *topic;
    char *payload;
};

struct gr_link {
    MQTTAsync handle;         /* NULL while there is none */
    int version;              /* 5 or 4 */
    struct gr_last_will will; /* topic NULL: none; borrowed from the bridge */
    struct gr_link_tag tags[GR_LINK_TAGS];
    struct gr_link_tag *tag;
};

struct gr_link_attempt {
    const struct gr_mqtt *mqtt;
    const char *password; /* NULL: none */
    int version;
    struct gr_link_tag tag;
};

/* Begins to connect; GR_NEWS_CONNECTED or GR_NEWS_FAILED follows. */
int gr_link_open(struct gr_link *link, const struct gr_link_attempt *attempt, struct gr_error *error);

/* Subscribes with QoS 0 to the filters of the attempt (at least one); GR_NEWS_GRANTED or GR_NEWS_FAILED
 * follows. */
int gr_link_subscribe(struct gr_link *link, struct gr_error *error);

/* Publishes with QoS 1 and sets the item's token, which its acknowledgement will name. */
int gr_link_publish(struct gr_link *link, struct gr_pending_publish *publish, struct gr_error *error);

/* Disconnects from a broker that had accepted us, waiting at most wait_ms for what is on its way;
 * GR_NEWS_CLOSED follows. with_will makes the broker publish the last will. */
void gr_link_close(struct gr_link *link, bool with_will, int wait_ms);

/* Ends the connection at once. */
void gr_link_destroy(struct gr_link *link);

#endif
