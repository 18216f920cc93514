/* One step of battery, inverter and grid connection, and the bill. */
#include "granary/house.h"

#include <math.h>

static double meter_kw(const struct gr_site *site, const struct gr_house_load *load)
{
    double seen = load->house_kw - load->solar_kw;
    return site->grid.car_side == GR_CAR_ON_HOUSE_SIDE ? seen + load->car_kw : seen;
}

/* Battery power may bring the exchange up to a limit but never beyond it; a house that is beyond by itself
 * stays so. */
static double within_grid_limits(const struct gr_grid *grid, double net_load_kw, double battery_kw)
{
    double most = fmax(grid->import_limit_kw - net_load_kw, 0);
    double least = fmin(-grid->export_limit_kw - net_load_kw, 0);
    return fmin(fmax(battery_kw, least), most);
}

/* Mean charging power over the step: at full capacity only the standing loss is made up. */
static double charge_kw(const struct gr_battery *battery, double asked_kw, double stored_kwh, double hours)
{
    double room_kwh = battery->capacity_kwh - stored_kwh + battery->standing_loss_kw * hours;
    return fmin(asked_kw, fmax(room_kwh, 0) / battery->charge_efficiency / hours);
}

/* Mean discharging power over the step: full power up to the moment at which the stop is reached. */
static double discharge_kw(const struct gr_battery *battery, double asked_kw, double stored_kwh,
                           double stop_kwh, double hours)
{
    double fall_kw = asked_kw / battery->discharge_efficiency + battery->standing_loss_kw;
    double until_stop_h = fmax(stored_kwh - stop_kwh, 0) / fall_kw;
    return asked_kw * fmin(until_stop_h / hours, 1);
}

static double stored_after(const struct gr_battery *battery, double stored_kwh, double battery_kw,
                           double hours)
{
    double into_kw =
        battery_kw > 0 ? battery_kw * battery->charge_efficiency : battery_kw / battery->discharge_efficiency;
    double after_kwh = stored_kwh + (into_kw - battery->standing_loss_kw) * hours;
    return fmin(fmax(after_kwh, 0), battery->capacity_kwh);
}

static double battery_power(const struct gr_battery *battery, double asked_kw, double stored_kwh,
                            double stop_kwh, double hours)
{
    if (asked_kw > 0) {
        return charge_kw(battery, asked_kw, stored_kwh, hours);
    }
    return asked_kw < 0 ? -discharge_kw(battery, -asked_kw, stored_kwh, stop_kwh, hours) : 0;
}

static double curtailed_kw(const struct gr_grid *grid, double solar_kw, double uncurtailed_grid_kw)
{
    if (!grid->solar_curtailable) {
        return 0;
    }
    return fmin(fmax(-uncurtailed_grid_kw - grid->export_limit_kw, 0), solar_kw);
}

void gr_house_step(struct gr_house_flow *out, const struct gr_house_scene *scene,
                   const struct gr_house_load *load, struct gr_band band, double stop_kwh, double *stored_kwh,
                   double seconds)
{
    const struct gr_battery *battery = &scene->site.battery;
    const struct gr_grid *grid = &scene->site.grid;
    double hours = seconds / 3600;
    double net_load_kw = load->house_kw + load->car_kw - load->solar_kw;
    double wanted_kw = gr_band_power_kw(band, meter_kw(&scene->site, load));
    wanted_kw = fmin(fmax(wanted_kw, -battery->discharge_kw), battery->charge_kw);
    double allowed_kw = within_grid_limits(grid, net_load_kw, wanted_kw);
    double battery_kw = battery_power(battery, allowed_kw, *stored_kwh, stop_kwh, hours);
    double curtail_kw = curtailed_kw(grid, load->solar_kw, net_load_kw + battery_kw);
    *stored_kwh = stored_after(battery, *stored_kwh, battery_kw, hours);
    *out = (struct gr_house_flow){.house_kw = load->house_kw,
                                  .solar_kw = load->solar_kw,
                                  .car_kw = load->car_kw,
                                  .battery_kw = battery_kw,
                                  .grid_kw = net_load_kw + battery_kw + curtail_kw,
                                  .curtail_kw = curtail_kw,
                                  .refused_kw = fabs(wanted_kw - allowed_kw),
                                  .stored_kwh = *stored_kwh};
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
    bill->wear_cost += discharged_kwh * wear_per_kwh;
}

double gr_bill_total(const struct gr_bill *bill)
{
    return bill->import_cost - bill->export_income + bill->wear_cost;
}
