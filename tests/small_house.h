/* The house in which plans are worked out by hand. */
#ifndef GRANARY_TESTS_SMALL_HOUSE_H
#define GRANARY_TESTS_SMALL_HOUSE_H

#include "granary/planner.h"

#include <stddef.h>
#include <string.h>

#define SLOTS 4
#define NEAR 1e-9

/* A lossless 10 kWh, 5 kW battery, empty, four hours, nothing happens, wide limits. */
struct house {
    struct gr_problem problem;
    double hours[SLOTS], load_kw[SLOTS], solar_kw[SLOTS], import_price[SLOTS], export_price[SLOTS],
        floor_kwh[SLOTS];
};

static inline void make_house(struct house *house, size_t slots)
{
    memset(house, 0, sizeof *house);
    for (size_t t = 0; t < SLOTS; t++) {
        house->hours[t] = 1;
        house->import_price[t] = 0.3;
    }
    house->problem = (struct gr_problem){.slots = slots,
                                         .hours = house->hours,
                                         .load_kw = house->load_kw,
                                         .solar_kw = house->solar_kw,
                                         .import_price = house->import_price,
                                         .export_price = house->export_price,
                                         .floor_kwh = house->floor_kwh,
                                         .battery = {10, 5, 5, 1, 1, 0, 0},
                                         .import_limit_kw = 20,
                                         .export_limit_kw = 20,
                                         .penalty_per_kwh = 10};
}

#endif
