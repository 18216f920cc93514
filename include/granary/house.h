/* A simulated house: load, sun, battery with losses and limits, an inverter that obeys commands and falls back by itself. Pure, so that
 * the simulator, the system tests and long random runs share it. Powers in kW, signs as in site.h. */
#ifndef GRANARY_HOUSE_H
#define GRANARY_HOUSE_H

#include "granary/command.h"
#include "granary/site.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stdint.h>

struct gr_house_scene {
    struct gr_site site;
    double house_kw[24];       /* base load by local hour, before noise and appliances */
    double noise_share;        /* relative spread of the base load from minute to minute */
    double kettle_kw;          /* short appliance runs at random moments */
    double runs_per_day;
    double car_kw;             /* car charger's power; 0: no car */
    double car_from_hour, car_hours; /* local hour it starts (may be fractional), and for how long, on car_weekdays */
    unsigned car_weekdays;     /* bit 0 Monday */
    double clearness_mean, clearness_spread; /* of a day, and its course within the day */
    double start_percent;
    uint64_t seed;
};

struct gr_house_flow {
    double house_kw, solar_kw, car_kw, battery_kw, grid_kw, curtail_kw;
    double stored_kwh;         /* after the step */
};

/* What one step would be without any battery decision: the same for every battery in the same scene. */
struct gr_house_load {
    double house_kw, solar_kw, car_kw;
};
/* Deterministic in (scene, utc_s): the minute that holds utc_s. */
void gr_house_load_at(struct gr_house_load *out, const struct gr_house_scene *scene, const struct gr_zone *zone,
                      int64_t utc_s);

/* Runs a battery for `seconds` inside a band; stops discharging at stop_kwh and charging at capacity. */
void gr_house_step(struct gr_house_flow *out, const struct gr_house_scene *scene, const struct gr_house_load *load,
                   struct gr_band band, double stop_kwh, double *stored_kwh, double seconds);

/* What the inverter believes it was told. */
struct gr_inverter {
    enum gr_command_kind kind;
    double power_kw, target_percent;
    int64_t valid_until_s;
    uint64_t sequence;
};

/* The band in force at a moment: the command's, or follow after its end; charge stops at its target, discharging commands at the
 * reserve. */
struct gr_band gr_inverter_band(const struct gr_inverter *inverter, const struct gr_site *site, double stored_kwh,
                                int64_t utc_s);

/* Money. */
struct gr_bill {
    double import_kwh, export_kwh, import_cost, export_income, discharged_kwh, wear_cost;
};
void gr_bill_add(struct gr_bill *bill, const struct gr_house_flow *flow, double import_price, double export_price,
                 double wear_per_kwh, double seconds);
double gr_bill_total(const struct gr_bill *bill);

#endif
