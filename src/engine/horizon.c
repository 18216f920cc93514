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

/* The price at a moment, looked up anew only where the one at hand has ended. */
static int read_price(struct gr_price *price, const struct gr_tariff *tariff, const struct gr_zone *zone,
                      int64_t at_s)
{
    return at_s < price->until_s ? GR_OK : gr_tariff_at(tariff, zone, at_s, price);
}

int gr_horizon_build(struct gr_horizon *out, const struct gr_engine_config *config,
                     const struct gr_tariff *import, const struct gr_tariff *export,
                     struct gr_price_habit habits[2], const struct gr_overrides *overrides,
                     const struct gr_zone *zone, int64_t from_s)
{
    int64_t step_s = (int64_t)config->planning.slot_minutes * 60;
    int64_t end_s = from_s + (int64_t)config->planning.horizon_hours * 3600;
    bool met[2] = {false, false}; /* a price that is expected only */
    struct gr_price import_price = {.until_s = INT64_MIN}, export_price = import_price;
    out->slots = 0;
    for (int64_t at_s = from_s; at_s < end_s;) {
        if (read_price(&import_price, import, zone, at_s) != GR_OK) {
            break;
        }
        if (read_price(&export_price, export, zone, at_s) != GR_OK) {
            export_price = (struct gr_price){.price_per_kwh = 0, .until_s = end_s};
        }
        struct gr_price bought = import_price, sold = export_price;
        int64_t next_s = (at_s / step_s + 1) * step_s;
        next_s = least_s(least_s(next_s, end_s), least_s(bought.until_s, sold.until_s));
        next_s = cut_at_edge(overrides, at_s, next_s);
        if (bought.expected) {
            expect_price(&bought, &habits[GR_IMPORT], !met[GR_IMPORT], import, zone, at_s, next_s);
            met[GR_IMPORT] = true;
        }
        if (sold.expected) {
            expect_price(&sold, &habits[GR_EXPORT_DIRECTION], !met[GR_EXPORT_DIRECTION], export, zone, at_s,
                         next_s);
            met[GR_EXPORT_DIRECTION] = true;
        }
        size_t slot = out->slots;
        if (reserve_slots(out, slot + 1) != GR_OK) {
            return GR_NO_MEMORY;
        }
        out->bounds_s[slot] = at_s;
        out->bounds_s[slot + 1] = next_s;
        out->hours[slot] = (double)(next_s - at_s) / 3600;
        out->import_price[slot] = bought.price_per_kwh;
        out->export_price[slot] = sold.price_per_kwh;
        out->expected[slot] = bought.expected;
        out->slots++;
        at_s = next_s;
    }
    return out->slots > 0 ? GR_OK : GR_NOT_FOUND;
}
