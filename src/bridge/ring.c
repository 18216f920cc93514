#include "bridge/ring.h"

#include <stdlib.h>
#include <string.h>

/* FNV-1a, 64 bit. */
static uint64_t hash_topic(const char *topic, size_t length)
{
    uint64_t hash = 0xcbf29ce484222325u;
    for (size_t i = 0; i < length; i++) {
        hash = (hash ^ (uint8_t)topic[i]) * 0x100000001b3u;
    }
    return hash;
}

static struct gr_ring_entry *entry_at(struct gr_ring *ring, size_t index)
{
    return &ring->entries[(ring->first + index) % GR_RING_TOPICS];
}

static struct gr_ring_entry *find_topic(struct gr_ring *ring, uint64_t hash, const char *topic, size_t length)
{
    for (size_t i = 0; i < ring->count; i++) {
        struct gr_ring_entry *entry = entry_at(ring, i);
        if (entry->hash == hash && strncmp(entry->topic, topic, length) == 0 &&
            entry->topic[length] == '\0') {
            return entry;
        }
    }
    return NULL;
}

static void push_out_oldest(struct gr_ring *ring)
{
    struct gr_ring_entry *oldest = entry_at(ring, 0);
    ring->bytes -= oldest->length;
    free(oldest->topic);
    free(oldest->payload);
    *oldest = (struct gr_ring_entry){0};
    ring->first = (ring->first + 1) % GR_RING_TOPICS;
    ring->count--;
}

static void make_room(struct gr_ring *ring, size_t length)
{
    while (ring->count == GR_RING_TOPICS || (ring->count > 0 && ring->bytes + length > GR_RING_BYTES)) {
        push_out_oldest(ring);
        ring->shed++;
    }
}

static bool copy_message(struct gr_ring_entry *out, const char *topic, size_t topic_length,
                         const void *payload, size_t length)
{
    out->hash = hash_topic(topic, topic_length);
    out->topic = strndup(topic, topic_length);
    out->payload = malloc(length + 1);
    if (!out->topic || !out->payload) {
        free(out->topic);
        free(out->payload);
        return false;
    }
    if (length > 0) {
        memcpy(out->payload, payload, length);
    }
    out->length = length;
    return true;
}

static void rotate(struct gr_ring *ring)
{
    struct gr_ring_entry oldest = *entry_at(ring, 0);
    *entry_at(ring, 0) = (struct gr_ring_entry){0};
    ring->first = (ring->first + 1) % GR_RING_TOPICS;
    *entry_at(ring, ring->count - 1) = oldest;
}

static void replace(struct gr_ring *ring, struct gr_ring_entry *old, const struct gr_ring_entry *entry)
{
    ring->bytes = ring->bytes - old->length + entry->length;
    ring->shed++;
    free(old->topic);
    free(old->payload);
    *old = *entry;
    while (ring->bytes > GR_RING_BYTES) {
        /* The newest message is not the one to go. */
        if (entry_at(ring, 0)->topic == entry->topic) {
            rotate(ring);
        } else {
            push_out_oldest(ring);
            ring->shed++;
        }
    }
}

static void append(struct gr_ring *ring, const struct gr_ring_entry *entry)
{
    make_room(ring, entry->length);
    *entry_at(ring, ring->count) = *entry;
    ring->bytes += entry->length;
    ring->count++;
}

void gr_ring_put(struct gr_ring *ring, const char *topic, size_t topic_length, const void *payload,
                 size_t length, bool retained)
{
    bool oversized = length > GR_MOST_PAYLOAD_BYTES;
    struct gr_ring_entry entry = {.retained = retained, .oversized = oversized};
    ring->shed += oversized ? 1 : 0;
    if (!copy_message(&entry, topic, topic_length, payload, oversized ? 0 : length)) {
        ring->shed++;
        return;
    }
    struct gr_ring_entry *old = find_topic(ring, entry.hash, topic, topic_length);
    if (old) {
        replace(ring, old, &entry);
    } else {
        append(ring, &entry);
    }
}

bool gr_ring_take(struct gr_ring *ring, struct gr_bridge_event *event)
{
    if (ring->count == 0) {
        return false;
    }
    struct gr_ring_entry *oldest = entry_at(ring, 0);
    *event = (struct gr_bridge_event){
        .kind = GR_BRIDGE_MESSAGE,
        .topic = oldest->topic,
        .payload = oldest->payload,
        .length = oldest->length,
        .retained = oldest->retained,
        .oversized = oldest->oversized,
    };
    oldest->topic = NULL;
    oldest->payload = NULL;
    push_out_oldest(ring);
    return true;
}

void gr_ring_clear(struct gr_ring *ring)
{
    while (ring->count > 0) {
        push_out_oldest(ring);
    }
}
