/* A simulated house: load, sun, battery with losses and limits, an inverter that obeys commands and falls
 * back by itself. Pure, so that the simulator, the system tests and long random runs share it. Powers in kW,
 * signs as in site.h. */
#ifndef GRANARY_HOUSE_H
#define GRANARY_HOUSE_H

#include "granary/command.h"
#include "granary/site.h"
#include "granary/zone.h"

#include <stdbool.h>
#include <stdint.h>

struct gr_house_scene {
    struct gr_site site;
    double house_kw[24]; /* base load in the middle of each local hour, straight lines between; before noise
                            and appliances */
    double noise_share;  /* relative standard spread of the base load from minute to minute */
    double kettle_kw; /* appliance runs of 4 minutes at random moments between 06:00 and 23:00 local time */
    double runs_per_day;
    double car_kw;                   /* car charger's power; 0: no car */
    double car_from_hour, car_hours; /* local hour it starts (may be fractional), and for how long (up to 24),
                                        on car_weekdays */
    unsigned car_weekdays;           /* bit 0 Monday */
    double clearness_mean,
        clearness_spread; /* of a day (1: clear sky; standard spread), and its course within the day */
    double cloud_from_hour, cloud_to_hour; /* local hours of a bank of cloud that comes every day */
    double cloud_share;                    /* what it takes of the clearness, 0 to 1; 0: no such cloud */
    double air_mean_c, air_swing_c; /* temperature outdoors, and of the battery's cells: coldest at 05:00
                                       local time by the swing, warmest at 17:00 */
    double start_percent;
    uint64_t seed;
};

struct gr_house_flow {
    double house_kw, solar_kw, car_kw, battery_kw, grid_kw, curtail_kw; /* means over the step; solar_kw is
                                  before curtailment: grid = house + car + battery - (solar - curtail), or
                                  what gr_site_drawn_kw makes of the last two where they share an inverter */
    double refused_kw;    /* battery power that the band asked for and the grid connection's limits did not
                             allow, >= 0 */
    double stored_kwh;    /* after the step */
    double wear_by_level; /* money: what the battery's wear steps say of the energy taken */
};

/* What one step would be without any battery decision: the same for every battery in the same scene. */
struct gr_house_load {
    double house_kw, solar_kw, car_kw;
    double air_c;
};
/* Deterministic in (scene, utc_s): the minute that holds utc_s. */
void gr_house_load_at(struct gr_house_load *out, const struct gr_house_scene *scene,
                      const struct gr_zone *zone, int64_t utc_s);

/* Noise of mean 0 and standard spread 1, within +-3.5, a pure function of its arguments (splitmix64, Steele,
 * Lea and Flood 2014; sum of four uniform numbers). `stream` keeps uses of one seed apart; those below 100
 * belong to this module. */
double gr_house_noise(uint64_t seed, uint64_t stream, int64_t counter);

/* Runs a battery for `seconds` inside a band; stops discharging at stop_kwh and charging at capacity, holding
 * it there against the standing loss. A charge that reaches its target does so between steps, see
 * gr_inverter_band. The inverter's meter sees a car on the house side only; the limits of the grid connection
 * hold battery power back, and solar too where it is curtailable. *stored_kwh, 0 to capacity, is carried on.
 */
void gr_house_step(struct gr_house_flow *out, const struct gr_house_scene *scene,
                   const struct gr_house_load *load, struct gr_band band, double stop_kwh, double *stored_kwh,
                   double seconds);

/* What the inverter believes it was told. */
struct gr_inverter {
    enum gr_command_kind kind;
    double power_kw, target_percent;
    int64_t valid_until_s; /* INT64_MAX: no end */
    uint64_t sequence;
};

/* The band in force at a moment: the command's, or follow after its end; charge stops at its target,
 * discharging commands at the reserve. A charge at its target and an export at its lower end become [0, 0].
 */
struct gr_band gr_inverter_band(const struct gr_inverter *inverter, const struct gr_site *site,
                                double stored_kwh, int64_t utc_s);

/* The stored energy at which discharging stops: the reserve; for serve and export their target where that is
 * higher. */
double gr_inverter_stop_kwh(const struct gr_inverter *inverter, const struct gr_site *site, int64_t utc_s);

/* Money. */
struct gr_bill {
    double import_kwh, export_kwh, import_cost, export_income, discharged_kwh, wear_cost;
};
void gr_bill_add(struct gr_bill *bill, const struct gr_house_flow *flow, double import_price,
                 double export_price, double wear_per_kwh, double seconds);
/* Import cost less export income plus wear. */
double gr_bill_total(const struct gr_bill *bill);

#endif
