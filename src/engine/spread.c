/* Prices that are not published yet, as a distribution: one course of them for each path of a plan. */
#include "engine/internal.h"

#include <stdlib.h>

/* What a path knows of its own prices, nobody knows before they are published, and what it knows of its own
 * load and sun only little longer: from so far ahead on every path goes on as the mean of all. */
static const int64_t known_ahead_s = (int64_t)8 * 3600;

/* Whether someone asked for a price then, or pays for what is not drawn. */
static bool is_asked_for(const struct gr_overrides *overrides, int64_t from_s, int64_t to_s)
{
    const double none = -1e9;
    double import = none, export = none;
    gr_overrides_price(overrides, from_s, to_s, &import, &export);
    return import != none || export != none;
}

/* `price` by path and slot: around what is expected at a moment that is not published, that itself elsewhere.
 */
static void spread(double *price, const double *expected, const struct gr_price_habit *habit,
                   const struct gr_zone *zone, const struct gr_engine_plan *plan)
{
    const struct gr_horizon *horizon = &plan->horizon;
    const struct gr_paths *paths = &plan->paths;
    double miss[GR_PRICE_MISSES];
    for (size_t t = 0; t < paths->slots; t++) {
        int64_t from_s = horizon->bounds_s[t], to_s = horizon->bounds_s[t + 1],
                at_s = from_s + (to_s - from_s) / 2;
        bool spreads =
            habit->learned && at_s >= habit->end_s && !is_asked_for(&plan->overrides, from_s, to_s);
        double mean = 0;
        if (spreads) {
            gr_price_habit_misses(habit, zone, at_s, miss);
        }
        for (size_t k = 0; k < paths->count && spreads; k++) {
            mean += paths->weight[k] * miss[k % GR_PRICE_MISSES];
        }
        for (size_t k = 0; k < paths->count; k++) {
            double by = spreads ? miss[k % GR_PRICE_MISSES] - mean : 0;
            price[k * paths->slots + t] = expected[t] + by;
        }
    }
}

static bool is_all_published(const struct gr_horizon *horizon)
{
    for (size_t t = 0; t < horizon->slots; t++) {
        if (horizon->expected[t]) {
            return false;
        }
    }
    return true;
}

int gr_engine_spread_prices(const struct gr_engine *engine, struct gr_engine_plan *plan)
{
    struct gr_paths *paths = &plan->paths;
    const struct gr_horizon *horizon = &plan->horizon;
    const struct gr_price_habit *habits = engine->habits;
    if (is_all_published(horizon) || !habits[GR_IMPORT].learned) {
        return GR_OK;
    }
    paths->import_price = malloc(paths->count * paths->slots * sizeof *paths->import_price);
    paths->export_price = malloc(paths->count * paths->slots * sizeof *paths->export_price);
    if (!paths->import_price || !paths->export_price) {
        return GR_NO_MEMORY;
    }
    spread(paths->import_price, horizon->import_price, &habits[GR_IMPORT], engine->zone, plan);
    spread(paths->export_price, horizon->export_price, &habits[GR_EXPORT_DIRECTION], engine->zone, plan);
    while (paths->meet < horizon->slots &&
           horizon->bounds_s[paths->meet] < horizon->bounds_s[0] + known_ahead_s) {
        paths->meet++;
    }
    return GR_OK;
}
