/* One source of the feed: what the files of the feed share. */
#ifndef GRANARY_DAEMON_FEED_ITEM_H
#define GRANARY_DAEMON_FEED_ITEM_H

#include "daemon/feed.h"

#include <time.h>

#define GR_MOST_ITEMS (2 * GR_MAX_SOURCES + 1)

struct gr_feed_item {
    const struct gr_source *source;
    const struct gr_weather_source *weather; /* NULL: of prices */
    enum gr_direction direction;             /* of prices, as the next */
    size_t index;                            /* among the sources of its direction */
    struct gr_rate_table table;              /* what is held; of weather the values of the sun, else of the
                                                temperature */
    struct gr_schedule schedule;
    int64_t wanted_from_s, wanted_to_s; /* what was asked for */
    char url[GR_URL_SIZE];
    struct timespec file_time; /* of the file last read */
    bool pending;
    bool stored;      /* what was accepted last went into the store too */
    int64_t stored_s; /* when that was so last; of weather */
};

struct gr_feed {
    const struct gr_zone *zone;
    struct gr_engine *engine;
    struct gr_fetch *fetch;
    struct gr_store *store;
    uint64_t jitter;
    struct gr_feed_item items[GR_MOST_ITEMS];
    size_t count;
};

/* What the store holds of the weather goes into the engine. */
void gr_feed_restore_weather(struct gr_feed *feed, struct gr_feed_item *item);

/* Reads, checks and only then takes over a document. */
bool gr_feed_accept_weather(struct gr_feed *feed, struct gr_feed_item *item, const void *bytes, size_t length,
                            const struct gr_moment *now);

#endif
