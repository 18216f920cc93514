#include "daemon/spent.h"

#include "daemon/log.h"
#include "granary/civil.h"

#include <math.h>
#include <stdio.h>

struct adding {
    const struct gr_engine *engine;
    struct gr_spent spent;
};

static void add(void *context, const struct gr_fine_record *record)
{
    struct adding *adding = context;
    gr_engine_spend(adding->engine, &adding->spent, &record->means);
}

void gr_spent_publish(const struct gr_engine *engine, struct gr_store *store, const struct gr_zone *zone,
                      const struct gr_outline *outline, struct gr_device *device, struct gr_bridge *bridge,
                      int64_t now_s)
{
    int64_t midnight_s = gr_zone_day_start_s(zone, now_s, 0);
    struct adding adding = {.engine = engine, .spent = gr_spent_begin(midnight_s)};
    struct gr_error error = {""};
    char text[40], from[GR_RFC3339_SIZE];
    if (!isfinite(outline->cost_today)) {
        return;
    }
    if (store && gr_store_each_fine(store, midnight_s, add, &adding, &error) != GR_OK) {
        gr_log(GR_LOG_WARNING, "what today has cost cannot be read: %s", error.text);
    }
    gr_spent_end(&adding.spent, now_s);
    (void)snprintf(text, sizeof text, "%.2f", adding.spent.cost + outline->cost_today + 0.0);
    gr_device_update(device, bridge, GR_PLAN_COST_TODAY, text);
    gr_device_update(device, bridge, GR_PLAN_COST_TODAY_FROM, gr_rfc3339_format(from, adding.spent.from_s));
}
