#include "bridge/pending.h"

#include <stdlib.h>
#include <string.h>

bool gr_pending_add(struct gr_pending *pending, int token, const char *topic, int64_t now_ms)
{
    char *copy = pending->count < GR_MOST_PENDING ? strdup(topic) : NULL;
    if (!copy) {
        return false;
    }
    pending->items[pending->count++] = (struct gr_pending_publish){token, now_ms, copy};
    return true;
}

char *gr_pending_remove(struct gr_pending *pending, int token)
{
    for (size_t i = 0; i < pending->count; i++) {
        struct gr_pending_publish *item = &pending->items[i];
        if (item->token == token) {
            char *topic = item->topic;
            pending->count--;
            memmove(item, item + 1, (pending->count - i) * sizeof *item);
            return topic;
        }
    }
    return NULL;
}

void gr_pending_clear(struct gr_pending *pending)
{
    for (size_t i = 0; i < pending->count; i++) {
        free(pending->items[i].topic);
    }
    pending->count = 0;
}

int64_t gr_pending_lag_ms(const struct gr_pending *pending, int64_t now_ms)
{
    int64_t lag_ms = pending->count > 0 ? now_ms - pending->items[0].sent_ms : 0;
    return lag_ms > 0 ? lag_ms : 0;
}
