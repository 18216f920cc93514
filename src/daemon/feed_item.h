/* One source of the feed: what the files of the feed share. */
#ifndef GRANARY_DAEMON_FEED_ITEM_H
#define GRANARY_DAEMON_FEED_ITEM_H

#include "daemon/feed.h"

#include <time.h>

#define GR_MOST_ITEMS (GR_DIRECTIONS * GR_MAX_SOURCES + 1 + GR_MOST_EVENT_SOURCES)

struct gr_feed_item {
    const struct gr_source *source;
    const struct gr_weather_source *weather; /* NULL: of prices or events */
    const struct gr_event_source *events;    /* NULL: of prices or weather */
    enum gr_direction direction;             /* of prices */
    size_t index;                            /* among the sources of its direction, or of events */
    struct gr_rate_table table;              /* what is held; of weather the values of the sun, else of the
                                                temperature */
    struct gr_schedule schedule;
    int64_t wanted_from_s, wanted_to_s; /* what was asked for */
    char url[GR_URL_SIZE];
    struct timespec file_time; /* of the file last read */
    bool pending;
    bool stored;                 /* what was accepted last went into the store too */
    int64_t stored_s;            /* when that was so last; of weather */
    struct gr_told_windows told; /* of events, as the next */
    bool is_told;                /* a document was taken, now or before a restart */
    int64_t told_s;              /* when */
    const char *state;           /* a word of docs/topics.md */
    int64_t state_since_s;
    char why[300]; /* it is not "ok" */
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

/* What the store holds of events goes into the engine. */
void gr_feed_restore_events(struct gr_feed *feed, struct gr_feed_item *item, const struct gr_moment *now);

/* Takes over what a document tells of events; those that it no longer tells of are withdrawn. */
bool gr_feed_accept_events(struct gr_feed *feed, struct gr_feed_item *item, const void *bytes, size_t length,
                           const struct gr_moment *now);

/* The source gave no document: "ok" where it said that nothing has changed, else "down" with the reason. What
 * is known stays until its end. */
void gr_feed_note_events(struct gr_feed_item *item, const char *state, const char *why,
                         const struct gr_moment *now);

#endif
