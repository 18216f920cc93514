/* MQTT: one main connection, and as many idle ones as there are last wills. Library callbacks only copy into
 * a ring and write an eventfd; everything else happens in the caller's loop. Nothing is queued across a
 * reconnect. */
#ifndef GRANARY_BRIDGE_H
#define GRANARY_BRIDGE_H

#include "granary/config.h"
#include "granary/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* What the broker publishes by itself (retained, QoS 1, no delay) when the process or its machine dies. The
 * first will belongs to the main connection, each further one to an idle connection of its own. */
struct gr_will {
    const char *topic;
    const char *payload;
};

#define GR_MOST_WILLS 8

/* The largest payload that is read or sent. */
#define GR_MOST_PAYLOAD_BYTES ((size_t)65536)

enum gr_bridge_event_kind {
    /* Connected and subscribed, every idle connection too: publish the present state now, as last wills may
     * have been published. The MQTT version in text. */
    GR_BRIDGE_UP,
    /* Connection lost or not to be had; the reason in text. While attempt after attempt fails for the same
     * reason, it is told once. */
    GR_BRIDGE_DOWN,
    GR_BRIDGE_MESSAGE,
    /* Another client with our id has taken the session (the broker says so, or the connection is lost again
     * and again soon after it came up): nothing is connected for 10 minutes, so as not to fight. Text as for
     * DOWN. */
    GR_BRIDGE_TAKEN_OVER,
    /* The broker refused a publish of ours: its topic, and the reason in text. Only MQTT 5 tells. */
    GR_BRIDGE_REFUSED
};

struct gr_bridge_event {
    enum gr_bridge_event_kind kind;
    char *topic;   /* message; owned by the event */
    void *payload; /* not NUL-terminated; payloads above the cap arrive cut to nothing with `oversized` set */
    size_t length;
    bool retained, oversized;
    char text[200];
};

void gr_bridge_event_free(struct gr_bridge_event *event);

struct gr_bridge;

/* Payloads above 64 kB are refused (by the broker where MQTT 5 lets us ask for it). `filters` are subscribed
 * at each (re)connect, with QoS 0: of a burst the newest message counts, and QoS 1 would make a broker hold
 * it back or drop it in favour of older ones. All arguments are copied. `jitter_seed` spreads reconnect
 * times. Nothing is sent before gr_bridge_step. */
int gr_bridge_create(struct gr_bridge **out, const struct gr_mqtt *mqtt, const struct gr_will *wills,
                     size_t will_count, const char *const *filters, size_t filter_count, uint64_t jitter_seed,
                     struct gr_error *error);

/* Orderly end: DISCONNECT without will on every connection, waits at most timeout_ms; then frees. What is not
 * acknowledged yet may be lost: gr_bridge_flush first. NULL is fine. */
void gr_bridge_free(struct gr_bridge *bridge, int timeout_ms);

/* The same, but the broker publishes the last wills: for an end at which not all could be said. */
void gr_bridge_abandon(struct gr_bridge *bridge, int timeout_ms);

/* Readable while gr_bridge_next has something, or gr_bridge_step something to do. */
int gr_bridge_fd(const struct gr_bridge *bridge);

/* Takes the next event; false where there is none. A flood keeps the newest message of each topic, and counts
 * the rest. */
bool gr_bridge_next(struct gr_bridge *bridge, struct gr_bridge_event *event);

/* Drives connecting and reconnecting with exponential backoff (1 to 60 s, jittered; after a refusal that only
 * a change of settings will cure, 60 to 75 s). Where one connection is lost all are closed, last wills
 * published, and made anew. Call it at least once a second, and after gr_bridge_fd became readable. mono_ms
 * is the real monotonic clock. */
void gr_bridge_step(struct gr_bridge *bridge, int64_t mono_ms);

bool gr_bridge_is_up(const struct gr_bridge *bridge);

/* Publishes with QoS 1 now or not at all: GR_IO while the connection is down. At most 16 publishes are on
 * their way at once; up to 1024 wait for those before them to be acknowledged, and are dropped with the
 * connection. expiry_s > 0 sets MQTT 5 message expiry. */
int gr_bridge_publish(struct gr_bridge *bridge, const char *topic, const void *payload, size_t length,
                      bool retained, int expiry_s, struct gr_error *error);

/* Milliseconds for which the oldest unacknowledged publish has been waiting (0: none): a broker that is
 * stuck. */
int64_t gr_bridge_lag_ms(const struct gr_bridge *bridge, int64_t mono_ms);

/* Waits until every publish so far is acknowledged, at most timeout_ms. True where they are. */
bool gr_bridge_flush(struct gr_bridge *bridge, int timeout_ms);

/* Messages shed in floods, and messages refused for size, since the start. */
uint64_t gr_bridge_shed(const struct gr_bridge *bridge);

/* Whether a topic matches a filter with + and # (MQTT 5.0 section 4.7, $-topics are not matched by leading
 * wildcards). */
bool gr_topic_matches(const char *filter, const char *topic);

/* GR_INVALID, with the reason, for a filter or a topic name that the standard forbids. */
int gr_topic_check(const char *topic, bool wildcards_allowed, struct gr_error *error);

/* ---- payloads ---- */

/* Turns a payload into the channel's value in the core's unit and sign. GR_INVALID with what was found (at
 * most 80 escaped bytes) and what was expected: not UTF-8, not JSON, pointer finds nothing, null, not a
 * number, not finite, out of range (with a guess at the unit where one explains the value). capacity_kwh
 * converts a state of charge given as energy. Percentages up to 102 count as 100. A boolean with sign -1 is
 * turned round: a topic that says "outage" rather than "present". */
int gr_payload_read(double *out, const struct gr_input *input, enum gr_channel channel, double capacity_kwh,
                    const void *payload, size_t length, struct gr_error *error);

/* Counts refusals per topic and kind of reason, and says when one is worth a log line: at the 1st, and then
 * after 1 min, 10 min, 1 h, 6 h, and every 24 h while they go on. A fault that was gone for longer than an
 * hour, and longer than its present interval, begins anew. Quoted parts and numbers in `reason` do not tell
 * reasons apart, so the text of a gr_error will do. Remembers 256 topics and reasons; a flood of more stays
 * out of the log. */
struct gr_refusals;
int gr_refusals_create(struct gr_refusals **out);
void gr_refusals_free(struct gr_refusals *refusals);
/* True where it should be logged now; *count is set to the refusals of this topic and reason since the last
 * line. */
bool gr_refusals_note(struct gr_refusals *refusals, const char *topic, const char *reason, int64_t mono_ms,
                      uint64_t *count);
uint64_t gr_refusals_total(const struct gr_refusals *refusals);

#endif
