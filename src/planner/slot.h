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
    double soft_kw, soft_per_kwh; /* the second import limit; infinite where there is none */
    double peak_kw, peak_per_kwh; /* above it, an import raises a peak; infinite where that costs nothing */
};

/* Money per hour at a grid power (+ imports), penalties for the limits in. */
double gr_meter_cost(const struct gr_meter *meter, double grid_kw);

/* Solar to hold back, 0 to solar_kw, so that the grid power grid_kw + held back costs least; the least such
 * amount. */
double gr_meter_curtail(const struct gr_meter *meter, double grid_kw, double solar_kw);

/* Energy that should be stored at the slot's end, and money for a kWh short of it. */
struct gr_wish {
    double kwh, per_kwh;
};

/* Where the battery's power (+ charges) is to lie, and money for a kWh outside; 0: anywhere. */
struct gr_range {
    double least_kw, most_kw, per_kwh;
};

enum { GR_WISH_FLOOR, GR_WISH_WANTED, GR_WISH_FULL, GR_WISHES };

#define GR_METER_KINKS 5

/* Where the meter's cost bends, rising; those out of reach of everything are left out. */
struct gr_meter_kinks {
    struct gr_point at[GR_METER_KINKS]; /* grid power, money per hour */
    size_t count;
};

/* One slot of a problem, seen from the battery. */
struct gr_slot {
    struct gr_meter meter;
    struct gr_meter_kinks kinks;
    bool prices_rise; /* 0 <= export <= import */
    struct gr_battery battery;
    double hours, load_kw, solar_kw;
    bool curtailable, may_export;
    double most_discharge_kw; /* battery.discharge_kw, were exporting allowed */
    double most_charge_kw;    /* battery.charge_kw, were there sun enough; where dc_coupled */
    bool dc_coupled;
    double dc_solar_kw;
    struct gr_dc_inverter inverter;
    struct gr_wish wishes[GR_WISHES];
    struct gr_range range;
    struct gr_curve charge_loss, discharge_loss, charge_power, discharge_power, wear_steps;
};

/* What a battery power makes of the site. */
struct gr_flow {
    double curtail_kw, grid_kw;
};

void gr_slot_of(struct gr_slot *out, const struct gr_problem *problem, size_t t);

/* Fills in `kinks` and `prices_rise` from the meter; gr_slot_powers and gr_slot_moves need them. */
void gr_slot_find_kinks(struct gr_slot *slot);

/* Puts an inverter between the battery's side and the AC side. */
void gr_slot_connect_dc(struct gr_slot *slot, const struct gr_dc_inverter *inverter);

/* The same slot with the prices of another problem. */
void gr_slot_price(struct gr_slot *slot, const struct gr_problem *problem, size_t t);

/* The same slot with another load and sun: what differs from path to path. */
void gr_slot_house(struct gr_slot *slot, double load_kw, double solar_kw, double dc_solar_kw);

/* What the battery would have to give for a load to be met by all on its side and the sun, as far as the
 * inverter reaches; below 0: what it could take. */
double gr_slot_net_kw(const struct gr_slot *slot, double load_kw);

/* A problem's sun on the AC side, and on the DC side. */
static inline double gr_ac_solar_kw(const struct gr_problem *problem, size_t t)
{
    return problem->solar_kw ? problem->solar_kw[t] : 0;
}
static inline double gr_dc_solar_kw(const struct gr_problem *problem, size_t t)
{
    return problem->dc_solar_kw ? problem->dc_solar_kw[t] : 0;
}

/* Whether the cost of the slot by change of stored energy is surely convex, told by prices alone: with rising
 * prices it can bend the wrong way only at rest, where losses make less of a kWh that is paid for being taken
 * than of one that is paid for not being given; and that takes more sun than may be exported. */
bool gr_slot_is_convex(const struct gr_slot *slot);

/* Cost of the slot at a battery power (+ charges), solar held back for the best, wear in, the wishes not.
 * `flow` may be NULL. */
double gr_slot_cost(const struct gr_slot *slot, double battery_kw, struct gr_flow *flow);

/* What is short of the wishes at the slot's end, in money. */
static inline double gr_slot_shortfall(const struct gr_slot *slot, double kwh)
{
    double cost = 0;
    for (size_t i = 0; i < GR_WISHES; i++) {
        cost += slot->wishes[i].per_kwh * gr_max(0, slot->wishes[i].kwh - kwh);
    }
    return cost;
}

/* The battery power that changes stored energy by `change_kwh`, and the other way round; standing loss apart.
 */
double gr_slot_power_kw(const struct gr_slot *slot, double change_kwh);
double gr_slot_change_kwh(const struct gr_slot *slot, double battery_kw);

/* The battery power of a command that follows the house (`follow`, `store`, `serve`, `rest`), as far as the
 * battery's power reaches. */
double gr_slot_command_kw(const struct gr_slot *slot, enum gr_command_kind kind);

/* Money for the wear of going down from one level to another, by what the steps say. */
double gr_slot_wear(const struct gr_slot *slot, double from_kwh, double to_kwh);

/* `out` = cost at the meter, money per hour, over the battery powers -D to C: solar held back for the best
 * (the least over a window as wide as the solar), wear not in. */
int gr_slot_powers(struct gr_points *out, struct gr_points *scratch, const struct gr_slot *slot);

/* `moves` = the cost of the slot as a function of the energy TAKEN from the store, -(change): the mirrored
 * cost that the min-plus convolution wants. `work` is scratch. */
int gr_slot_moves(struct gr_points *moves, struct gr_points work[2], const struct gr_slot *slot);

#endif
