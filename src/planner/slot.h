/* What one slot costs: at the meter, and as a function of the change of stored energy. */
#ifndef GRANARY_PLANNER_SLOT_H
#define GRANARY_PLANNER_SLOT_H

#include "planner/points.h"

#include "granary/planner.h"

#include <stdbool.h>

/* The grid connection during one slot. */
struct gr_meter {
    double import_price, export_price; /* money per kWh */
    double import_limit_kw, export_limit_kw;
    double penalty_per_kwh;
};

/* Money per hour at a grid power (+ imports), penalties for the limits in. */
double gr_meter_cost(const struct gr_meter *meter, double grid_kw);

/* Solar to hold back, 0 to solar_kw, so that the grid power grid_kw + held back costs least; the least such
 * amount. */
double gr_meter_curtail(const struct gr_meter *meter, double grid_kw, double solar_kw);

/* One slot of a problem, seen from the battery. */
struct gr_slot {
    struct gr_meter meter;
    struct gr_battery battery;
    double hours, load_kw, solar_kw;
    bool curtailable;
    double floor_kwh;                  /* at its end; a kWh short costs the meter's penalty */
    double wanted_kwh, wanted_per_kwh; /* the same for the other wish */
};

void gr_slot_of(struct gr_slot *out, const struct gr_problem *problem, size_t t);

/* Cost of the slot at a battery power (+ charges), solar held back for the best, wear in, floor penalty not.
 */
double gr_slot_cost(const struct gr_slot *slot, double battery_kw, double *curtail_kw);

/* What is short of the floor and the wish at the slot's end, in money. */
static inline double gr_slot_shortfall(const struct gr_slot *slot, double kwh)
{
    return slot->meter.penalty_per_kwh * gr_max(0, slot->floor_kwh - kwh) +
           slot->wanted_per_kwh * gr_max(0, slot->wanted_kwh - kwh);
}

/* The battery power that changes stored energy by `change_kwh`, and the other way round; standing loss apart.
 */
double gr_slot_power_kw(const struct gr_slot *slot, double change_kwh);
double gr_slot_change_kwh(const struct gr_slot *slot, double battery_kw);

/* `out` = cost at the meter, money per hour, over the battery powers -D to C: solar held back for the best
 * (the least over a window as wide as the solar), wear not in. */
int gr_slot_powers(struct gr_points *out, struct gr_points *scratch, const struct gr_slot *slot);

/* `moves` = the cost of the slot as a function of the energy TAKEN from the store, -(change): the mirrored
 * cost that the min-plus convolution wants. `work` is scratch. */
int gr_slot_moves(struct gr_points *moves, struct gr_points work[2], const struct gr_slot *slot);

#endif
