/* What a band does to the battery, the meter and the bill until the end of the slot. */
#include "planner/band.h"

#include <math.h>

struct gr_slot gr_band_slot(const struct gr_outlook *outlook, double load_kw, double solar_kw)
{
    return (struct gr_slot){.meter = {outlook->import_price, outlook->export_price, outlook->import_limit_kw,
                                      outlook->export_limit_kw, outlook->penalty_per_kwh, INFINITY, 0},
                            .battery = outlook->battery,
                            .hours = outlook->hours,
                            .load_kw = load_kw,
                            .solar_kw = solar_kw,
                            .curtailable = outlook->curtailable};
}

static double loss_kwh(const struct gr_outlook *outlook)
{
    return outlook->hours * outlook->battery.standing_loss_kw;
}

double gr_band_end_kwh(const struct gr_outlook *outlook, double battery_kw)
{
    const struct gr_slot slot = {.battery = outlook->battery, .hours = outlook->hours};
    double level_kwh = outlook->stored_kwh + gr_slot_change_kwh(&slot, battery_kw);
    return gr_min(outlook->battery.capacity_kwh, gr_max(0, level_kwh - loss_kwh(outlook)));
}

/* Fills until the end finds it full: what is lost on the way is filled too. */
double gr_band_fill_kw(const struct gr_outlook *outlook)
{
    const struct gr_battery *battery = &outlook->battery;
    double room_kwh = gr_max(0, battery->capacity_kwh + loss_kwh(outlook) - outlook->stored_kwh);
    return gr_min(battery->charge_kw, room_kwh / (outlook->hours * battery->charge_efficiency));
}

/* Empties no further than lets the end find it at the floor; not at all where it is below already. */
double gr_band_empty_kw(const struct gr_outlook *outlook)
{
    const struct gr_battery *battery = &outlook->battery;
    double least_kwh = outlook->floor_kwh > 0 ? outlook->floor_kwh + loss_kwh(outlook) : 0;
    double stock_kwh = gr_max(0, outlook->stored_kwh - least_kwh);
    return gr_min(battery->discharge_kw, stock_kwh * battery->discharge_efficiency / outlook->hours);
}

void gr_band_apply(struct gr_band_result *out, const struct gr_outlook *outlook, struct gr_band band,
                   double house_kw, double car_kw, double solar_kw)
{
    struct gr_slot slot = gr_band_slot(outlook, house_kw + car_kw, solar_kw);
    double power_kw = gr_min(gr_band_power_kw(band, house_kw - solar_kw), gr_band_fill_kw(outlook));
    power_kw = gr_max(power_kw, -gr_band_empty_kw(outlook));
    out->battery_kw = power_kw;
    struct gr_flow flow;
    out->cost = gr_slot_cost(&slot, power_kw, &flow);
    out->curtail_kw = flow.curtail_kw;
    out->grid_kw = flow.grid_kw;
    out->stored_kwh = gr_band_end_kwh(outlook, power_kw);
    out->cost += outlook->penalty_per_kwh * gr_max(0, outlook->floor_kwh - out->stored_kwh);
}
