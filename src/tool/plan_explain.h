/* The slot that a person asks about, and what else could be done in it. */
#ifndef GRANARY_TOOL_PLAN_EXPLAIN_H
#define GRANARY_TOOL_PLAN_EXPLAIN_H

#include "granary/engine.h"
#include "granary/error.h"
#include "granary/zone.h"

#include <jansson.h>
#include <stdbool.h>

/* A time as it was written: what it means depends on the zone and, without a date, on the plan. */
struct gr_told_time {
    enum { GR_TOLD_MOMENT, GR_TOLD_LOCAL, GR_TOLD_CLOCK } form;
    int64_t seconds; /* UTC; local seconds; seconds of the day */
    const char *text;
};

/* "2026-03-10T18:00:00+01:00", local "2026-03-10T18:00", or "18:00", the first in the plan. GR_INVALID. */
int gr_told_time_read(struct gr_told_time *out, const char *text);

/* The slot of the plan that holds it. GR_INVALID, with what could be meant, for a time that the clock shows
 * twice or not at all; GR_NOT_FOUND, with the plan's ends, for one outside. */
int gr_told_time_slot(size_t *out, const struct gr_told_time *told, const struct gr_zone *zone,
                      const struct gr_plan_view *plan, struct gr_error *error);

void gr_explain_print(const struct gr_engine *engine, size_t slot, const struct gr_zone *zone,
                      const char *currency);
/* To be released; NULL without memory. docs/explain.schema.json is its schema. */
json_t *gr_explain_to_json(const struct gr_engine *engine, size_t slot, const struct gr_zone *zone);

#endif
