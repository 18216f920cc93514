#include "bridge/pending.h"

#include <stdlib.h>
#include <string.h>

bool gr_pending_add(struct gr_pending *pending, const struct gr_publish *publish, int64_t now_ms)
{
    if (pending->count == GR_MOST_PENDING) {
        return false;
    }
    struct gr_pending_publish item = {.accepted_ms = now_ms,
                                      .topic = strdup(publish->topic),
                                      .payload = malloc(publish->length + 1),
                                      .length = publish->length,
                                      .expiry_s = publish->expiry_s,
                                      .retained = publish->retained};
    if (!item.topic || !item.payload) {
        free(item.topic);
        free(item.payload);
        return false;
    }
    if (publish->length > 0) {
        memcpy(item.payload, publish->payload, publish->length);
    }
    pending->items[pending->count++] = item;
    return true;
}

void gr_pending_drop(struct gr_pending *pending, size_t index)
{
    struct gr_pending_publish *item = &pending->items[index];
    free(item->topic);
    free(item->payload);
    pending->in_flight -= index < pending->in_flight ? 1 : 0;
    pending->count--;
    memmove(item, item + 1, (pending->count - index) * sizeof *item);
}

size_t gr_pending_find(const struct gr_pending *pending, int token)
{
    for (size_t i = 0; i < pending->in_flight; i++) {
        if (pending->items[i].token == token) {
            return i;
        }
    }
    return pending->count;
}

void gr_pending_clear(struct gr_pending *pending)
{
    while (pending->count > 0) {
        gr_pending_drop(pending, pending->count - 1);
    }
}

int64_t gr_pending_lag_ms(const struct gr_pending *pending, int64_t now_ms)
{
    int64_t lag_ms = pending->count > 0 ? now_ms - pending->items[0].accepted_ms : 0;
    return lag_ms > 0 ? lag_ms : 0;
}
