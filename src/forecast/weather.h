/* The half hours of what was told of the weather. Internal to src/forecast. */
#ifndef GRANARY_FORECAST_WEATHER_H
#define GRANARY_FORECAST_WEATHER_H

#include "granary/weather.h"

#define CELLS_PER_DAY 48

/* NAN: not told. */
struct told {
    double value;
    double measure_kw; /* what the arrays would make of it, NAN until asked for */
};

struct weather_cell {
    int64_t number;          /* start_s / GR_HISTORY_STEP_S; only a match makes the rest count */
    struct told last, early; /* as told last, and six hours before its start */
    double temperature_c;
};

/* NULL where nothing is told of that half hour. */
struct weather_cell *weather_cell_at(struct gr_weather *weather, int64_t number);

enum gr_weather_kind weather_kind(const struct gr_weather *weather);

/* Power of the arrays, or what stands for it, under what was told; NAN where nothing was. In kW where arrays
 * are configured or generation is told, else in units of irradiance. */
double weather_measure(struct gr_weather *weather, int64_t number, bool early, const struct gr_site *site);

/* Draws the paths' load to the temperature. */
void weather_warm(struct gr_weather *weather, struct gr_paths *paths, const struct gr_history *history,
                  const int64_t *bounds_s);

/* Mean over a slot of what `of` says of its half hours; NAN where it says nothing of one. */
double weather_mean(int64_t start_s, int64_t end_s, double (*of)(void *context, int64_t number),
                    void *context);

#endif
