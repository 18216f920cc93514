/* One step of battery, inverter and grid connection, and the bill. */
#include "granary/coupling.h"
#include "granary/house.h"

#include <math.h>

/* What the inverter's meter asks of the battery (below 0: offers it), as the net load asks of an AC-coupled
 * one. */
static double net_kw(const struct gr_site *site, const struct gr_house_load *load)
{
    bool sees_car = site->grid.car_side == GR_CAR_ON_HOUSE_SIDE;
    double load_kw = load->house_kw + (sees_car ? load->car_kw : 0);
    return -gr_site_battery_kw(site, -load_kw, load->solar_kw);
}

/* Battery power may bring the exchange up to a limit but never beyond it; a house that is beyond by itself
 * stays so. An inverter that battery and sun share has a limit too. */
static double within_limits(const struct gr_site *site, const struct gr_house_load *load, double battery_kw)
{
    const struct gr_grid *grid = &site->grid;
    double load_kw = load->house_kw + load->car_kw;
    double most = gr_site_battery_kw(site, grid->import_limit_kw - load_kw, load->solar_kw);
    double least = gr_site_battery_kw(site, -grid->export_limit_kw - load_kw, load->solar_kw);
    double most_kw = fmin(fmax(most, 0), gr_site_most_charge_kw(site, load->solar_kw));
    double least_kw = fmax(fmin(least, 0), -gr_site_most_discharge_kw(site));
    return fmin(fmax(battery_kw, least_kw), most_kw);
}

/* What charging, or discharging, makes of the store, in kW. */
static double stored_kw(const struct gr_site *site, double charge_kw)
{
    struct gr_curve loss = gr_curve_of(&site->curves.charge_loss);
    return loss.count > 0 ? gr_curve_stored_kw(&loss, charge_kw)
                          : charge_kw * site->battery.charge_efficiency;
}

static double taken_kw(const struct gr_site *site, double discharge_kw)
{
    struct gr_curve loss = gr_curve_of(&site->curves.discharge_loss);
    return loss.count > 0 ? gr_curve_taken_kw(&loss, discharge_kw)
                          : discharge_kw / site->battery.discharge_efficiency;
}

/* Mean charging power over the step: at full capacity only the standing loss is made up. */
static double charge_kw(const struct gr_site *site, double asked_kw, double stored_kwh, double hours)
{
    const struct gr_battery *battery = &site->battery;
    struct gr_curve loss = gr_curve_of(&site->curves.charge_loss);
    double room_kwh = battery->capacity_kwh - stored_kwh + battery->standing_loss_kw * hours;
    double most_kw = loss.count > 0 ? gr_curve_charge_kw(&loss, fmax(room_kwh, 0) / hours)
                                    : fmax(room_kwh, 0) / battery->charge_efficiency / hours;
    return fmin(asked_kw, most_kw);
}

/* Mean discharging power over the step: full power up to the moment at which the stop is reached. */
static double discharge_kw(const struct gr_site *site, double asked_kw, double stored_kwh, double stop_kwh,
                           double hours)
{
    double fall_kw = taken_kw(site, asked_kw) + site->battery.standing_loss_kw;
    double until_stop_h = fmax(stored_kwh - stop_kwh, 0) / fall_kw;
    return asked_kw * fmin(until_stop_h / hours, 1);
}

static double stored_after(const struct gr_site *site, double stored_kwh, double battery_kw, double hours)
{
    double into_kw = battery_kw > 0   ? stored_kw(site, battery_kw)
                     : battery_kw < 0 ? -taken_kw(site, -battery_kw)
                                      : 0;
    double after_kwh = stored_kwh + (into_kw - site->battery.standing_loss_kw) * hours;
    return fmin(fmax(after_kwh, 0), site->battery.capacity_kwh);
}

static double wear_of(const struct gr_site *site, double stored_kwh, double battery_kw, double hours)
{
    struct gr_curve steps = gr_curve_of(&site->curves.wear_steps);
    return battery_kw < 0 && steps.count > 0
               ? gr_curve_steps(&steps, stored_kwh - taken_kw(site, -battery_kw) * hours, stored_kwh)
               : 0;
}

/* What the battery lets in or gives at this level and temperature: the steps are so short that they stay. */
static double within_powers(const struct gr_site *site, double air_c, double stored_kwh, double battery_kw)
{
    struct gr_curve charge = gr_curve_of(&site->curves.charge_power),
                    discharge = gr_curve_of(&site->curves.discharge_power),
                    cold = gr_curve_of(&site->curves.charge_by_temperature);
    double least_kw = -site->battery.discharge_kw, most_kw = site->battery.charge_kw;
    least_kw = discharge.count > 0 ? fmax(least_kw, -gr_curve_value(&discharge, stored_kwh)) : least_kw;
    most_kw = charge.count > 0 ? fmin(most_kw, gr_curve_value(&charge, stored_kwh)) : most_kw;
    most_kw = cold.count > 0 ? fmin(most_kw, gr_curve_value(&cold, air_c)) : most_kw;
    return fmin(fmax(battery_kw, least_kw), most_kw);
}

static double battery_power(const struct gr_site *site, double asked_kw, double stored_kwh, double stop_kwh,
                            double hours)
{
    if (asked_kw > 0) {
        return charge_kw(site, asked_kw, stored_kwh, hours);
    }
    return asked_kw < 0 ? -discharge_kw(site, -asked_kw, stored_kwh, stop_kwh, hours) : 0;
}

/* Of the sun; what a shared inverter cannot let through is held back whether that is asked for or not. */
static double curtailed_kw(const struct gr_site *site, const struct gr_house_load *load, double battery_kw)
{
    double load_kw = load->house_kw + load->car_kw, held_kw = 0;
    double surplus_kw = load->solar_kw - battery_kw;
    if (site->dc_coupled) {
        held_kw = fmax(0, surplus_kw - gr_site_most_discharge_kw(site));
    }
    if (site->grid.solar_curtailable) {
        double room_kw = site->grid.export_limit_kw + load_kw; /* for what comes through the inverter */
        double through_kw = room_kw > 0 ? -gr_site_battery_kw(site, -room_kw, 0) : 0;
        held_kw = fmax(held_kw, surplus_kw - through_kw);
    }
    return fmin(held_kw, load->solar_kw);
}

void gr_house_step(struct gr_house_flow *out, const struct gr_house_scene *scene,
                   const struct gr_house_load *load, struct gr_band band, double stop_kwh, double *stored_kwh,
                   double seconds)
{
    const struct gr_site *site = &scene->site;
    double hours = seconds / 3600;
    double wanted_kw = gr_band_power_kw(band, net_kw(site, load));
    wanted_kw = within_powers(site, load->air_c, *stored_kwh, wanted_kw);
    double allowed_kw = within_limits(site, load, wanted_kw);
    double battery_kw = battery_power(site, allowed_kw, *stored_kwh, stop_kwh, hours);
    double curtail_kw = curtailed_kw(site, load, battery_kw);
    double drawn_kw = gr_site_drawn_kw(site, battery_kw, load->solar_kw - curtail_kw);
    double wear = wear_of(site, *stored_kwh, battery_kw, hours);
    *stored_kwh = stored_after(site, *stored_kwh, battery_kw, hours);
    *out = (struct gr_house_flow){.house_kw = load->house_kw,
                                  .solar_kw = load->solar_kw,
                                  .car_kw = load->car_kw,
                                  .battery_kw = battery_kw,
                                  .grid_kw = load->house_kw + load->car_kw + drawn_kw,
                                  .curtail_kw = curtail_kw,
                                  .refused_kw = fabs(wanted_kw - allowed_kw),
                                  .stored_kwh = *stored_kwh,
                                  .wear_by_level = wear};
}

void gr_bill_add(struct gr_bill *bill, const struct gr_house_flow *flow, double import_price,
                 double export_price, double wear_per_kwh, double seconds)
{
    double hours = seconds / 3600;
    double import_kwh = fmax(flow->grid_kw, 0) * hours;
    double export_kwh = fmax(-flow->grid_kw, 0) * hours;
    double discharged_kwh = fmax(-flow->battery_kw, 0) * hours;
    bill->import_kwh += import_kwh;
    bill->export_kwh += export_kwh;
    bill->discharged_kwh += discharged_kwh;
    bill->import_cost += import_kwh * import_price;
    bill->export_income += export_kwh * export_price;
    bill->wear_cost += discharged_kwh * wear_per_kwh + flow->wear_by_level;
}

double gr_bill_total(const struct gr_bill *bill)
{
    return bill->import_cost - bill->export_income + bill->wear_cost;
}
