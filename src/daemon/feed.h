/* The sources of rates, weather and events that change: when to ask for a document, what to ask, whether to
 * accept the answer. Shared by the daemon and the tool's `plan`. */
#ifndef GRANARY_DAEMON_FEED_H
#define GRANARY_DAEMON_FEED_H

#include "granary/config.h"
#include "granary/engine.h"
#include "granary/fetch.h"
#include "granary/store.h"

#include <jansson.h>

struct gr_feed;

/* `store` may be NULL. The pointers must outlive the feed. What the store holds goes into the engine at once.
 */
int gr_feed_create(struct gr_feed **out, const struct gr_config *config, const struct gr_zone *zone,
                   struct gr_engine *engine, struct gr_fetch *fetch, struct gr_store *store,
                   uint64_t jitter_seed, const struct gr_moment *now, struct gr_error *error);
void gr_feed_free(struct gr_feed *feed);

/* Another store from now on, or NULL: the old one is not touched any more. */
void gr_feed_set_store(struct gr_feed *feed, struct gr_store *store);

/* Starts what is due at this moment, and reads the files that changed. */
void gr_feed_turn(struct gr_feed *feed, const struct gr_moment *now);

/* Takes finished transfers from the fetcher; what is accepted goes into the engine and the store. True where
 * a table came in. */
bool gr_feed_collect(struct gr_feed *feed, const struct gr_moment *now);

/* The windows that event sources tell of, as far as they are to come: {"source", "id", "kind", "start",
 * "end", "value"}; and how each event source fares: {"source", "state", "since", "why", "refused"}. Arrays of
 * the caller's; NULL without memory. */
json_t *gr_feed_windows(const struct gr_feed *feed, int64_t now_s);
json_t *gr_feed_event_sources(const struct gr_feed *feed);

/* Transfers under way. */
int gr_feed_pending(const struct gr_feed *feed);

#endif
