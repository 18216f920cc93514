/* The site in plain words, with the figures that follow from it. */
#include "config/form.h"

#include <math.h>

static void print_place(FILE *stream, const struct gr_site *site)
{
    fprintf(stream, "\nSite\n  \"%s\" at %.4g degrees %s, %.4g degrees %s; clock of %s.\n", site->name,
            fabs(site->latitude_deg), site->latitude_deg < 0 ? "south" : "north", fabs(site->longitude_deg),
            site->longitude_deg < 0 ? "west" : "east", site->timezone);
}

static void print_battery(FILE *stream, const struct gr_site *site, const char *currency)
{
    const struct gr_battery *battery = &site->battery;
    double round_trip = battery->charge_efficiency * battery->discharge_efficiency;
    double through = site->dc_coupled ? site->inverter.to_ac_efficiency * site->inverter.to_dc_efficiency : 1;
    double usable_kwh = battery->capacity_kwh * (1 - site->reserve_percent / 100);
    fprintf(stream, "\nBattery\n  Stores %.4g kWh; %.4g %% (%.2f kWh) of it are the reserve for an outage.\n",
            battery->capacity_kwh, site->reserve_percent, battery->capacity_kwh - usable_kwh);
    fprintf(stream,
            "  Charges with at most %.4g kW: from the reserve to full in %.1f hours%s, taking %.1f kWh.\n",
            battery->charge_kw, usable_kwh / battery->charge_efficiency / battery->charge_kw,
            site->curves.charge_power.count > 0 ? " or more" : "", usable_kwh / battery->charge_efficiency);
    fprintf(stream,
            "  Discharges with at most %.4g kW: from full to the reserve in %.1f hours%s, giving %.1f kWh.\n",
            battery->discharge_kw, usable_kwh * battery->discharge_efficiency / battery->discharge_kw,
            site->curves.discharge_power.count > 0 ? " or more" : "",
            usable_kwh * battery->discharge_efficiency);
    fprintf(stream, "  Of 1 kWh put in, %.2f kWh come out (%.1f %% in, %.1f %% out).\n", round_trip,
            100 * battery->charge_efficiency, 100 * battery->discharge_efficiency);
    fprintf(stream, "  Loses %.4g W all the time, which is %.2f kWh a day.\n",
            1000 * battery->standing_loss_kw, 24 * battery->standing_loss_kw);
    fprintf(stream,
            "  Wear counts %.4g %s per kWh given: what is bought for 0.10 must replace more than %.3f %s.\n",
            battery->wear_per_kwh, currency, 0.10 / round_trip / through + battery->wear_per_kwh, currency);
}

static void print_coupling(FILE *stream, const struct gr_site *site)
{
    if (site->dc_coupled) {
        fprintf(stream,
                "  Shares an inverter of %.4g kW with the sun: %.4g %% reach the AC side, %.4g %% the DC "
                "side; powers "
                "of battery and sun are those of the DC side.\n",
                site->inverter.limit_kw, 100 * site->inverter.to_ac_efficiency,
                100 * site->inverter.to_dc_efficiency);
    }
}

static void print_curve(FILE *stream, const char *what, const struct gr_curve_points *curve, double x_unit,
                        const char *x_name, double y_unit, const char *y_name)
{
    if (curve->count == 0) {
        return;
    }
    fprintf(stream, "  %s:", what);
    for (size_t i = 0; i < curve->count; i++) {
        fprintf(stream, "%s %.4g%s at %.4g%s", i > 0 ? "," : "", curve->y[i] * y_unit, y_name,
                curve->x[i] * x_unit, x_name);
    }
    fprintf(stream, ".\n");
}

static void print_curves(FILE *stream, const struct gr_site *site)
{
    const struct gr_battery_curves *curves = &site->curves;
    double percent = 100 / site->battery.capacity_kwh;
    print_curve(stream, "Greatest charging power", &curves->charge_power, percent, " %", 1, " kW");
    print_curve(stream, "Greatest discharging power", &curves->discharge_power, percent, " %", 1, " kW");
    print_curve(stream, "Greatest charging power by temperature", &curves->charge_by_temperature, 1, " C", 1,
                " kW");
    print_curve(stream, "Lost while charging", &curves->charge_loss, 1, " kW", 1000, " W");
    print_curve(stream, "Lost while discharging", &curves->discharge_loss, 1, " kW", 1000, " W");
    print_curve(stream, "Wear on top, per kWh taken, from each level on", &curves->wear_steps, percent, " %",
                1, "");
}

static const char *car_words(const struct gr_config *config)
{
    if (config->engine.site.grid.car_side == GR_CAR_ON_GRID_SIDE) {
        return "grid's side: the battery does not see it";
    }
    bool known = config->inputs[GR_CAR_POWER].configured || config->engine.site.grid.car_charger_kw > 0;
    return known ? "house's side: while it charges, Granary holds the battery back"
                 : "house's side: without the input car_power (or grid.car_charger_kw) the battery takes it "
                   "for a part of the house";
}

static void print_grid(FILE *stream, const struct gr_config *config)
{
    const struct gr_grid *grid = &config->engine.site.grid;
    fprintf(stream, "\nGrid\n  Draws at most %.4g kW, ", grid->import_limit_kw);
    if (grid->export_limit_kw > 0) {
        fprintf(stream, "feeds in at most %.4g kW; ", grid->export_limit_kw);
    } else {
        fprintf(stream, "feeds nothing in; ");
    }
    fprintf(stream, "the inverter %s solar back at that limit.\n",
            grid->solar_curtailable ? "holds" : "does not hold");
    fprintf(stream, "  A car charger is on the %s.\n", car_words(config));
}

static void print_solar(FILE *stream, const struct gr_site *site)
{
    static const char *const points[] = {"north", "north-east", "east", "south-east",
                                         "south", "south-west", "west", "north-west"};
    fprintf(stream, "\nSolar\n");
    for (size_t i = 0; i < site->array_count; i++) {
        const struct gr_solar_array *array = &site->arrays[i];
        size_t point = (size_t)(array->azimuth_deg / 45 + 0.5) % 8;
        fprintf(
            stream,
            "  \"%s\": %.4g kW of panels looking %s (%.4g degrees), tilted %.4g degrees, inverter %.4g kW.\n",
            array->name, array->peak_kw, points[point], array->azimuth_deg, array->tilt_deg,
            array->inverter_kw);
    }
    if (site->array_count == 0) {
        fprintf(stream, "  No arrays.\n");
    }
}

void gr_print_site(FILE *stream, const struct gr_config *config)
{
    print_place(stream, &config->engine.site);
    print_battery(stream, &config->engine.site, config->currency);
    print_coupling(stream, &config->engine.site);
    print_curves(stream, &config->engine.site);
    print_grid(stream, config);
    print_solar(stream, &config->engine.site);
}
