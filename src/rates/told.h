/* Collects the windows of a foreign document, event by event. */
#ifndef GRANARY_RATES_TOLD_H
#define GRANARY_RATES_TOLD_H

#include "granary/window.h"

#include <jansson.h>

#define GR_LONGEST_AHEAD_S (INT64_C(62) * 86400)

struct gr_telling {
    const struct gr_window_mapping *mapping;
    const struct gr_zone *zone;
    int64_t now_s;
    struct gr_told_windows *told;
    size_t event;  /* index of the first window of the event at hand */
    size_t number; /* of events so far */
    char id[GR_EVENT_ID_SIZE];
    int priority;
};

/* A further event begins; `id` is escaped and cut, "event N" where it is "". */
void gr_told_begin(struct gr_telling *telling, const char *id, int priority);

/* Appends a window of the event at hand, where any of it is still to come. GR_INVALID, with the reason, where
 * it is not plausible; then the caller refuses the event. */
int gr_told_add(struct gr_telling *telling, enum gr_window_kind kind, int64_t start_s, int64_t end_s,
                double value, struct gr_error *error);

/* The event at hand is refused: its windows go, its name and the reason stay. */
void gr_told_refuse(struct gr_telling *telling, const char *reason);

/* One event of OpenADR 3; GR_INVALID, with the reason, where it is to be refused. */
int gr_openadr_read(struct gr_telling *telling, json_t *event, struct gr_error *error);

#endif
