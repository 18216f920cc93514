#include "engine/internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const int64_t least_slot_s = 60;

void gr_horizon_free(struct gr_horizon *horizon)
{
    free(horizon->bounds_s);
    free(horizon->hours);
    free(horizon->import_price);
    free(horizon->export_price);
    free(horizon->floor_kwh);
    free(horizon->carbon_kg);
    free(horizon->carbon_price);
    free(horizon->carbon_credit);
    free(horizon->expected);
    memset(horizon, 0, sizeof *horizon);
}

static bool grow_array(void **array, size_t count, size_t size)
{
    void *grown = realloc(*array, count * size);
    if (grown) {
        *array = grown;
    }
    return grown != NULL;
}

static int reserve_slots(struct gr_horizon *horizon, size_t wanted)
{
    if (wanted <= horizon->room) {
        return GR_OK;
    }
    size_t room = wanted + wanted / 2 + 64;
    bool grown = grow_array((void **)&horizon->bounds_s, room + 1, sizeof *horizon->bounds_s) &&
                 grow_array((void **)&horizon->hours, room, sizeof *horizon->hours) &&
                 grow_array((void **)&horizon->import_price, room, sizeof *horizon->import_price) &&
                 grow_array((void **)&horizon->export_price, room, sizeof *horizon->export_price) &&
                 grow_array((void **)&horizon->floor_kwh, room, sizeof *horizon->floor_kwh) &&
                 grow_array((void **)&horizon->carbon_kg, room, sizeof *horizon->carbon_kg) &&
                 grow_array((void **)&horizon->carbon_price, room, sizeof *horizon->carbon_price) &&
                 grow_array((void **)&horizon->carbon_credit, room, sizeof *horizon->carbon_credit) &&
                 grow_array((void **)&horizon->expected, room, sizeof *horizon->expected);
    if (!grown) {
        return GR_NO_MEMORY;
    }
    horizon->room = room;
    return GR_OK;
}

static int64_t least_s(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* Replaces the price of a slot that is not published. */
static void expect_price(struct gr_price *price, struct gr_price_habit *habit, bool first,
                         const struct gr_tariff *tariff, const struct gr_zone *zone, int64_t from_s,
                         int64_t to_s)
{
    if (first && (!habit->learned || habit->end_s != from_s)) {
        gr_price_habit_learn(habit, tariff, zone, from_s);
    }
    double expected = gr_price_habit_at(habit, zone, from_s + (to_s - from_s) / 2);
    price->price_per_kwh = isnan(expected) ? price->price_per_kwh : expected;
}

/* An edge too near to either end is left to the share of the slot that lies behind it. */
static int64_t cut_at_edge(const struct gr_overrides *overrides, int64_t at_s, int64_t next_s)
{
    int64_t edge_s = gr_overrides_next_edge_s(overrides, at_s + least_slot_s - 1);
    return edge_s < next_s && next_s - edge_s >= least_slot_s ? edge_s : next_s;
}

/* What is told of a moment, by direction, looked up anew only where what is at hand has ended; false where
 * nothing is known of the import price. What is not known holds for the moment alone. */
static bool find_prices(struct gr_price told[GR_DIRECTIONS], const struct gr_tariff tariffs[GR_DIRECTIONS],
                        const struct gr_zone *zone, int64_t at_s)
{
    static const double unknown[GR_DIRECTIONS] = {[GR_CARBON] = NAN};
    for (int i = 0; i < GR_DIRECTIONS; i++) {
        bool known = at_s < told[i].until_s ||
                     (tariffs[i].count > 0 && gr_tariff_at(&tariffs[i], zone, at_s, &told[i]) == GR_OK);
        if (!known && i == GR_IMPORT) {
            return false;
        }
        if (!known) {
            told[i] = (struct gr_price){.price_per_kwh = unknown[i], .until_s = at_s};
        }
    }
    return true;
}

static void put_slot(struct gr_horizon *out, int64_t at_s, int64_t next_s,
                     const struct gr_price prices[GR_DIRECTIONS])
{
    size_t slot = out->slots++;
    out->bounds_s[slot] = at_s;
    out->bounds_s[slot + 1] = next_s;
    out->hours[slot] = (double)(next_s - at_s) / 3600;
    out->import_price[slot] = prices[GR_IMPORT].price_per_kwh;
    out->export_price[slot] = prices[GR_EXPORT_DIRECTION].price_per_kwh;
    double carbon_kg = prices[GR_CARBON].price_per_kwh;
    out->carbon_kg[slot] = carbon_kg < 0 ? 0 : carbon_kg; /* a habit may go below */
    out->carbon_price[slot] = out->carbon_credit[slot] = 0;
    out->expected[slot] = prices[GR_IMPORT].expected;
}

int gr_horizon_build(struct gr_horizon *out, const struct gr_engine_config *config,
                     const struct gr_tariff tariffs[GR_DIRECTIONS],
                     struct gr_price_habit habits[GR_DIRECTIONS], const struct gr_overrides *overrides,
                     const struct gr_zone *zone, int64_t from_s)
{
    int64_t step_s = (int64_t)config->planning.slot_minutes * 60;
    int64_t end_s = from_s + (int64_t)config->planning.horizon_hours * 3600;
    bool met[GR_DIRECTIONS] = {false}; /* a price that is expected only */
    struct gr_price told[GR_DIRECTIONS] = {
        {.until_s = INT64_MIN}, {.until_s = INT64_MIN}, {.until_s = INT64_MIN}};
    out->slots = 0;
    for (int64_t at_s = from_s; at_s < end_s && find_prices(told, tariffs, zone, at_s);) {
        struct gr_price prices[GR_DIRECTIONS];
        memcpy(prices, told, sizeof prices);
        int64_t next_s = least_s((at_s / step_s + 1) * step_s, end_s);
        for (int i = 0; i < GR_DIRECTIONS; i++) {
            next_s = prices[i].until_s > at_s ? least_s(next_s, prices[i].until_s) : next_s;
        }
        next_s = cut_at_edge(overrides, at_s, next_s);
        for (int i = 0; i < GR_DIRECTIONS; i++) {
            if (prices[i].expected) {
                expect_price(&prices[i], &habits[i], !met[i], &tariffs[i], zone, at_s, next_s);
                met[i] = true;
            }
        }
        if (reserve_slots(out, out->slots + 1) != GR_OK) {
            return GR_NO_MEMORY;
        }
        put_slot(out, at_s, next_s, prices);
        at_s = next_s;
    }
    return out->slots > 0 ? GR_OK : GR_NOT_FOUND;
}

double gr_engine_carbon_price(const struct gr_planning *planning, double kg_per_kwh)
{
    return isnan(kg_per_kwh) ? 0 : planning->carbon_price_per_kg * fmax(0, kg_per_kwh);
}

void gr_horizon_price_carbon(struct gr_horizon *horizon, const struct gr_planning *planning)
{
    for (size_t t = 0; t < horizon->slots; t++) {
        double price = gr_engine_carbon_price(planning, horizon->carbon_kg[t]);
        horizon->carbon_price[t] = price;
        horizon->carbon_credit[t] = planning->carbon_credits_export ? price : 0;
        horizon->import_price[t] += horizon->carbon_price[t];
        horizon->export_price[t] += horizon->carbon_credit[t];
    }
}
