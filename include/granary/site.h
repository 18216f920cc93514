/* What stands in the house: battery, grid connection, solar arrays.
 * Signs: battery power + charges, - discharges; grid power + imports, - exports; solar >= 0; house >= 0 (car
 * apart). Powers are on the AC side (but see dc_coupled), stored energy is on the battery side. */
#ifndef GRANARY_SITE_H
#define GRANARY_SITE_H

#include "granary/curve.h"

#include <stdbool.h>
#include <stddef.h>

#define GR_NAME_SIZE 64
#define GR_MAX_ARRAYS 8

struct gr_battery {
    double capacity_kwh;         /* usable, > 0 */
    double charge_kw;            /* greatest AC power into the battery, >= 0 */
    double discharge_kw;         /* greatest AC power out of it, >= 0 */
    double charge_efficiency;    /* one way, 0 < e <= 1: stored kWh per kWh taken from the AC side */
    double discharge_efficiency; /* one way, 0 < e <= 1: kWh given to the AC side per stored kWh */
    double standing_loss_kw;     /* lost from the store while there is something to lose */
    double wear_per_kwh;         /* money per kWh discharged, AC side */
};

enum gr_car_side {
    GR_CAR_ON_GRID_SIDE, /* before the gateway: the inverter's meter does not see the car, `follow` does not
                            feed it */
    GR_CAR_ON_HOUSE_SIDE /* behind it: `follow` would feed the car from the battery */
};

struct gr_grid {
    double import_limit_kw;
    double export_limit_kw; /* 0 where nothing may be exported */
    bool solar_curtailable; /* whether the inverter holds solar back by itself at the export limit */
    enum gr_car_side car_side;
    double car_charger_kw; /* of a charger without a meter of its own, to be told from the house by its power;
                              0: none */
};

/* An inverter between the meter and a DC side on which solar and the battery meet. */
struct gr_dc_inverter {
    double limit_kw;         /* greatest AC power either way */
    double to_ac_efficiency; /* of solar and discharging, 0 < e <= 1 */
    double to_dc_efficiency; /* of charging from the AC side */
};

struct gr_solar_array {
    char name[GR_NAME_SIZE];
    double peak_kw;     /* DC rating at standard test conditions */
    double tilt_deg;    /* 0 flat to 90 upright */
    double azimuth_deg; /* clockwise from north, 0 to 360 */
    double inverter_kw; /* AC limit */
};

struct gr_site {
    char name[GR_NAME_SIZE];
    char timezone[GR_NAME_SIZE];
    double latitude_deg;  /* north + */
    double longitude_deg; /* east + */
    struct gr_battery battery;
    struct gr_battery_curves curves; /* of the battery */
    bool dc_coupled; /* battery and sun share one inverter: the battery's powers, efficiencies and losses, and
                        the sun's power, are those of its DC side */
    struct gr_dc_inverter inverter; /* where dc_coupled */
    double reserve_percent;         /* share of capacity kept for an outage; no command discharges below it */
    struct gr_grid grid;
    struct gr_solar_array arrays[GR_MAX_ARRAYS];
    size_t array_count;
};

#endif
